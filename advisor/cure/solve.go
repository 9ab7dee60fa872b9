package cure

import (
	"errors"
	"fmt"
	"math"
	"sort"

	"tackline/advisor/trace"
)

// ErrNoTemperature says that no usable film temperature lies between the start and the end of a course.
var ErrNoTemperature = errors.New("cure: no usable film temperature in the time asked for")

// The film temperatures that a course takes, C. Below, nothing reacts and sensors lie; above, the rate law ends.
const (
	lowestFilmC  = -60.0
	highestFilmC = RateEndsC
)

// Options tune one solve. The zero value is the usual one.
type Options struct {
	RelTol     float64 // of conversion per step, relative; 0 is 1e-8. From 1e-12 to 1e-2
	Conversion float64 // at the start, 0..1: what the batch did in its pot before it was spread
}

// tight is for what is computed once and then relied on.
var tight = Options{RelTol: 1e-9}

const (
	usualTol = 1e-8
	absTol   = 1e-2 // of conversion, as a share of RelTol: conversion below 1 % is held as closely as 1 % is
	redTol   = 1e-4 // s of reduced time
)

// step is one accepted step with its dense output. Film temperature is temp + slope (x h) in it.
type step struct {
	t, h        float64 // s from the start of the course
	temp, slope float64 // C, K/s
	a, red      poly    // conversion (not where the curve gives it) and seconds at ReferenceC
}

// run is a solve on its way.
type run struct {
	m      *Model
	c      *Course
	law    law // a copy beside the loop
	tol    float64
	a, red float64
	k, arr float64 // slopes of both at the present point
	try    float64 // next step to try, s
	hint   int
	red0   float64 // reduced time, speed included, that the start conversion is worth
	recoat float64 // the sheet's recoat time as reduced time, s
}

// solve runs along a film without gaps from start to until, or to the film's last sample. It wants at least one sample at or before start.
func (m *Model) solve(film trace.Trace, start, until float64, opt Options) (Course, error) {
	c := Course{m: *m, start: start}
	tol := opt.RelTol
	if tol == 0 {
		tol = usualTol
	}
	if !(tol >= 1e-12 && tol <= 1e-2) || !(opt.Conversion >= 0 && opt.Conversion < 1) {
		return c, fmt.Errorf("cure: tolerance %g, start conversion %g: want 1e-12 to 1e-2, and 0 up to 1", tol, opt.Conversion)
	}
	temp, ok := film.Value(start)
	if !ok {
		return c, ErrNoTemperature
	}
	r := run{m: m, c: &c, law: m.law, tol: tol, a: opt.Conversion, try: 60, recoat: m.recoatReduced()}
	if m.curve != nil {
		r.red0 = m.curve.reduced(r.a)
		c.red0 = r.red0
	}
	r.k, r.arr = r.law.eval(r.a, temp)
	i := sort.SearchFloat64s(film.At, start)
	if i < len(film.At) && film.At[i] == start {
		i++
	}
	c.steps = make([]step, 0, len(film.At)-i+32)
	r.begin(temp)
	t := 0.0
	for ; i < len(film.At) && start+t < until; i++ {
		t1, temp1 := film.At[i]-start, film.V[i]
		if film.At[i] > until {
			temp1 = temp + (temp1-temp)*(until-start-t)/(t1-t)
			t1 = until - start
		}
		if err := r.across(t, t1, temp, temp1); err != nil {
			return Course{}, err
		}
		t, temp = t1, temp1
	}
	c.end = t
	return c, nil
}

// begin notes the events that lie at the start already.
func (r *run) begin(temp float64) {
	for e := 0; e < events; e++ {
		if r.beyond(e, r.a, temp, 0) >= 0 {
			r.c.found[e] = true
		}
	}
}

// across solves one straight stretch of the film.
func (r *run) across(t0, t1, temp0, temp1 float64) error {
	slope := (temp1 - temp0) / (t1 - t0)
	for t := t0; t < t1; {
		h, clamped := r.try, false
		if left := t1 - t; h > left*0.999 {
			h, clamped = left, true
		}
		s := step{t: t, h: h, temp: temp0 + slope*(t-t0), slope: slope}
		err, k, arr := r.attempt(&s)
		if !(err <= 1) { // not a number counts as a miss
			if h < 1e-6 {
				return fmt.Errorf("cure: step %g s at %g s does not converge: film %g C, conversion %g", h, t, s.temp, r.a)
			}
			r.try = h * math.Min(0.9, grow(math.Min(err, 1e30)))
			continue
		}
		next := h * grow(err)
		if !clamped || next > r.try {
			r.try = next
		}
		r.a, r.red, r.k, r.arr = s.a.end(), s.red.end(), k, arr
		r.c.steps = append(r.c.steps, s)
		r.watch(&r.c.steps[len(r.c.steps)-1])
		if t += h; clamped {
			t = t1
		}
	}
	return nil
}

// attempt tries one step. It gives the error over the tolerance, and the slopes at the end.
func (r *run) attempt(s *step) (err, rate, arr float64) {
	if r.m.curve != nil {
		return r.attemptReduced(s)
	}
	var a, q stages
	l, h, y := &r.law, s.h, r.a
	dT := s.slope * h
	a.k1, q.k1 = r.k, r.arr
	k2, _ := l.eval(y+h*a21*a.k1, s.temp+c2*dT)
	a.k3, q.k3 = l.eval(y+h*(a31*a.k1+a32*k2), s.temp+c3*dT)
	a.k4, q.k4 = l.eval(y+h*(a41*a.k1+a42*k2+a43*a.k3), s.temp+c4*dT)
	a.k5, q.k5 = l.eval(y+h*(a51*a.k1+a52*k2+a53*a.k3+a54*a.k4), s.temp+c5*dT)
	a.k6, q.k6 = l.eval(y+h*(a61*a.k1+a62*k2+a63*a.k3+a64*a.k4+a65*a.k5), s.temp+dT)
	da := h * a.increment()
	a.k7, q.k7 = l.eval(y+da, s.temp+dT)
	dq := h * q.increment()
	err = math.Abs(h*a.mismatch()) / (r.tol * (absTol + math.Abs(y+da)))
	err = math.Max(err, math.Abs(h*q.mismatch())/(redTol+r.tol*(r.red+dq)))
	s.a, s.red = a.dense(y, da, h), q.dense(r.red, dq, h)
	return err, a.k7, q.k7
}

// attemptReduced is attempt where conversion follows from reduced time by the curve.
func (r *run) attemptReduced(s *step) (err, rate, arr float64) {
	var q stages
	l, h := &r.law, s.h
	dT := s.slope * h
	q.k1 = r.arr
	q.k3, q.k4, q.k5 = l.arrhenius(s.temp+c3*dT), l.arrhenius(s.temp+c4*dT), l.arrhenius(s.temp+c5*dT)
	q.k6 = l.arrhenius(s.temp + dT)
	q.k7 = q.k6
	dq := h * q.increment()
	err = math.Abs(h*q.mismatch()) / (1e-6 + 1e-2*r.tol*(r.red+dq))
	s.red = q.dense(r.red, dq, h)
	s.a = poly{r1: r.conversion(r.red + dq)} // a constant: the value at the end, for the next step to start from
	return err, 0, q.k7
}

// conversion gives the curve's conversion at a reduced time of this course.
func (r *run) conversion(red float64) float64 {
	return r.m.curve.conversion(r.law.speed*red+r.red0, &r.hint)
}

// beyond tells how far past an event a point is: below 0 before it. Units differ from event to event; only the sign and continuity count.
func (r *run) beyond(e int, a, temp, red float64) float64 {
	s := &r.m.marks
	switch {
	case e == eventReduced:
		return red - r.recoat
	case e == eventGel:
		return a - r.m.gel
	case e <= int(TackCloses) || !s.byTg:
		return a - s.conv[e]
	}
	g := r.law.tg(a) - temp - s.above[e]
	if e == int(Sandable) {
		g = math.Min(g, 100*(a-SandableShare*s.conv[Sandable]))
	}
	return g
}

// watch looks for the events that lie in the step just made. Where the film warms, Tg minus film temperature may rise and fall within a
// step, so that it is looked at in between as well; else all that is watched for only grows.
func (r *run) watch(s *step) {
	parts := 1
	if s.slope > 0 && r.m.marks.byTg {
		parts = 4
	}
	for e := 0; e < events; e++ {
		if r.c.found[e] {
			continue
		}
		n := parts
		if e < int(RecoatCloses) || e > int(Sandable) {
			n = 1
		}
		for i := 0; i < n; i++ {
			x := float64(i+1) / float64(n)
			end := r.look(e, s, x)
			if end < 0 {
				continue
			}
			from := float64(i) / float64(n)
			x = root(func(x float64) float64 { return r.look(e, s, x) }, from, x, math.Min(r.look(e, s, from), -1e-300), end, 1e-4/s.h)
			r.c.at[e], r.c.found[e] = s.t+x*s.h, true
			break
		}
	}
}

// look gives beyond at x of a step.
func (r *run) look(e int, s *step, x float64) float64 {
	red := s.red.at(x)
	a := s.a.at(x)
	if r.m.curve != nil {
		a = r.conversion(red)
	}
	return r.beyond(e, a, s.temp+s.slope*x*s.h, red)
}
