package dashboard

import (
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

func TestCalibratePages(t *testing.T) {
	var h http.Handler
	for name, path := range map[string]string{"which": "?probe=bench", "reference": "?probe=bench&way=reference", "ice": "?probe=bench&way=ice", "salt": "?probe=bench&way=salt"} {
		h = handler(t, newFake(scene()), func(o *Options) { o.Bench = inventedBench() })
		w := get(h, "/probes/calibrate"+path)
		require.Equal(t, http.StatusOK, w.Code)
		for _, no := range []string{"ZgotmplZ", "%!", "[calibrate_"} {
			require.NotContains(t, w.Body.String(), no)
		}
		golden(t, "calibrate-"+name+".html", flat(w.Body.String()))
	}
	require.NotContains(t, get(h, "/probes/calibrate?probe=foredeck+tape").Body.String(), "way=salt", "it measures no humidity")
	require.Equal(t, http.StatusNotFound, get(h, "/probes/calibrate?probe=nobody").Code)
}

// What an instrument shows is typed in the units of whoever reads it; an uncertainty is a difference. What is not settled is said, and nothing kept.
func TestCalibrationIsEntered(t *testing.T) {
	s := inventedBench()
	h := handler(t, newFake(scene()), func(o *Options) {
		o.Bench, o.Visitor = s, func(*http.Request) Visitor { return Visitor{May: Write, Name: "Wren", Shows: yankee} }
	})
	post := func(path string, form url.Values) *httptest.ResponseRecorder {
		r := httptest.NewRequest(http.MethodPost, "http://127.0.0.1:8090"+path, strings.NewReader(form.Encode()))
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		w := httptest.NewRecorder()
		h.ServeHTTP(w, r)
		return w
	}
	form := url.Values{"key": {"k1"}, "probe": {"bench"}, "method": {"reference"}, "quantity": {"temp_c"}, "reference": {"64.4"}, "in.reference": {"F"}, "u": {"0.9"}, "in.u": {"F"}, "at": {"2026-01-14T08:00"}}
	w := post("/api/v1/calibrations", form)
	require.Equal(t, http.StatusCreated, w.Code, w.Body.String())
	require.Contains(t, w.Body.String(), "It showed 64.04 F where 64.40 F is true")
	require.Len(t, s.kept, 1)
	k := s.kept[0]
	require.Equal(t, "bench Wren temp_c k1", k.Probe+" "+k.Who+" "+k.Quantity+" "+k.Key)
	require.InDelta(t, 18, *k.Reference, 1e-9)
	require.InDelta(t, 0.5, k.U, 1e-9)
	require.Equal(t, "2026-01-14T07:00:00Z", k.Since.Format("2006-01-02T15:04:05Z07:00"))
	require.Equal(t, "/probes", post("/probes/calibrate", form).Header().Get("Location"), "without the script")
	ice := url.Values{"probe": {"bench"}, "method": {"ice"}}
	w = post("/api/v1/calibrations", ice)
	require.Equal(t, http.StatusUnprocessableEntity, w.Code)
	require.Contains(t, w.Body.String(), "drifts by 3.60 F an hour")
	require.Equal(t, http.StatusUnprocessableEntity, post("/probes/calibrate", ice).Code)
	for field, bad := range map[string]string{"reference": "warm", "u": "-1", "quantity": "taste", "at": "2026-01-15T08:00"} {
		f := url.Values{}
		for name, v := range form {
			f[name] = v
		}
		f.Set(field, bad)
		w = post("/api/v1/calibrations", f)
		require.Equal(t, http.StatusUnprocessableEntity, w.Code, field)
		require.Contains(t, w.Body.String(), `"field":"`+field+`"`)
	}
	require.Len(t, s.kept, 2)
}
