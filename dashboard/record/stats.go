package record

import (
	"fmt"
	"math"
	"time"
)

// Condition is what a quantity was over a stretch of time.
type Condition struct {
	Quantity       string
	Known          bool // false: not one value, and nothing below has a meaning
	Min, Mean, Max float64
	MinAt, MaxAt   int64   // Unix seconds
	CoveragePct    float64 // share of the stretch that a value stands for, 0..100
	GapMinutes     float64 // the rest
	LongestGapMin  float64
}

// Kept is for how long a limit was kept. Within, Outside and Unknown add up to the stretch, in minutes.
type Kept struct {
	Limit                    Limit
	Within, Outside, Unknown float64
	Known                    bool    // one value at least
	Worst                    float64 // the value that was furthest to the wrong side, as it was compared
	WorstAt                  int64
}

// Check tells whether the channel can be summed up; the error names the first bad sample.
func (c Channel) Check() error {
	if len(c.At) != len(c.V) || (len(c.U) > 1 && len(c.U) != len(c.V)) {
		return fmt.Errorf("record: channel %s: %d times, %d values, %d uncertainties", c.Quantity, len(c.At), len(c.V), len(c.U))
	}
	for i := range c.At {
		if math.IsNaN(c.V[i]) || math.IsInf(c.V[i], 0) {
			return fmt.Errorf("record: channel %s: sample %d is not finite", c.Quantity, i)
		}
		if i > 0 && c.At[i] <= c.At[i-1] {
			return fmt.Errorf("record: channel %s: time of sample %d is not after the one before it", c.Quantity, i)
		}
	}
	return nil
}

func (c Channel) hold() int64 {
	if c.HoldS > 0 {
		return c.HoldS
	}
	return 60
}

// u gives the uncertainty of sample i, 0 where unknown.
func (c Channel) u(i int) float64 {
	switch len(c.U) {
	case 0:
		return 0
	case 1:
		return c.U[0]
	}
	return c.U[i]
}

// spell gives the stretch [a, b) in Unix seconds that sample i stands for, cut to [from, to).
func (c Channel) spell(i int, from, to int64) (a, b int64) {
	a, b = c.At[i], c.At[i]+c.hold()
	if i+1 < len(c.At) {
		b = min(b, c.At[i+1])
	}
	return max(a, from), min(b, to)
}

// Stats sums up a channel over [from, to): the mean is weighted by the time that each value stands for. The channel has to pass Check.
func Stats(c Channel, from, to time.Time) Condition {
	out := Condition{Quantity: c.Quantity}
	a0, b0 := from.Unix(), to.Unix()
	if b0 <= a0 {
		return out
	}
	var sum, covered, longest int64
	var weighted float64
	end := a0
	for i := range c.At {
		a, b := c.spell(i, a0, b0)
		if b <= a {
			continue
		}
		v := c.V[i]
		if !out.Known || v < out.Min {
			out.Min, out.MinAt = v, a
		}
		if !out.Known || v > out.Max {
			out.Max, out.MaxAt = v, a
		}
		out.Known = true
		longest = max(longest, a-end)
		end = b
		covered += b - a
		sum += b - a
		weighted += v * float64(b-a)
	}
	longest = max(longest, b0-end)
	if sum > 0 {
		out.Mean = weighted / float64(sum)
	}
	out.CoveragePct = 100 * float64(covered) / float64(b0-a0)
	out.GapMinutes = float64(b0-a0-covered) / 60
	out.LongestGapMin = float64(longest) / 60
	return out
}

// Keep tells for how long a limit was kept over [from, to). What no value stands for is unknown, and never counts as within.
func Keep(c Channel, l Limit, from, to time.Time) Kept {
	out := Kept{Limit: l}
	a0, b0 := from.Unix(), to.Unix()
	if b0 <= a0 {
		return out
	}
	var within, outside int64
	for i := range c.At {
		a, b := c.spell(i, a0, b0)
		if b <= a {
			continue
		}
		v := c.V[i]
		if l.LessU {
			if l.Above {
				v -= c.u(i)
			} else {
				v += c.u(i)
			}
		}
		if !out.Known || (l.Above && v < out.Worst) || (!l.Above && v > out.Worst) {
			out.Known, out.Worst, out.WorstAt = true, v, a
		}
		if (l.Above && v >= l.Value) || (!l.Above && v <= l.Value) {
			within += b - a
		} else {
			outside += b - a
		}
	}
	out.Within, out.Outside = float64(within)/60, float64(outside)/60
	out.Unknown = float64(b0-a0-within-outside) / 60
	return out
}

// end gives when the figures of a coat end: its end, else the newest fact of the job.
func (c Coat) end(asOf time.Time) time.Time {
	if !c.Ended.IsZero() {
		return c.Ended
	}
	return asOf
}

// mark gives the likely time of a mark that was reached, else the zero time.
func (c Coat) mark(name string) time.Time {
	for _, m := range c.Marks {
		if m.Mark == name && m.Passed {
			return m.Likely
		}
	}
	return time.Time{}
}

// channel gives the coat's course of a quantity.
func (c Coat) channel(quantity string) (Channel, bool) {
	for _, ch := range c.Channels {
		if ch.Quantity == quantity {
			return ch, true
		}
	}
	return Channel{Quantity: quantity}, false
}

// kept tells how each limit was kept, up to the mark that it is for.
func (c Coat) kept(shed []Limit, asOf time.Time) []Kept {
	limits := c.Limits
	if len(limits) == 0 {
		limits = shed
	}
	var out []Kept
	for _, l := range limits {
		ch, _ := c.channel(l.Quantity)
		to := c.end(asOf)
		if at := c.mark(l.Until); !at.IsZero() && at.Before(to) {
			to = at
		}
		out = append(out, Keep(ch, l, c.Started, to))
	}
	return out
}

// Check tells whether a job can be written; the error names the coat and what is wrong with it.
func (j Job) Check() error {
	for _, c := range j.Coats {
		if c.Started.IsZero() {
			return fmt.Errorf("record: coat %d: no start", c.ID)
		}
		if !c.Ended.IsZero() && c.Ended.Before(c.Started) {
			return fmt.Errorf("record: coat %d: ends before it starts", c.ID)
		}
		for _, ch := range c.Channels {
			if err := ch.Check(); err != nil {
				return fmt.Errorf("record: coat %d: %w", c.ID, err)
			}
		}
	}
	return nil
}
