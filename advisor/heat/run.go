package heat

import (
	"fmt"
	"math"

	"tackline/advisor/trace"
	"tackline/advisor/units"
)

// Scheme is how time is stepped.
type Scheme int64

// The schemes. Both are stable at any step.
const (
	TRBDF2        Scheme = iota // second order in the step; may leave the bounds of its input where a panel follows faster than a step
	BackwardEuler               // first order; never leaves the bounds of its input
)

// DefaultStep is the step in s where none is given.
const DefaultStep units.Second = 60

// Drive is what acts on a panel over time.
type Drive struct {
	Air     trace.Trace // C
	Radiant trace.Trace // C of the surfaces around (roof, walls); where it has no value they are as warm as the air
	Start   Profile     // zero: the panel starts as warm as the air, and Result.Settled says from when that no longer matters
	Step    units.Second
	Scheme  Scheme

	// Source gives the heat set free in the first layer in W/m3 from at (Unix s) over the coming step of the given length in s, during
	// which it is held. It is called once a step, in order, with that layer's mean temperature at the start of the step, so that
	// a rate law may follow its own conversion in a closure. nil is none. What it returns must be finite.
	Source func(at, step float64, layer units.Celsius) float64
}

// Result is the panel's answer. The traces hold a value at each step; they share their times, which must not be changed.
type Result struct {
	Front, Core, Back trace.Trace // C: the two surfaces, and half-way through the panel
	Coat              trace.Trace // C: mean of the first layer
	Settled           []trace.Span
	End               Profile // at the last step
	Balance           Balance
}

// Balance is the energy account of a run in J/m2, over all its stretches: Stored = In + Released, but for rounding.
type Balance struct {
	In       float64 // through both faces
	Released float64 // by the source
	Stored   float64
}

// SourceTrace gives a Source that follows a trace of W/m3, at the middle of each step; where the trace has no value nothing is released.
func SourceTrace(t trace.Trace) func(at, step float64, layer units.Celsius) float64 {
	return func(at, step float64, _ units.Celsius) float64 {
		v, _ := t.Value(at + step/2)
		return v
	}
}

// Run gives the panel's temperatures over [from, to], Unix seconds.
//
// In a gap of the air's trace nothing is known and the traces have no value; after it the panel starts anew, as warm as the air. Settled
// lists the stretches in which the memory of such a start has died away (three time constants, 5 %); outside them the caller should
// widen the uncertainty. With a known Start the first stretch is settled from its beginning.
//
// The scheme is TR-BDF2 (Bank et al., IEEE Trans. Electron Devices 32 (1985) 1992) over a grid of finite volumes with harmonic links: second
// order in the step and in the cell, exact in steady state, and it neither makes nor loses energy. A panel that cannot be, a trace with bad
// samples, a step that is not above 0, or a span without air temperature is an error.
func (p Panel) Run(d Drive, from, to float64) (Result, error) {
	if err := p.checkRun(d, from, to); err != nil {
		return Result{}, err
	}
	step := d.Step
	if step == 0 {
		step = DefaultStep
	}
	g := p.grid()
	r := Result{}
	rec := recorder{core: coreOf(g, float64(p.Thickness())/2)}
	rec.reserve(int64((to-from)/float64(step)) + 2)
	for i, span := range present(d.Air, from, to) {
		s := newSolver(p, g, d, span.From)
		known := i == 0 && len(d.Start.Depth) > 0 && span.From == from
		if known {
			s.start(d.Start)
		}
		if err := s.march(span, float64(step), &rec, &r.Balance); err != nil {
			return Result{}, err
		}
		settled := span
		if !known {
			settled.From += 3 * float64(p.Lag())
		}
		if settled.From < settled.To {
			r.Settled = append(r.Settled, settled)
		}
		r.End = s.profile()
	}
	if len(rec.at) == 0 {
		return Result{}, fmt.Errorf("heat: no air temperature from %s to %s", clock(from), clock(to))
	}
	maxGap := d.Air.MaxGap
	if maxGap > 0 {
		maxGap = math.Max(maxGap, float64(step))
	}
	r.Front = trace.Trace{At: rec.at, V: rec.front, MaxGap: maxGap}
	r.Core = trace.Trace{At: rec.at, V: rec.mid, MaxGap: maxGap}
	r.Back = trace.Trace{At: rec.at, V: rec.back, MaxGap: maxGap}
	r.Coat = trace.Trace{At: rec.at, V: rec.coat, MaxGap: maxGap}
	return r, nil
}

func (p Panel) checkRun(d Drive, from, to float64) error {
	if err := p.Check(); err != nil {
		return err
	}
	if err := d.Air.Check(); err != nil {
		return fmt.Errorf("heat: air: %w", err)
	}
	if err := d.Radiant.Check(); err != nil {
		return fmt.Errorf("heat: radiant: %w", err)
	}
	if err := d.Start.check(); err != nil {
		return err
	}
	if !(d.Step >= 0 && d.Step <= 86400) {
		return fmt.Errorf("heat: step of %g s: want above 0 and up to a day, or 0 for %g s", float64(d.Step), float64(DefaultStep))
	}
	if d.Scheme != TRBDF2 && d.Scheme != BackwardEuler {
		return fmt.Errorf("heat: scheme %d is not known", int64(d.Scheme))
	}
	if !(to > from) || math.IsInf(to-from, 0) {
		return fmt.Errorf("heat: span from %g to %g s: want an end after the beginning", from, to)
	}
	return nil
}

// clock shows a time in an error.
func clock(at float64) string { return units.Instant(at).Time().Format("2006-01-02 15:04 UTC") }

// present gives the stretches of [from, to] in which the trace has a value.
func present(t trace.Trace, from, to float64) []trace.Span {
	var spans []trace.Span
	at := from
	for _, g := range t.Gaps(from, to) {
		if g.From > at {
			spans = append(spans, trace.Span{From: at, To: g.From})
		}
		at = g.To
	}
	if at < to {
		spans = append(spans, trace.Span{From: at, To: to})
	}
	return spans
}

// recorder gathers the samples of a run.
type recorder struct {
	at, front, mid, back, coat []float64
	core                       coreCell
}

func (r *recorder) reserve(n int64) {
	for _, s := range []*[]float64{&r.at, &r.front, &r.mid, &r.back, &r.coat} {
		*s = make([]float64, 0, n)
	}
}

// coreCell says between which cells the middle of the panel lies.
type coreCell struct {
	i int64
	w float64
}

func coreOf(g grid, middle float64) coreCell {
	i := int64(0)
	for i < int64(len(g.depth))-2 && g.depth[i+1] < middle {
		i++
	}
	return coreCell{i, (middle - g.depth[i]) / (g.depth[i+1] - g.depth[i])}
}
