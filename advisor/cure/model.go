package cure

import (
	"fmt"
	"math"

	"tackline/advisor/trace"
)

// Model is a System made ready to be solved: rate law, Tg and marks. It is a value; its methods change nothing, so copies may be used at
// once from anywhere. The zero Model is not valid: use New.
type Model struct {
	sys    System
	kin    Kinetics // as solved, at speed 1
	law    law
	marks  markSet
	gel    float64
	fitted bool
	curve  *curve  // the isothermal course at ReferenceC and speed 1, where diffusion is off; never changed once made
	scaled float64 // product of all Scaled factors
}

// Generic gives the rate law whose shape stands in for systems of which only a sheet's times are known: an autocatalytic third-order law
// with one activation energy, as is usual for aliphatic amines (Horie et al., J. Polym. Sci. A-1 8 (1970) 1357; orders and 45..65 kJ/mol
// from the published range). The figures themselves are invented; the speed is always fitted.
func Generic() Kinetics {
	return Kinetics{
		K1PerS: 5.0e-5, K2PerS: 6.0e-4, M: 1, N: 2, ActivationKJMol: 55, GelConversion: 0.577, HeatJG: 400, CpJGK: 1.8,
		Tg0C: -30, TgInfC: 65, Lambda: 0.45, Diffusion: true, VitrifyC: 30, VitrifyOffsetK: 10,
	}
}

// DefaultWorkingConversion is the apparent conversion at which a mixed pot is taken to be past use where the system says nothing. Invented.
const DefaultWorkingConversion = 0.20

// New checks the system and makes its model. Complete kinetics are used as they stand; else those figures that are not given come from
// Generic and the speed is fitted to [pot]. The marks of [times] are read off the model at the sheet's own times and temperature, so that
// the sheet is reproduced there. The error joins one *FieldError for each thing that is wrong.
func New(s System) (Model, error) {
	if err := s.Check(); err != nil {
		return Model{}, err
	}
	return build(s)
}

// build makes the model of a system that has passed the static checks.
func build(s System) (Model, error) {
	m := Model{sys: s, scaled: 1}
	if s.Kinetics.complete() {
		m.kin = *s.Kinetics
	} else {
		m.kin = s.Kinetics.filled()
		m.fitted = true
	}
	m.setLaw()
	if m.fitted {
		factor, err := m.fitPot(*s.Pot)
		if err != nil {
			return Model{}, err
		}
		m.kin.K1PerS *= factor
		m.kin.K2PerS *= factor
		m.setLaw()
	}
	return m, m.placeMarks()
}

func (m *Model) setLaw() {
	m.law, m.gel = newLaw(m.kin), m.kin.GelConversion
	m.curve = nil
	if !m.law.diffusion {
		m.curve = newCurve(m.law)
	}
}

// longest is how far an isothermal course is followed to find a mark, s.
const longest = 60 * 86400.0

// placeMarks reads the marks of [times] off the model, or takes those of [marks]. A mark that the law never gets to is an error.
func (m *Model) placeMarks() error {
	m.marks.byTg = true
	if t := m.sys.Times; t != nil {
		c, err := m.isothermal(t.AtC, 60*t.Sandable*1.01, tight)
		if err != nil {
			return err
		}
		var conv [5]float64
		for i, min := range t.all() {
			conv[i], _ = c.ConversionAt(60 * min)
		}
		m.marks.place(&m.law, conv, t.AtC)
		m.marks.recoatSec = 60 * t.RecoatCloses
		return nil
	}
	k := m.sys.Marks
	m.marks.byTg = k.By != "conversion"
	m.marks.place(&m.law, k.all(), ReferenceC)
	min, ok := m.IsothermalMinutes(k.Sandable, ReferenceC)
	if !ok {
		return &FieldError{"marks.sandable", figure(k.Sandable), "a conversion that [kinetics] reaches at 25 C within 60 days"}
	}
	c, err := m.isothermal(ReferenceC, 61*min, tight)
	if err != nil {
		return err
	}
	m.marks.recoatSec = c.at[RecoatCloses] // by its place alone: the cap that this figure makes is not there yet
	return nil
}

// System gives the system that the model was made of.
func (m Model) System() System { return m.sys }

// Kinetics gives the rate law as it is solved, with the speed fitted to [pot] and every Scaled and WithActivation in it.
func (m Model) Kinetics() Kinetics {
	k := m.kin
	k.K1PerS *= m.law.speed
	k.K2PerS *= m.law.speed
	return k
}

// Fitted tells whether the speed was fitted to [pot]; if not, [kinetics] is used as it stands.
func (m Model) Fitted() bool { return m.fitted }

// Rate gives da/dt in 1/s at conversion a (0..1) and film temperature in C. Arguments outside are taken at the nearest bound; below
// absolute zero the rate is 0.
func (m Model) Rate(a, tempC float64) float64 {
	if !(tempC > -273) {
		return 0
	}
	r, _ := m.law.eval(math.Min(math.Max(a, 0), 1), math.Min(tempC, 1000))
	return r
}

// Tg gives the glass transition temperature in C at conversion a, 0..1.
func (m Model) Tg(a float64) float64 { return m.law.tg(math.Min(math.Max(a, 0), 1)) }

// ConversionOfTg gives the conversion at which Tg is the given one, C, held to 0..1.
func (m Model) ConversionOfTg(tgC float64) float64 {
	return math.Min(math.Max(m.law.conversionOfTg(tgC), 0), 1)
}

// GelConversion gives the conversion at the gel point.
func (m Model) GelConversion() float64 { return m.gel }

// SheetC gives the temperature of the point at which the marks were stated: at_c of [times], or 25 C.
func (m Model) SheetC() float64 { return m.marks.sheetC }

// MarkConversion gives the conversion of a mark at the sheet's own point.
func (m Model) MarkConversion(mark Mark) float64 { return m.marks.conv[mark] }

// WorkingConversion gives the conversion at which a mixed pot is past use.
func (m Model) WorkingConversion() float64 {
	if m.sys.Pot != nil && m.sys.Pot.WorkingConversion > 0 {
		return m.sys.Pot.WorkingConversion
	}
	return DefaultWorkingConversion
}

// Equivalent gives how many seconds at 25 C one second at the film temperature is worth: exp(-(E/R)(1/T - 1/298.15 K)).
func (m Model) Equivalent(tempC float64) float64 { return m.law.arrhenius(tempC) }

// Scaled gives the model of a drum that reacts factor times as fast as this one, factor over 0, at every temperature. The sheet's recoat
// time moves with it only where the drum is faster: touches may show that a drum is slow, but they never stretch a recoat window past the
// sheet. A factor that is not over 0 is a caller's bug and panics.
func (m Model) Scaled(factor float64) Model {
	if !(factor > 0) || math.IsInf(factor, 0) {
		panic(fmt.Sprintf("cure: speed factor %g", factor))
	}
	m.law.speed *= factor
	m.scaled *= factor
	return m
}

// WithActivation gives the model with another activation energy in kJ/mol, over 0. The rates at the sheet's own temperature stay.
// An energy that is not over 0 is a caller's bug and panics.
func (m Model) WithActivation(kJ float64) Model {
	if !(kJ > 0) || math.IsInf(kJ, 0) {
		panic(fmt.Sprintf("cure: activation energy %g kJ/mol", kJ))
	}
	before := m.law.arrhenius(m.marks.sheetC)
	m.law.eOverR *= kJ / m.kin.ActivationKJMol
	m.kin.ActivationKJMol = kJ
	m.law.speed *= before / m.law.arrhenius(m.marks.sheetC)
	return m
}

// WithTack gives the model with other conversions for TackOpens and TackCloses, as touches have shown them for a kind of coat. The error
// says where they are out of order with each other or with RecoatCloses at the sheet's own point.
func (m Model) WithTack(opens, closes float64) (Model, error) {
	if !(opens > 0 && opens < closes && closes < m.marks.conv[RecoatCloses]) {
		return m, fmt.Errorf("cure: tack from conversion %g to %g: want over 0, rising, below recoat_closes (%g)",
			opens, closes, m.marks.conv[RecoatCloses])
	}
	conv := m.marks.conv
	conv[TackOpens], conv[TackCloses] = opens, closes
	m.marks.place(&m.law, conv, m.marks.sheetC)
	return m, nil
}

// WithRatio gives the model of a batch in which the hardener was used times what the sheet says, over 0; 1 is right, 0.8 is one fifth
// short. The part that is short limits what can react: conversion, still counted in bonds of the right mix, ends at r = min(used, 1/used),
// which the law approaches as (r - a) in place of one (1 - a). Ours, after the usual treatment of off-balance mixes; where r is small no
// warmth cures it, see Stall. A value that is not over 0 is a caller's bug and panics.
func (m Model) WithRatio(used float64) Model {
	if !(used > 0) || math.IsInf(used, 0) {
		panic(fmt.Sprintf("cure: hardener ratio %g", used))
	}
	m.law.limit = math.Min(used, 1/used)
	if m.curve != nil {
		m.curve = newCurve(m.law)
	}
	return m
}

// recoatReduced gives the sheet's recoat time as seconds at 25 C.
func (m *Model) recoatReduced() float64 {
	return m.marks.recoatSec * m.law.arrhenius(m.marks.sheetC) / math.Max(1, m.scaled)
}

// isothermal solves from 0 to until seconds at one temperature.
func (m *Model) isothermal(tempC, until float64, opt Options) (Course, error) {
	if !(tempC >= lowestFilmC && tempC <= highestFilmC) {
		return Course{}, fmt.Errorf("cure: film of %g C: want %g to %g C", tempC, lowestFilmC, highestFilmC)
	}
	return m.solve(trace.Trace{At: []float64{0, until}, V: []float64{tempC, tempC}}, 0, until, opt)
}

// IsothermalMinutes gives the minutes from 0 to a conversion at one film temperature in C; ok is false where 60 days do not get there, or
// the arguments are outside 0..1 and -60..150 C.
func (m Model) IsothermalMinutes(conversion, tempC float64) (minutes float64, ok bool) {
	if !(conversion >= 0 && conversion < 1) {
		return 0, false
	}
	m.gel = conversion // any conversion can be watched for in the place of gel
	c, err := m.isothermal(tempC, longest, tight)
	if err != nil || !c.found[eventGel] {
		return 0, false
	}
	return c.at[eventGel] / 60, true
}

// MarkMinutes gives the minutes to each mark at one film temperature in C; a mark that 60 days do not reach has ok false.
func (m Model) MarkMinutes(tempC float64) (minutes [5]float64, ok [5]bool) {
	c, err := m.isothermal(tempC, longest, tight)
	if err != nil {
		return minutes, ok
	}
	for i := range minutes {
		minutes[i], ok[i] = c.MarkAt(Mark(i))
		minutes[i] /= 60
	}
	return minutes, ok
}
