package building

import (
	"fmt"
	"math"

	"tackline/advisor/forecast"
	"tackline/advisor/trace"
)

// Run gives the shed from a temperature at a time on, along outdoors (C, no gaps wanted) and the heaters' power (W; nil is none), every
// seconds seconds up to a time. It ends where outdoors ends.
func (m *Model) Run(start, from, to, seconds float64, outdoorC trace.Trace, watt func(at float64) float64) trace.Trace {
	out := trace.Trace{At: []float64{from}, V: []float64{start}}
	if !(seconds > 0) || !(m.Tau > 0) {
		return out
	}
	t := start
	for at := from; at+seconds <= to; at += seconds {
		mid := at + seconds/2
		o, ok := outdoorC.Value(mid)
		if _, end := outdoorC.Value(at + seconds); !ok || !end {
			break
		}
		w := 0.0
		if watt != nil {
			w = watt(mid)
		}
		t = m.next(t, o, slot(mid), w, seconds)
		out.At, out.V = append(out.At, at+seconds), append(out.V, t)
	}
	return out
}

// Couple draws a forecast of the shed's air towards what the model makes of an outdoor forecast (C). At each lead both count by the inverse of
// their variances: the ensemble's own, and CheckK of the model joined with outdoorU (standard uncertainty of the outdoor forecast a day
// ahead, K; it grows with the root of the lead). Every member keeps its place in the ensemble, the spread narrows as two independent witnesses
// allow, and where the outdoor forecast ends or has gaps the shed's own forecast stands. It gives why not, and leaves the ensemble alone,
// where the model is not good.
func (m *Model) Couple(e *forecast.Ensemble, outdoorC trace.Trace, outdoorU float64) (why string) {
	if !m.Good() {
		return m.Why
	}
	if why := m.draw(e, func(x *forecast.Member) []float64 { return x.AirC }, outdoorC, outdoorU); why != "" {
		return why
	}
	e.Basis += fmt.Sprintf("; drawn towards the outdoor forecast through a time constant of %.1f h", m.Tau/3600)
	return ""
}

// Couple does for a forecast of the shed's vapour what Model.Couple does for its temperature: outdoorPa is the outdoor forecast's vapour
// pressure, outdoorU its standard uncertainty a day ahead, both Pa. Temperatures are coupled first.
func (v *Vent) Couple(e *forecast.Ensemble, outdoorPa trace.Trace, outdoorU float64) (why string) {
	if !v.Good() {
		return v.Why
	}
	m := v.model()
	if why := m.draw(e, func(x *forecast.Member) []float64 { return x.VapourPa }, outdoorPa, outdoorU); why != "" {
		return why
	}
	e.Basis += fmt.Sprintf(", its vapour through %.2g changes of air an hour", v.PerHour)
	return ""
}

// draw does the work of coupling on one series of the members.
func (m *Model) draw(e *forecast.Ensemble, of func(*forecast.Member) []float64, outdoors trace.Trace, outdoorU float64) (why string) {
	line := of(&e.Likely)
	if len(line) < 2 {
		return "there is no forecast of the shed"
	}
	course := m.Run(line[0], e.At, e.At+float64(len(line)-1)*e.Step, e.Step, outdoors, nil)
	if course.Len() < 2 {
		return "the outdoor forecast does not reach over the next hours"
	}
	own := variance(e, of)
	for k := 1; k < course.Len(); k++ {
		days := float64(k) * e.Step / 86400
		// A free run starts at the truth: its error comes with the time constant.
		grown := 1 - math.Exp(-2*float64(k)*e.Step/m.Tau)
		theirs := (m.CheckK*m.CheckK + outdoorU*outdoorU*days) * grown
		if own[k]+theirs == 0 {
			continue
		}
		share := own[k] / (own[k] + theirs)
		shift, narrow := share*(course.V[k]-line[k]), math.Sqrt(1-share)
		for i := range e.Members {
			v := of(&e.Members[i])
			v[k] = line[k] + shift + narrow*(v[k]-line[k])
		}
		line[k] += shift
	}
	e.Cap()
	return ""
}

// variance is that of the members around the line at each sample.
func variance(e *forecast.Ensemble, of func(*forecast.Member) []float64) []float64 {
	line := of(&e.Likely)
	out := make([]float64, len(line))
	for i := range e.Members {
		for k, v := range of(&e.Members[i]) {
			out[k] += (v - line[k]) * (v - line[k]) / float64(len(e.Members))
		}
	}
	return out
}

// airHeat is the heat that warms a cubic metre of air by a kelvin, Wh/(m3 K): 1.2 kg/m3 by 1006 J/(kg K) over 3600 s.
const airHeat = 1.2 * 1006 / 3600

// Sizes are what a shed's loss can be guessed from where no heater's power has been logged: volume in m3, area of walls, roof and floor in m2, how
// well they hold heat in W/(m2 K) (a single skin of boards or sheet 3..6, insulated 0.3..0.6: common practice, no source), and changes of
// air an hour.
type Sizes struct {
	VolumeM3, EnvelopeM2, UValue, AirChanges float64
}

// WithSizes gives the model with its loss guessed from sizes, within two fifths. The error names what is out of range.
func (m Model) WithSizes(s Sizes) (Model, error) {
	for _, x := range []struct {
		name      string
		v, lo, hi float64
	}{{"volume", s.VolumeM3, 1, 1e5}, {"envelope", s.EnvelopeM2, 1, 1e5}, {"U value", s.UValue, 0.05, 10}, {"air changes", s.AirChanges, 0, 60}} {
		if !(x.v >= x.lo && x.v <= x.hi) {
			return m, fmt.Errorf("building: %s %g is outside %g..%g", x.name, x.v, x.lo, x.hi)
		}
	}
	m.LossWK = s.UValue*s.EnvelopeM2 + airHeat*s.AirChanges*s.VolumeM3
	m.LossU = 0.4 * m.LossWK
	return m, nil
}

// metFor is over how many seconds an outdoor forecast goes over from what is measured now to what it says.
const metFor = 6 * 3600.0

// Meet gives an outdoor forecast (C) from a moment on that starts at what is measured then: its difference from that fades over hours. Before
// its first hour, and only if that is near, the measured value leads up to it. It is empty where it has nothing to say of the hours ahead.
func Meet(outdoorC trace.Trace, at, measured float64) trace.Trace {
	said, ok := outdoorC.Value(at)
	if !ok {
		first, any := outdoorC.First()
		if !any || first < at || first > at+3*3600 {
			return trace.Trace{}
		}
		said = measured
	}
	out := trace.Trace{At: []float64{at}, V: []float64{measured}, MaxGap: outdoorC.MaxGap}
	for i, t := range outdoorC.At {
		if t > at {
			out.At, out.V = append(out.At, t), append(out.V, outdoorC.V[i]+(measured-said)*math.Exp(-(t-at)/metFor))
		}
	}
	return out
}
