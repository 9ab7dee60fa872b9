package cure

import (
	"math"

	"tackline/advisor/trace"
)

// bridging is a way to fill a gap of the film's temperature.
type bridging int8

const (
	straight bridging = iota // a line from the sample before to the sample after; before the first sample, its value
	coldest                  // the lowest sample near the gap, see bound
	warmest                  // the highest
)

// bridge gives a film without gaps that starts where the first gap does, if that is before its first sample. A gap filled with a bound drops to it within a
// hundredth of its length, so that a trace stays a trace.
func bridge(film trace.Trace, gaps []trace.Span, way bridging) trace.Trace {
	out := trace.Trace{At: make([]float64, 0, len(film.At)+2*len(gaps)+1), V: make([]float64, 0, len(film.At)+2*len(gaps)+1)}
	add := func(at, v float64) { out.At, out.V = append(out.At, at), append(out.V, v) }
	g := 0
	for i := range film.At {
		for g < len(gaps) && gaps[g].To <= film.At[i] {
			fill(film, i, gaps[g], way, add)
			g++
		}
		add(film.At[i], film.V[i])
	}
	return out
}

// fill adds what stands in a gap that ends by sample i.
func fill(film trace.Trace, i int, gap trace.Span, way bridging, add func(at, v float64)) {
	if i == 0 { // before the first sample
		v := film.V[0]
		if way != straight {
			v = bound(film, i, gap, way)
		}
		add(gap.From, v)
		if way != straight {
			add(gap.To-gap.Len()/100, v)
		}
		return
	}
	if way == straight {
		return
	}
	v := bound(film, i, trace.Span{From: film.At[i-1], To: film.At[i]}, way)
	from, to := gap.From, gap.To
	if from == film.At[i-1] {
		from += gap.Len() / 100
	}
	if to == film.At[i] {
		to -= gap.Len() / 100
	}
	add(from, v)
	add(to, v)
}

// day is how far at least the bounds of a gap with only one neighbour are looked for, s: sheds repeat themselves daily.
const day = 86400.0

// bound gives the lowest or highest sample within one length of the gap on either side; its two neighbours always count. Before the first
// sample there is but one neighbour, and a day is looked at, or the gap's length where that is more.
func bound(film trace.Trace, i int, gap trace.Span, way bridging) float64 {
	reach := gap.Len()
	if i == 0 {
		reach = math.Max(reach, day)
	}
	v := film.V[i]
	take := func(x float64) {
		if way == coldest {
			v = math.Min(v, x)
		} else {
			v = math.Max(v, x)
		}
	}
	for k := i; k < len(film.At) && (k == i || film.At[k] <= gap.To+reach); k++ {
		take(film.V[k])
	}
	for k := i - 1; k >= 0 && (k == i-1 || film.At[k] >= gap.From-reach); k-- {
		take(film.V[k])
	}
	return v
}
