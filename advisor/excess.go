package advisor

import (
	"math"
	"slices"

	"tackline/advisor/forecast"
	"tackline/advisor/heat"
	"tackline/advisor/trace"
)

const (
	// excessSD is how far the surface of a piece is off what the heat model makes of the air, K, before its probe has told: as modelSurfaceU.
	excessSD = float64(modelSurfaceU)
	// excessStep is the spacing of what is learnt of that, s.
	excessStep = 600.0
	// excessLeast is from how long a log of the probe on it is learnt, s: from less no past day tells by how much it errs.
	excessLeast = 4 * 86400.0

	// jumpBack is how long ago, s, a jump may have come that is still told apart from what the surface always does. Ours.
	jumpBack = 3 * 3600.0
	// jumpLeast is the least step of ten minutes, K, that is a jump; and jumpOver by how much it must be larger than all but one in a hundred.
	jumpLeast, jumpOver = 0.3, 1.5
)

// learnExcess forecasts how much warmer the probe on a piece will find it than the heat model makes it from the air: walls and floor that lag behind
// the air and radiate, a heater's hours, each day's sun. Now is how much it is at the moment. Members err as the same forecast erred on
// the probe's own past days, together with the air's. Where the log is short nothing is learnt, and the difference goes on as in carry.go; while
// something is going on that it has not shown (the sun on the hull, a lamp, a door) that is the line, and the members err about it, for a time that differs among them.
func (k *skin) learnExcess(w *weather, probe trace.Trace, now float64) {
	first, ok := probe.First()
	if !ok || w.noFuture != "" || w.at-first < excessLeast {
		return
	}
	from := math.Max(first, w.at-forecast.History-forecast.Step) - 3*float64(k.panel.Lag())
	air := w.airC.Slice(from, w.at)
	begin, ok := air.First()
	end, _, _ := air.Last()
	if !ok || end <= begin {
		return
	}
	r, err := k.panel.Run(heat.Drive{Air: air, Step: excessStep, Scheme: heat.BackwardEuler}, begin, end)
	if err != nil {
		return
	}
	log := trace.Trace{MaxGap: math.Max(probe.MaxGap, w.airC.MaxGap)}
	for _, s := range r.Settled {
		for at := math.Ceil(s.From/excessStep) * excessStep; at <= s.To && at < w.at; at += excessStep {
			p, ok1 := probe.Value(at)
			m, ok2 := r.Front.Value(at)
			if ok1 && ok2 {
				log.At, log.V = append(log.At, at), append(log.V, p-m)
			}
		}
	}
	k.odd = jumps(log, w.at, now)
	log.At, log.V = append(log.At, w.at), append(log.V, now)
	if b, ok := w.future.Beside(log, forecast.Departure{SD: excessSD}); ok {
		k.excess = &b
	}
}

// lasts gives for how long, s, what is going on stays in a member: from a quarter of fastTau to four times as long, all alike on the scale of its
// logarithm. Assumed. Members stand in the order of the air: here they come in another, by steps of the golden section.
func (k *skin) lasts(member int64) float64 {
	if member == likelyMember {
		return fastTau
	}
	n := float64(len(k.excess.Members))
	_, share := math.Modf(0.5 + float64(member)*(math.Sqrt(5)-1)/2)
	return fastTau * math.Pow(4, 2*(math.Floor(share*n)+0.5)/n-1)
}

// jumps tells whether within the last hours there was a step larger than what the log has shown before, of which something is left now.
func jumps(log trace.Trace, at, now float64) bool {
	var steps []float64
	for i := 1; i < log.Len(); i++ {
		if log.At[i]-log.At[i-1] <= excessStep && log.At[i] < at-jumpBack {
			steps = append(steps, math.Abs(log.V[i]-log.V[i-1]))
		}
	}
	limit := jumpLeast
	if len(steps) > 0 {
		slices.Sort(steps)
		limit = math.Max(limit, jumpOver*steps[len(steps)*99/100])
	}
	for i := range log.At {
		if log.At[i] < at-jumpBack {
			continue
		}
		next := now
		if i+1 < log.Len() {
			next = log.V[i+1]
		}
		if math.Abs(next-log.V[i]) > limit {
			return math.Abs(now-log.V[i]) > limit
		}
	}
	return false
}
