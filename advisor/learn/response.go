package learn

import (
	"math"

	"tackline/advisor/cure"
	"tackline/advisor/trace"
)

// The steps by which a response is tabulated: about one and a half standard deviations of the prior.
const (
	stepSpeed  = 0.36
	stepEnergy = 8.0 // kJ/mol
	stepFilm   = 2.0 // K
)

// The axes of a response.
const (
	axisSpeed = iota
	axisEnergy
	axisFilm
	axes
)

const (
	// knots is what a film is thinned to before a response is tabulated along it, s.
	knots = 1800.0
	// onward is how long the film is taken to stay as it ended, so that late marks have a time at all, s.
	onward = 10 * 86400.0
	// tolerance of the courses behind a response, relative: a finger is a thousand times coarser.
	tolerance = 1e-4
)

// Response is how the times of one coat's marks answer to a drum's speed and energy and to an error of its film temperature: to second order
// around the sheet, in ln seconds since the start.
type Response struct {
	ln      [5]float64
	reached [5]bool
	first   [5][axes]float64 // per unit of each axis: ln speed, kJ/mol, K
	second  [5][axes]float64
	cross   [5][axes]float64 // of the other two axes: of energy and film, of film and speed, of speed and energy
}

// Respond tabulates a coat of the model that was spread at start (Unix seconds) on a film without gaps, C. The film goes on as it ended. The
// error is that of a course: no temperature at the start, or one that no film can have.
func Respond(model cure.Model, film trace.Trace, start float64) (Response, error) {
	film = endless(film, start)
	var r Response
	base, reached, err := marksOf(model, film, start, 0, 0, 0)
	if err != nil {
		return r, err
	}
	r.ln, r.reached = base, reached
	steps := [axes]float64{stepSpeed, stepEnergy, stepFilm}
	var up [axes][5]float64
	var upOK [axes][5]bool
	for axis, h := range steps {
		var x [axes]float64
		x[axis] = h
		high, okHigh, err := marksOf(model, film, start, x[0], x[1], x[2])
		if err != nil {
			return r, err
		}
		low, okLow, err := marksOf(model, film, start, -x[0], -x[1], -x[2])
		if err != nil {
			return r, err
		}
		up[axis], upOK[axis] = high, okHigh
		for m := range base {
			r.first[m][axis], r.second[m][axis] = slopes(base[m], high[m], low[m], okHigh[m], okLow[m], h)
		}
	}
	for axis := range steps {
		a, b := (axis+1)%axes, (axis+2)%axes
		var x [axes]float64
		x[a], x[b] = steps[a], steps[b]
		both, ok, err := marksOf(model, film, start, x[0], x[1], x[2])
		if err != nil {
			return r, err
		}
		for m := range base {
			if ok[m] && r.reached[m] && upOK[a][m] && upOK[b][m] {
				r.cross[m][axis] = (both[m] - up[a][m] - up[b][m] + base[m]) / (steps[a] * steps[b])
			}
		}
	}
	return r, nil
}

// slopes gives the first and second derivative from three values of which one or both neighbours may be missing.
func slopes(at, high, low float64, okHigh, okLow bool, h float64) (first, second float64) {
	switch {
	case okHigh && okLow:
		return (high - low) / (2 * h), (high + low - 2*at) / (h * h)
	case okHigh:
		return (high - at) / h, 0
	case okLow:
		return (at - low) / h, 0
	}
	return 0, 0
}

// marksOf gives ln seconds to each mark of one drum.
func marksOf(model cure.Model, film trace.Trace, start, lnSpeed, energy, offset float64) (ln [5]float64, ok [5]bool, err error) {
	until, _, _ := film.Last()
	c, err := drum(model, lnSpeed, energy).CourseWith(warmer(film, offset), start, math.Max(until, start+1), cure.Options{RelTol: tolerance})
	if err != nil {
		return ln, ok, err
	}
	for _, m := range cure.AllMarks() {
		at, reached := c.MarkAt(m)
		if reached && at > start {
			ln[m], ok[m] = math.Log(at-start), true
		}
	}
	return ln, ok, nil
}

// lowestEnergy holds an activation energy inside what any amine has been measured at, kJ/mol.
const lowestEnergy, highestEnergy = 20.0, 110.0

// drum gives the model of a drum that differs from its sheet by ln speed and by an energy in kJ/mol.
func drum(model cure.Model, lnSpeed, energy float64) cure.Model {
	if energy != 0 {
		model = model.WithActivation(math.Min(math.Max(model.Kinetics().ActivationKJMol+energy, lowestEnergy), highestEnergy))
	}
	return model.Scaled(math.Exp(lnSpeed))
}

func warmer(film trace.Trace, by float64) trace.Trace {
	if by == 0 {
		return film
	}
	return film.Map(func(v float64) float64 { return v + by })
}

// rough gives how far a table of second order may be off within a prior's reach, in ln time: as much as its own second order makes there. It is next
// to nothing for tack, and large for a late mark that a cold night may put off until the next day's warmth.
func (r *Response) rough(m cure.Mark, p *Prior) float64 {
	sd := [axes]float64{p.Speed, p.Activation, p.Surface}
	sum := 0.0
	for i := range sd {
		bend, twist := 0.5*r.second[m][i]*sd[i]*sd[i], r.cross[m][i]*sd[(i+1)%axes]*sd[(i+2)%axes]
		sum += bend*bend + twist*twist
	}
	return math.Sqrt(sum)
}

// at gives ln seconds to a mark and its slopes, for ln speed s, energy e in kJ/mol and a film that is b K warmer.
func (r *Response) at(m cure.Mark, s, e, b float64) (ln float64, slope [axes]float64) {
	x := [axes]float64{s, e, b}
	ln = r.ln[m]
	for i, v := range x {
		ln += v * (r.first[m][i] + 0.5*v*r.second[m][i])
		slope[i] = r.first[m][i] + v*r.second[m][i]
	}
	for i, c := range r.cross[m] {
		j, k := (i+1)%axes, (i+2)%axes
		ln += c * x[j] * x[k]
		slope[j] += c * x[k]
		slope[k] += c * x[j]
	}
	return ln, slope
}

// Blur gives the standard uncertainty of ln time to the marks that the gaps of a film leave open, from the coldest and the warmest that it may
// have been: 0 where they are the same. The largest of the marks counts. All in between is taken as alike.
func Blur(model cure.Model, cold, warm trace.Trace, start float64) (float64, error) {
	var ln [2][5]float64
	var ok [2][5]bool
	for i, film := range [2]trace.Trace{cold, warm} {
		var err error
		if ln[i], ok[i], err = marksOf(model, endless(film, start), start, 0, 0, 0); err != nil {
			return 0, err
		}
	}
	most := 0.0
	for m := range ln[0] {
		if ok[0][m] && ok[1][m] {
			most = math.Max(most, math.Abs(ln[0][m]-ln[1][m])/math.Sqrt(12))
		}
	}
	return most, nil
}

// endless thins a film and lets it go on as it ended.
func endless(film trace.Trace, start float64) trace.Trace {
	film = film.Thin(knots)
	film.MaxGap = 0
	if last, v, ok := film.Last(); ok {
		film = film.Concat(trace.Trace{At: []float64{math.Max(last, start) + onward}, V: []float64{v}})
	}
	return film
}
