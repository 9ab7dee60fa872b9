package cure

import (
	"errors"
	"fmt"
	"math"
	"strconv"
)

// FieldError is one thing that is wrong with a System. Field is its path in the file, e.g. "marks.firm", so that whoever read the file can
// add the line.
type FieldError struct {
	Field string // path in the file
	Value string // as it stands; "missing" where it does not
	Want  string // what would be right
}

// Error gives path, value and what would be right.
func (e *FieldError) Error() string {
	return fmt.Sprintf("cure: %s: %s: want %s", e.Field, e.Value, e.Want)
}

// figure writes a number as a person would.
func figure(v float64) string { return strconv.FormatFloat(v, 'g', 6, 64) }

// findings gathers what is wrong.
type findings []error

func (f *findings) add(field, value, want string) {
	*f = append(*f, &FieldError{field, value, want})
}

// between asks for low <= v <= high.
func (f *findings) between(field string, v, low, high float64, unit string) {
	if v >= low && v <= high {
		return
	}
	f.add(field, figure(v), fmt.Sprintf("%s to %s %s", figure(low), figure(high), unit))
}

// rising asks for over 0, each more than the one before, up to highest.
func (f *findings) rising(table string, v [5]float64, highest float64, unit string) {
	before, name := 0.0, "0"
	for i, x := range v {
		field := table + "." + markNames[i]
		switch {
		case x == 0:
			f.add(field, "missing", "a figure over "+name)
		case !(x > before):
			f.add(field, figure(x), fmt.Sprintf("more than %s, as the marks follow each other", name))
		case !(x <= highest):
			f.add(field, figure(x), fmt.Sprintf("at most %s %s", figure(highest), unit))
		}
		if x > before {
			before, name = x, fmt.Sprintf("%s (%s)", markNames[i], figure(x))
		}
	}
}

func (t *Times) all() [5]float64 {
	return [5]float64{t.TackOpens, t.TackCloses, t.RecoatCloses, t.Firm, t.Sandable}
}

func (k *Marks) all() [5]float64 {
	return [5]float64{k.TackOpens, k.TackCloses, k.RecoatCloses, k.Firm, k.Sandable}
}

// hottestC is the warmest film at which the order of marks is checked, C.
const hottestC = 35.0

// Check tells whether a system is possible: nil, or all that is wrong joined, each a *FieldError. What it refuses: figures that are not
// finite, outside what any such resin has, negative, or at absolute zero; both or neither of [times] and [marks]; no way to know the speed;
// marks out of their order at the sheet's point, or at any film temperature from lowest_c to 35 C.
func (s System) Check() error {
	var f findings
	s.checkHead(&f)
	s.checkTimesOrMarks(&f)
	if s.Pot != nil {
		s.Pot.check(&f)
	}
	if s.Kinetics != nil {
		s.Kinetics.check(&f)
	}
	if c := s.Coverage; c != nil {
		f.between("coverage.seal_g_m2", c.SealGM2, 10, 2000, "g/m2")
		f.between("coverage.fill_g_m2", c.FillGM2, 10, 5000, "g/m2")
		f.between("coverage.fabric_ratio", c.FabricRatio, 0.2, 5, "g mixed resin per g of fabric")
		f.between("coverage.waste", c.Waste, 0, 0.9, "as a share, 0.10 for 10 %")
	}
	if p := s.Pump; p != nil {
		f.between("pump.resin_ml", p.ResinML, 0.1, 2000, "ml a stroke")
		f.between("pump.hardener_ml", p.HardenerML, 0.1, 2000, "ml a stroke")
	}
	if len(f) == 0 {
		s.checkOrder(&f)
	}
	return errors.Join(f...)
}

// checkHead checks what stands above the tables.
func (s *System) checkHead(f *findings) {
	if s.Name == "" {
		f.add("name", "missing", "a name to choose the system by")
	}
	ratio := func(field string, r [2]float64) bool {
		if r == [2]float64{} {
			f.add(field, "missing", "parts of resin and hardener, e.g. [100, 34]")
			return false
		}
		q := r[0] / r[1]
		if r[0] > 0 && r[1] > 0 && q >= 0.2 && q <= 50 {
			return true
		}
		f.add(field, fmt.Sprintf("[%s, %s]", figure(r[0]), figure(r[1])),
			"parts of resin and hardener, both over 0, between 1 : 5 and 50 : 1, resin first")
		return false
	}
	w, v := ratio("mix_by_weight", s.MixByWeight), ratio("mix_by_volume", s.MixByVolume)
	if w && v {
		// Weight ratio over volume ratio is the density of the resin over that of the hardener: liquids of 900..1250 kg/m3.
		q := s.MixByWeight[0] / s.MixByWeight[1] * s.MixByVolume[1] / s.MixByVolume[0]
		if q < 0.7 || q > 1.6 {
			f.add("mix_by_volume", fmt.Sprintf("[%s, %s]", figure(s.MixByVolume[0]), figure(s.MixByVolume[1])),
				fmt.Sprintf("a ratio that agrees with mix_by_weight: as it stands the resin would be %s times as dense as the hardener", figure(q)))
		}
	}
	f.between("density_kg_m3", s.DensityKgM3, 700, 2500, "kg/m3")
	f.between("lowest_c", s.LowestC, -10, hottestC, "C")
	f.between("highest_surface_rh_pct", s.HighestSurfaceRHPct, 1, 100, "%")
}

// checkTimesOrMarks checks that the marks are stated once, in order, and that the speed of the reaction can be known.
func (s *System) checkTimesOrMarks(f *findings) {
	switch {
	case s.Times != nil && s.Marks != nil:
		f.add("marks", "both [times] and [marks]", "one of them: [times] for a sheet's minutes, [marks] with [kinetics]")
	case s.Times == nil && s.Marks == nil:
		f.add("times", "neither [times] nor [marks]", "one of them: [times] for a sheet's minutes, [marks] with [kinetics]")
	}
	if t := s.Times; t != nil {
		f.between("times.at_c", t.AtC, -10, 60, "C")
		f.rising("times", t.all(), 30*1440, "min")
		if !s.Kinetics.complete() && s.Pot == nil {
			f.add("pot", "missing", "[pot] with the sheet's pot life, as [times] without a complete [kinetics] takes the speed from it")
		}
	}
	if k := s.Marks; k != nil {
		if k.By != "tg" && k.By != "conversion" {
			f.add("marks.by", strconv.Quote(k.By), `"tg" or "conversion"`)
		}
		f.rising("marks", k.all(), 0.9999, "as a conversion")
		if s.Kinetics == nil {
			f.add("kinetics", "missing", "[kinetics], as [marks] are conversions of its rate law")
		} else {
			s.Kinetics.missing(f)
		}
	}
}

func (p *Pot) check(f *findings) {
	f.between("pot.mass_g", p.MassG, 1, 20000, "g")
	f.between("pot.minutes", p.Minutes, 0.5, 7*1440, "min")
	f.between("pot.at_c", p.AtC, -10, 60, "C")
	f.between("pot.diameter_mm", p.DiameterMM, 10, 1000, "mm")
	f.between("pot.working_conversion", p.WorkingConversion, 0.005, 0.95, "as a conversion")
}

// one is a figure of Kinetics with its path, bounds, and whether leaving it out is the same as 0.
type one struct {
	name      string
	v         float64
	low, high float64
	unit      string
	needed    bool
}

func (k *Kinetics) figures() []one {
	return []one{
		{"k1_per_s", k.K1PerS, 0, 1, "1/s", !(k.M == 0 && k.K2PerS > 0)},
		{"k2_per_s", k.K2PerS, 0, 1, "1/s", false},
		{"m", k.M, 0, 3, "", false},
		{"n", k.N, 1, 4, "", true},
		{"activation_kj_mol", k.ActivationKJMol, 20, 150, "kJ/mol", true},
		{"gel_conversion", k.GelConversion, 0.05, 0.98, "as a conversion", true},
		{"heat_j_g", k.HeatJG, 1, 1000, "J/g", true},
		{"cp_j_gk", k.CpJGK, 0.3, 5, "J/(g K)", true},
		{"tg0_c", k.Tg0C, -150, 50, "C", k.TgInfC == 0},
		{"tg_inf_c", k.TgInfC, -20, 250, "C", k.Tg0C == 0},
		{"lambda", k.Lambda, 0.05, 1, "", true},
	}
}

// complete tells whether nothing of the rate law is left out. A nil Kinetics is not complete.
func (k *Kinetics) complete() bool {
	if k == nil {
		return false
	}
	var f findings
	k.missing(&f)
	return len(f) == 0
}

// missing adds what is left out.
func (k *Kinetics) missing(f *findings) {
	for _, x := range k.figures() {
		if x.needed && x.v == 0 {
			f.add("kinetics."+x.name, "missing", fmt.Sprintf("a figure of %s to %s %s", figure(x.low), figure(x.high), x.unit))
		}
	}
	if k.Diffusion && k.VitrifyC == 0 {
		f.add("kinetics.vitrify_c", "missing", "a figure of 1 to 200, as diffusion is on")
	}
}

// check adds what no rate law has. What is left out is not its business.
func (k *Kinetics) check(f *findings) {
	for _, x := range k.figures() {
		if x.v != 0 {
			f.between("kinetics."+x.name, x.v, x.low, x.high, x.unit)
		}
	}
	if k.VitrifyC != 0 {
		f.between("kinetics.vitrify_c", k.VitrifyC, 1, 200, "")
	}
	f.between("kinetics.vitrify_offset_k", k.VitrifyOffsetK, -50, 100, "K")
	if (k.Tg0C != 0 || k.TgInfC != 0) && !(k.TgInfC-k.Tg0C >= 5) && finite(k.Tg0C, k.TgInfC) {
		f.add("kinetics.tg_inf_c", figure(k.TgInfC), fmt.Sprintf("at least 5 K above tg0_c (%s)", figure(k.Tg0C)))
	}
}

func finite(v ...float64) bool {
	for _, x := range v {
		if math.IsNaN(x) || math.IsInf(x, 0) {
			return false
		}
	}
	return true
}

// filled gives the kinetics with what is left out taken from Generic.
func (k *Kinetics) filled() Kinetics {
	g := Generic()
	if k == nil {
		return g
	}
	out := *k
	if out.K1PerS == 0 {
		out.K1PerS, out.K2PerS, out.M = g.K1PerS, g.K2PerS, g.M
	}
	for _, p := range []struct {
		to   *float64
		from float64
	}{
		{&out.N, g.N}, {&out.ActivationKJMol, g.ActivationKJMol}, {&out.GelConversion, g.GelConversion}, {&out.HeatJG, g.HeatJG},
		{&out.CpJGK, g.CpJGK}, {&out.Lambda, g.Lambda}, {&out.VitrifyC, g.VitrifyC},
	} {
		if *p.to == 0 {
			*p.to = p.from
		}
	}
	if out.Tg0C == 0 && out.TgInfC == 0 {
		out.Tg0C, out.TgInfC = g.Tg0C, g.TgInfC
	}
	return out
}
