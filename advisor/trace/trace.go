// Package trace has the sampled history that the laws of the advisor run along: times and values, linear between neighbours, and a longest
// step over which that line may be trusted. What lies in a longer step is a gap, and a gap has no value.
package trace

import (
	"fmt"
	"math"
	"sort"
)

// Trace is one sampled quantity. At holds Unix seconds, strictly rising; V the values, finite, in the unit that the holder states.
// MaxGap is the longest step in seconds that is bridged by a straight line; 0 means any. The zero Trace is empty and valid.
type Trace struct {
	At     []float64
	V      []float64
	MaxGap float64
}

// Span is a stretch of time [From, To) in Unix seconds.
type Span struct{ From, To float64 }

// Len gives the length in seconds.
func (s Span) Len() float64 { return s.To - s.From }

// New checks the samples and gives the trace. The error names the first bad index.
func New(at, v []float64, maxGap float64) (Trace, error) {
	t := Trace{At: at, V: v, MaxGap: maxGap}
	return t, t.Check()
}

// Check tells whether lengths agree, times rise strictly and all numbers are finite.
func (t Trace) Check() error {
	if len(t.At) != len(t.V) {
		return fmt.Errorf("trace: %d times and %d values", len(t.At), len(t.V))
	}
	for i := range t.At {
		if math.IsNaN(t.At[i]) || math.IsInf(t.At[i], 0) || math.IsNaN(t.V[i]) || math.IsInf(t.V[i], 0) {
			return fmt.Errorf("trace: sample %d is not finite", i)
		}
		if i > 0 && t.At[i] <= t.At[i-1] {
			return fmt.Errorf("trace: time of sample %d is not after the one before it", i)
		}
	}
	return nil
}

// Len gives the number of samples.
func (t Trace) Len() int { return len(t.At) }

// First gives the time of the first sample; ok is false for an empty trace.
func (t Trace) First() (at float64, ok bool) {
	if len(t.At) == 0 {
		return 0, false
	}
	return t.At[0], true
}

// Last gives the newest sample; ok is false for an empty trace.
func (t Trace) Last() (at, v float64, ok bool) {
	n := len(t.At)
	if n == 0 {
		return 0, 0, false
	}
	return t.At[n-1], t.V[n-1], true
}

// Value gives the value at a time, linear between samples; ok is false before the first, after the last and inside a gap.
func (t Trace) Value(at float64) (v float64, ok bool) {
	n := len(t.At)
	if n == 0 || at < t.At[0] || at > t.At[n-1] {
		return 0, false
	}
	i := sort.SearchFloat64s(t.At, at)
	if t.At[i] == at {
		return t.V[i], true
	}
	if t.MaxGap > 0 && t.At[i]-t.At[i-1] > t.MaxGap {
		return 0, false
	}
	w := (at - t.At[i-1]) / (t.At[i] - t.At[i-1])
	return t.V[i-1] + w*(t.V[i]-t.V[i-1]), true
}

// Slice gives the samples in [from, to], sharing memory.
func (t Trace) Slice(from, to float64) Trace {
	i := sort.SearchFloat64s(t.At, from)
	j := sort.Search(len(t.At), func(k int) bool { return t.At[k] > to })
	if j < i {
		j = i
	}
	return Trace{At: t.At[i:j], V: t.V[i:j], MaxGap: t.MaxGap}
}

// Gaps lists the stretches of [from, to) that have no value: before the first sample, after the last, and every step over MaxGap.
func (t Trace) Gaps(from, to float64) []Span {
	var gaps []Span
	add := func(a, b float64) {
		a, b = math.Max(a, from), math.Min(b, to)
		if b > a {
			gaps = append(gaps, Span{a, b})
		}
	}
	n := len(t.At)
	if n == 0 {
		add(from, to)
		return gaps
	}
	add(from, t.At[0])
	if t.MaxGap > 0 {
		for i := 1; i < n; i++ {
			if t.At[i]-t.At[i-1] > t.MaxGap {
				add(t.At[i-1], t.At[i])
			}
		}
	}
	add(t.At[n-1], to)
	return gaps
}

// Map gives a trace of f over every value, with the same times.
func (t Trace) Map(f func(float64) float64) Trace {
	v := make([]float64, len(t.V))
	for i, x := range t.V {
		v[i] = f(x)
	}
	return Trace{At: t.At, V: v, MaxGap: t.MaxGap}
}

// Shift gives the trace moved by dt seconds.
func (t Trace) Shift(dt float64) Trace {
	at := make([]float64, len(t.At))
	for i, x := range t.At {
		at[i] = x + dt
	}
	return Trace{At: at, V: t.V, MaxGap: t.MaxGap}
}

// Concat gives t followed by those samples of u that are later than all of t's. The longer MaxGap holds for both.
func (t Trace) Concat(u Trace) Trace {
	i := 0
	if n := len(t.At); n > 0 {
		i = sort.Search(len(u.At), func(k int) bool { return u.At[k] > t.At[n-1] })
	}
	return Trace{
		At:     append(append(make([]float64, 0, len(t.At)+len(u.At)-i), t.At...), u.At[i:]...),
		V:      append(append(make([]float64, 0, len(t.V)+len(u.V)-i), t.V...), u.V[i:]...),
		MaxGap: math.Max(t.MaxGap, u.MaxGap),
	}
}

// Thin gives the trace with samples averaged over steps of the given seconds (bins [k step, (k+1) step) of Unix time): each bin's mean
// value at its mean time. The first and the last sample are kept as they are, so that the span stays the same. Neighbouring bins are less than
// two steps apart, so that a gap of the thinned trace is a step over the longer of MaxGap and that.
func (t Trace) Thin(step float64) Trace {
	n := len(t.At)
	if n < 4 || step <= 0 {
		return t
	}
	out := t.means(t.bins(step))
	if t.MaxGap > 0 {
		out.MaxGap = math.Max(t.MaxGap, 2*step)
	}
	return out
}

// Knots is Thin with finer steps where the trace bends: a step is halved, down to an eighth, while over either half of it the samples lie on average
// by more than within (unit of V) off the line between the knots. What comes and goes in less than half a step, as noise does, is averaged.
func (t Trace) Knots(step, within float64) Trace {
	n := len(t.At)
	if n < 4 || step <= 0 {
		return t
	}
	bins := t.bins(step)
	for range 3 {
		line := t.means(bins)
		next := make([]bin, 0, len(bins))
		k := 0
		for _, b := range bins {
			middle := b.from + b.width/2
			cut := b.i + int64(sort.SearchFloat64s(t.At[b.i:b.j], middle))
			if cut == b.i || cut == b.j || math.Max(t.astray(&line, b.i, cut, &k), t.astray(&line, cut, b.j, &k)) <= within {
				next = append(next, b)
				continue
			}
			next = append(next, bin{b.i, cut, b.from, b.width / 2}, bin{cut, b.j, middle, b.width / 2})
		}
		if len(next) == len(bins) {
			break
		}
		bins = next
	}
	out := t.means(bins)
	if t.MaxGap > 0 {
		out.MaxGap = math.Max(t.MaxGap, 2*step)
	}
	return out
}

// bin is a step of a trace: samples [i, j), in [from, from + width) of Unix time.
type bin struct {
	i, j        int64
	from, width float64
}

// bins gives the steps that hold samples, without the first and the last sample.
func (t Trace) bins(step float64) []bin {
	var out []bin
	n := int64(len(t.At))
	for i := int64(1); i < n-1; {
		k := math.Floor(t.At[i] / step)
		b := bin{i: i, from: k * step, width: step}
		for ; i < n-1 && math.Floor(t.At[i]/step) == k; i++ {
		}
		b.j = i
		out = append(out, b)
	}
	return out
}

// means gives the first sample, each step's mean value at its mean time, and the last sample.
func (t Trace) means(bins []bin) Trace {
	n := len(t.At)
	out := Trace{At: make([]float64, 0, len(bins)+2), V: make([]float64, 0, len(bins)+2)}
	push := func(at, v float64) { out.At, out.V = append(out.At, at), append(out.V, v) }
	push(t.At[0], t.V[0])
	for _, b := range bins {
		var at, v float64
		for i := b.i; i < b.j; i++ {
			at += t.At[i] - t.At[0]
			v += t.V[i]
		}
		push(t.At[0]+at/float64(b.j-b.i), v/float64(b.j-b.i))
	}
	push(t.At[n-1], t.V[n-1])
	return out
}

// astray gives how far, on average, the samples [i, j) lie off a line through knots; k is the knot at or before them, and is moved along.
func (t Trace) astray(line *Trace, i, j int64, k *int) float64 {
	sum := 0.0
	for x := i; x < j; x++ {
		for *k < len(line.At)-2 && line.At[*k+1] <= t.At[x] {
			*k++
		}
		w := (t.At[x] - line.At[*k]) / (line.At[*k+1] - line.At[*k])
		sum += t.V[x] - line.V[*k] - w*(line.V[*k+1]-line.V[*k])
	}
	return math.Abs(sum) / float64(j-i)
}
