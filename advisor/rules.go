package advisor

import (
	"fmt"
	"math"

	"tackline/advisor/units"
)

// A rule is one small pure function over what is known of a piece: it compares one number with one limit and says so in a sentence. The
// worst rule wins. A rule whose input is missing can't say; no rule ever takes a missing number for a good one.
type rule func(*piece) Reason

// rules lists the eight in the order in which equal verdicts are shown.
func rules() []rule {
	return []rule{trustRule, marginRule, surfaceRHRule, lowestRule, moistureRule, outgassingRule, windowRule, hoursRule}
}

// inNineOfTen is the share of the members that "by forecast" means.
const inNineOfTen = 0.9

// marginRule: margin less its uncertainty at least the limit now, and in nine of ten futures until the end of green.
func marginRule(p *piece) Reason {
	limit := float64(p.s.Limits.MarginK)
	r := Reason{Rule: "margin", Limit: &limit, Unit: "K", Source: p.s.Limits.MarginSource}
	if p.margin == nil {
		return r.cantSay("The margin over the dew point can't be told: %s.", p.noMargin)
	}
	value := *p.margin - p.marginU
	r.Value = &value
	switch {
	case value < limit:
		return r.say(Stop, "Margin %.1f K less %.1f K of doubt: below %.1f K, moisture may settle on the surface. Warm the piece or dry the air.", *p.margin, p.marginU, limit)
	case p.ahead.margin == nil:
		return r.cantSay("Margin %.1f K now; how it goes on can't be told: %s.", *p.margin, p.noAhead)
	}
	low := *p.ahead.margin - p.marginU
	if low < limit {
		return r.say(Wait, "Margin %.1f K now, but it may fall to %.1f K less %.1f K of doubt at %s, before a coat put on now reaches the end of green.",
			*p.margin, *p.ahead.margin, p.marginU, clockTime(p.s, p.ahead.marginAt))
	}
	return r.say(Clear, "Margin %.1f K ± %.1f K now, at least %.1f K until the end of green.", *p.margin, p.marginU, *p.ahead.margin)
}

// surfaceRHRule: humidity at the surface below the system's limit, where that is stricter than the margin rule.
func surfaceRHRule(p *piece) Reason {
	r := Reason{Rule: "surface_rh", Unit: "%"}
	if p.system == nil {
		return r.cantSay("%s: its limit for humidity at the surface is not known.", capital(orNone(p.noSystem)))
	}
	limit := p.system.HighestSurfaceRHPct
	r.Limit, r.Source = &limit, p.system.Name
	if limit <= 0 {
		r.Limit = nil
		return r.say(Clear, "The system states no limit for humidity at the surface; the margin rule stands for it.")
	}
	if p.surfaceRH == nil {
		return r.cantSay("Humidity at the surface can't be told: %s.", p.noMargin)
	}
	r.Value = p.surfaceRH
	switch {
	case *p.surfaceRH >= limit:
		return r.say(Stop, "%.0f %% at the surface: the system wants it below %.0f %%.", *p.surfaceRH, limit)
	case p.ahead.surfaceRH == nil:
		return r.cantSay("%.0f %% at the surface now; how it goes on can't be told: %s.", *p.surfaceRH, p.noAhead)
	case *p.ahead.surfaceRH >= limit:
		return r.say(Wait, "%.0f %% at the surface now, but it may rise to %.0f %% before the end of green: the system wants it below %.0f %%.",
			*p.surfaceRH, *p.ahead.surfaceRH, limit)
	}
	return r.say(Clear, "%.0f %% at the surface, below the system's %.0f %% until the end of green.", *p.surfaceRH, limit)
}

// lowestRule: the surface, not the air, at or above the system's lowest temperature now, and in nine of ten futures until firm.
func lowestRule(p *piece) Reason {
	r := Reason{Rule: "lowest", Unit: "C"}
	if p.system == nil {
		return r.cantSay("%s: its lowest temperature is not known.", capital(orNone(p.noSystem)))
	}
	limit := p.system.LowestC
	r.Limit, r.Source = &limit, p.system.Name
	if p.skin.missing != "" {
		return r.cantSay("The surface temperature can't be told: %s.", p.skin.missing)
	}
	now := p.skin.now
	r.Value = &now
	switch {
	case now < limit:
		return r.say(Stop, "The surface is at %.1f C: the system wants %.1f C or more.", now, limit)
	case p.ahead.lowest == nil:
		return r.cantSay("The surface is at %.1f C; how it goes on can't be told: %s.", now, p.noAhead)
	case *p.ahead.lowest < limit:
		return r.say(Wait, "The surface is at %.1f C, but may fall to %.1f C at %s, before a coat put on now is firm: the system wants %.1f C or more.",
			now, *p.ahead.lowest, clockTime(p.s, p.ahead.lowestAt), limit)
	}
	return r.say(Clear, "The surface is at %.1f C and stays above the system's %.1f C until firm.", now, limit)
}

// moistureRule: moisture content of bare timber.
func moistureRule(p *piece) Reason {
	good, stop := float64(p.s.Limits.MoistureGoodPct), float64(p.s.Limits.MoistureStopPct)
	r := Reason{Rule: "moisture", Limit: &good, Unit: "%", Source: p.s.Limits.MoistureSource}
	if !p.fact.Bare {
		r.Limit = nil
		return r.say(Clear, "Coated already: the moisture of the timber no longer decides.")
	}
	if p.moisture == nil {
		return r.cantSay("Moisture of the timber is not known: %s. Enter a reading of a moisture meter.", p.noMoisture)
	}
	m := *p.moisture
	r.Value = &m
	switch {
	case m > stop:
		r.Limit = &stop
		return r.say(Stop, "Timber at %.1f %% (%s): above %.0f %% it is too wet to coat.", m, p.moistureFrom, stop)
	case m > good:
		return r.say(Wait, "Timber at %.1f %% (%s): up to %.0f %% is good; warm dry air brings it down in days, not hours.", m, p.moistureFrom, good)
	}
	return r.say(Clear, "Timber at %.1f %% (%s).", m, p.moistureFrom)
}

// outgassingRule: the gas in the pores of bare timber must not grow between now and gel.
func outgassingRule(p *piece) Reason {
	limit, percent := p.s.Limits.GasGrowth, 100*p.s.Limits.GasGrowth
	r := Reason{Rule: "outgassing", Limit: &percent, Unit: "%", Source: "gas law; the limit is ours"}
	if !p.fact.Bare {
		r.Limit = nil
		return r.say(Clear, "Coated already: no bare pores.")
	}
	if p.gas == nil {
		return r.cantSay("Whether air will come out of the timber can't be told: %s.", p.noGas)
	}
	growth := p.gas.high - 1
	grown := 100 * growth
	r.Value = &grown
	without := p.mostGas()
	if p.w.noHPa != "" {
		without += " No barometer: each hPa that it falls would add 0.1 %."
	}
	switch {
	case growth > limit && p.gas.likely-1 > limit:
		return r.say(Wait, "%s The air in it would grow by %.1f %% before the coat gels, and blow bubbles.%s%s", p.gas.cause, 100*(p.gas.likely-1), p.gas.turns, without)
	case growth > limit:
		return r.say(Wait, "%s In one case in ten the air in it would grow by %.1f %% before the coat gels.%s", p.gas.cause, 100*growth, without)
	case p.gas.end < 1-limit:
		if p.marginHolds() {
			return r.say(Clear, "%s The air in it shrinks by %.1f %% until gel and draws resin in: a good time to seal.%s", p.gas.cause, 100*(1-p.gas.end), without)
		}
		return r.say(Clear, "%s The air in it shrinks by %.1f %% until gel.%s", p.gas.cause, 100*(1-p.gas.end), without)
	}
	return r.say(Clear, "%s The air in it keeps still.%s", p.gas.cause, without)
}

// trustRule: required are air temperature and humidity, and for bare timber a moisture content.
func trustRule(p *piece) Reason {
	r := Reason{Rule: "trust", Unit: "s", Source: "stale after " + span(float64(p.s.Limits.StaleAfter))}
	limit := float64(p.s.Limits.StaleAfter)
	r.Limit = &limit
	if age, ok := oldest(p.s); ok {
		r.Value = &age
	}
	switch {
	case p.w.noAir != "":
		return r.cantSay("No present %s.", p.w.noAir)
	case p.w.noRH != "":
		return r.cantSay("No present %s.", p.w.noRH)
	case p.fact.Bare && p.moisture == nil:
		return r.cantSay("Bare timber, and its moisture is not known: %s.", p.noMoisture)
	case r.Value != nil && limit > 0 && *r.Value > limit:
		return r.cantSay("The newest reading is %s old.", span(*r.Value))
	}
	if why := readByHand(p); why != "" {
		return r.say(Clear, "%s; nothing is known of the time since.", why)
	}
	if p.skin.modelled {
		return r.say(Clear, "Readings are fresh. %s", p.skin.source())
	}
	return r.say(Clear, "Readings are fresh.")
}

// readByHand says which of the inputs of a verdict a person has read; "" where none.
func readByHand(p *piece) string {
	for _, c := range []struct {
		what string
		of   *Channel
	}{{"The air's temperature", &p.s.Climate.AirC}, {"The humidity", &p.s.Climate.RHPct}, {"The surface", &p.fact.SurfaceC}} {
		if c.of.ByHand && c.of.Problem == "" {
			return c.what + " was read by hand " + span(float64(p.s.At-c.of.LastSeen)) + " ago"
		}
	}
	return ""
}

// oldest gives the age in seconds of the older of the two required inputs.
func oldest(s *Situation) (float64, bool) {
	a, r := s.Climate.AirC.LastSeen, s.Climate.RHPct.LastSeen
	if !a.Known() || !r.Known() {
		return 0, false
	}
	return math.Max(float64(s.At-a), float64(s.At-r)), true
}

func (r Reason) say(v Verdict, format string, args ...any) Reason {
	r.Verdict, r.Text = v, fmt.Sprintf(format, args...)
	return r
}

func (r Reason) cantSay(format string, args ...any) Reason { return r.say(CantSay, format, args...) }

// orUnknown gives a time of day, or words for a time beyond the horizon.
func orUnknown(s *Situation, at units.Instant) string {
	if !at.Known() {
		return "later than two days from now"
	}
	return clockTime(s, at)
}

// span gives a length of time in words: 40 s, 12 min, 1 h 40 min.
func span(seconds float64) string {
	m := int64(math.Round(seconds / 60))
	switch {
	case seconds < 90:
		return fmt.Sprintf("%.0f s", seconds)
	case m < 100:
		return fmt.Sprintf("%d min", m)
	case m%60 == 0:
		return fmt.Sprintf("%d h", m/60)
	}
	return fmt.Sprintf("%d h %d min", m/60, m%60)
}
