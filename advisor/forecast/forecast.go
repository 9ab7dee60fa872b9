// Package forecast says how one measured quantity may go on for the next two days, from its own log alone: yesterday's shape, corrected by
// today's departure from it, with a spread taken from how wrong the same rule has been in the same log.
//
// The method is ours. It is the simplest that knows of the day: x(t) = x(t - d days) + (x(now) - x(now - d days)) exp(-(t - now)/tau), where
// d is the smallest number of days that has a value, and tau is DepartureDecay. Its spread at a lead is the root mean square of its own past
// errors at that lead, over origins two hours apart; where the log is too short for that, an assumed spread is taken and the Outlook says so.
package forecast

import (
	"fmt"
	"math"

	"tackline/advisor/trace"
)

const (
	// Step is the spacing of an outlook in seconds.
	Step = 900.0
	// DepartureDecay is the time in seconds over which today's departure from yesterday is taken to fade. Assumed: common practice, no source.
	DepartureDecay = 6 * 3600.0
	// History is how far back in seconds the rule looks for its past errors.
	History = 14 * 86400.0

	day      = 96 // steps
	longDays = 4  // how many days back a missing value is looked for
)

// Outlook is the future of one quantity: a line and the standard deviation around it.
type Outlook struct {
	At    float64   // the moment of the forecast, Unix seconds; sample k is at At + k Step
	Base  []float64 // the likely line, in the unit of the log
	SD    []float64 // standard deviation at each sample, same unit; grows with the lead or stays
	Basis string    // in words, what the spread rests on
	Days  float64   // length of log that was used, in days
}

// Assumed is the spread that is taken where the log is too short to show its own: SD at leads of one hour and of a day, unit of the log.
type Assumed struct{ Hour, Day float64 }

// Repeat gives the outlook from at over the horizon in seconds. Only samples at or before at are used. The error says when the log has no
// value at at: then nothing may be said of the future either.
func Repeat(log trace.Trace, at, horizon float64, assumed Assumed) (Outlook, error) {
	g := newGrid(log, at)
	if !g.ok(0) {
		return Outlook{}, fmt.Errorf("forecast: the log has no value at the moment of the forecast")
	}
	n := int64(math.Ceil(horizon/Step)) + 1
	out := Outlook{At: at, Base: make([]float64, n), SD: make([]float64, n)}
	for l := int64(0); l < n; l++ {
		out.Base[l] = g.line(0, l)
	}
	out.Days = g.days()
	spread(&out, g, assumed)
	return out, nil
}

// Member gives the path that lies z standard deviations off the line at every lead.
func (o Outlook) Member(z float64) trace.Trace {
	t := trace.Trace{At: make([]float64, len(o.Base)), V: make([]float64, len(o.Base))}
	for i := range o.Base {
		t.At[i] = o.At + float64(i)*Step
		t.V[i] = o.Base[i] + z*o.SD[i]
	}
	return t
}

// spread fills SD from the rule's own past errors, made to rise with the lead, or from the assumed one.
func spread(o *Outlook, g grid, assumed Assumed) {
	const (
		apart   = 8  // steps between origins
		fewest  = 24 // origins for a lead to be trusted
		trusted = 3  // days of log
	)
	rms := make([]float64, len(o.Base))
	good := g.days() >= trusted
	for l := int64(1); l < int64(len(rms)) && good; l++ {
		var sum float64
		n := 0
		for origin := l; origin < g.len(); origin += apart {
			if !g.ok(origin) || !g.ok(origin-l) {
				continue
			}
			e := g.v[origin-l] - g.line(origin, l)
			sum += e * e
			n++
		}
		if n < fewest {
			// Leads longer than the log can judge keep the last judged spread, grown as a random walk grows.
			if l == 1 {
				good = false
				break
			}
			rms[l] = rms[l-1] * math.Sqrt(float64(l)/float64(l-1))
			continue
		}
		rms[l] = math.Sqrt(sum / float64(n))
	}
	if !good {
		for l := range rms {
			lead := float64(l) * Step
			rms[l] = math.Max(assumed.Hour*math.Sqrt(lead/3600), assumed.Day*math.Sqrt(1-math.Exp(-2*lead/DepartureDecay)))
		}
		o.Basis = fmt.Sprintf("assumed spread: only %.1f days of log", o.Days)
	} else {
		o.Basis = fmt.Sprintf("spread from this shed's own last %.0f days", math.Min(o.Days, History/86400))
	}
	for l := 1; l < len(rms); l++ { // a longer lead is never surer than a shorter one
		o.SD[l] = math.Max(rms[l], o.SD[l-1])
	}
}

// grid is the log on steps of 15 minutes backwards from the origin: v[k] is the value at at - k Step.
type grid struct {
	v    []float64
	have []bool
	fade []float64 // what is left of a departure after each number of steps
	n    int64     // oldest step with a value, plus one
}

func newGrid(log trace.Trace, at float64) grid {
	n := int64(History/Step) + longDays*day + 1
	g := grid{v: make([]float64, n), have: make([]bool, n), fade: make([]float64, n)}
	for l := range g.fade {
		g.fade[l] = math.Exp(-float64(l) * Step / DepartureDecay)
	}
	log = log.Slice(at-float64(n)*Step, at)
	last, lastV, ok := log.Last()
	for k := int64(0); k < n; k++ {
		g.v[k], g.have[k] = log.Value(at - float64(k)*Step)
		if k == 0 && !g.have[0] && ok && (log.MaxGap == 0 || at-last <= log.MaxGap) {
			g.v[0], g.have[0] = lastV, true // the newest reading holds for the present as long as a gap may last
		}
		if g.have[k] {
			g.n = k + 1
		}
	}
	return g
}

func (g grid) len() int64      { return g.n }
func (g grid) days() float64   { return float64(g.n-1) * Step / 86400 }
func (g grid) ok(k int64) bool { return k >= 0 && k < int64(len(g.have)) && g.have[k] }

// line is the rule: the value l steps after the origin, from what was known at the origin.
func (g grid) line(origin, l int64) float64 {
	if l == 0 {
		return g.v[origin]
	}
	back := (l + day - 1) / day // whole days until the time of day was last seen at or before the origin
	for d := back; d < back+longDays; d++ {
		then, same := origin+d*day-l, origin+d*day
		if g.ok(then) && g.ok(same) {
			departure := g.v[origin] - g.v[same]
			return g.v[then] + departure*g.fade[l]
		}
	}
	return g.v[origin]
}
