package advisor

import (
	"fmt"
	"math"

	"tackline/advisor/timber"
	"tackline/advisor/trace"
	"tackline/advisor/units"
)

// ownHeat is the rise in K by the coat's reaction from which it is named among the causes.
const ownHeat = 0.15

// gas is how the pore gas of bare timber changes until the coat gels, as volume ratios.
type gas struct {
	likely, high float64  // most that is pushed out at some time before gel: in the median, and not passed by nine of ten members; 1 at least
	sure         float64  // what nine of ten members come to
	end          float64  // at gel over now, in the median
	cause, turns string   // sentences
	mlPerM2      *float64 // most that leaves each m2 of the wet face in the median, mL, if every pore is open; nil for a piece of unknown size
}

// breathe follows the pore gas along every member from now to that member's gel (Unix seconds), warmed by what the coat's own reaction adds. It
// gives nil and why where it can't.
func breathe(s *Situation, w *weather, k *skin, moisture *float64, gel []float64, warmed trace.Trace) (*gas, string) {
	if k.missing != "" {
		return nil, k.missing
	}
	aw, err := waterActivity(w, k, moisture)
	if err != "" {
		return nil, err
	}
	rise, end, turn := make([]float64, members), make([]float64, members), make([]float64, members)
	for i, m := range k.ahead {
		rise[i], end[i], turn[i] = 1, 1, w.at
		until := math.Min(gel[i], w.at+Horizon-1)
		if until <= w.at {
			continue
		}
		timberC, hpa := warmedBy(m.film.Slice(w.at, w.at+Horizon), warmed), trace.Trace{}
		if m.hpa.Len() > 0 {
			hpa = m.hpa
		}
		g, err := timber.Breath{Timber: timberC, PressureHPa: hpa, AW: aw}.Over(w.at, until)
		if err != nil {
			return nil, err.Error()
		}
		rise[i], end[i], turn[i] = g.Rise, g.Ratio, g.PeakAt
	}
	all := even(members)
	g := gas{likely: quantile(rise, all, 0.5), high: quantile(rise, all, inNineOfTen), sure: quantile(rise, all, 1-inNineOfTen), end: quantile(end, all, 0.5), cause: gasCause(w, k)}
	own := 0.0
	for _, v := range warmed.V {
		own = math.Max(own, v)
	}
	if own >= ownHeat {
		g.cause += fmt.Sprintf(" The coat's own heat adds %.1f K.", own)
	}
	if at := quantile(turn, all, 0.5); g.likely-1 > s.Limits.GasGrowth && at > w.at && at < quantile(gel, all, 0.5)-knotSeconds {
		g.turns = fmt.Sprintf(" It turns about %s; from then it draws resin in.", clockTime(s, units.Instant(at)))
	}
	return &g, ""
}

// mostGas gives the upper bound of what a growth of the pore gas drives through each m2 of the wet face, mL: half of it, or all where the back is
// sealed. nil where the piece's thickness or density is not known.
func mostGas(p *Piece, ratio float64, moisture *float64) *float64 {
	if p.ThicknessM <= 0 || p.DensityKgM3 <= 0 {
		return nil
	}
	wet := moistureForHeat
	if moisture != nil {
		wet = units.Percent(*moisture)
	}
	g, err := timber.Gravity(p.DensityKgM3)
	if err != nil {
		return nil
	}
	void, err := timber.VoidFraction(g, wet)
	if err != nil {
		return nil
	}
	ml, err := timber.GasVolume(p.ThicknessM, void, ratio, p.BackSealed)
	if err != nil {
		return nil
	}
	return &ml
}

// mostGas says that bound in words, where gas comes out at all.
func (p *piece) mostGas() string {
	if p.gas.mlPerM2 == nil || p.gas.likely-1 <= p.s.Limits.GasGrowth {
		return ""
	}
	through := "half of it through the wet face"
	if p.fact.BackSealed {
		through = "all of it through the wet face, for the back is sealed"
	}
	return fmt.Sprintf(" At most %.0f mL on each m2, %s.", *p.gas.mlPerM2, through)
}

// waterActivity gives the humidity in the pores as a share: that with which the timber's moisture is in balance, else that of the air.
func waterActivity(w *weather, k *skin, moisture *float64) (float64, string) {
	if moisture != nil {
		if rh, err := timber.WaterActivity(units.Celsius(k.now), units.Percent(*moisture)); err == nil {
			return float64(rh) / 100, ""
		}
	}
	if w.noRH != "" {
		return 0, w.noRH
	}
	return w.rhNow / 100, ""
}

// direction says which way the gas goes.
func (g *gas) direction(limit float64) string {
	switch {
	case g.likely-1 > limit:
		return string(timber.Out)
	case g.end < 1-limit:
		return string(timber.In)
	}
	return string(timber.Still)
}

// gasCause says what moves the gas: the timber's temperature over the last hour, the barometer's fall, and where the air misleads.
func gasCause(w *weather, k *skin) string {
	const hour, still, stillHPa = 3600.0, 0.15, 0.5
	warmed, ok := change(k.past.Value, w.at, hour)
	aired, airOK := change(w.airC.Value, w.at, hour/4) // where the air goes now, not where it came from
	text := "Timber steady."
	switch {
	case !ok:
		text = "How the timber's temperature moved in the last hour is not known."
	case warmed > still && airOK && aired < -still:
		text = fmt.Sprintf("The air is cooling, but the timber still warms: %.1f K in the last hour.", warmed)
	case warmed > still:
		text = fmt.Sprintf("Timber still warming, %.1f K in the last hour.", warmed)
	case warmed < -still:
		text = fmt.Sprintf("Timber cooling, %.1f K in the last hour.", -warmed)
	}
	if w.noHPa == "" {
		if fell, ok := change(w.hpa.Value, w.at, 3*hour); ok && fell < -stillHPa {
			text += fmt.Sprintf(" The barometer fell %.1f hPa in three hours.", -fell)
		}
	}
	return text
}

// change gives how much a history rose over the seconds before its newest value near at.
func change(value func(float64) (float64, bool), at, seconds float64) (float64, bool) {
	for back := 0.0; back <= 1200; back += 60 {
		if now, ok := value(at - back); ok {
			then, ok := value(at - back - seconds)
			return now - then, ok
		}
	}
	return 0, false
}
