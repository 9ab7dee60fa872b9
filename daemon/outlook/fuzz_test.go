package outlook

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
)

// FuzzAnswer reads what a service of forecasts may send: an error, or hours in order with temperatures that weather can have.
func FuzzAnswer(f *testing.F) {
	f.Add([]byte(columns), "ahead.when", "ahead.dry", "")
	f.Add([]byte(`[{"t":1768392000000,"c":5,"h":80},{"t":1768395600000,"c":6,"h":null}]`), "t", "c", "h")
	f.Fuzz(func(t *testing.T, body []byte, times, air, rh string) {
		s := &Source{c: Config{Times: times, Air: air, RH: rh, Unit: "C"}}
		got, err := s.parse(body)
		if err != nil {
			return
		}
		require.GreaterOrEqual(t, len(got.At), 2)
		require.Len(t, got.AirC, len(got.At))
		for i, c := range got.AirC {
			require.True(t, c >= -80 && c <= 60)
			require.False(t, math.IsNaN(got.At[i]) || math.IsInf(got.At[i], 0))
			require.True(t, i == 0 || got.At[i] > got.At[i-1])
		}
	})
}
