package plan

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tackline/advisor/cure"
	"tackline/advisor/trace"
)

// four is the plan of the budget: four coats from 192 starts in 200 members, hours off so that every start runs to its end.
func four(t testing.TB, members int64) Input {
	w := fair()
	w.mean, w.swing, w.members = 14, 2, members
	in := w.input(t)
	in.Steps = []Task{
		{Name: "seal", Coat: true, OnTimber: true, WorkMin: 30, UseMin: 12, Pot: []Pot{{0, 60}, {20, 25}}, Own: []Own{{15, []float64{0, 0.1, 0.2, 0.2, 0.1, 0}}}},
		{Name: "bedding", Coat: true, Wait: Recoat, WorkMin: 30},
		{Name: "wet-out", Coat: true, Wait: Tack, WorkMin: 40},
		{Name: "fill", Coat: true, Wait: Recoat, WorkMin: 30},
	}
	return in
}

// BenchmarkPlan is the budget: one core, no goroutine.
func BenchmarkPlan(b *testing.B) {
	in := four(b, 200)
	b.ReportAllocs()
	for b.Loop() {
		_, err := Make(in)
		require.NoError(b, err)
	}
}

// BenchmarkPlanMembers and BenchmarkPlanStarts show that the cost is linear: half of each costs half.
func BenchmarkPlanMembers100(b *testing.B) {
	in := four(b, 100)
	for b.Loop() {
		_, err := Make(in)
		require.NoError(b, err)
	}
}

func BenchmarkPlanStarts96(b *testing.B) {
	in := four(b, 200)
	in.Starts = 96
	for b.Loop() {
		_, err := Make(in)
		require.NoError(b, err)
	}
}

// byODE gives the marks of a coat from the solver, as the plan would have them without a sweep.
func byODE(in *Input, m cure.Model) func(system, member int64, begin float64) cure.SweepMarks {
	films := make([]trace.Trace, len(in.Members))
	for i := range in.Members {
		at := make([]float64, len(in.Members[i].SurfaceC))
		v := make([]float64, len(at))
		for k := range at {
			at[k], v[k] = float64(k)*Step, in.Members[i].SurfaceC[k]+in.Members[i].FilmErrK
		}
		films[i] = trace.Trace{At: at, V: v}
	}
	return func(_, member int64, begin float64) cure.SweepMarks {
		o := cure.SweepMarks{TackOpens: cure.Never, TackCloses: cure.Never, RecoatCloses: cure.Never, Firm: cure.Never, Gel: cure.Never}
		film := films[member]
		if begin >= float64(len(film.At)-1) {
			return o
		}
		c, err := m.Scaled(in.Members[member].Drums[0].Speed).Course(film, begin*Step, begin*Step+36*3600) // as long as a coat takes, not as long as the forecast
		if err != nil {
			return o
		}
		for mark, to := range map[cure.Mark]*float64{cure.TackOpens: &o.TackOpens, cure.TackCloses: &o.TackCloses, cure.RecoatCloses: &o.RecoatCloses, cure.Firm: &o.Firm} {
			if at, ok := c.MarkAt(mark); ok {
				*to = at / Step
			}
		}
		if at, ok := c.GelAt(); ok {
			o.Gel = at / Step
		}
		return o
	}
}

// BenchmarkBesideODE reports how many times faster the plan is than the same plan whose cures are solved one by one. The slow one runs on a
// thirty-second of the starts and a tenth of the members; its cost is taken as linear.
func BenchmarkBesideODE(b *testing.B) {
	m := model(b)
	whole, part := four(b, 200), four(b, 20)
	part.Starts, part.Every = 6, 32
	var fast, slow time.Duration
	for b.Loop() {
		t := time.Now()
		_, err := Make(whole)
		require.NoError(b, err)
		fast += time.Since(t)
		t = time.Now()
		r := runner{exact: byODE(&part, m)}
		_, err = r.run(&part)
		require.NoError(b, err)
		slow += 320 * time.Since(t)
	}
	b.ReportMetric(float64(fast.Milliseconds())/float64(b.N), "ms/plan")
	b.ReportMetric(float64(slow.Milliseconds())/float64(b.N), "ms/ode-plan")
	b.ReportMetric(float64(slow)/float64(fast), "times-faster")
}

// TestPlanAgainstODE: the plan by sweep and the plan by solver agree start by start, over mild and cold weather.
func TestPlanAgainstODE(t *testing.T) {
	m := model(t)
	for _, mean := range []float64{19, 13, 8, 3} {
		w := fair()
		w.mean, w.members, w.swing = mean, 8, 4
		in := w.input(t)
		in.Starts, in.Every = 24, 8
		fast, err := run(&in)
		require.NoError(t, err)
		slow := &runner{exact: byODE(&in, m)}
		_, err = slow.run(&in)
		require.NoError(t, err)
		off, pairs := 0.0, 0
		for i, x := range fast.times {
			y := slow.times[i]
			require.Equal(t, y < 0, x < 0, "mean %g, place %d: %g and %g", mean, i, x, y)
			if x >= 0 {
				off = max(off, float64(max(x-y, y-x))*Step)
				pairs++
			}
		}
		require.Less(t, off, 120.0, "mean %g", mean) // a minute for each of the coats that a step waits for, of which the worst film has two
		require.Equal(t, slow.met, fast.met, "mean %g", mean)
		t.Logf("mean %g C: %d steps within %.0f s", mean, pairs, off)
	}
}
