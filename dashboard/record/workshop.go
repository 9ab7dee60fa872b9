package record

import (
	"fmt"
	"math"
	"time"
)

// AirRange24h is the quantity of a Workshop's limit on how much the air's temperature may vary: highest less lowest of the 24 h before, K.
const AirRange24h = "air_range_24h_k"

// Workshop is a set of limits on the conditions of a workshop, of somebody's rules. A record says within and outside, for how long; whether that is
// enough is for people with a licence to say.
type Workshop struct {
	Name   string
	Source string // of the whole
	Note   string // what it was written for, "" for none
	Limits []WorkshopLimit
}

// WorkshopLimit is one of them.
type WorkshopLimit struct {
	Limit
	HoursBefore float64 // from so many hours before the first wetting, h; 0: from the first wetting
}

// workshop tells how each limit of the workshop was kept over a coat. Without a workshop it gives none.
func (c Coat) workshop(w *Workshop, asOf time.Time) []Kept {
	if w == nil {
		return nil
	}
	var out []Kept
	for _, l := range w.Limits {
		from := c.Started.Add(-time.Duration(l.HoursBefore * float64(time.Hour)))
		quantity := l.Quantity
		if quantity == AirRange24h {
			quantity = AirC
		}
		ch, _ := c.channel(quantity)
		ch = c.withBefore(ch)
		if l.Quantity == AirRange24h {
			ch = rangeOver(ch, 24*3600, l.Value)
		}
		out = append(out, Keep(ch, l.Limit, from, c.end(asOf)))
	}
	return out
}

// withBefore puts the day before the first wetting in front of a channel.
func (c Coat) withBefore(ch Channel) Channel {
	for _, b := range c.Before {
		if b.Quantity == ch.Quantity && len(b.At) > 0 && (len(ch.At) == 0 || b.At[len(b.At)-1] < ch.At[0]) {
			out := ch
			out.At = append(append([]int64{}, b.At...), ch.At...)
			out.V = append(append([]float64{}, b.V...), ch.V...)
			if len(out.U) != 1 {
				out.U = nil
			}
			return out
		}
	}
	return ch
}

// rangeOver gives highest less lowest of the span seconds before each sample. It is known where the whole span was measured, with no hole of more
// than two hours; and, since more can only make it larger, wherever what was measured is above most already.
func rangeOver(c Channel, span int64, most float64) Channel {
	const hole = 2 * 3600
	out := Channel{Quantity: AirRange24h, HoldS: c.HoldS}
	broken := int64(math.MinInt64) // until then the span has a hole in it
	var lows, highs []int          // indices of the span's candidates for lowest and highest
	push := func(q []int, i int, worse func(a, b float64) bool) []int {
		for len(q) > 0 && c.At[q[0]] < c.At[i]-span {
			q = q[1:]
		}
		for len(q) > 0 && !worse(c.V[i], c.V[q[len(q)-1]]) {
			q = q[:len(q)-1]
		}
		return append(q, i)
	}
	for i, at := range c.At {
		if i > 0 && at-c.At[i-1] > hole {
			broken = at + span
		}
		lows = push(lows, i, func(a, b float64) bool { return a > b })
		highs = push(highs, i, func(a, b float64) bool { return a < b })
		spread := c.V[highs[0]] - c.V[lows[0]]
		whole := at-c.At[0] >= span-hole && at >= broken
		if whole || spread > most {
			out.At, out.V = append(out.At, at), append(out.V, spread)
		}
	}
	return out
}

// workshopSum is one limit of the workshop over all coats of the job.
type workshopSum struct {
	Name, Limit, Source, Within, Outside, Unknown, Worst string
}

// workshopRows sums the workshop's limits over the coats of a job.
func (v jobView) workshopRows() []workshopSum {
	if v.Workshop == nil {
		return nil
	}
	sums := make([]Kept, len(v.Workshop.Limits))
	for i, l := range v.Workshop.Limits {
		sums[i].Limit = l.Limit
	}
	for _, c := range v.Job.Coats {
		for i, k := range c.workshop(v.Workshop, v.AsOf) {
			s := &sums[i]
			s.Within, s.Outside, s.Unknown = s.Within+k.Within, s.Outside+k.Outside, s.Unknown+k.Unknown
			if k.Known && (!s.Known || k.Limit.Above && k.Worst < s.Worst || !k.Limit.Above && k.Worst > s.Worst) {
				s.Known, s.Worst, s.WorstAt = true, k.Worst, k.WorstAt
			}
		}
	}
	out := make([]workshopSum, len(sums))
	for i, s := range sums {
		row := keptText(s)
		name := row.Name
		if h := v.Workshop.Limits[i].HoursBefore; h > 0 {
			name += fmt.Sprintf(", from %g h before the first wetting", h)
		}
		out[i] = workshopSum{name, row.Limit, row.Source, row.Within, row.Outside, row.Unknown, row.Worst}
	}
	return out
}
