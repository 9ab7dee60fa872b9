package forecast

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"tackline/advisor/trace"
)

// TestBesideGoesWithTheAir: a departure that follows the air is wrong by member as the air is; one that does not is not. Both start at what is
// measured, nothing after the moment is used, and a log of hours has an assumed spread.
func TestBesideGoesWithTheAir(t *testing.T) {
	l := invented(14, 600)
	e := ahead(t, l, 48)
	with, without := trace.Trace{MaxGap: 7200}, trace.Trace{MaxGap: 7200}
	for i, s := range l.AirC.At {
		with.At, with.V = append(with.At, s), append(with.V, 0.5*(l.AirC.V[i]-8))
		without.At, without.V = append(without.At, s), append(without.V, 0.5*math.Sin(s/19000+2*math.Sin(s/70000)))
	}
	together := func(log trace.Trace) float64 {
		b, ok := e.Beside(log, Departure{SD: 1})
		require.True(t, ok)
		_, now, _ := log.Slice(0, at).Last()
		require.Len(t, b.Likely, len(e.Likely.AirC))
		require.InDelta(t, now, b.Likely[0], 1e-9)
		var xy, xx, yy float64
		for i, m := range e.Members {
			require.InDelta(t, now, b.Members[i][0], 1e-9)
			x, y := m.AirC[12]-e.Likely.AirC[12], b.Members[i][12]-b.Likely[12]
			xy, xx, yy = xy+x*y, xx+x*x, yy+y*y
		}
		return xy / math.Sqrt(xx*yy)
	}
	require.Greater(t, together(with), 0.8)
	require.Less(t, math.Abs(together(without)), 0.5)

	later := with
	later.At, later.V = append(append([]float64(nil), with.At...), at+60), append(append([]float64(nil), with.V...), 99)
	a, _ := e.Beside(with, Departure{SD: 1})
	b, _ := e.Beside(later, Departure{SD: 1})
	require.Equal(t, a, b)

	short, ok := e.Beside(with.Slice(at-5*3600, at), Departure{SD: 1})
	require.True(t, ok)
	require.Greater(t, short.Members[47][24], short.Members[0][24]-3)
	spread := func(b Beside) float64 {
		sum := 0.0
		for _, m := range b.Members {
			sum += math.Abs(m[24] - b.Likely[24])
		}
		return sum / float64(len(b.Members))
	}
	require.Greater(t, spread(short), 0.3)
	_, ok = e.Beside(with.Slice(0, at-86400), Departure{SD: 1})
	require.False(t, ok, "it has no present")
	_, ok = e.Beside(trace.Trace{}, Departure{SD: 1})
	require.False(t, ok)
}
