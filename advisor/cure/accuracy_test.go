package cure

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"tackline/advisor/trace"
)

// What Course claims, on films that jump by up to 40 K over steps of a minute to hours: within 1e-6 of the same solve a thousand times finer,
// at any moment. The films come from a fixed seed, 1 and 2.
func TestUsualToleranceOnRoughFilms(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	for _, m := range []Model{model(t, medium()), model(t, byTimes()), model(t, s1())} {
		off := 0.0
		for range 500 {
			var f trace.Trace
			at := 0.0
			for i := 2 + r.IntN(40); i > 0; i-- {
				f.At, f.V = append(f.At, at), append(f.V, -5+40*r.Float64())
				at += 60 + 20000*r.Float64()*r.Float64()
			}
			end, _, _ := f.Last()
			usual, err := m.Course(f, 0, end)
			require.NoError(t, err)
			fine, err := m.CourseWith(f, 0, end, Options{RelTol: 1e-11})
			require.NoError(t, err)
			for i := 0; i <= 200; i++ {
				x := end * float64(i) / 200
				a, _ := usual.ConversionAt(x)
				b, _ := fine.ConversionAt(x)
				off = math.Max(off, math.Abs(a-b))
			}
		}
		t.Logf("%s: worst %.1e", m.System().Name, off)
		require.Less(t, off, 1e-6)
	}
}
