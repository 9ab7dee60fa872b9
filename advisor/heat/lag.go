package heat

import (
	"fmt"
	"math"

	"tackline/advisor/trace"
	"tackline/advisor/units"
)

// lagKnots is how finely a first-order lag is sampled where it is curved: steps of a fifth of the time constant, until five of them after
// each corner of the input. A straight line between such samples is within 0.5 % of the corner's effect.
const lagKnots = 5

// FirstOrderLag gives the temperature of a body that follows the air with one time constant tau in s, dT/dt = (Tair - T)/tau: enough for
// a thin panel of which no more than its response is known. Exact at every sample of the air's trace and between, where the air
// goes in straight lines; samples are put in so that straight lines between them hold to 0.5 % of tau times the change of slope.
//
// The body starts as warm as the air, and again after each gap, in which it has no value; Settled tells from when that no longer
// matters. A tau of 0 gives the air itself. A tau below 0 or not finite, or bad samples, is an error.
func FirstOrderLag(air trace.Trace, tau units.Second) (trace.Trace, error) {
	if !(tau >= 0) || math.IsInf(float64(tau), 0) {
		return trace.Trace{}, fmt.Errorf("heat: time constant %g s: want 0 or more", float64(tau))
	}
	if err := air.Check(); err != nil {
		return trace.Trace{}, fmt.Errorf("heat: air: %w", err)
	}
	if tau == 0 || air.Len() < 2 {
		return air, nil
	}
	out := trace.Trace{At: make([]float64, 0, 2*air.Len()), V: make([]float64, 0, 2*air.Len()), MaxGap: air.MaxGap}
	y := air.V[0]
	put := func(at, v float64) {
		if n := len(out.At); n == 0 || at > out.At[n-1] {
			out.At, out.V = append(out.At, at), append(out.V, v)
		}
	}
	put(air.At[0], y)
	for i := 1; i < air.Len(); i++ {
		h := air.At[i] - air.At[i-1]
		if air.MaxGap > 0 && h > air.MaxGap {
			y = air.V[i]
			put(air.At[i], y)
			continue
		}
		slope := (air.V[i] - air.V[i-1]) / h
		at := func(s float64) float64 { // exact answer s seconds into the step
			late := slope * float64(tau)
			return air.V[i-1] + slope*s - late + (y-air.V[i-1]+late)*math.Exp(-s/float64(tau))
		}
		for k := 1; k <= lagKnots*lagKnots; k++ {
			s := float64(k) * float64(tau) / lagKnots
			if s >= h {
				break
			}
			put(air.At[i-1]+s, at(s))
		}
		y = at(h)
		put(air.At[i], y)
	}
	return out, nil
}

// Settled lists the stretches of an air trace in which a body of time constant tau (s) that started as warm as the air, at its first
// sample and after each gap, has forgotten that start to 5 %: from three time constants on.
func Settled(air trace.Trace, tau units.Second) []trace.Span {
	first, ok := air.First()
	if !ok {
		return nil
	}
	last, _, _ := air.Last()
	var spans []trace.Span
	for _, s := range present(air, first, last) {
		s.From += 3 * float64(tau)
		if s.From < s.To {
			spans = append(spans, s)
		}
	}
	return spans
}
