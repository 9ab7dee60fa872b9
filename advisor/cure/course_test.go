package cure

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"tackline/advisor/trace"
)

const day0 = 1764028800.0 // an invented winter's day, Unix s

// film48 is 48 h on knots of 15 min; figures invented.
func film48() trace.Trace {
	var f trace.Trace
	for i := 0; i <= 192; i++ {
		f.At = append(f.At, day0+float64(i)*900)
		f.V = append(f.V, 12+5*math.Sin(float64(i)/15)+2*math.Sin(float64(i)))
	}
	return f
}

func TestCoverage(t *testing.T) {
	m := model(t, medium())
	f := film48()
	c, err := m.Course(f, day0+1000, day0+90*3600)
	require.NoError(t, err)
	require.Equal(t, day0+1000, c.Start())
	require.Equal(t, day0+192*900, c.End(), "no further than the film is known")
	require.Empty(t, c.Gaps())
	for _, at := range []float64{day0, day0 + 999, c.End() + 1, math.NaN()} {
		_, ok := c.ConversionAt(at)
		require.False(t, ok)
		_, ok = c.TgAt(at)
		require.False(t, ok)
		_, ok = c.StallAt(at)
		require.False(t, ok)
	}
	low, high, ok := c.ConversionBetween(day0 + 40000)
	a, _ := c.ConversionAt(day0 + 40000)
	require.True(t, ok)
	require.Equal(t, [2]float64{a, a}, [2]float64{low, high})
	temp, ok := c.FilmAt(day0 + 40000)
	require.True(t, ok)
	want, _ := f.Value(day0 + 40000)
	require.InDelta(t, want, temp, 1e-9)
	gel, ok := c.GelAt()
	require.True(t, ok)
	a, _ = c.ConversionAt(gel)
	require.InDelta(t, m.GelConversion(), a, 1e-7)
	short, err := m.Course(f, day0, day0+600)
	require.NoError(t, err)
	_, ok = short.MarkAt(TackOpens)
	require.False(t, ok, "not reached is not a time")
	_, ok = short.GelAt()
	require.False(t, ok)
	_, ok = short.MarkAt(Mark(9))
	require.False(t, ok)
}

func TestNothingToGoBy(t *testing.T) {
	m := model(t, medium())
	for _, span := range [][2]float64{{0, 1000}, {day0 + 200*900, day0 + 300*900}, {day0 + 192*900, day0 + 193*900}} {
		_, err := m.Course(film48(), span[0], span[1])
		require.ErrorIs(t, err, ErrNoTemperature)
	}
	_, err := m.Course(trace.Trace{}, 0, 1)
	require.ErrorIs(t, err, ErrNoTemperature)
	_, err = m.Course(film48(), day0+1, day0)
	require.ErrorContains(t, err, "an end after its start")
	_, err = m.Course(film48(), day0, math.NaN())
	require.Error(t, err)
	hot := film48()
	hot.V[7] = 451
	_, err = m.Course(hot, day0, day0+3600)
	require.ErrorContains(t, err, "sample 7 is 451 C")
	broken := film48()
	broken.At[3] = broken.At[2]
	_, err = m.Course(broken, day0, day0+3600)
	require.ErrorContains(t, err, "sample 3")
	_, err = m.CourseWith(film48(), day0, day0+3600, Options{RelTol: 1})
	require.ErrorContains(t, err, "tolerance")
}

// hole takes the samples inside a span out of a film and sets the longest step that is bridged.
func hole(f trace.Trace, from, to, maxGap float64) trace.Trace {
	out := trace.Trace{MaxGap: maxGap}
	for i, at := range f.At {
		if at < from || at > to {
			out.At, out.V = append(out.At, at), append(out.V, f.V[i])
		}
	}
	return out
}

// Missing samples widen the answer and are never taken for time standing still.
func TestGapsWiden(t *testing.T) {
	full := film48()
	for _, s := range []System{medium(), s1()} {
		m := model(t, s)
		c, err := m.Course(full, day0, day0+48*3600)
		require.NoError(t, err)
		for _, gap := range [][2]float64{{2, 6}, {-1, 3}, {10, 11.9}} {
			f := hole(full, day0+gap[0]*3600, day0+gap[1]*3600, 1800)
			g, err := m.Course(f, day0, day0+48*3600)
			require.NoError(t, err)
			require.Len(t, g.Gaps(), 1)
			require.InDelta(t, (gap[1]-math.Max(0, gap[0]))*60, g.GapMinutes(), 31)
			for h := 1.0; h < 48; h++ {
				at := day0 + h*3600
				low, high, ok := g.ConversionBetween(at)
				require.True(t, ok)
				a, _ := c.ConversionAt(at)
				require.LessOrEqual(t, low, a+1e-6, "gap %v at %g h", gap, h)
				require.GreaterOrEqual(t, high, a-1e-6, "gap %v at %g h", gap, h)
				if h > gap[1] && h < 20 {
					require.Greater(t, high, low)
				}
			}
			for _, mark := range AllMarks() {
				early, late, ok1, ok2 := g.MarkBetween(mark)
				require.True(t, ok1 && ok2)
				at, _ := g.MarkAt(mark)
				require.LessOrEqual(t, early, at)
				require.GreaterOrEqual(t, late, at)
			}
		}
	}
}

// A gap that the start, or the end of the question, lies in.
func TestGapAtTheEdges(t *testing.T) {
	m := model(t, medium())
	f := hole(film48(), day0+5*3600, day0+9*3600, 1800)
	in, err := m.Course(f, day0+7*3600, day0+30*3600)
	require.NoError(t, err)
	require.InDelta(t, 135, in.GapMinutes(), 1e-6)
	out, err := m.Course(f, day0, day0+7*3600)
	require.NoError(t, err)
	require.Equal(t, day0+7*3600, out.End())
	require.InDelta(t, 135, out.GapMinutes(), 1e-6)
	low, high, ok := out.ConversionBetween(out.End())
	require.True(t, ok)
	require.Greater(t, high, low)
	_, late, _, lateOK := out.MarkBetween(Sandable)
	require.False(t, lateOK)
	require.Zero(t, late)
}

// What the batch did in its pot counts.
func TestStartConversion(t *testing.T) {
	for _, s := range []System{medium(), s1()} {
		m := model(t, s)
		film := trace.Trace{At: []float64{0, 1e6}, V: []float64{18, 18}}
		whole, err := m.CourseWith(film, 0, 1e6, tight)
		require.NoError(t, err)
		a, _ := whole.ConversionAt(1800)
		rest, err := m.CourseWith(film, 1800, 1e6, Options{RelTol: 1e-9, Conversion: a})
		require.NoError(t, err)
		for at := 1800.0; at < 1e5; at += 5000 {
			want, _ := whole.ConversionAt(at)
			got, _ := rest.ConversionAt(at)
			require.InDelta(t, want, got, 1e-7)
		}
	}
}

// Over any film: conversion rises from 0, stays in 0..1, everything is finite, marks are in order, tighter agrees, the warmer film is ahead.
func TestAnyFilm(t *testing.T) {
	models := []Model{model(t, medium()), model(t, byTimes()), model(t, s1())}
	rapid.Check(t, func(t *rapid.T) {
		m := models[rapid.IntRange(0, 2).Draw(t, "model")]
		var f, warmer trace.Trace
		at := rapid.Float64Range(-1e9, 4e9).Draw(t, "start")
		start := at
		for i := rapid.IntRange(2, 30).Draw(t, "knots"); i > 0; i-- {
			v := rapid.Float64Range(-60, 80).Draw(t, "C")
			f.At, f.V = append(f.At, at), append(f.V, v)
			warmer.At, warmer.V = append(warmer.At, at), append(warmer.V, v+3)
			at += rapid.Float64Range(1, 20000).Draw(t, "step")
		}
		end := f.At[len(f.At)-1]
		c, err := m.Course(f, start, end)
		require.NoError(t, err)
		fine, err := m.CourseWith(f, start, end, tight)
		require.NoError(t, err)
		w, err := m.Course(warmer, start, end)
		require.NoError(t, err)
		last := -1e-9
		for i := 0; i <= 50; i++ {
			x := start + (end-start)*float64(i)/50
			x = math.Min(x, end)
			a, ok := c.ConversionAt(x)
			require.True(t, ok)
			require.False(t, math.IsNaN(a))
			require.GreaterOrEqual(t, a, last-1e-7)
			require.LessOrEqual(t, a, 1.0)
			b, _ := fine.ConversionAt(x)
			require.InDelta(t, b, a, 1e-5)
			ahead, _ := w.ConversionAt(x)
			require.GreaterOrEqual(t, ahead, a-1e-6)
			last = a
		}
		before := start
		for _, mark := range AllMarks() {
			at, ok := c.MarkAt(mark)
			if !ok {
				break
			}
			require.GreaterOrEqual(t, at, before)
			before = at
		}
		if at, ok := c.MarkAt(RecoatCloses); ok && m.marks.byTg {
			reduced, _ := c.ReducedAt(at)
			require.LessOrEqual(t, reduced, m.recoatReduced()*(1+1e-6)+1e-3, "never later than the sheet's, by reduced time")
		}
		if at, ok := c.MarkAt(Sandable); ok && m.marks.byTg {
			a, _ := c.ConversionAt(at)
			require.GreaterOrEqual(t, a, SandableShare*m.MarkConversion(Sandable)-1e-7)
		}
	})
}

// The whole domain of the rate law: finite, never negative.
func TestRateSweep(t *testing.T) {
	for _, m := range []Model{model(t, medium()), model(t, s1()), model(t, medium()).WithRatio(0.7)} {
		for a := -0.1; a <= 1.1; a += 0.01 {
			for temp := -300.0; temp <= 400; temp += 5 {
				r := m.Rate(a, temp)
				require.False(t, math.IsNaN(r) || math.IsInf(r, 0) || r < 0, "a %g, %g C: %g", a, temp, r)
			}
			require.False(t, math.IsNaN(m.Tg(a)))
		}
		require.Zero(t, m.Rate(0.5, math.NaN()))
	}
}

func BenchmarkCourse48h(b *testing.B) {
	m, f := model(b, medium()), film48()
	b.ReportAllocs()
	for b.Loop() {
		_, _ = m.Course(f, day0, day0+48*3600)
	}
}

func BenchmarkCourse48hReducedTime(b *testing.B) {
	m, f := model(b, s1()), film48()
	b.ReportAllocs()
	for b.Loop() {
		_, _ = m.Course(f, day0, day0+48*3600)
	}
}

func BenchmarkNewFromTimes(b *testing.B) {
	s := byTimes()
	for b.Loop() {
		_, _ = New(s)
	}
}
