package advisor

import (
	"fmt"
	"math"
	"sort"

	"tackline/advisor/heat"
	"tackline/advisor/trace"
	"tackline/advisor/units"
)

const (
	// slowTau is how long, in seconds, what a probe differs from the heat model by most of the time goes on: it comes of walls and floor, which the model
	// does not know, and which follow the air within hours. Assumed. It is the median over slowOver seconds, and no more than slowMost K: walls do
	// no more than that, and a patch of sun is not to pass for them.
	slowTau, slowOver, slowMost = 4 * 3600.0, 3 * 3600.0, 2.0
	// fastTau is the same of what it differs by beside that: sun, a lamp, a heater's beam. Assumed: an hour, which is what a patch of sun takes to pass.
	fastTau = 3600.0
	// differenceMean is over how long the difference at an end of a log is taken, in seconds, and slopeOver the slope with which it changes.
	differenceMean, slopeOver = 600.0, 240.0
	// slopeNoise is how fast, in K/s, a surface moves against its model with a thermostat's cycles, at most: less says nothing. Assumed: 0.15 K a minute.
	slopeNoise = 0.15 / 60
	// carriedFrom is the share of the slow difference that must be left for a surface still to count as the probe's.
	carriedFrom = 0.5
)

// difference is how much warmer a surface is than its heat model, K: what it is most of the time, and what it is at the moment beside that.
type difference struct{ at, slow, fast float64 }

// differences is what the probes on a piece differed from its heat model by at the ends of each stretch in which they told. Between and beyond those,
// slow and fast are each taken for a process that returns to 0 with its own time (Uhlenbeck and Ornstein, Phys. Rev. 36, 1930, 823): so a probe
// that falls silent leaves no step in a film, and one that was taped on late speaks a little of the time before.
type differences struct {
	first, last []difference // of each stretch, by time
	slope       float64      // K/s with which the newest changes
}

// differ compares a probe with the heat model of its piece.
func differ(front, probe trace.Trace) differences {
	var d differences
	for i := 0; i < probe.Len(); {
		j := i + 1
		for j < probe.Len() && (probe.MaxGap == 0 || probe.At[j]-probe.At[j-1] <= probe.MaxGap) {
			j++
		}
		d.stretch(front, probe.Slice(probe.At[i], probe.At[j-1]))
		i = j
	}
	return d
}

// stretch takes one unbroken log of a probe in; it says nothing where the model has no value at either of its ends.
func (d *differences) stretch(front, probe trace.Trace) {
	var off trace.Trace
	for i, at := range probe.At {
		if v, ok := front.Value(at); ok {
			off.At, off.V = append(off.At, at), append(off.V, probe.V[i]-v)
		}
	}
	if off.Len() == 0 {
		return
	}
	from, to := off.At[0], off.At[off.Len()-1]
	lately := append([]float64(nil), off.Slice(to-slowOver, to).V...)
	sort.Float64s(lately)
	slow := math.Min(slowMost, math.Max(-slowMost, half(lately)))
	d.first = append(d.first, difference{at: from, slow: mean(off.Slice(from, from+differenceMean))})
	d.last = append(d.last, difference{at: to, slow: slow, fast: mean(off.Slice(to-differenceMean, to)) - slow})
	d.slope = slope(off.Slice(to-slopeOver, to))
}

func mean(t trace.Trace) float64 {
	sum := 0.0
	for _, v := range t.V {
		sum += v
	}
	return sum / float64(t.Len())
}

// half gives the value that half of the sorted values reach, linear between their counts (type 4 of Hyndman and Fan, Am. Stat. 50, 1996, 361).
func half(sorted []float64) float64 {
	k := float64(len(sorted))/2 - 1
	if k <= 0 {
		return sorted[0]
	}
	lo := math.Floor(k)
	return sorted[int64(lo)] + (sorted[int64(math.Ceil(k))]-sorted[int64(lo)])*(k-lo)
}

// slope gives that of the least squares line; 0 where it is no more than noise, and for fewer than three values.
func slope(t trace.Trace) float64 {
	if t.Len() < 3 {
		return 0
	}
	middle, level := 0.0, mean(t)
	for _, at := range t.At {
		middle += (at - t.At[0]) / float64(t.Len())
	}
	var square, cross float64
	for i, at := range t.At {
		x := at - t.At[0] - middle
		square += x * x
		cross += x * (t.V[i] - level)
	}
	b := cross / square
	if math.Abs(b) < slopeNoise {
		return 0
	}
	return b
}

// at gives what is left of the differences at a time outside of all stretches, K.
func (d *differences) at(at float64) float64 {
	slow, fast := d.parts(at)
	return slow + fast
}

func (d *differences) parts(at float64) (slow, fast float64) {
	before := sort.Search(len(d.last), func(i int) bool { return d.last[i].at >= at }) - 1
	after := before + 1
	if after < len(d.first) && d.first[after].at <= at { // inside a stretch, where the probe itself is asked
		return d.first[after].slow, d.first[after].fast
	}
	var a, b *difference
	if before >= 0 {
		a = &d.last[before]
	}
	if after < len(d.first) {
		b = &d.first[after]
	}
	return between(a, b, at, slowTau, func(x *difference) float64 { return x.slow }), between(a, b, at, fastTau, func(x *difference) float64 { return x.fast })
}

// between gives the mean at a time of a process that returns to 0 with tau, known before and after; either may be nil.
func between(before, after *difference, at, tau float64, of func(*difference) float64) float64 {
	switch {
	case before != nil && after != nil:
		if span := (after.at - before.at) / tau; span < 40 { // beyond, sinh overflows before either end could be felt at the other
			return (of(before)*math.Sinh((after.at-at)/tau) + of(after)*math.Sinh((at-before.at)/tau)) / math.Sinh(span)
		}
		return of(before)*math.Exp((before.at-at)/tau) + of(after)*math.Exp((at-after.at)/tau)
	case before != nil:
		return of(before) * math.Exp((before.at-at)/tau)
	case after != nil:
		return of(after) * math.Exp((at-after.at)/tau)
	}
	return 0
}

// added gives a modelled surface with what is left of the differences on it. Where the probes tell, it does not matter: they stand for it there.
func (d *differences) added(front trace.Trace) trace.Trace {
	if len(d.last) == 0 {
		return front
	}
	out := trace.Trace{At: front.At, V: make([]float64, front.Len()), MaxGap: front.MaxGap}
	for i, at := range front.At {
		out.V[i] = front.V[i] + d.at(at)
	}
	return out
}

// near gives how long ago, or ahead, a probe told next to a time outside of all stretches, s; ok is false where none ever did.
func (d *differences) near(at float64) (seconds float64, ok bool) {
	seconds = math.Inf(1)
	for i := range d.last {
		seconds = math.Min(seconds, math.Max(0, math.Max(d.first[i].at-at, at-d.last[i].at)))
	}
	return seconds, len(d.last) > 0
}

// onward is the course of a surface's difference from its heat model from now on.
type onward struct {
	slow       float64 // K, fades with slowTau
	fast, ends float64 // K now, and what it comes to while its cause stays: for about fastTau
	answers    float64 // s in which the panel answers
}

// at gives it so many seconds from now, K.
func (o *onward) at(seconds float64) float64 { return o.lasting(seconds, fastTau) }

// lasting is at where the cause stays for another time than fastTau, s.
func (o *onward) lasting(seconds, fast float64) float64 {
	stays := math.Exp(-(seconds / fast) * (seconds / fast))
	return o.slow*math.Exp(-seconds/slowTau) + (o.ends+(o.fast-o.ends)*math.Exp(-seconds/o.answers))*stays
}

// answers gives the time in seconds in which a panel of timber follows a change: its heat capacity over what both faces pass on.
func answers(p heat.Panel) float64 {
	capacity := 0.0
	for _, l := range p.Layers {
		capacity += float64(l.Thickness) * l.Density * l.HeatCapacity
	}
	return capacity / (p.Front.Warm + p.Back.Warm)
}

// goOn sets how the present difference goes on. A probe that moves against its model says that something beside the air heats or cools the panel,
// and how much: by the slope, over the time in which the panel answers, its surface goes on until it gives off as much again.
func (k *skin) goOn(model float64) {
	k.onward = onward{answers: answers(k.panel)}
	n := len(k.differ.last)
	if n == 0 {
		k.onward.fast, k.onward.ends = k.now-model, 0
		return
	}
	o := &k.onward
	if k.modelled {
		o.slow, o.fast = k.differ.last[n-1].slow*math.Exp(-k.silent/slowTau), 0
		o.fast = k.now - model - o.slow
		o.ends = o.fast
		return
	}
	o.slow = k.differ.last[n-1].slow
	o.fast = k.now - model - o.slow
	o.ends = o.fast + k.differ.slope*o.answers
}

// doubt gives the standard uncertainty of a surface at a time, K: of the probe where it tells, else growing from the probe's to the model's with the
// time to where it does. What is carried is itself doubtful, by the share that is forgotten.
func (k *skin) doubt(at float64) float64 {
	if _, ok := k.probe.Value(at); ok {
		return k.probeU
	}
	seconds, ok := k.differ.near(at)
	if !ok {
		return k.modelU
	}
	kept, left := math.Exp(-2*seconds/slowTau), math.Exp(-2*seconds/fastTau)
	slow, fast := k.differ.parts(at)
	return math.Sqrt(kept*k.probeU*k.probeU + (1-kept)*(k.modelU*k.modelU+slow*slow) + (1-left)*fast*fast)
}

// carry sets the present of a skin whose probe does not tell it: the model with what is left of the probe's last difference.
func (k *skin) carry(at float64) {
	_, k.now, _ = k.past.Last()
	k.modelled, k.alone = true, true
	if last, _, ok := k.probe.Last(); ok {
		k.silent = at - last
	}
	if seconds, ok := k.differ.near(at); ok {
		k.carried, k.alone = k.differ.at(at), math.Exp(-seconds/slowTau) < carriedFrom
	}
	k.u = units.Diff(k.doubt(at))
}

// source says of a modelled surface where it comes from.
func (k *skin) source() string {
	if k.alone {
		return fmt.Sprintf("No probe is on this piece: its surface is computed from the air, within %.1f K.", float64(k.u))
	}
	return fmt.Sprintf("No probe tells of this piece since %s ago: its surface is computed from the air, with %+.1f K for what the probe differed from that last, within %.1f K.",
		span(k.silent), k.carried, float64(k.u))
}
