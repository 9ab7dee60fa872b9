package forecast

import (
	"math"
	"time"

	"tackline/advisor/trace"
)

// part is one damped component: waves a day (0 for none), memory in seconds and standard deviation in the kind's own unit. A level that does
// not turn at once has the time in seconds over which it keeps its trend (smooth, shorter than memory; 0 for none): it is then the difference
// of two fading states that are driven by the same chance.
type part struct {
	waves  int64
	memory float64
	sd     float64
	smooth float64
	heater bool // it is there on the days of the heater only, and goes by the clock
}

// kind is what is known of a quantity before its log is read: its parts, and the noise of one sample. Only the ratios of the spreads shape
// the line; the whole scale is found from the log and matters as it stands only where there is hardly any log.
type kind struct {
	parts []part
	noise float64
}

// dayLength in seconds.
const dayLength = 86400.0

// The kinds. Memories and ratios are assumed: lows pass every few days, a change of air takes an hour and stays for hours, and the shape of a
// winter's day keeps for weeks. They were not fitted to any one log, and the errors hardly mind if one of them is halved or doubled.
func airKind() kind    { return weatherKind(1) }
func vapourKind() kind { return weatherKind(45) }

func weatherKind(scale float64) kind {
	parts := []part{{memory: 1e4 * dayLength, sd: 8}, {memory: 3 * dayLength, sd: 4, smooth: 3600}, {memory: dayLength / 2, sd: 1.2},
		{waves: 1, memory: dayLength, sd: 0.2}, {waves: 2, memory: dayLength, sd: 0.1}}
	for w, sd := range []float64{2, 0.7, 0.35, 0.2, 0.15, 0.1} {
		parts = append(parts, part{waves: int64(w + 1), memory: 90 * dayLength, sd: sd})
	}
	for i := range parts {
		parts[i].sd *= scale
	}
	return kind{parts: parts, noise: 0.1 * scale}
}

func pressureKind() kind {
	return kind{noise: 0.2, parts: []part{{memory: 1e4 * dayLength, sd: 10}, {memory: 3 * dayLength, sd: 10}, {memory: dayLength / 2, sd: 1},
		{waves: 2, memory: 90 * dayLength, sd: 0.3}}}
}

// course is one quantity's log on even steps that end at its newest value, with the state of its parts after every step and the line ahead.
type course struct {
	v      []float64
	have   []bool
	ahead  int64   // steps from the present to the horizon
	shift  float64 // steps from the newest value to the present
	lead   int64   // whole steps from the newest value that reach the horizon
	first  int64   // index of the oldest value
	origin int64   // index of the newest
	mean   float64

	n      int64 // states
	states []state
	fade   []float64 // of each state over 0, 1, 2 ... steps, row by row
	weight []float64 // of each state at each step of log and future, row by row
	spread []float64 // covariance of the states while nothing is known of them
	state  []float64 // after each step, row by row
	cov    []float64 // of the states after the newest value
	noise  float64   // variance of a sample

	zone   *time.Location // whose clock the day goes by; nil: the sun's
	days7  [7]bool        // on which the heater is on
	warmed bool           // there is one
}

// state is one number that the filter follows: waves a day (0: a level), whether it is the wave's sine, and its sign in the sum.
type state struct {
	waves  int64
	sine   bool
	sign   float64
	heater bool
}

// newCourse reads a log and runs the parts along it.
func newCourse(log trace.Trace, at float64, ahead int64, of func() kind, zone *time.Location) (*course, error) {
	log = log.Slice(at-History-Step, at)
	last, _, ok := log.Last()
	if !ok || log.MaxGap > 0 && at-last > math.Max(log.MaxGap, fresh) {
		return nil, ErrNoPresent
	}
	n := int64(math.Round(History/Step)) + 1
	c := &course{v: make([]float64, n), have: make([]bool, n), first: -1, origin: n - 1, ahead: ahead, shift: (at - last) / Step}
	c.lead = ahead + int64(math.Ceil(c.shift))
	count := 0.0
	for k := range c.v {
		c.v[k], c.have[k] = log.Value(last - float64(n-1-int64(k))*Step)
		if c.have[k] {
			if c.first < 0 {
				c.first = int64(k)
			}
			c.mean += c.v[k]
			count++
		}
	}
	c.mean /= count
	c.lay(of(), last, nil, everyDay())
	c.run()
	if !shifts(zone, last-History, last) {
		return c, nil
	}
	// The clock was put forward or back within the log. The sun's day did not move, but heaters and people may have.
	byClock := *c
	byClock.states, byClock.state = nil, nil
	byClock.lay(of(), last, zone, everyDay())
	byClock.run()
	if byClock.miss() < clockGain*c.miss() {
		return &byClock, nil
	}
	return c, nil
}

// clockGain is how much smaller the past errors by the shed's clock have to be than by the sun, as a ratio of mean squares, for a day to follow
// the clock over a change between winter and summer time.
const clockGain = 0.9

// shifts tells whether a zone's clock is put forward or back between two times.
func shifts(zone *time.Location, from, to float64) bool {
	return offset(zone, from) != offset(zone, to)
}

// offset is what a zone's clock is ahead of UTC, in seconds; 0 for no zone.
func offset(zone *time.Location, at float64) float64 {
	if zone == nil {
		return 0
	}
	_, s := time.Unix(int64(math.Floor(at)), 0).In(zone).Zone()
	return float64(s)
}

// miss is the mean square of the past errors over a day ahead.
func (c *course) miss() float64 {
	sum, n := 0.0, 0.0
	for o := c.first + settle; o < c.origin; o += apart {
		line := c.line(o)
		for l := int64(1); l <= min(48, c.lead, c.origin-o); l++ {
			if c.have[o+l] {
				sum += (c.v[o+l] - line[l]) * (c.v[o+l] - line[l])
				n++
			}
		}
	}
	return sum / math.Max(n, 1)
}

// days is the length of the log in days.
func (c *course) days() float64 { return float64(c.origin-c.first) * Step / dayLength }

// present gives what a path from the newest value on is at the present and every step after it, up to the horizon. It takes the path's place.
func (c *course) present(path []float64) []float64 {
	whole := int64(c.shift)
	part := c.shift - float64(whole)
	for k := range c.ahead + 1 {
		x := path[whole+k]
		if part > 0 {
			x += part * (path[whole+k+1] - x)
		}
		path[k] = x
	}
	return path[:c.ahead+1]
}

// lay lays out the states of a kind and what each weighs at every step.
func (c *course) lay(k kind, last float64, zone *time.Location, days [7]bool) {
	var memory []float64
	for _, p := range k.parts {
		switch {
		case p.waves > 0:
			c.states = append(c.states, state{p.waves, false, 1, p.heater}, state{p.waves, true, 1, p.heater})
			memory = append(memory, p.memory, p.memory)
		case p.smooth > 0:
			c.states, memory = append(c.states, state{sign: 1}, state{sign: -1}), append(memory, p.memory, p.smooth)
		default:
			c.states, memory = append(c.states, state{sign: 1, heater: p.heater}), append(memory, p.memory)
		}
	}
	c.n, c.noise = int64(len(memory)), k.noise*k.noise
	c.spread = make([]float64, c.n*c.n)
	i := int64(0)
	for _, p := range k.parts {
		v := p.sd * p.sd
		switch {
		case p.waves > 0:
			c.spread[i*c.n+i], c.spread[(i+1)*c.n+i+1] = v, v
			i += 2
		case p.smooth > 0:
			// Both states fade and take the same white noise: their covariances are 1/(1/a + 1/b), scaled so that the difference has the variance v.
			ab := 1 / (1/p.memory + 1/p.smooth)
			v /= p.memory/2 + p.smooth/2 - 2*ab
			c.spread[i*c.n+i], c.spread[(i+1)*c.n+i+1] = v*p.memory/2, v*p.smooth/2
			c.spread[i*c.n+i+1], c.spread[(i+1)*c.n+i] = v*ab, v*ab
			i += 2
		default:
			c.spread[i*c.n+i] = v
			i++
		}
	}
	c.fade = make([]float64, 0, (c.lead+1)*c.n)
	for l := range c.lead + 1 {
		for _, m := range memory {
			c.fade = append(c.fade, math.Exp(-float64(l)*Step/m))
		}
	}
	c.weigh(last, zone, days)
}

// weigh sets what each state weighs at every step: 1 for a level, cosine and sine of the day's angle for a wave. The day is the sun's (UTC) or,
// with a zone, the clock's. A heater's states weigh nothing on days on which it is off.
func (c *course) weigh(last float64, zone *time.Location, days [7]bool) {
	steps := int64(len(c.v)) + c.lead
	c.weight = make([]float64, steps*c.n)
	for k := range steps {
		day := clockDay(last+float64(k-int64(len(c.v))+1)*Step, zone)
		turn := 2 * math.Pi * (day - math.Floor(day))
		on := days[weekday(day)]
		sin1, cos1 := math.Sincos(turn)
		row := c.weight[k*c.n : (k+1)*c.n]
		waves, re, im := int64(0), 1.0, 0.0 // cos(w x) and sin(w x) by turning the pointer on from wave to wave
		for i, x := range c.states {
			if x.waves < waves {
				waves, re, im = 0, 1, 0
			}
			for ; waves < x.waves; waves++ {
				re, im = re*cos1-im*sin1, re*sin1+im*cos1
			}
			switch {
			case x.heater && !on:
			case x.sine:
				row[i] = im
			default:
				row[i] = x.sign * re
			}
		}
	}
}
