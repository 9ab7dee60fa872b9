package advisor

import (
	"math"

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
)

// learnExcess forecasts how much warmer the probe on a piece will find it than the heat model makes it from the air: walls and floor that lag behind
// the air and radiate, a floor below, the sun of the hour. Now is how much it is at the moment.
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
	log.At, log.V = append(log.At, w.at), append(log.V, now)
	if b, ok := w.future.Beside(log, forecast.Departure{SD: excessSD}); ok {
		k.excess = &b
	}
}
