// Package quantity reads values that people type with a unit: 18C, 64F, 9mm, 250g, 6m2, 65ft2, 10s. Each Quantity knows the unit of a bare
// number, the units that it accepts, and its range; every error says what was typed, what is wrong with it and what would be right.
//
// A temperature and a difference of temperatures are two quantities: a margin of 3 K is 5.4 F, never 37.4 F. Mass and volume are never
// turned into one another. There is no unit that means two things: an ounce of mass is the avoirdupois ounce, fluid ounces and gallons are
// not read at all, and oz in a weight of fabric is ounces per square yard.
package quantity

import (
	"fmt"
	"math"
	"sort"
	"strconv"
	"strings"
)

// Unit is one way of writing a quantity: value in the base unit = (x + Add) * Scale.
type Unit struct {
	Scale, Add float64
}

// Quantity is a kind of value with its units.
type Quantity struct {
	Name    string          // "a temperature"
	Base    string          // the unit of the result and of a bare number
	Units   map[string]Unit // by their spelling after normalising, see normal
	Example string          // of what is right: "18C or 64F"
	Hint    map[string]string
	bare    string // unit of a number without one, where that is not Base
}

// Units' sizes are exact by definition (international yard and pound agreement of 1959, NIST SP 811 appendix B): inch 25.4 mm, foot 304.8 mm,
// yard 914.4 mm, pound 453.59237 g, ounce 1/16 of it. Fahrenheit: C = (F - 32)/1.8. Millimetre of mercury 1.33322387415 hPa and inch of
// mercury 33.86389 hPa are conventional (NIST SP 811, B.8).
const (
	poundG  = 453.59237
	ounceG  = poundG / 16
	footM   = 0.3048
	yardM   = 0.9144
	inchMM  = 25.4
	ozYd2   = ounceG / (yardM * yardM)                // 33.9057 g/m2
	lbFt3   = poundG / 1000 / (footM * footM * footM) // 16.0185 kg/m3
	mmHgHPa = 1.33322387415
	inHgHPa = 33.86389
)

var volumeHint = map[string]string{
	"ml": "that is a volume: weigh it and give g, kg, oz or lb", "l": "that is a volume: weigh it and give g, kg, oz or lb",
	"floz": "that is a volume, and US and imperial ones differ: weigh it and give g, kg, oz or lb",
	"gal":  "that is a volume, and US and imperial ones differ: weigh it and give g, kg, oz or lb",
	"qt":   "that is a volume, and US and imperial ones differ: weigh it and give g, kg, oz or lb",
	"pt":   "that is a volume, and US and imperial ones differ: weigh it and give g, kg, oz or lb",
	"cup":  "that is a volume, and cups differ: weigh it and give g, kg, oz or lb",
}

// Temperature is a temperature; the result is in degrees Celsius.
func Temperature() Quantity {
	return Quantity{Name: "a temperature", Base: "C", Example: "18C or 64F",
		Units: map[string]Unit{"C": {Scale: 1}, "F": {Scale: 1 / 1.8, Add: -32}},
		Hint:  map[string]string{"K": "K is for differences of temperature; give the temperature in C or F"}}
}

// Difference is a difference of temperatures (a margin, an uncertainty, an offset); the result is in kelvin.
func Difference() Quantity {
	return Quantity{Name: "a difference of temperatures", Base: "K", Example: "3K or 5.4F",
		Units: map[string]Unit{"K": {Scale: 1}, "C": {Scale: 1}, "F": {Scale: 1 / 1.8}}}
}

// Percent is a share in per cent.
func Percent() Quantity {
	return Quantity{Name: "a share in per cent", Base: "%", Example: "70 or 70%", Units: map[string]Unit{"%": {Scale: 1}, "pct": {Scale: 1}}}
}

// Length is a thickness or a diameter; the result is in millimetres.
func Length() Quantity {
	return Quantity{Name: "a length", Base: "mm", Example: "9mm, 0.9cm or 0.375in",
		Units: map[string]Unit{"mm": {Scale: 1}, "cm": {Scale: 10}, "m": {Scale: 1000}, "um": {Scale: 1e-3}, "in": {Scale: inchMM}, `"`: {Scale: inchMM}}}
}

// Metres is a width or a length of a roll; the result is in metres.
func Metres() Quantity {
	q := Length()
	for name, u := range q.Units {
		u.Scale /= 1000
		q.Units[name] = u
	}
	q.Units["ft"], q.Units["yd"] = Unit{Scale: footM}, Unit{Scale: yardM}
	q.Base, q.Example = "m", "1.2m or 4ft"
	return q
}

// Mass is a mass; the result is in grams.
func Mass() Quantity {
	return Quantity{Name: "a mass", Base: "g", Example: "250g, 1.2kg or 9oz", Hint: volumeHint,
		Units: map[string]Unit{"g": {Scale: 1}, "kg": {Scale: 1000}, "oz": {Scale: ounceG}, "lb": {Scale: poundG}}}
}

func areaUnits(m2 float64) map[string]Unit {
	return map[string]Unit{"m2": {Scale: m2}, "cm2": {Scale: m2 / 1e4}, "ft2": {Scale: footM * footM * m2}, "sqft": {Scale: footM * footM * m2},
		"yd2": {Scale: yardM * yardM * m2}, "in2": {Scale: inchMM * inchMM * 1e-6 * m2}}
}

// Area is an area of a hull or panel; the result is in square metres.
func Area() Quantity {
	return Quantity{Name: "an area", Base: "m2", Example: "6m2 or 65ft2", Units: areaUnits(1)}
}

// TrayArea is the area of a tray; the result, and a bare number, is in square centimetres.
func TrayArea() Quantity {
	return Quantity{Name: "an area of a tray", Base: "cm2", Example: "600cm2 or 93in2", Units: areaUnits(1e4)}
}

// Pace is an area in an hour; the result is in m2/h.
func Pace() Quantity {
	return Quantity{Name: "an area in an hour", Base: "m2/h", Example: "6m2/h or 65ft2/h", Units: map[string]Unit{"m2/h": {Scale: 1}, "ft2/h": {Scale: footM * footM}}}
}

// ArealMass is a weight of fabric; the result is in g/m2. A bare oz is ounces per square yard, as the trade has it.
func ArealMass() Quantity {
	return Quantity{Name: "a weight of fabric", Base: "g/m2", Example: "200g/m2 or 6oz",
		Units: map[string]Unit{"g/m2": {Scale: 1}, "gsm": {Scale: 1}, "g": {Scale: 1}, "oz": {Scale: ozYd2}, "oz/yd2": {Scale: ozYd2}}}
}

// Density is a density; the result is in kg/m3.
func Density() Quantity {
	return Quantity{Name: "a density", Base: "kg/m3", Example: "500kg/m3 or 31lb/ft3",
		Units: map[string]Unit{"kg/m3": {Scale: 1}, "g/cm3": {Scale: 1000}, "g/ml": {Scale: 1000}, "lb/ft3": {Scale: lbFt3}}}
}

// Pressure is the pressure of the air; the result is in hPa.
func Pressure() Quantity {
	return Quantity{Name: "a pressure", Base: "hPa", Example: "1013.25hPa or 29.92inHg",
		Units: map[string]Unit{"hPa": {Scale: 1}, "mbar": {Scale: 1}, "kPa": {Scale: 10}, "Pa": {Scale: 0.01}, "mmHg": {Scale: mmHgHPa}, "inHg": {Scale: inHgHPa}}}
}

// Resistance is an electrical resistance; the result is in ohms. A milliohm is of no use here, so mohm in small letters is a megohm.
func Resistance() Quantity {
	return Quantity{Name: "a resistance", Base: "ohm", Example: "47Mohm or 10kohm",
		Units: map[string]Unit{"ohm": {Scale: 1}, "kohm": {Scale: 1e3}, "Mohm": {Scale: 1e6}, "Gohm": {Scale: 1e9}}}
}

// Hours is a length of time; the result, and a bare number, is in hours.
func Hours() Quantity {
	return Quantity{Name: "a length of time", Base: "h", Example: "48h or 2d",
		Units: map[string]Unit{"h": {Scale: 1}, "min": {Scale: 1. / 60}, "m": {Scale: 1. / 60}, "s": {Scale: 1. / 3600}, "d": {Scale: 24}}}
}

// Minutes is a length of time; the result, and a bare number, is in minutes.
func Minutes() Quantity {
	return Quantity{Name: "a length of time", Base: "min", Example: "90min or 2h", Units: map[string]Unit{"min": {Scale: 1}, "h": {Scale: 60}, "d": {Scale: 1440}}}
}

// Ratio is a plain number.
func Ratio() Quantity {
	return Quantity{Name: "a number", Base: "", Example: "2 or 1.5", Units: map[string]Unit{"": {Scale: 1}}}
}

// Error is a value that cannot be used.
type Error struct {
	Typed string // as it was typed
	Wrong string // what is wrong
	Want  string // what would be right
}

// Error gives all three.
func (e *Error) Error() string { return fmt.Sprintf("%q %s; want %s", e.Typed, e.Wrong, e.Want) }

// Parse reads a number with an optional unit and gives it in the base unit. It is finite. Errors are *Error.
func (q Quantity) Parse(s string) (float64, error) {
	num, unit := split(s)
	if num == "" {
		return 0, q.bad(s, "is no number")
	}
	if strings.ContainsRune(num, ',') {
		return 0, &Error{s, "has a comma in its number", "a point, such as " + strings.ReplaceAll(strings.TrimSpace(s), ",", ".")}
	}
	x, err := strconv.ParseFloat(num, 64)
	if err != nil || math.IsInf(x, 0) || math.IsNaN(x) {
		return 0, q.bad(s, "is no number")
	}
	if unit == "" {
		if unit = q.bare; unit == "" {
			return x, nil
		}
	}
	u, ok := q.unit(unit)
	if !ok {
		hint, ok := q.Hint[unit]
		if !ok {
			hint, ok = q.Hint[strings.ToLower(unit)]
		}
		if ok {
			return 0, &Error{s, fmt.Sprintf("is not %s", q.Name), q.want() + " (" + hint + ")"}
		}
		return 0, q.bad(s, fmt.Sprintf("has a unit %q that is not one of %s", unit, q.Name))
	}
	v := (x + u.Add) * u.Scale
	if math.IsInf(v, 0) {
		return 0, q.bad(s, "is too large")
	}
	return v, nil
}

// In tells whether v lies in [lo, hi] and gives the error that names the range in the unit of a bare number.
func (q Quantity) In(typed string, v, lo, hi float64) error {
	if v >= lo && v <= hi {
		return nil
	}
	return &Error{typed, "is out of range", strings.TrimSpace(fmt.Sprintf("%s..%s %s", Number(q.told(lo)), Number(q.told(hi)), q.bareUnit()))}
}

// Number writes a number with as few digits as it needs, at most nine significant ones.
func Number(v float64) string { return strconv.FormatFloat(v, 'g', 9, 64) }

func (q Quantity) bad(s, wrong string) error { return &Error{s, wrong, q.want()} }

func (q Quantity) want() string {
	if q.Base == "" {
		return q.Name + " such as " + q.Example
	}
	return fmt.Sprintf("%s such as %s (a bare number is %s; units: %s)", q.Name, q.Example, q.bareUnit(), strings.Join(q.names(), ", "))
}

func (q Quantity) names() []string {
	var all []string
	for n := range q.Units {
		if n != "" && n != `"` {
			all = append(all, n)
		}
	}
	sort.Strings(all)
	return all
}

// unit finds a unit as spelled, else without regard to case where that is unambiguous.
func (q Quantity) unit(s string) (Unit, bool) {
	if u, ok := q.Units[s]; ok {
		return u, true
	}
	var found Unit
	n := 0
	for name, u := range q.Units {
		if strings.EqualFold(name, s) {
			found, n = u, n+1
		}
	}
	return found, n == 1
}

// split normalises the spellings that keyboards and phones produce (degree sign, superscripts, micro sign, minus sign, blanks) and parts the
// number from its unit.
func split(s string) (num, unit string) {
	s = strings.NewReplacer("\u2212", "-", "\u00b0", "", "\u00ba", "", "\u00b2", "2", "\u00b3", "3", "\u00b5", "u", "\u03bc", "u", " ", "", "\u00a0", "",
		"\u202f", "", "^", "", "\t", "").Replace(s)
	i := 0
	for i < len(s) && (s[i] >= '0' && s[i] <= '9' || strings.IndexByte("+-.,", s[i]) >= 0 || exponent(s, i)) {
		i++
	}
	return s[:i], s[i:]
}

// exponent tells whether the byte at i is the e of 1e-3: a digit before it, a digit or a signed digit after it.
func exponent(s string, i int) bool {
	if s[i] != 'e' && s[i] != 'E' || i == 0 || i+1 >= len(s) {
		return false
	}
	j := i + 1
	if (s[j] == '-' || s[j] == '+') && j+1 < len(s) {
		j++
	}
	return s[i-1] >= '0' && s[i-1] <= '9' && s[j] >= '0' && s[j] <= '9'
}
