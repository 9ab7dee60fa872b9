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
	// excessLeast is from how long a log of the probe on it is learnt, s.
	excessLeast = 2 * 3600.0

	// jumpBack is how long ago, s, a jump may have come that is still told apart from what the surface always does. Ours.
	jumpBack = 3 * 3600.0
	// jumpLeast is the least step of ten minutes, K, that is a jump; and jumpOver by how much it must be larger than all but one in a hundred.
	jumpLeast, jumpOver = 0.3, 1.5
	// jumpShortest and jumpLongest bound how long it goes on, s: any length between is alike on the scale of its logarithm. Assumed.
	jumpShortest, jumpLongest = 600.0, 4 * 3600.0
	// jumpSlope is over how long the slope of a jump is taken, s.
	jumpSlope = 300.0
)

// learnExcess forecasts how much warmer the probe on a piece will find it than the heat model makes it from the air: walls and floor that lag behind
// the air and radiate, a floor below, the sun of the hour. Now is how much it is at the moment. A jump such as the log has not shown, the sun on
// the hull or a lamp, goes on for a time that nobody knows, another in each member; meanwhile the surface still follows it.
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
	j := findJump(log, w.at, now)
	usual := log.Slice(math.Inf(-1), w.at)
	if j.size != 0 {
		usual = log.Slice(math.Inf(-1), j.since)
	}
	usual.At, usual.V = append(slices.Clone(usual.At), w.at), append(slices.Clone(usual.V), now-j.size)
	if j.size != 0 {
		usual.MaxGap = math.Max(usual.MaxGap, jumpBack)
	}
	b, ok := w.future.Beside(usual, forecast.Departure{SD: excessSD})
	if !ok {
		return
	}
	if j.size != 0 {
		if at, ok := probe.Value(w.at - jumpSlope); ok && w.at-j.since > jumpSlope/2 {
			if last, _, _ := probe.Last(); last > w.at-jumpSlope {
				j.slope = (k.now - at) / jumpSlope
			}
		}
		j.lay(&b, w.future.Step, float64(k.panel.Lag())/2)
	}
	k.excess = &b
}

// jump is a departure of a surface from what it usually departs from its heat model by.
type jump struct {
	since float64 // Unix seconds
	size  float64 // K by now; 0: there is none
	slope float64 // K/s at which it grows
}

// findJump looks for a step within the last hours that is larger than what the log has shown before, and gives what is left of it.
func findJump(log trace.Trace, at, now float64) jump {
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
			if size := now - log.V[i]; math.Abs(size) > limit {
				return jump{since: log.At[i], size: size}
			}
			return jump{}
		}
	}
	return jump{}
}

// lay puts the jump on a forecast: it goes on for a time, during which the surface still follows it with its lag in seconds, and then fades with that.
// A slope that runs away from the usual is followed, one that leads back is the jump's own end.
func (j *jump) lay(b *forecast.Beside, step, lag float64) {
	more := 0.0
	if j.slope*j.size > 0 {
		more = j.slope * lag
	}
	put := func(v []float64, lasts float64) {
		for i := range v {
			t := float64(i) * step
			on := math.Min(t, lasts)
			v[i] += (j.size + more*-math.Expm1(-on/lag)) * math.Exp(-(t-on)/lag)
		}
	}
	length := func(share float64) float64 { return jumpShortest * math.Pow(jumpLongest/jumpShortest, share) }
	put(b.Likely, length(0.5))
	n := int64(len(b.Members))
	for i := range b.Members {
		// Members stand in the order of the air: another order for this, by steps of the golden section.
		_, share := math.Modf(0.5 + float64(i)*(math.Sqrt(5)-1)/2)
		put(b.Members[i], length((math.Floor(share*float64(n))+0.5)/float64(n)))
	}
}
