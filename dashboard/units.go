package dashboard

import (
	"html/template"
	"math"
	"regexp"
	"strconv"
	"strings"
)

// Shows is how a person wants numbers told. The zero value is C, g, m2, hPa and a decimal point: what everything is measured, worked out, kept
// and sent in. Pages are made in those, and told in a person's units here and nowhere else.
type Shows struct {
	Fahrenheit, Ounces, SquareFeet, InchesHg, Comma bool
}

// Factors, exact by definition where not said otherwise: pound 0.45359237 kg, foot 0.3048 m, yard 0.9144 m (international agreement of 1959);
// conventional inch of mercury 33.86389 hPa (NIST SP 811 (2008), appendix B.8).
const (
	gramsInOunce = 28.349523125
	hpaInInchHg  = 33.86389
	m2InFt2      = 0.3048 * 0.3048
	m2InYd2      = 0.9144 * 0.9144
)

// told is a unit in another one: times factor, plus shift.
type told struct {
	unit          string
	factor, shift float64
	more          int // digits that the other unit needs more
}

// in gives what a unit of ours is told in; ok is false where it is told as it is.
func (s Shows) in(unit string) (told, bool) {
	switch {
	case unit == "C" && s.Fahrenheit:
		return told{"F", 1.8, 32, 0}, true
	case unit == "K" && s.Fahrenheit: // a difference: 3 K are 5.4 F
		return told{"F", 1.8, 0, 0}, true
	case unit == "K/h" && s.Fahrenheit:
		return told{"F/h", 1.8, 0, 0}, true
	case unit == "g" && s.Ounces:
		return told{"oz", 1 / gramsInOunce, 0, 1}, true
	case (unit == "g/m2" || unit == "g/m²") && s.Ounces:
		return told{"oz/yd²", m2InYd2 / gramsInOunce, 0, 1}, true
	case (unit == "m2" || unit == "m²") && s.SquareFeet:
		return told{"ft²", 1 / m2InFt2, 0, 0}, true
	case (unit == "m2/h" || unit == "m²/h") && s.SquareFeet:
		return told{"ft²/h", 1 / m2InFt2, 0, 0}, true
	case unit == "hPa" && s.InchesHg:
		return told{"inHg", 1 / hpaInInchHg, 0, 2}, true
	}
	return told{unit: unit, factor: 1}, false
}

// Value gives a value of a unit of ours, and the unit that it is told in.
func (s Shows) Value(v float64, unit string) (float64, string) {
	t, _ := s.in(unit)
	return v*t.factor + t.shift, t.unit
}

// Back gives a value that was typed in the person's unit in ours.
func (s Shows) Back(v float64, unit string) float64 {
	t, _ := s.in(unit)
	return (v - t.shift) / t.factor
}

// Unit gives the name of the unit in which a unit of ours is told.
func (s Shows) Unit(unit string) string {
	t, _ := s.in(unit)
	return t.unit
}

// comma puts the person's decimal mark into a number.
func (s Shows) comma(number string) string {
	if s.Comma {
		return strings.Replace(number, ".", ",", 1)
	}
	return number
}

// num tells a number that was written in a unit of ours, with as many digits as it had. What is no number stays as it is.
func (s Shows) num(text, unit string) string {
	t, other := s.in(unit)
	v, err := strconv.ParseFloat(strings.Replace(text, "\u2212", "-", 1), 64)
	if err != nil {
		return text
	}
	if !other {
		return s.comma(text)
	}
	_, decimals, _ := strings.Cut(text, ".")
	return s.comma(number(v*t.factor+t.shift, len(decimals)+t.more))
}

// spread tells an uncertainty: a difference, whatever the number beside it is.
func (s Shows) spread(text, unit string) string {
	if unit == "C" {
		unit = "K"
	}
	return s.num(text, unit)
}

// amounts are numbers with a unit of ours in a sentence, and spans such as 12 to 16 C.
var (
	amounts  = regexp.MustCompile(`(?:((?:−|-|\b)\d+(?:\.\d+)?)(?: (C|K|%|g))?( to | and | or |–|\.\.))?((?:−|-|\b)\d+(?:\.\d+)?)([ \x{a0}])(K/h|g/m2|g/m²|m2/h|m²/h|C|K|g|m2|m²|hPa)($|[^\w²/])`)
	decimals = regexp.MustCompile(`(\d)\.(\d)`)
)

// say tells a sentence of ours. Only texts that this program made are put through it: what people wrote stays as they wrote it.
func (s Shows) say(text string) string {
	if s == (Shows{}) {
		return text
	}
	text = amounts.ReplaceAllStringFunc(text, func(m string) string {
		p := amounts.FindStringSubmatch(m)
		first, firstUnit, join, second, gap, unit, after := p[1], p[2], p[3], p[4], p[5], p[6], p[7]
		plain := s
		plain.Comma = false // the last step does it, once
		out := plain.num(second, unit) + gap + plain.Unit(unit) + after
		switch {
		case join == "":
			return out
		case firstUnit == "":
			return plain.num(first, unit) + join + out
		}
		return plain.num(first, firstUnit) + " " + plain.Unit(firstUnit) + join + out
	})
	if s.Comma {
		text = decimals.ReplaceAllString(text, "$1,$2")
	}
	return text
}

// funcs are what templates tell numbers with.
func (s Shows) funcs() template.FuncMap {
	return template.FuncMap{"say": s.say, "num": s.num, "spread": s.spread, "unit": s.Unit}
}

// typed turns a number that a person typed in her own unit into ours, as text; what is no number stays as it is, to be refused as it was typed.
func (s Shows) typed(text, unit string) string {
	if _, other := s.in(unit); !other || text == "" {
		return text
	}
	v, err := strconv.ParseFloat(strings.Replace(strings.Replace(strings.TrimSpace(text), ",", ".", 1), "\u2212", "-", 1), 64)
	if err != nil || math.IsNaN(v) || math.IsInf(v, 0) {
		return text
	}
	return strconv.FormatFloat(s.Back(v, unit), 'f', -1, 64)
}
