package plan

import (
	"fmt"
	"math"

	"tackline/advisor/air"
	"tackline/advisor/cure"
	"tackline/advisor/units"
)

// cell counts how one rule fares at one step of one start.
type cell struct {
	failed     int32   // members in which it is not kept
	value, at  float64 // sums over those: of the rule's number, and of when, in samples
	room       float32 // smallest room to the limit over the members, in units that make rules comparable; below 0: not kept
	near, when float32 // the rule's number there, and when
}

// noRoom is the room of a rule that was not asked.
const noRoom = math.MaxFloat32

// runner is one run: the memory of one member, and what is counted over them.
type runner struct {
	in       *Input
	n        int64 // samples
	nSteps   int64
	nMembers int64
	hours    shifts
	work     []float64 // of each step, samples

	margin, dry, surface lows      // margin less u and limit, K; minus the humidity at the surface, %; surface, C
	film                 []float64 // C
	gas, gasPerK         []float64 // ln of the pore gas's volume, and by how much a kelvin more raises it
	sweep                cure.SweepRun
	marks                [][]cure.SweepMarks                                       // of each system, for each sample as a start
	exact                func(system, member int64, begin float64) cure.SweepMarks // in place of the sweep, in samples: the slow way, to be compared with

	failed []int32   // [start][rule] members
	met    []int32   // [start] members in which every rule is kept
	cells  []cell    // [start][step][rule]
	times  []float32 // [start][step][member]: when a step comes, samples; -1: not at all
}

// run lets every start begin in every member.
func run(in *Input) (*runner, error) {
	if err := in.check(); err != nil {
		return nil, err
	}
	return new(runner).run(in)
}

func (r *runner) run(in *Input) (*runner, error) {
	r.in, r.n, r.nSteps, r.nMembers = in, int64(len(in.Members[0].AirC)), int64(len(in.Steps)), int64(len(in.Members))
	r.hours = in.shiftsOf(r.n)
	for i := range in.Steps {
		r.work = append(r.work, in.Steps[i].WorkMin*60/Step)
	}
	r.margin.lay(r.n)
	r.dry.lay(r.n)
	r.surface.lay(r.n)
	r.film = make([]float64, r.n)
	r.marks = make([][]cure.SweepMarks, len(in.Systems))
	for i := range in.Steps {
		if s := in.Steps[i]; s.Coat && r.marks[s.System] == nil {
			r.marks[s.System] = make([]cure.SweepMarks, r.n)
		}
		if in.Steps[i].OnTimber && r.gas == nil {
			r.gas, r.gasPerK = make([]float64, r.n), make([]float64, r.n)
		}
	}
	r.failed, r.met = make([]int32, in.Starts*rules), make([]int32, in.Starts)
	r.times = make([]float32, in.Starts*r.nSteps*r.nMembers)
	r.cells = make([]cell, in.Starts*r.nSteps*rules)
	for i := range r.cells {
		r.cells[i].room = noRoom
	}
	for m := range r.nMembers {
		if err := r.load(&in.Members[m]); err != nil {
			return nil, err
		}
		for j := range in.Starts {
			r.chain(j, m)
		}
	}
	return r, nil
}

// load lays out what the chains of one member look up.
func (r *runner) load(m *Member) error {
	limits := r.in.Limits
	for k := range r.n {
		airC, e, t := units.Celsius(m.AirC[k]), units.Pascal(m.VapourPa[k]), m.SurfaceC[k]
		dew, err := air.DewPointOfVapour(airC, e)
		if err != nil {
			return fmt.Errorf("plan: %w", err)
		}
		wet, err := air.SurfaceRHOfVapour(airC, e, units.Celsius(t))
		if err != nil {
			return fmt.Errorf("plan: %w", err)
		}
		r.margin[0][k] = t - float64(dew) - limits.MarginU - limits.MarginK
		r.dry[0][k] = -float64(wet)
		r.surface[0][k] = t
		r.film[k] = t + m.FilmErrK
		if r.gas != nil {
			r.breath(m, k)
		}
	}
	r.margin.raise()
	r.dry.raise()
	r.surface.raise()
	for i, marks := range r.marks {
		if marks == nil || r.exact != nil {
			continue
		}
		if err := r.in.Systems[i].Sweep.Run(&r.sweep, r.film, Step, m.Drums[i], r.gas != nil, marks); err != nil {
			return fmt.Errorf("plan: %w", err)
		}
	}
	return nil
}

// breath gives the logarithm of the pore gas's volume, T/(p - aw e(T)), and its slope. The law is that of timber.GasRatio.
func (r *runner) breath(m *Member, k int64) {
	pressure := float64(air.StandardAtmosphere)
	if len(m.PressureHPa) > 0 {
		pressure = 100 * m.PressureHPa[k]
	}
	t := m.SurfaceC[k]
	saturated := float64(air.SaturationPressureWater(units.Celsius(t)))
	dry := max(pressure-r.in.AW*saturated, 1)
	perK := saturated * 17.62 * 243.12 / ((243.12 + t) * (243.12 + t)) // slope of the WMO Magnus form
	r.gas[k] = math.Log((t + units.ZeroCelsius) / dry)
	r.gasPerK[k] = 1/(t+units.ZeroCelsius) + r.in.AW*perK/dry
}

// marksFrom gives the marks of a coat of a system that goes on at a place in samples: between two starts of the grid linear. All in samples.
func (r *runner) marksFrom(system int64, begin float64) cure.SweepMarks {
	of := r.marks[system]
	i := int64(begin)
	if i >= r.n-1 {
		return cure.SweepMarks{TackOpens: cure.Never, TackCloses: cure.Never, RecoatCloses: cure.Never, Firm: cure.Never, Gel: cure.Never}
	}
	w := begin - float64(i)
	a, b := &of[i], &of[i+1]
	return cure.SweepMarks{TackOpens: mix(a.TackOpens, b.TackOpens, w), TackCloses: mix(a.TackCloses, b.TackCloses, w),
		RecoatCloses: mix(a.RecoatCloses, b.RecoatCloses, w), Firm: mix(a.Firm, b.Firm, w), Gel: mix(a.Gel, b.Gel, w)}
}

// mix is linear between two times in seconds, in samples; Never where the nearer way out is.
func mix(a, b, w float64) float64 {
	if w == 0 && a != cure.Never {
		return a / Step
	}
	if a == cure.Never || b == cure.Never {
		return cure.Never
	}
	return (a + w*(b-a)) / Step
}

// inSamples turns marks in seconds from the origin into samples.
func inSamples(m cure.SweepMarks) cure.SweepMarks {
	return cure.SweepMarks{TackOpens: mix(m.TackOpens, 0, 0), TackCloses: mix(m.TackCloses, 0, 0), RecoatCloses: mix(m.RecoatCloses, 0, 0),
		Firm: mix(m.Firm, 0, 0), Gel: mix(m.Gel, 0, 0)}
}

// span gives when a wait is over and when it is too late, from the marks of the coat beneath.
func (w Wait) span(m *cure.SweepMarks) (opens, closes float64) {
	switch w {
	case Wet:
		return math.Inf(-1), m.TackOpens
	case Tack:
		return m.TackOpens, m.TackCloses
	case Recoat:
		return m.TackOpens, m.RecoatCloses
	}
	return math.Inf(-1), cure.Never
}
