package plan

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"tackline/advisor/air"
	"tackline/advisor/building"
	"tackline/advisor/units"
)

// Deed is what one what-if does.
type Deed string

// The deeds.
const (
	Hold    Deed = "hold"    // hold the shed at a temperature from one hour to another, each day
	Warm    Deed = "warm"    // the same before a start: the timber is warmed first, and cools while it is sealed
	Tent    Deed = "tent"    // a heated tent over the one piece: its air and its surface are so much warmer
	Lamp    Deed = "lamp"    // a lamp on the one piece: its surface alone is so much warmer
	Dry     Deed = "dry"     // so much of the vapour is taken out of the air
	Thinner Deed = "thinner" // coats of that share of the usual thickness
	Swap    Deed = "system"  // another resin system
	Longer  Deed = "hours"   // other working hours
)

// WhatIf is one thing to be done differently. Times are minutes after local midnight, [FromMin, ToMin), each day; equal is all day.
type WhatIf struct {
	Deed  Deed
	Value float64 // of hold and warm: C; of tent and lamp: K; of dry: share taken out; of thinner: share that is left
	FromMin,
	ToMin int64
	Burner string // of hold, warm and tent: "", "propane" or "kerosene", where an unvented burner gives the heat
	System string // of system: its name
}

// whatIfs is the grammar, for the message.
const whatIfs = `want such as "hold=18C 08:00-16:00", "warm=22C 06:00-09:00", "tent=5K", "lamp=8K 07:00-19:00", "dry=20%", "thinner=0.5", "system=fast" or
"hours=07:00-20:00"; "burner=propane" or "burner=kerosene" after hold, warm and tent; "+" between two that go together`

// mostTogether is how many what-ifs may go together.
const mostTogether = 6

// ParseWhatIf reads what-ifs as they are typed: a deed, "=", its value, hours where they matter; "+" between those that go together.
func ParseWhatIf(text string) ([]WhatIf, error) {
	var out []WhatIf
	parts := strings.Split(text, "+")
	if len(parts) > mostTogether {
		return nil, fmt.Errorf("plan: %d things at once: want at most %d", len(parts), mostTogether)
	}
	for _, part := range parts {
		w, err := parseOne(strings.TrimSpace(part))
		if err != nil {
			return nil, fmt.Errorf("plan: what if %q: %w; %s", text, err, strings.ReplaceAll(whatIfs, "\n", " "))
		}
		out = append(out, w)
	}
	return out, nil
}

func parseOne(text string) (WhatIf, error) {
	name, rest, ok := strings.Cut(text, "=")
	w := WhatIf{Deed: Deed(strings.ToLower(strings.TrimSpace(name)))}
	if rest = strings.TrimSpace(rest); !ok || rest == "" {
		return w, fmt.Errorf("no value stands behind %q", text)
	}
	if w.Deed == Swap {
		w.System = rest
		return w, nil
	}
	words := strings.Fields(rest)
	var err error
	if w.Deed != Longer {
		if w.Value, err = w.value(words[0]); err != nil {
			return w, err
		}
		words = words[1:]
	}
	for _, word := range words {
		if fuel, ok := strings.CutPrefix(word, "burner="); ok && (w.Deed == Hold || w.Deed == Warm || w.Deed == Tent) {
			if _, known := fuelOf(fuel); !known {
				return w, fmt.Errorf("%q is not a known fuel", fuel)
			}
			w.Burner = fuel
			continue
		}
		if w.FromMin, w.ToMin, err = span(word); err != nil {
			return w, err
		}
	}
	if (w.Deed == Hold || w.Deed == Warm || w.Deed == Longer) && w.FromMin == w.ToMin {
		return w, fmt.Errorf("%s needs hours", w.Deed)
	}
	if (w.Deed == Longer || w.Deed == Warm) && w.ToMin < w.FromMin {
		return w, fmt.Errorf("hours that go over midnight are not for %s", w.Deed)
	}
	return w, nil
}

// value reads a deed's number with its unit, and holds it to what makes sense.
func (w *WhatIf) value(word string) (float64, error) {
	unit := strings.TrimLeft(word, "+-.0123456789")
	v, err := strconv.ParseFloat(strings.TrimSuffix(word, unit), 64)
	if err != nil || math.IsNaN(v) || math.IsInf(v, 0) {
		return 0, fmt.Errorf("%q is no number", word)
	}
	bad := func(want string) (float64, error) { return 0, fmt.Errorf("%q: want %s", word, want) }
	switch w.Deed {
	case Hold, Warm:
		if unit == "F" {
			v, unit = float64(units.CelsiusFromFahrenheit(v)), "C"
		}
		if !(unit == "" || unit == "C") || !within(v, 0, 45) {
			return bad("0 to 45 C")
		}
	case Tent, Lamp:
		if unit == "F" {
			v, unit = v/1.8, "K"
		}
		if !(unit == "" || unit == "K") || !(v > 0 && v <= 30) {
			return bad("over 0 to 30 K")
		}
	case Dry:
		if unit == "%" {
			v /= 100
		}
		if !(unit == "" || unit == "%") || !(v > 0 && v < 0.95) {
			return bad("over 0% up to 95%")
		}
	case Thinner:
		if unit == "%" {
			v /= 100
		}
		if !(unit == "" || unit == "%") || !(v >= 0.2 && v < 1) {
			return bad("0.2 up to 1, the share of the usual thickness")
		}
	default:
		return 0, fmt.Errorf("%q is not a thing to do", w.Deed)
	}
	return v, nil
}

// span reads 08:00-16:00.
func span(word string) (from, to int64, err error) {
	a, b, ok := strings.Cut(word, "-")
	minute := func(s string) (int64, bool) {
		h, m, ok := strings.Cut(s, ":")
		if !ok {
			m = "0"
		}
		x, err1 := strconv.ParseInt(h, 10, 64)
		y, err2 := strconv.ParseInt(m, 10, 64)
		return 60*x + y, err1 == nil && err2 == nil && x >= 0 && y >= 0 && y < 60 && 60*x+y <= 24*60
	}
	from, ok1 := minute(a)
	to, ok2 := minute(b)
	if !ok || !ok1 || !ok2 {
		return 0, 0, fmt.Errorf("%q are no hours such as 08:00-16:00", word)
	}
	return from, to, nil
}

// String writes it as ParseWhatIf reads it.
func (w WhatIf) String() string {
	clock := func(m int64) string { return fmt.Sprintf("%02d:%02d", m/60, m%60) }
	hours := ""
	if w.FromMin != w.ToMin {
		hours = " " + clock(w.FromMin) + "-" + clock(w.ToMin)
	}
	burner := ""
	if w.Burner != "" {
		burner = " burner=" + w.Burner
	}
	switch w.Deed {
	case Hold, Warm:
		return fmt.Sprintf("%s=%.4gC%s%s", w.Deed, w.Value, hours, burner)
	case Tent, Lamp:
		return fmt.Sprintf("%s=%.4gK%s%s", w.Deed, w.Value, hours, burner)
	case Dry:
		return fmt.Sprintf("%s=%.4g%%%s", w.Deed, 100*w.Value, hours)
	case Thinner:
		return fmt.Sprintf("%s=%.4g", w.Deed, w.Value)
	case Swap:
		return "system=" + w.System
	}
	return string(w.Deed) + "=" + strings.TrimSpace(hours)
}

// Shed is what a what-if must know of the building and the piece.
type Shed struct {
	LossWK   Range   // heat that it loses, W per kelvin over outdoors
	MemoryS  float64 // with which its air cools once the heat is off, s
	VolumeM3 float64
	ChangesH float64 // changes of its air in an hour
	PanelS   float64 // with which the piece's surface follows the air, s
	AreaM2   float64 // of the piece; 0: not known
	Basis    string  // in words, where the figures are from
}

// Range is a number with what it may be off: about nine in ten lie between.
type Range struct {
	Low    float64 `json:"low"`
	Likely float64 `json:"likely"`
	High   float64 `json:"high"`
}

func (r Range) times(f float64) Range { return Range{r.Low * f, r.Likely * f, r.High * f} }

// AssumedShed is a lightly built shed of some 6 by 10 m: 150 W/K, of which a third is air that leaks. Nothing of it is measured.
func AssumedShed() Shed {
	return Shed{LossWK: Range{50, 150, 450}, MemoryS: 2 * 3600, VolumeM3: 200, ChangesH: 0.75, PanelS: 1500,
		Basis: "assumed: a lightly built shed of about 6 by 10 m, 150 W/K (50 to 450), 200 m3, its air changed three times in four hours"}
}

// changed is an input with a what-if done to it, and what that takes.
type changed struct {
	in       Input
	heatWh   Range // in the days of the starts; zero: none
	moisture burned
}

// do gives the input with what-ifs done to it. Swap is the caller's: it needs another system.
func (in Input) do(list []WhatIf) changed {
	c, shed := changed{in: in}, in.Shed
	if shed == (Shed{}) {
		shed = AssumedShed()
	}
	c.in.Members = append([]Member(nil), in.Members...)
	for _, w := range list {
		switch w.Deed {
		case Hold, Warm, Tent, Lamp:
			c.heat(w, shed)
		case Dry:
			for i := range c.in.Members {
				m := &c.in.Members[i]
				m.VapourPa = append([]float64(nil), m.VapourPa...)
				for k := range m.VapourPa {
					if c.in.during(w, int64(k)) {
						m.VapourPa[k] *= 1 - w.Value
					}
				}
			}
		case Thinner:
			c.in.Steps = append([]Task(nil), c.in.Steps...)
			for i := range c.in.Steps {
				c.in.Steps[i].thin(w.Value)
			}
		case Longer:
			c.in.Hours.StartMin, c.in.Hours.EndMin = w.FromMin, w.ToMin
			if c.in.Hours.Days == [7]bool{} {
				c.in.Hours.Days = [7]bool{true, true, true, true, true, true, true}
			}
		}
	}
	return c
}

// thin makes a coat thinner: less to mix, less heat of its own.
func (t *Task) thin(share float64) {
	if !t.Coat {
		return
	}
	t.UseMin *= share
	own := make([]Own, len(t.Own))
	for i, o := range t.Own {
		own[i] = Own{SurfaceC: o.SurfaceC, RiseK: append([]float64(nil), o.RiseK...)}
		for k := range own[i].RiseK {
			own[i].RiseK[k] *= share
		}
	}
	t.Own = own
}

// during tells whether sample k lies in a what-if's hours.
func (in *Input) during(w WhatIf, k int64) bool {
	if w.FromMin == w.ToMin {
		return true
	}
	t := units.Instant(float64(in.Origin) + float64(k)*Step).Time().In(in.zone())
	m := int64(t.Hour()*60 + t.Minute())
	if w.FromMin < w.ToMin {
		return m >= w.FromMin && m < w.ToMin
	}
	return m >= w.FromMin || m < w.ToMin
}

// heat warms air and surface, or the surface alone. The heat is taken as strong enough to get there in a quarter of an hour; once it is off,
// what it gave decays with the shed's memory, and the surface follows with the panel's.
func (c *changed) heat(w WhatIf, shed Shed) {
	n := int64(len(c.in.Members[0].AirC))
	on := make([]bool, n)
	for k := range on {
		on[k] = c.in.during(w, int64(k))
	}
	loss, memory := shed.LossWK, shed.MemoryS
	if w.Deed == Tent || w.Deed == Lamp {
		loss, memory = shed.overPiece(w.Deed), 1
	}
	fade, follow := math.Exp(-Step/memory), 1-math.Exp(-Step/math.Max(shed.PanelS, 1))
	kelvinHours := 0.0
	counted := min(n, c.in.Starts*c.in.every())
	for i := range c.in.Members {
		m := &c.in.Members[i]
		airC, surface := append([]float64(nil), m.AirC...), append([]float64(nil), m.SurfaceC...)
		vapour := newVapour(w.Burner, loss.Likely, shed, m.VapourPa)
		more, skin := 0.0, 0.0
		for k := range n {
			switch {
			case on[k] && (w.Deed == Hold || w.Deed == Warm):
				more = max(more*fade, w.Value-m.AirC[k])
			case on[k]:
				more = w.Value
			default:
				more *= fade
			}
			if k < counted {
				kelvinHours += more * Step / 3600 / float64(len(c.in.Members))
			}
			skin += follow * (more - skin)
			surface[k] = min(m.SurfaceC[k]+skin, 90)
			if w.Deed != Lamp {
				airC[k] = min(m.AirC[k]+more, 60)
			}
			vapour.next(k, on[k], more, airC[k])
		}
		m.AirC, m.SurfaceC = airC, surface
		if w.Burner != "" {
			m.VapourPa = vapour.pa
			c.moisture.see(vapour)
		}
	}
	wh := loss.times(kelvinHours)
	c.heatWh = Range{c.heatWh.Low + wh.Low, c.heatWh.Likely + wh.Likely, c.heatWh.High + wh.High}
}

// overPiece is the heat that one piece under a tent or a lamp loses, W/K. A tent of film over it has 2.5 times its area at 5 W/(m2 K); a
// lamp's heat leaves by both faces of the panel at 7.7 each (ISO 6946, 1/0.13), and half of it misses. Assumed, a factor of two either way.
func (s Shed) overPiece(d Deed) Range {
	area := s.AreaM2
	if area <= 0 {
		area = 4
	}
	likely := 12.5 * area
	if d == Lamp {
		likely = 2 * 7.7 * area / 0.5
	}
	return Range{likely / 2, likely, likely * 2}
}

// fuelOf gives the fuel of an unvented burner by its name.
func fuelOf(name string) (building.Fuel, bool) {
	for _, f := range [...]building.Fuel{building.Propane(), building.Kerosene()} {
		if f.Name == name {
			return f, true
		}
	}
	return building.Fuel{}, false
}

// vapour follows what a burner adds to the shed's air, well mixed and aired out by its changes.
type vapour struct {
	pa              []float64
	fuel            building.Fuel
	perK            float64 // kg of fuel burnt in a step for each kelvin that it holds
	volume, keeps   float64
	mixed           float64 // share of what is burnt in a step that is in the air at its end
	water, co2      float64 // in the air beyond what was there, kg
	burnt           float64 // kg
	mostWater, most float64 // g/m3, ppm
}

func newVapour(burner string, lossWK float64, shed Shed, pa []float64) *vapour {
	f, ok := fuelOf(burner)
	if !ok {
		return &vapour{}
	}
	v := &vapour{pa: append([]float64(nil), pa...), fuel: f, perK: lossWK * Step / (f.HeatMJKg * 1e6), volume: math.Max(shed.VolumeM3, 1), keeps: 1, mixed: 1}
	if n := shed.ChangesH * Step / 3600; n > 0 {
		v.keeps, v.mixed = math.Exp(-n), -math.Expm1(-n)/n
	}
	return v
}

func (v *vapour) next(k int64, on bool, more, airC float64) {
	if v.pa == nil {
		return
	}
	v.water, v.co2 = v.water*v.keeps, v.co2*v.keeps
	if on && more > 0 {
		kg := v.perK * more
		v.burnt += kg
		v.water, v.co2 = v.water+kg*v.mixed*v.fuel.WaterKgPerKg(), v.co2+kg*v.mixed*v.fuel.CarbonDioxideKgPerKg()
	}
	grams, pa, ppm := building.Gases(v.water, v.co2, v.volume, airC)
	v.pa[k] = math.Min(v.pa[k]+pa, float64(air.SaturationPressureWater(units.Celsius(airC))))
	v.mostWater, v.most = max(v.mostWater, grams), max(v.most, ppm)
}

// burned is the mean over the members of what a burner does.
type burned struct{ n, fuelKg, waterKg, co2Kg, waterGM3, co2PPM float64 }

func (b *burned) see(v *vapour) {
	b.n++
	b.fuelKg += v.burnt
	b.waterKg += v.burnt * v.fuel.WaterKgPerKg()
	b.co2Kg += v.burnt * v.fuel.CarbonDioxideKgPerKg()
	b.waterGM3 += v.mostWater
	b.co2PPM += v.most
}
