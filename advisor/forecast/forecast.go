// Package forecast says how the air of a shed may go on for the next two days, from the shed's own log alone.
//
// The method is a sum of damped parts, each with a scale and a memory: a level that hardly moves, the weather's departure from it (days),
// the hours' own departure, and the waves of the day (24 h and its fractions), which the log's recent days teach and older ones slowly lose.
// Given the log, the best guess of every part follows step by step, gaps included (R. E. Kalman, 1960, "A new approach to linear filtering
// and prediction problems"; A. C. Harvey, 1989, "Forecasting, structural time series models and the Kalman filter", chapters 3 and 4; from
// memory). Ahead, each part fades by its own memory: that is the daily shape plus the decay of today's departure from it.
//
// The spread is no formula where the log is long enough: the members of an Ensemble are the errors that the same rule made from earlier
// moments of the same log, added to the present line. An error is a whole path over the lead, and air, vapour and pressure of one member
// are wrong by what they were wrong by together. There is no random number anywhere.
//
// The day is the sun's. Only where the clock was put forward or back within the log, and the log since then has kept the clock (a heater's
// does), is it the clock's. What a change still ahead will do cannot be known from the log: until it has come the day is the sun's.
//
// A heater that goes by the clock, on all days or on those of the week, is recognised by its steep rises and gets a day of its own; what a thermostat
// does within the hour counts as noise (heater.go).
//
// Vapour is carried as pressure in Pa and not as relative humidity, which swings with the temperature while the water in the air does not.
package forecast

import (
	"errors"
	"fmt"
	"math"
	"sort"
	"time"

	"tackline/advisor/air"
	"tackline/advisor/trace"
	"tackline/advisor/units"
)

const (
	// Step is the spacing of the log as the rule sees it, and of an ensemble unless Options ask for a finer one, in seconds.
	Step = 1800.0
	// History is how far back in seconds a forecast looks.
	History = 14 * 86400.0
	// Longest is the longest horizon in seconds.
	Longest = 7 * 86400.0
	// fresh is how old the newest reading may be, in seconds, and still stand for the present.
	fresh = 900.0
)

// ErrNoPresent says that the log has no reading near enough to the moment of the forecast: then nothing may be said of the future either.
var ErrNoPresent = errors.New("forecast: the log has no value at the moment of the forecast")

// Log is the shed's air so far: C, Pa of vapour, hPa. Vapour and pressure may be empty. MaxGap of each trace says how long a step may be
// bridged; it also says how old the newest reading may be for there to be a forecast (0: any age).
type Log struct {
	AirC, VapourPa, HPa trace.Trace
}

// Options are what a forecast is asked for.
type Options struct {
	Horizon float64        // seconds, up to Longest
	Members int64          // 2 or more; see Ensemble.Members
	Zone    *time.Location // of the shed; nil is UTC. Where its clock was put forward or back within the log, the day follows sun or clock, whichever fitted better
	Parts   int64          // samples in each Step of the ensemble, 1..60; 0 is 1. The finer ones lie on straight lines
}

// Ensemble is the future of a shed's air: sample k of every series is at At + k Step.
type Ensemble struct {
	At     float64 // Unix seconds
	Step   float64 // seconds
	Likely Member  // the line, without any error
	// Members are equally likely paths, in a fixed order: by their air's mean over the first twelve hours, coldest first. They are spread
	// evenly over what the log shows, so that member i stands for the share (i + 1/2)/n. Whoever joins them with another unknown has to
	// shuffle one of the two, by a fixed rule.
	Members []Member
	Basis   string  // in words, what the spread rests on
	Days    float64 // length of log that was used, in days

	moments moments
}

// Member is one course of the air: C, Pa, hPa. A series is empty where the log has no such quantity.
type Member struct {
	AirC, VapourPa, HPa []float64
}

// Ahead gives the ensemble from at on. Only samples at or before at are used. It costs a few milliseconds, whatever the log.
func Ahead(log Log, at float64, o Options) (Ensemble, error) {
	switch {
	case math.IsNaN(at) || math.IsInf(at, 0):
		return Ensemble{}, fmt.Errorf("forecast: the moment %v is no time", at)
	case !(o.Horizon >= Step && o.Horizon <= Longest):
		return Ensemble{}, fmt.Errorf("forecast: horizon %v s; want %v..%v s", o.Horizon, Step, Longest)
	case o.Members < 2:
		return Ensemble{}, fmt.Errorf("forecast: %d members; want 2 or more", o.Members)
	case o.Parts < 0 || o.Parts > 60:
		return Ensemble{}, fmt.Errorf("forecast: %d samples a step; want 1..60", o.Parts)
	}
	ahead := int64(math.Ceil(o.Horizon / Step))
	airCourse, err := newCourse(log.AirC, at, ahead, airKind, o.Zone)
	if err != nil {
		return Ensemble{}, err
	}
	end, _, _ := log.AirC.Slice(0, at).Last()
	airCourse = airCourse.cycling(airKind, end).heated(end, o.Zone)
	courses := []*course{airCourse, nil, nil}
	if c, err := newCourse(log.VapourPa, at, ahead, vapourKind, o.Zone); err == nil {
		courses[1] = c
	}
	if c, err := newCourse(log.HPa, at, ahead, pressureKind, nil); err == nil {
		courses[2] = c
	}
	parts := max(o.Parts, 1)
	e := Ensemble{At: at, Step: Step / float64(parts), Days: airCourse.days()}
	for q, c := range courses {
		if c != nil {
			*e.Likely.series(q) = c.present(c.line(c.origin))
		}
	}
	finish(&e.Likely, parts)
	var picks []pick
	e.Members, picks, e.Basis = members(courses, o.Members)
	e.moments = momentsOf(airCourse, picks, parts)
	for i := range e.Members {
		finish(&e.Members[i], parts)
	}
	return e, nil
}

// series gives a member's air, vapour or pressure by number.
func (m *Member) series(q int) *[]float64 {
	return [...]*[]float64{&m.AirC, &m.VapourPa, &m.HPa}[q]
}

// finish makes a member's series as fine as asked for, and holds its vapour above nothing and at or below saturation over water: what is more
// has condensed or will.
func finish(m *Member, parts int64) {
	for q := range 3 {
		*m.series(q) = finer(*m.series(q), parts)
	}
	m.wet()
}

// Cap holds every vapour at or below saturation again, after temperatures were changed.
func (e *Ensemble) Cap() {
	e.Likely.wet()
	for i := range e.Members {
		e.Members[i].wet()
	}
}

func (m *Member) wet() {
	for k, e := range m.VapourPa {
		m.VapourPa[k] = math.Min(math.Max(e, 1), float64(air.SaturationPressureWater(units.Celsius(m.AirC[k]))))
	}
}

// finer puts parts-1 samples on the straight line between each two.
func finer(v []float64, parts int64) []float64 {
	if parts == 1 || len(v) == 0 {
		return v
	}
	out := make([]float64, 0, int64(len(v)-1)*parts+1)
	for k := range v[1:] {
		for p := range parts {
			out = append(out, v[k]+(v[k+1]-v[k])*float64(p)/float64(parts))
		}
	}
	return append(out, v[len(v)-1])
}

// Trace gives a series of an ensemble as a trace without gaps; an empty series gives an empty one.
func (e *Ensemble) Trace(series []float64) trace.Trace {
	t := trace.Trace{At: make([]float64, len(series)), V: series}
	for k := range t.At {
		t.At[k] = e.At + float64(k)*e.Step
	}
	return t
}

// Len gives the number of samples of each series.
func (e *Ensemble) Len() int64 { return int64(len(e.Likely.AirC)) }

// Band gives, at each sample, the value below which the share p (0..1) of the members lies, linear between the middles of neighbouring
// members; series picks what is asked about. It is empty where the members have no such series.
func (e *Ensemble) Band(p float64, series func(*Member) []float64) []float64 {
	v := make([]float64, len(e.Members))
	var out []float64
	for k := range series(&e.Likely) {
		for i := range e.Members {
			v[i] = series(&e.Members[i])[k]
		}
		sort.Float64s(v)
		x := math.Min(math.Max(p*float64(len(v))-0.5, 0), float64(len(v)-1))
		lo := int64(x)
		hi := min(lo+1, int64(len(v)-1))
		out = append(out, v[lo]+(v[hi]-v[lo])*(x-float64(lo)))
	}
	return out
}
