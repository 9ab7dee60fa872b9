package trace

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func line(n int64, step, maxGap float64) Trace {
	t := Trace{MaxGap: maxGap}
	for i := range n {
		t.At, t.V = append(t.At, 1000+float64(i)*step), append(t.V, float64(i))
	}
	return t
}

func TestCheckRefuses(t *testing.T) {
	_, err := New([]float64{1, 2}, []float64{1}, 0)
	require.ErrorContains(t, err, "2 times and 1 values")
	_, err = New([]float64{2, 2}, []float64{1, 1}, 0)
	require.ErrorContains(t, err, "sample 1")
	_, err = New([]float64{1, 2}, []float64{1, math.NaN()}, 0)
	require.ErrorContains(t, err, "sample 1")
}

func TestValueAndGaps(t *testing.T) {
	x := Trace{At: []float64{0, 10, 100, 110}, V: []float64{0, 1, 2, 3}, MaxGap: 20}
	v, ok := x.Value(5)
	require.True(t, ok)
	require.InDelta(t, 0.5, v, 1e-12)
	_, ok = x.Value(50)
	require.False(t, ok, "inside a gap")
	_, ok = x.Value(111)
	require.False(t, ok, "after the last")
	require.Equal(t, []Span{{-5, 0}, {10, 100}, {110, 120}}, x.Gaps(-5, 120))
	require.Equal(t, []Span{{3, 9}}, Trace{}.Gaps(3, 9))
}

// TestThinningMakesNoGaps: a dense log whose gaps are short stays whole when it is thinned to steps longer than they are, and a real gap stays one.
func TestThinningMakesNoGaps(t *testing.T) {
	x := line(600, 60, 180)
	thin := x.Thin(3600)
	require.Less(t, thin.Len(), 20)
	first, _ := x.First()
	last, _, _ := x.Last()
	require.Empty(t, thin.Gaps(first, last))
	y := x.Concat(line(600, 60, 180).Shift(600*60 + 5*3600))
	require.Len(t, y.Thin(3600).Gaps(first, y.At[y.Len()-1]), 1)
}

func TestThinKeepsMeanAndSpan(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.Int64Range(0, 300).Draw(t, "n")
		step := rapid.Float64Range(1, 5000).Draw(t, "step")
		x := line(n, 60, 0)
		y := x.Thin(step)
		require.NoError(t, y.Check())
		require.LessOrEqual(t, y.Len(), x.Len())
		if n > 0 {
			require.Equal(t, x.At[0], y.At[0])
			require.Equal(t, x.At[n-1], y.At[y.Len()-1])
			v, ok := y.Value(1000 + float64(n-1)*30)
			require.True(t, ok)
			require.InDelta(t, float64(n-1)/2, v, 1e-6, "a straight line stays one")
		}
	})
}

func TestConcatTakesTheLater(t *testing.T) {
	x := Trace{At: []float64{0, 10}, V: []float64{1, 2}}.Concat(Trace{At: []float64{5, 10, 20}, V: []float64{7, 8, 9}, MaxGap: 3})
	require.Equal(t, []float64{0, 10, 20}, x.At)
	require.Equal(t, []float64{1, 2, 9}, x.V)
	require.Equal(t, 3.0, x.MaxGap)
}

// TestKnotsFollowABend: where a flat line turns into a ramp, coarse means cut the corner, and knots do not; what is steady, or only noisy, gets no more
// knots than before.
func TestKnotsFollowABend(t *testing.T) {
	bend := Trace{MaxGap: 180}
	quiet, noisy := Trace{}, Trace{}
	for at := 30.0; at < 6*3600; at += 60 {
		v := math.Max(0, math.Min(10, (at-7200)/120)) // ten kelvin in twenty minutes
		bend.At, bend.V = append(bend.At, at), append(bend.V, v)
		quiet.At, quiet.V = append(quiet.At, at), append(quiet.V, 15+at/3600)
		noisy.At, noisy.V = append(noisy.At, at), append(noisy.V, 15+0.06*math.Sin(at*at)) // a sixteenth of a kelvin, at random
	}
	require.Equal(t, quiet.Thin(600), quiet.Knots(600, 0.1))
	require.Equal(t, noisy.Thin(600), noisy.Knots(600, 0.1))
	thin, knots := bend.Thin(600), bend.Knots(600, 0.1)
	require.Less(t, knots.Len(), thin.Len()+20)
	worst := func(x Trace) float64 {
		most := 0.0
		for i := range bend.At {
			v, ok := x.Value(bend.At[i])
			require.True(t, ok)
			most = math.Max(most, math.Abs(v-bend.V[i]))
		}
		return most
	}
	require.Greater(t, worst(thin), 0.8, "the corner is cut")
	require.Less(t, worst(knots), 0.25)
	require.Equal(t, thin.MaxGap, knots.MaxGap)
}

func TestKnotsKeepMeanAndSpan(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.Int64Range(1, 300).Draw(t, "n")
		v := rapid.SliceOfN(rapid.Float64Range(-20, 40), int(n), int(n)).Draw(t, "v")
		x := line(n, rapid.Float64Range(20, 200).Draw(t, "every"), 0)
		x.V = v
		y := x.Knots(rapid.Float64Range(60, 5000).Draw(t, "step"), rapid.Float64Range(0, 5).Draw(t, "within"))
		require.NoError(t, y.Check())
		require.LessOrEqual(t, y.Len(), x.Len())
		require.Equal(t, x.At[0], y.At[0])
		require.Equal(t, x.At[n-1], y.At[y.Len()-1])
	})
}
