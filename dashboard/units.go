package dashboard

import (
	"cmp"
	"html/template"
	"regexp"
	"strconv"
	"strings"

	"tackline/advisor/units/quantity"
)

// Shows is how a person wants numbers told. The zero value is C, g, m2, mm, hPa and a decimal point: what everything is measured, worked out, kept
// and sent in. Pages are made in those, and told in a person's units here and nowhere else.
type Shows struct {
	Fahrenheit, Ounces, SquareFeet, Inches, InchesHg, Comma bool
}

// told is a unit in another one: times factor, plus shift.
type told struct {
	unit          string
	factor, shift float64
	more          int // digits that the other unit needs more
}

// spellings are the units as they stand on the page, by how quantity has them.
var spellings = map[string]string{"ft2": "ft²", "ft2/h": "ft²/h", "oz/yd2": "oz/yd²", "in2": "in²"}

// another is a unit of ours that some people are told in another.
type another struct {
	unit string // with a plain 2
	told
	ours, theirs quantity.Quantity // what is typed, by whom
	by           func(Shows) bool
}

func other(q quantity.Quantity, unit string, more int, by func(Shows) bool) another {
	u := q.Units[unit]
	return another{q.Base, told{cmp.Or(spellings[unit], unit), 1 / u.Scale, -u.Add, more}, q, q.Bare(unit), by}
}

var others = []another{
	other(quantity.Temperature(), "F", 0, Shows.fahrenheit), other(quantity.Difference(), "F", 0, Shows.fahrenheit), // a difference: 3 K are 5.4 F
	other(quantity.Mass(), "oz", 1, Shows.ounces), other(quantity.ArealMass(), "oz/yd2", 1, Shows.ounces),
	other(quantity.Area(), "ft2", 0, Shows.squareFeet), other(quantity.Pace(), "ft2/h", 0, Shows.squareFeet),
	other(quantity.Length(), "in", 2, Shows.inches), other(quantity.Metres(), "ft", 0, Shows.inches), other(quantity.TrayArea(), "in2", 0, Shows.inches),
	other(quantity.Pressure(), "inHg", 2, Shows.inchesHg),
}

func (s Shows) fahrenheit() bool { return s.Fahrenheit }
func (s Shows) ounces() bool     { return s.Ounces }
func (s Shows) squareFeet() bool { return s.SquareFeet }
func (s Shows) inches() bool     { return s.Inches }
func (s Shows) inchesHg() bool   { return s.InchesHg }

// in gives what a unit of ours is told in; ok is false where it is told as it is.
func (s Shows) in(unit string) (told, bool) {
	if unit == "K/h" && s.Fahrenheit {
		return told{"F/h", 1.8, 0, 0}, true
	}
	plain := strings.Replace(unit, "²", "2", 1)
	for i := range others {
		if others[i].unit == plain && others[i].by(s) {
			return others[i].told, true
		}
	}
	return told{unit: unit, factor: 1}, false
}

// quantity gives what is typed into a field of a unit of ours: a number without one is in the person's.
func (s Shows) quantity(unit string) quantity.Quantity {
	plain := strings.Replace(unit, "²", "2", 1)
	for i := range others {
		switch x := &others[i]; {
		case x.unit != plain:
		case x.by(s):
			return x.theirs
		default:
			return x.ours
		}
	}
	return quantity.In(unit)
}

// entry writes a value of a unit of ours as it is to be edited; nothing for one that is not known.
func (s Shows) entry(value any, unit string) string {
	v, known := 0.0, false
	switch x := value.(type) {
	case float64:
		v, known = x, x != 0
	case *float64:
		if known = x != nil; known {
			v = *x
		}
	case string:
		var err error
		v, err = strconv.ParseFloat(x, 64)
		known = err == nil
	}
	if !known {
		return ""
	}
	return s.comma(s.quantity(unit).Shown(v))
}

// typedIn gives the hidden fields by which a form says in what unit, and with what decimal mark, the number of a field was typed.
func (s Shows) typedIn(field, unit string) template.HTML {
	var out string
	if t, other := s.in(unit); other {
		out = `<input type="hidden" name="in.` + template.HTMLEscapeString(field) + `" value="` + template.HTMLEscapeString(t.unit) + `">`
	}
	if s.Comma {
		out += `<input type="hidden" name="decimal" value="comma">`
	}
	return template.HTML(out) //nolint:gosec // escaped above
}

// Value gives a value of a unit of ours, and the unit that it is told in.
func (s Shows) Value(v float64, unit string) (float64, string) {
	t, _ := s.in(unit)
	return v*t.factor + t.shift, t.unit
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
	amounts  = regexp.MustCompile(`(?:((?:−|-|\b)\d+(?:\.\d+)?)(?: (C|K|%|g|mm))?( to | and | or |–|\.\.))?((?:−|-|\b)\d+(?:\.\d+)?)([ \x{a0}])(K/h|g/m2|g/m²|m2/h|m²/h|cm²|C|K|g|m2|m²|mm|hPa)($|[^\w²/])`)
	decimals = regexp.MustCompile(`(\d)\.(\d)`)
)

// Say tells a sentence of ours. Only texts that this program made are put through it: what people wrote stays as they wrote it.
func (s Shows) Say(text string) string {
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
	return template.FuncMap{"say": s.Say, "num": s.num, "spread": s.spread, "unit": s.Unit, "entry": s.entry, "in": s.typedIn}
}
