package plan

import (
	"fmt"
	"math"
	"strings"

	"tackline/advisor/units"
)

// Gain is what a what-if buys, and what it takes.
type Gain struct {
	WhatIf       string        `json:"what_if"`
	ChanceBefore float64       `json:"chance_before"` // of the best start
	ChanceAfter  float64       `json:"chance_after"`
	BestBefore   units.Instant `json:"best_before"` // null where none has a chance
	BestAfter    units.Instant `json:"best_after"`
	Best         []Start       `json:"best"` // the few best starts then
	Text         string        `json:"text"`
	HeatKWhDay   *Range        `json:"heat_kwh_day"` // null where it takes no heat that is known
	HeatBasis    string        `json:"heat_basis"`
	Burner       *Burner       `json:"burner"` // null without one
	Cautions     []string      `json:"cautions"`
}

// Burner is what an unvented burner puts into the shed, a day.
type Burner struct {
	Fuel     string  `json:"fuel"`
	FuelKg   float64 `json:"fuel_kg"`
	WaterKg  float64 `json:"water_kg"`
	CO2Kg    float64 `json:"co2_kg"`
	WaterGM3 float64 `json:"water_g_m3"` // most that it adds to the air
	CO2PPM   float64 `json:"co2_ppm"`    // likewise
}

// Try does what-ifs to an input, and says what they buy beside the plan before. Where another system is among them the input has it already.
func Try(in Input, before Result, list []WhatIf) (Gain, error) {
	c := in.do(list)
	after, err := rank(&c.in)
	if err != nil {
		return Gain{}, err
	}
	g := Gain{WhatIf: Join(list), Best: after.Best, Cautions: []string{}}
	g.ChanceBefore, g.BestBefore = before.top()
	g.ChanceAfter, g.BestAfter = after.top()
	days := float64(c.in.Starts*c.in.every()) * Step / 86400
	if c.heatWh.Likely > 0 {
		h := c.heatWh.times(0.001 / days)
		h = Range{round(h.Low), round(h.Likely), round(h.High)}
		g.HeatKWhDay, g.HeatBasis = &h, in.basis(list)
	}
	if b := c.moisture; b.n > 0 {
		span := float64(len(c.in.Members[0].AirC)) * Step / 86400 // the burner runs on to the end of the forecast
		x := 1 / b.n / span
		g.Burner = &Burner{Fuel: burnerOf(list), FuelKg: round(b.fuelKg * x), WaterKg: round(b.waterKg * x), CO2Kg: round(b.co2Kg * x),
			WaterGM3: round(b.waterGM3 / b.n), CO2PPM: math.Round(b.co2PPM/b.n/10) * 10}
	}
	g.Text = g.words(&c.in, list)
	g.caution(list)
	return g, nil
}

// Join writes what-ifs that go together.
func Join(list []WhatIf) string {
	var parts []string
	for _, w := range list {
		parts = append(parts, w.String())
	}
	return strings.Join(parts, " + ")
}

// top gives the chance and time of the best start.
func (r *Result) top() (float64, units.Instant) {
	if len(r.Starts) == 0 || r.Starts[0].Chance == 0 {
		return 0, 0
	}
	return r.Starts[0].Chance, r.Starts[0].At
}

func (in *Input) basis(list []WhatIf) string {
	for _, w := range list {
		if w.Deed == Tent || w.Deed == Lamp {
			return "assumed, from the area of the piece, to a factor of two either way"
		}
	}
	if in.Shed == (Shed{}) {
		return AssumedShed().Basis
	}
	return in.Shed.Basis
}

func burnerOf(list []WhatIf) string {
	for _, w := range list {
		if w.Burner != "" {
			return w.Burner
		}
	}
	return ""
}

// round keeps two figures of what is rough.
func round(v float64) float64 {
	if v == 0 {
		return 0
	}
	digits := 1 - math.Floor(math.Log10(math.Abs(v)))
	if p := math.Pow(10, math.Abs(digits)); digits >= 0 {
		return math.Round(v*p) / p // not times 0.1, which has no short decimal
	} else {
		return math.Round(v/p) * p
	}
}

func (g *Gain) words(in *Input, list []WhatIf) string {
	when := func(at units.Instant, chance float64) string {
		if !at.Known() {
			return "no start has a chance"
		}
		return fmt.Sprintf("the best start is %s with %.0f %%", in.clock(at), 100*chance)
	}
	text := fmt.Sprintf("As it is, %s. With %s, %s.", when(g.BestBefore, g.ChanceBefore), Join(list), when(g.BestAfter, g.ChanceAfter))
	switch d := g.ChanceAfter - g.ChanceBefore; {
	case d > 0.02:
		text += fmt.Sprintf(" It buys %.0f points.", 100*d)
	case d < -0.02:
		text += " It makes it worse."
	case g.BestAfter.Known() && g.BestAfter < g.BestBefore-1800:
		text += " It buys an earlier start."
	default:
		text += " It buys nothing."
	}
	if h := g.HeatKWhDay; h != nil {
		text += fmt.Sprintf(" Heat: roughly %g kWh a day (%g to %g).", h.Likely, h.Low, h.High)
	}
	if b := g.Burner; b != nil {
		text += fmt.Sprintf(" Unvented, the burner uses %g kg of %s a day and puts %g kg of water and %g kg of carbon dioxide into the shed: up to %g g/m3 and %.0f ppm more.",
			b.FuelKg, b.Fuel, b.WaterKg, b.CO2Kg, b.WaterGM3, b.CO2PPM)
	}
	return text
}

// longExposurePPM is the usual limit for carbon dioxide over a working day, ppm. From memory: 5000 in the European indicative list and elsewhere.
const longExposurePPM = 5000

func (g *Gain) caution(list []WhatIf) {
	say := func(s string) { g.Cautions = append(g.Cautions, s) }
	for _, w := range list {
		switch w.Deed {
		case Warm:
			say("Switch the heat off before the coat goes on: timber that cools draws resin in, timber that warms blows bubbles.")
		case Lamp, Tent:
			say("Lamps and heaters near fabric, film, resin and solvent start fires: keep them away, fixed, and never alone. Have them on an hour before the coat, not only after it.")
		case Thinner:
			say("Thinner coats take more of them: each is a window of its own.")
		case Swap:
			say("Not every system may go over another: the maker's sheets decide.")
		}
	}
	if b := g.Burner; b != nil {
		say("An unvented burner can put carbon monoxide into you: vent it, air the shed, hang up an alarm. No flame where solvent or its vapour is. Carbon dioxide and water on a wet coat make blush.")
		if b.CO2PPM > longExposurePPM {
			say(fmt.Sprintf("Carbon dioxide would pass %d ppm, a usual limit for a working day: do not run it so.", longExposurePPM))
		}
	}
}
