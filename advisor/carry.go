package advisor

import (
	"fmt"
	"math"
	"sort"

	"tackline/advisor/trace"
	"tackline/advisor/units"
)

const (
	// carryTau is how long, in seconds, what a probe last differed from the heat model by goes on: it comes of walls, floor and sun, which the model does
	// not know, and which follow the air within hours. Assumed.
	carryTau = 3 * 3600.0
	// carryMean is over how long a probe's difference from the heat model is taken, in seconds.
	carryMean = 600.0
	// carriedFrom is the share of such a difference that must be left for a surface still to count as the probe's.
	carriedFrom = 0.5
)

// differences is what the probes on a piece differed from its heat model by, K, at the ends of each stretch in which they told. Between and beyond
// those it is taken for a process that returns to 0 with carryTau (Uhlenbeck and Ornstein, Phys. Rev. 36, 1930, 823): so a probe that falls silent
// leaves no step in a film, and one that was taped on late speaks a little of the time before.
type differences struct {
	first, last []difference // of each stretch, by time
}

type difference struct{ at, k float64 }

// differ compares a probe with the heat model of its piece.
func differ(front, probe trace.Trace) differences {
	var d differences
	for i := 0; i < probe.Len(); {
		j := i + 1
		for j < probe.Len() && (probe.MaxGap == 0 || probe.At[j]-probe.At[j-1] <= probe.MaxGap) {
			j++
		}
		from, to := probe.At[i], probe.At[j-1]
		first, ok := meanDifference(front, probe.Slice(from, math.Min(to, from+carryMean)))
		last, known := meanDifference(front, probe.Slice(math.Max(from, to-carryMean), to))
		if ok && known {
			d.first, d.last = append(d.first, difference{from, first}), append(d.last, difference{to, last})
		}
		i = j
	}
	return d
}

// meanDifference gives how much warmer a probe was than the model, K; ok is false where the model has no value.
func meanDifference(front, probe trace.Trace) (k float64, ok bool) {
	n := 0.0
	for i, at := range probe.At {
		if v, known := front.Value(at); known {
			k, n = k+probe.V[i]-v, n+1
		}
	}
	return k / math.Max(n, 1), n > 0
}

// at gives what is left of the differences at a time outside of all stretches, K.
func (d *differences) at(at float64) float64 {
	before := sort.Search(len(d.last), func(i int) bool { return d.last[i].at >= at }) - 1
	after := before + 1
	if after < len(d.first) && d.first[after].at <= at { // inside a stretch, where the probe itself is asked
		return d.first[after].k
	}
	switch {
	case before >= 0 && after < len(d.first):
		a, b := d.last[before], d.first[after]
		if span := (b.at - a.at) / carryTau; span < 40 { // beyond, sinh overflows before either end could be felt at the other
			return (a.k*math.Sinh((b.at-at)/carryTau) + b.k*math.Sinh((at-a.at)/carryTau)) / math.Sinh(span)
		}
		return a.k*math.Exp((a.at-at)/carryTau) + b.k*math.Exp((at-b.at)/carryTau)
	case before >= 0:
		return d.last[before].k * math.Exp((d.last[before].at-at)/carryTau)
	case after < len(d.first):
		return d.first[after].k * math.Exp((at-d.first[after].at)/carryTau)
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

// near gives how long ago, or ahead, a probe told next to a time outside of all stretches, s, and what is left of its difference then, K; ok is false
// where none ever did.
func (d *differences) near(at float64) (seconds, k float64, ok bool) {
	seconds = math.Inf(1)
	for i := range d.last {
		seconds = math.Min(seconds, math.Max(0, math.Max(d.first[i].at-at, at-d.last[i].at)))
	}
	return seconds, d.at(at), len(d.last) > 0
}

// doubt gives the standard uncertainty of a surface at a time, K: of the probe where it tells, else growing from the probe's to the model's with the
// time to where it does. What is carried is itself doubtful, by the share that is forgotten.
func (k *skin) doubt(at float64) float64 {
	if _, ok := k.probe.Value(at); ok {
		return k.probeU
	}
	seconds, carried, ok := k.differ.near(at)
	if !ok {
		return k.modelU
	}
	kept := math.Exp(-seconds / carryTau)
	return math.Sqrt(kept*kept*k.probeU*k.probeU + (1-kept*kept)*(k.modelU*k.modelU+carried*carried))
}

// carry sets the present of a skin whose probe does not tell it: the model with what is left of the probe's last difference.
func (k *skin) carry(at float64) {
	_, k.now, _ = k.past.Last()
	k.modelled, k.alone = true, true
	if last, _, ok := k.probe.Last(); ok {
		k.silent = at - last
	}
	if seconds, carried, ok := k.differ.near(at); ok {
		k.carried, k.alone = carried, math.Exp(-seconds/carryTau) < carriedFrom
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
