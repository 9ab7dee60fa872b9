package dashboard

import (
	"net/http"
	"testing"

	"github.com/stretchr/testify/require"

	"tackline/advisor"
)

// TestMixSaysWhatIsWrong: each field that cannot be is named with its range; an empty form asks, and a shed without a temperature gives no time.
func TestMixSaysWhatIsWrong(t *testing.T) {
	h := handler(t, newFake(scene()), nil)
	for path, want := range map[string]string{
		"/mix?area=":                        "the area is wanted",
		"/mix?area=x":                       "is no number; want an area such as 6m2",
		"/mix?area=-2":                      "a number from 0.001 to 10000 m2 is wanted",
		"/mix?area=6&kind=wet-out":          "the weight of the fabric is wanted",
		"/mix?area=6&kind=glue":             "a thickness is wanted",
		"/mix?area=6&layers=1000":           "a number from 1 to 100 is wanted",
		"/mix?area=6&system=slow&kind=seal": "choose a resin system",
	} {
		w := get(h, path)
		require.Equal(t, http.StatusUnprocessableEntity, w.Code, path)
		require.Contains(t, w.Body.String(), want, path)
	}
	w := get(h, "/mix")
	require.Equal(t, http.StatusOK, w.Code)
	require.Contains(t, w.Body.String(), "Say how large the work is")
	w = get(h, "/mix?area=6,5&kind=seal")
	require.Equal(t, http.StatusOK, w.Code, "a decimal comma is a number")
	require.Contains(t, w.Body.String(), "For 6.5 m²")

	blind := scene()
	blind.Advice.Shed = advisor.ShedAdvice{}
	w = get(handler(t, newFake(blind), nil), "/mix?area=6&kind=seal")
	require.Contains(t, w.Body.String(), "no time can be given")
	v := 4.0
	blind.Advice.Shed.AirC.Value = &v
	w = get(handler(t, newFake(blind), nil), "/mix?area=6&kind=seal")
	require.Contains(t, w.Body.String(), "below this system")
	require.NotContains(t, w.Body.String(), "in a pot")
}
