package quantity

import (
	"math"
	"strconv"
	"strings"
)

// Bare gives the quantity as somebody enters it who thinks in another of its units: that is the unit of a number without one, of ranges in errors
// and of Shown. The result of Parse stays in Base. A unit that the quantity does not have changes nothing.
func (q Quantity) Bare(unit string) Quantity {
	_, unit = split("1" + unit)
	if _, ok := q.unit(unit); ok && unit != q.Base {
		q.bare = unit
	}
	return q
}

func (q Quantity) bareUnit() string {
	if q.bare != "" {
		return q.bare
	}
	return q.Base
}

// told gives a value of the base unit in that of a bare number.
func (q Quantity) told(v float64) float64 {
	if u, ok := q.unit(q.bare); ok && q.bare != "" {
		return v/u.Scale - u.Add
	}
	return v
}

// Shown writes a value of the base unit for a field that is to be edited, so that Parse and Kept make the same value of it: in the unit of a bare
// number where up to seven digits do that, as they do for whatever was typed in it with up to six, else in the base unit and with its name. What is
// left as it stands is kept as it was.
func (q Quantity) Shown(v float64) string {
	own := strconv.FormatFloat(v, 'f', -1, 64)
	if q.bare == "" {
		return own
	}
	x, err := strconv.ParseFloat(strconv.FormatFloat(q.told(v), 'g', 7, 64), 64)
	if err != nil {
		return own + " " + q.Base
	}
	const finest = 1e6                                                      // 0 F is kept as -17.7777778 C, whose last digit is a ten-millionth of a degree
	text := strconv.FormatFloat(math.Round(x*finest)/finest+0, 'f', -1, 64) // + 0: never a minus zero
	if again, err := q.Parse(text); err != nil || Kept(again) != Kept(v) {
		return own + " " + q.Base
	}
	return text
}

// Kept rounds a value that was turned from another unit to nine digits: 3/4 inch is 19.05 mm in the book, not 19.049999999999997.
func Kept(v float64) float64 {
	x, err := strconv.ParseFloat(Number(v), 64)
	if err != nil {
		return v
	}
	return x
}

// twoWays tells whether a comma may part thousands as well as decimals.
func twoWays(s string) bool {
	num, _ := split(s)
	whole, rest, _ := strings.Cut(strings.TrimLeft(num, "+-"), ",")
	return len(rest) == 3 && len(whole) >= 1 && len(whole) <= 3 && whole[0] != '0'
}

// Point gives what was typed with a point for its decimal comma. 1,250 is refused, since it is read as 1250 by some and as 1.25 by others, unless
// the comma is known to be the decimal mark of whoever typed it. Errors are *Error.
func Point(s string, comma bool) (string, error) {
	s = strings.TrimSpace(s)
	switch n := strings.Count(s, ","); {
	case n == 0:
		return s, nil
	case n > 1 || strings.Contains(s, "."):
		return s, &Error{s, "has both a comma and a point, or several commas", "one of them, before the decimals: 1250.5"}
	case !comma && twoWays(s):
		return s, &Error{s, "can be read in two ways", strings.Replace(s, ",", "", 1) + " or " + strings.Replace(s, ",", ".", 1)}
	}
	return strings.Replace(s, ",", ".", 1), nil
}

// Of gives the quantity of a field by the unit that its name ends in, such as thickness_mm; false where it ends in none.
func Of(field string) (Quantity, bool) {
	for _, x := range []struct {
		end string
		of  func() Quantity
	}{{"m2_h", Pace}, {"g_m2", ArealMass}, {"kg_m3", Density}, {"cm2", TrayArea}, {"m2", Area}, {"mm", Length}, {"hpa", Pressure}, {"pct", Percent}, {"min", Minutes},
		{"c", Temperature}, {"k", Difference}, {"g", Mass}, {"m", Metres}} {
		if field == x.end || strings.HasSuffix(field, "_"+x.end) {
			return x.of(), true
		}
	}
	return Quantity{}, false
}

// In gives the quantity that is kept in a unit, and the unit of a bare number where that is another one of it: g for g and oz, m for m and ft.
// What has no other unit, such as each, is a quantity of its own.
func In(unit string) Quantity {
	for _, of := range []func() Quantity{Temperature, Difference, Percent, Pressure, ArealMass, Area, Minutes, Mass, Metres} {
		if q := of(); q.Base == unit {
			return q
		}
	}
	for _, of := range []func() Quantity{Mass, Metres} {
		if q := of(); q.Bare(unit).bare != "" {
			return q.Bare(unit)
		}
	}
	return Quantity{Name: "an amount", Base: unit, Example: strings.TrimSpace("4 " + unit), Units: map[string]Unit{unit: {Scale: 1}}}
}
