package tracefile

import (
	"fmt"
	"slices"
	"strings"
)

// column is one quantity to take: the field it stands in, our name, and the conversion into the unit of that name.
type column struct {
	field       int
	name        string
	heading     string
	scale, lift float64 // value in our unit = scale*v + lift
}

// headings is what the heading line was found to mean.
type headings struct {
	width   int
	time    int
	clock   string // "time", "time_s", "unix_s" or "unix_ms"
	node    int    // -1 where there is none
	columns []column
	ignored []string
}

// Names of ours. The time's are apart.
var quantityNames = []string{"air_c", "rh_pct", "surface_c", "timber_c", "resin_c", "outdoors_c", "outdoors_rh_pct", "pressure_hpa", "moisture_pct"}
var clockNames = []string{"time", "time_s", "unix_s", "unix_ms"}

// Names lists the names of quantities that a table may have.
func Names() []string { return slices.Clone(quantityNames) }

// known is every heading that needs no mapping.
func known() []string { return append(append([]string{"node"}, clockNames...), quantityNames...) }

// unit is a unit of measurement: what it measures, and how it becomes the unit of our names (C, %, hPa).
type unit struct {
	kind        string
	scale, lift float64
}

// units by their name in headings, lower case. mmHg: 1.33322387415 hPa (conventional millimetre of mercury, ISO 80000-4 and NIST SP 811
// appendix B.8); inHg 33.86389 hPa (the same, at 0 C); the rest by definition.
var units = map[string]unit{
	"c": {"temperature", 1, 0}, "degc": {"temperature", 1, 0}, "celsius": {"temperature", 1, 0}, "°c": {"temperature", 1, 0},
	"f": {"temperature", 5.0 / 9, -160.0 / 9}, "degf": {"temperature", 5.0 / 9, -160.0 / 9}, "fahrenheit": {"temperature", 5.0 / 9, -160.0 / 9},
	"°f": {"temperature", 5.0 / 9, -160.0 / 9}, "k": {"temperature", 1, -273.15}, "kelvin": {"temperature", 1, -273.15},
	"mc": {"temperature", 1e-3, 0}, "millic": {"temperature", 1e-3, 0},
	"pct": {"share", 1, 0}, "percent": {"share", 1, 0}, "%": {"share", 1, 0}, "%rh": {"share", 1, 0}, "ratio": {"share", 100, 0},
	"hpa": {"pressure", 1, 0}, "mbar": {"pressure", 1, 0}, "pa": {"pressure", 0.01, 0}, "kpa": {"pressure", 10, 0}, "bar": {"pressure", 1000, 0},
	"mmhg": {"pressure", 1.33322387415, 0}, "torr": {"pressure", 1013.25 / 760, 0}, "inhg": {"pressure", 33.86389, 0},
}

// unitOf finds the unit that a heading names: in brackets at its end, or after its last underscore. named is false where it names none.
func unitOf(heading string) (name string, u unit, named, ok bool) {
	h := strings.ToLower(strings.TrimSpace(heading))
	if i := strings.LastIndexAny(h, "([{"); i >= 0 {
		name, named = strings.TrimSpace(strings.Trim(h[i:], "()[]{} ")), true
	} else if i := strings.LastIndexByte(h, '_'); i >= 0 {
		name, named = h[i+1:], true
	}
	u, ok = units[name]
	return name, u, named, ok
}

// plan finds the columns in the heading. All that is wrong comes in one error.
func plan(fields []string, o Options) (*headings, error) {
	h := &headings{width: len(fields), time: -1, node: -1}
	var wrong []string
	source := map[string]int{} // by heading
	for i, f := range fields {
		f = strings.TrimSpace(f)
		if j, twice := source[f]; twice && f != "" {
			wrong = append(wrong, fmt.Sprintf("heading %q stands in fields %d and %d", f, j+1, i+1))
			continue
		}
		source[f] = i
	}
	used := make([]bool, len(fields))
	wrong = append(wrong, h.mapped(source, used, o)...)
	lenient := len(o.Columns) > 0 || o.Node != ""
	for i, f := range fields {
		if f = strings.TrimSpace(f); used[i] {
			continue
		}
		_, overridden := o.Columns[f]
		switch {
		case slices.Contains(known(), f) && !overridden && !(lenient && h.has(f)):
			if err := h.take(f, i, f); err != nil {
				wrong = append(wrong, err.Error())
			}
		case lenient:
			h.ignored = append(h.ignored, f)
		default:
			wrong = append(wrong, fmt.Sprintf("unknown heading %q%s; known are %s; others need a mapping such as air_c=%s",
				f, didYouMean(f, known()), strings.Join(known(), ", "), f))
		}
	}
	if h.time < 0 && len(wrong) == 0 {
		wrong = append(wrong, fmt.Sprintf("no column of times: want one of %s, or a mapping such as time=%s",
			strings.Join(clockNames, ", "), strings.TrimSpace(fields[0])))
	}
	if len(h.columns) == 0 && len(wrong) == 0 {
		wrong = append(wrong, "no column of readings: want some of "+strings.Join(quantityNames, ", "))
	}
	if o.Node != "" && h.node < 0 {
		wrong = append(wrong, fmt.Sprintf("node %q is asked for and there is no column \"node\"", o.Node))
	}
	if len(wrong) > 0 {
		return nil, fmt.Errorf("%s", strings.Join(wrong, "; "))
	}
	return h, nil
}

// mapped takes the columns that the caller mapped.
func (h *headings) mapped(source map[string]int, used []bool, o Options) (wrong []string) {
	names := make([]string, 0, len(o.Columns))
	for name := range o.Columns {
		names = append(names, name)
	}
	slices.Sort(names)
	for _, name := range names {
		heading := strings.TrimSpace(o.Columns[name])
		if !slices.Contains(known(), name) {
			wrong = append(wrong, fmt.Sprintf("mapping %s=%s: unknown name %q%s; known are %s", name, heading, name,
				didYouMean(name, known()), strings.Join(known(), ", ")))
			continue
		}
		if heading == "" {
			continue
		}
		field, ok := source[heading]
		if !ok {
			all := make([]string, 0, len(source))
			for s := range source {
				all = append(all, s)
			}
			slices.Sort(all)
			wrong = append(wrong, fmt.Sprintf("mapping %s=%s: no heading %q%s; the file has %s", name, heading, heading,
				didYouMean(heading, all), strings.Join(all, ", ")))
			continue
		}
		used[field] = true
		if err := h.take(name, field, heading); err != nil {
			wrong = append(wrong, err.Error())
		}
	}
	return wrong
}

// has tells whether a name is taken already. All clocks are one.
func (h *headings) has(name string) bool {
	if slices.Contains(clockNames, name) {
		return h.time >= 0
	}
	if name == "node" {
		return h.node >= 0
	}
	return slices.ContainsFunc(h.columns, func(c column) bool { return c.name == name })
}

// take makes a field the column of a name.
func (h *headings) take(name string, field int, heading string) error {
	switch {
	case name == "node":
		h.node = field
		return nil
	case slices.Contains(clockNames, name):
		if h.time >= 0 {
			return fmt.Errorf("two columns of times, fields %d and %d: map one of them", h.time+1, field+1)
		}
		h.time, h.clock = field, name
		// time=unix_ms says which column is the time; the heading says what it counts.
		if name == "time" && slices.Contains(clockNames, heading) {
			h.clock = heading
		}
		return nil
	}
	_, want, _, _ := unitOf(name)
	unitName, u, named, ok := unitOf(heading)
	if !named {
		u, ok = want, true // a heading without a unit is taken to be in ours
	}
	if !ok {
		return fmt.Errorf("heading %q for %s: unknown unit %q%s", heading, name, unitName, didYouMean(unitName, unitsOf(want.kind)))
	}
	if u.kind != want.kind {
		return fmt.Errorf("heading %q for %s: %q is a unit of %s, not of %s", heading, name, unitName, u.kind, want.kind)
	}
	h.columns = append(h.columns, column{field: field, name: name, heading: heading, scale: u.scale, lift: u.lift})
	return nil
}

// unitsOf lists the units of a kind, sorted.
func unitsOf(kind string) []string {
	var names []string
	for name, u := range units {
		if u.kind == kind {
			names = append(names, name)
		}
	}
	slices.Sort(names)
	return names
}

// didYouMean gives ` (did you mean "x"?)` for the nearest of the names, or nothing where none is near.
func didYouMean(s string, names []string) string {
	best, least := "", 1+max(1, len(s)/3)
	for _, n := range names {
		d := distance(strings.ToLower(s), strings.ToLower(n))
		if s != "" && strings.HasPrefix(n, strings.ToLower(s)+"_") {
			d = 1 // the unit was left off
		}
		if d < least {
			best, least = n, d
		}
	}
	if best == "" {
		return ""
	}
	return fmt.Sprintf(" (did you mean %q?)", best)
}

// distance counts the insertions, deletions and replacements between two texts (Levenshtein 1966).
func distance(a, b string) int {
	prev := make([]int, len(b)+1)
	for j := range prev {
		prev[j] = j
	}
	for i := range len(a) {
		cur := make([]int, len(b)+1)
		cur[0] = i + 1
		for j := range len(b) {
			cost := 1
			if a[i] == b[j] {
				cost = 0
			}
			cur[j+1] = min(prev[j]+cost, prev[j+1]+1, cur[j]+1)
		}
		prev = cur
	}
	return prev[len(b)]
}
