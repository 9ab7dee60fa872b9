package forecast

import (
	"math"

	"tackline/advisor/trace"
)

// part is one damped component: waves a day (0 for none), memory in seconds and standard deviation in the kind's own unit.
type part struct {
	waves  int64
	memory float64
	sd     float64
}

// kind is what is known of a quantity before its log is read: its parts, and the noise of one sample. Only the ratios of the spreads shape
// the line; the whole scale is found from the log and matters as it stands only where there is hardly any log.
type kind struct {
	parts []part
	noise float64
}

// dayLength in seconds.
const dayLength = 86400.0

// The kinds. Memories and ratios are assumed: lows pass every few days, a change of air stays for hours, and the shape of a winter's day
// keeps for weeks. They were not fitted to any one log.
func airKind() kind    { return weatherKind(1) }
func vapourKind() kind { return weatherKind(45) }

func weatherKind(scale float64) kind {
	parts := []part{{0, 1e4 * dayLength, 8}, {0, 3 * dayLength, 4}, {0, dayLength / 2, 1.2}, {1, dayLength, 0.2}, {2, dayLength, 0.1}}
	for w, sd := range []float64{2, 0.7, 0.35, 0.2, 0.15, 0.1} {
		parts = append(parts, part{int64(w + 1), 90 * dayLength, sd})
	}
	for i := range parts {
		parts[i].sd *= scale
	}
	return kind{parts: parts, noise: 0.1 * scale}
}

func pressureKind() kind {
	return kind{noise: 0.2, parts: []part{{0, 1e4 * dayLength, 10}, {0, 3 * dayLength, 10}, {0, dayLength / 2, 1}, {2, 90 * dayLength, 0.3}}}
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

	n      int64     // states
	waves  []int64   // of each state; 0 is a level
	sine   []bool    // the wave's second state
	fade   []float64 // of each state over 0, 1, 2 ... steps, row by row
	weight []float64 // of each state at each step of log and future, row by row
	spread []float64 // variance of each state that nothing is known of
	state  []float64 // after each step, row by row
	cov    []float64 // of the states after the newest value
	noise  float64   // variance of a sample
}

// newCourse reads a log and runs the parts along it.
func newCourse(log trace.Trace, at float64, ahead int64, of func() kind) (*course, error) {
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
	c.lay(of(), last)
	c.run()
	return c, nil
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
func (c *course) lay(k kind, last float64) {
	var memory []float64
	for _, p := range k.parts {
		for s := range 2 {
			if s == 1 && p.waves == 0 {
				continue
			}
			c.waves, c.sine = append(c.waves, p.waves), append(c.sine, s == 1)
			memory, c.spread = append(memory, p.memory), append(c.spread, p.sd*p.sd)
		}
	}
	c.n, c.noise = int64(len(memory)), k.noise*k.noise
	c.fade = make([]float64, 0, (c.lead+1)*c.n)
	for l := range c.lead + 1 {
		for _, m := range memory {
			c.fade = append(c.fade, math.Exp(-float64(l)*Step/m))
		}
	}
	c.weigh(last)
}

// weigh sets what each state weighs at every step: 1 for a level, cosine and sine of the day's angle for a wave. The day is the sun's, in UTC.
func (c *course) weigh(last float64) {
	steps := int64(len(c.v)) + c.lead
	c.weight = make([]float64, steps*c.n)
	for k := range steps {
		day := last + float64(k-int64(len(c.v))+1)*Step
		turn := 2 * math.Pi * (day/dayLength - math.Floor(day/dayLength))
		sin1, cos1 := math.Sincos(turn)
		row := c.weight[k*c.n : (k+1)*c.n]
		for i, w := range c.waves {
			// cos(w x) and sin(w x) by turning the pointer w times: exact enough for the few waves there are, and quick.
			re, im := 1.0, 0.0
			for range w {
				re, im = re*cos1-im*sin1, re*sin1+im*cos1
			}
			row[i] = re
			if c.sine[i] {
				row[i] = im
			}
		}
	}
}
