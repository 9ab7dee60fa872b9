package advisor

import (
	"math"

	"tackline/advisor/cure"
	"tackline/advisor/heat"
	"tackline/advisor/timber"
	"tackline/advisor/trace"
	"tackline/advisor/units"
)

const (
	// panelStep is the step in seconds with which a panel's temperature is followed: fine against the minutes in which plywood answers.
	panelStep units.Second = 120
	// aheadStep is the same along a forecast, which is given each quarter of an hour.
	aheadStep units.Second = 300
	// soonKnots is how many knots a surface ahead has aheadStep apart, before it has those of the air: an hour and a half.
	soonKnots = 18
	// unsettledU is what a modelled surface may be off, K, while the model still remembers that it started as warm as the air. Assumed.
	unsettledU = 2.0
	// film properties of a wet coat, W/(m K): unfilled epoxy, from memory, 0.17 to 0.22.
	coatConductivity = 0.2
)

// panelOf gives a piece as heat sees it: timber of its thickness and density at 12 % moisture, each face as it lies.
func panelOf(p *Piece) (heat.Panel, error) {
	thickness, density := p.ThicknessM, p.DensityKgM3
	if thickness <= 0 {
		thickness = defaultPly
	}
	if density <= 0 {
		density = defaultDensity
	}
	g, err := timber.Gravity(density)
	if err != nil {
		return heat.Panel{}, err
	}
	k, err := timber.Conductivity(g, moistureForHeat)
	if err != nil {
		return heat.Panel{}, err
	}
	c, err := timber.HeatCapacity(12, moistureForHeat)
	if err != nil {
		return heat.Panel{}, err
	}
	rho, err := timber.Density(g, moistureForHeat)
	if err != nil {
		return heat.Panel{}, err
	}
	facing := heat.Sideways
	switch p.Lie {
	case LieFlat:
		facing = heat.Up
	case LieOverhead:
		facing = heat.Down
	}
	return heat.Panel{Layers: []heat.Layer{{Thickness: thickness, Conductivity: k, Density: rho, HeatCapacity: c}},
		Front: heat.FaceTowards(facing), Back: heat.FaceTowards(facing.Opposite()), Cell: thickness / 8}, nil
}

// follow runs the panel along the air so far: its surface, its core, and whether the present has forgotten how the run began.
func follow(panel heat.Panel, airC trace.Trace, at float64) (front, core trace.Trace, depth heat.Profile, settled bool, err error) {
	from, ok := airC.First()
	last, _, _ := airC.Last()
	if !ok || last <= from {
		return airC, airC, heat.Profile{}, false, nil
	}
	r, err := panel.Run(heat.Drive{Air: airC, Step: panelStep, Scheme: heat.BackwardEuler}, from, last)
	if err != nil {
		return trace.Trace{}, trace.Trace{}, heat.Profile{}, false, err
	}
	for _, s := range r.Settled {
		settled = settled || s.From <= at && last <= s.To+1
	}
	return r.Front, r.Core, r.End, settled, nil
}

// likelyMember stands for the forecast's line where a member is asked for.
const likelyMember int64 = -1

// surfaceAhead runs the panel along a member's future air, from its present profile, and gives its surface, with what it differs from that model by, at
// that air's own times, and closer together for as long as a panel may answer to what has just begun: none where the air has none.
func (k *skin) surfaceAhead(airC trace.Trace, at float64, member int64) trace.Trace {
	if airC.Len() < 2 {
		return trace.Trace{At: []float64{at, at + Horizon}, V: []float64{k.now, k.now}}
	}
	first, last := airC.At[0], airC.At[airC.Len()-1]
	r, err := k.panel.Run(heat.Drive{Air: airC, Start: k.depth, Step: aheadStep, Scheme: heat.BackwardEuler}, first, last)
	if err != nil {
		return trace.Trace{}
	}
	out := trace.Trace{At: make([]float64, 0, airC.Len()+soonKnots), V: make([]float64, 0, airC.Len()+soonKnots)}
	more := func(t float64) float64 { return k.onward.at(math.Max(0, t-at)) }
	if k.excess != nil {
		line, learnt := trace.Trace{At: airC.At, V: k.excess.Likely}, trace.Trace{At: airC.At, V: k.excess.Likely}
		if member != likelyMember {
			learnt.V = k.excess.Members[member]
		}
		lasts := k.lasts(member)
		more = func(t float64) float64 {
			v, _ := learnt.Value(t)
			if k.odd {
				likely, _ := line.Value(t)
				v += k.onward.lasting(math.Max(0, t-at), lasts) - likely
			}
			return v
		}
	}
	push := func(t float64) {
		v, _ := r.Front.Value(t)
		out.At, out.V = append(out.At, t), append(out.V, v+more(t))
	}
	for i, t := range airC.At {
		for i > 0 && out.Len() < soonKnots && t-out.At[out.Len()-1] > 1.5*float64(aheadStep) {
			push(out.At[out.Len()-1] + float64(aheadStep))
		}
		push(t)
	}
	return out
}

// reactionRise gives how much a coat put on now warms the timber under it by its own reaction, in K over time from now to until: the panel with
// the wet film on it in still air, with the heat that its cure sets free. Mean of surface and core. Empty where it can't be told.
func reactionRise(panel heat.Panel, system *cure.System, kind Kind, course *cure.Course, now, from, until float64) trace.Trace {
	k := system.Kinetics
	if k == nil {
		g := cure.Generic()
		k = &g
	}
	cover := system.CoverageUsed()
	grams := cover.FillGM2
	if kind == Seal || kind == Bedding {
		grams = cover.SealGM2
	}
	film := heat.Layer{Thickness: units.Metre(grams / 1000 / system.DensityKgM3), Conductivity: coatConductivity, Density: system.DensityKgM3, HeatCapacity: k.CpJGK * 1000}
	panel.Layers = append([]heat.Layer{film}, panel.Layers...)
	still := trace.Trace{At: []float64{from, until}, V: []float64{now, now}}
	r, err := panel.Run(heat.Drive{Air: still, Step: panelStep, Scheme: heat.BackwardEuler, Source: func(at, step float64, _ units.Celsius) float64 {
		a0, ok := course.ConversionAt(at)
		a1, ok1 := course.ConversionAt(math.Min(at+step, course.End()))
		if !ok || !ok1 {
			return 0
		}
		return (a1 - a0) / step * k.HeatJG * 1000 * system.DensityKgM3
	}}, from, until)
	if err != nil {
		return trace.Trace{}
	}
	rise := trace.Trace{At: r.Front.At, V: make([]float64, r.Front.Len())}
	for i := range rise.V {
		rise.V[i] = (r.Front.V[i]+r.Core.V[i])/2 - now
	}
	return rise
}

// warmedBy adds a rise to a temperature; before and after the rise's own times its nearest value holds.
func warmedBy(t, rise trace.Trace) trace.Trace {
	if rise.Len() == 0 {
		return t
	}
	out := trace.Trace{At: t.At, V: make([]float64, t.Len()), MaxGap: t.MaxGap}
	first, last := rise.At[0], rise.At[rise.Len()-1]
	for i, at := range t.At {
		d, _ := rise.Value(math.Min(math.Max(at, first), last))
		out.V[i] = t.V[i] + d
	}
	return out
}
