package advisor

import (
	"fmt"
	"math"

	"tackline/advisor/air"
	"tackline/advisor/cure"
	"tackline/advisor/units"
)

// Thresholds of the blush index, in hours of trouble before the end of green. They are ours: no rate of carbamation against humidity,
// temperature or carbon dioxide has been published that could be confirmed, so the index only orders (AMPP paper 41205-190-SG, 2005,
// abstract: cool temperatures, thick films and carbon dioxide of unvented heaters make it worse).
const (
	blushSomeHours = 0.25
	blushHighHours = 2.0
	blushStep      = 600.0 // seconds
)

// blush gives low, some or high, and why: the hours since the coat went on, until the end of green, with the margin less u below the limit or
// humidity at the surface above the system's, and those with the surface below the system's lowest. An unvented burner raises it by one.
func blush(s *Situation, w *weather, k *skin, c *Coat, marks []MarkTime) (index, why string) {
	until := w.at
	if end := marks[cure.RecoatCloses].When.Likely; end.Known() {
		until = math.Min(until, float64(end))
	}
	var damp, cold, known float64
	for at := float64(c.Started); at < until; at += blushStep {
		surface, ok := k.past.Value(at)
		if !ok {
			continue
		}
		known += blushStep
		if surface < c.System.LowestC {
			cold += blushStep
		}
		e, ok := w.vapour.Value(at)
		if !ok {
			continue
		}
		t, ok := w.airC.Value(at)
		if !ok {
			continue
		}
		dew, err := air.DewPointOfVapour(units.Celsius(t), units.Pascal(e))
		if err != nil {
			continue
		}
		wet, err := air.SurfaceRHOfVapour(units.Celsius(t), units.Pascal(e), units.Celsius(surface))
		if err != nil {
			continue
		}
		rh := float64(wet)
		limit := c.System.HighestSurfaceRHPct
		if surface-float64(dew)-marginU(w, k) < float64(s.Limits.MarginK) || limit > 0 && rh >= limit {
			damp += blushStep
		}
	}
	if known == 0 && until > float64(c.Started) {
		return "", "no reading since the coat went on"
	}
	damp, cold = damp/3600, cold/3600
	worst := math.Max(damp, cold)
	level := 0
	if worst >= blushSomeHours {
		level = 1
	}
	if worst >= blushHighHours {
		level = 2
	}
	why = fmt.Sprintf("%.1f h damp (margin less its doubt below %.1f K, or too humid at the surface) and %.1f h below %.1f C before the end of green",
		damp, float64(s.Limits.MarginK), cold, c.System.LowestC)
	if s.Limits.UnventedBurner {
		level = min(level+1, 2)
		why += "; an unvented burner adds water and carbon dioxide"
	}
	return [...]string{"low", "some", "high"}[level], why
}
