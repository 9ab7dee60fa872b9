package wire

import (
	"encoding/json"
	"fmt"
	"maps"
	"net/url"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"time"

	"tackline/advisor/units/quantity"
	"tackline/daemon/jobbook"
)

// FromForm makes the JSON that Decode reads out of a form's fields, by the types of the command that they are for. A field that is empty is
// left out, which is "not known". Fields of what lies within have dotted names, those of a list a number each: new_batch.mass_g,
// steps.0.work; a list of plain values is its name several times. Numbers may have a comma, times are RFC 3339, local times of the zone or
// dates, a number of minutes of the day may be 08:30, a box that is ticked is 1, true or on. Errors are *jobbook.Invalid, all at once.
//
// A number whose field tells its unit (thickness_mm, or a value beside a unit or quantity) may be typed with another: 0.25in, 64F. In what unit one
// without is meant is said by a field of its name after "in.": in.thickness_mm=in, and decimal=comma says that a comma is never one of thousands.
func FromForm(kind string, values url.Values, zone *time.Location) (json.RawMessage, error) {
	empty, err := jobbook.Decode(kind, []byte("{}"))
	if err != nil {
		return nil, err
	}
	f := former{zone: zone, top: true}
	out := f.object("", typeOf(empty), group(f.measures(values, typeOf(empty))))
	if len(f.bad) > 0 {
		return nil, &jobbook.Invalid{Kind: kind, Fields: f.bad}
	}
	return json.Marshal(out)
}

// node is what a form has under a name.
type node struct {
	values []string
	sub    map[string]*node
}

// group turns dotted names into a tree. Values that are empty are left out.
func group(values url.Values) map[string]*node {
	root := &node{}
	for name, all := range values {
		at := root
		for part := range strings.SplitSeq(name, ".") {
			if at.sub == nil {
				at.sub = map[string]*node{}
			}
			if at.sub[part] == nil {
				at.sub[part] = &node{}
			}
			at = at.sub[part]
		}
		for _, v := range all {
			if v = strings.TrimSpace(v); v != "" {
				at.values = append(at.values, v)
			}
		}
	}
	return root.sub
}

// empty tells whether nothing was filled in.
func (n *node) empty() bool {
	for _, s := range n.sub {
		if !s.empty() {
			return false
		}
	}
	return len(n.values) == 0
}

type former struct {
	zone  *time.Location
	top   bool
	bad   []jobbook.FieldError
	in    map[string]string // unit of a number without one, by field
	comma bool
	unit  *quantity.Quantity // of fields whose name tells none; nil where nothing does
}

// measures takes out of the fields what only says how the others were typed.
func (f *former) measures(values url.Values, t reflect.Type) url.Values {
	out := url.Values{}
	f.in, f.comma = map[string]string{}, values.Get("decimal") == "comma"
	mine := map[string]bool{}
	for _, x := range fieldsOf(t, false) {
		mine[x.name] = true
	}
	for name, all := range values {
		switch of, is := strings.CutPrefix(name, "in."); {
		case is:
			f.in[of] = values.Get(name)
		case name != "decimal" || mine[name]:
			out[name] = all
		}
	}
	if q, ok := quantity.Of(values.Get("quantity")); ok {
		f.unit = &q
	}
	if unit := values.Get("unit"); unit != "" {
		q := quantity.In(unit)
		f.unit = &q
		if out.Set("unit", q.Base); !mine["unit"] {
			out.Del("unit")
		}
	}
	return out
}

func (f *former) fail(name, format string, args ...any) any {
	f.bad = append(f.bad, jobbook.FieldError{Field: name, Problem: fmt.Sprintf(format, args...)})
	return nil
}

func (f *former) object(path string, t reflect.Type, given map[string]*node) map[string]any {
	api := f.top // the API's names and times are those of a command's own fields; within, they are the journal's
	f.top = false
	out, known, names := map[string]any{}, map[string]field{}, []string(nil)
	for _, x := range fieldsOf(t, false) {
		known[x.name] = x
		names = append(names, x.name)
	}
	for _, name := range slices.Sorted(maps.Keys(given)) {
		n, where := given[name], strings.TrimPrefix(path+"."+name, ".")
		x, ok := known[name]
		switch {
		case !ok:
			f.fail(where, "is not known here: there are %s", strings.Join(names, ", "))
		case n.empty():
			if x.typ.Kind() == reflect.Slice && x.typ != rawType && path == "" {
				out[name] = []any{} // a list whose boxes are all empty is an empty list
			}
		case x.form == millis:
			if at, ok := f.time(where, n); ok && api {
				out[name] = at.UTC().Format(time.RFC3339)
			} else if ok {
				out[x.kept] = at.UnixMilli()
			}
		default:
			out[name] = f.value(where, x.typ, n)
		}
	}
	return out
}

func (f *former) value(name string, t reflect.Type, n *node) any {
	switch {
	case t == rawType:
		if !json.Valid([]byte(n.last())) {
			return f.fail(name, "is no JSON")
		}
		return json.RawMessage(n.last())
	case t.Kind() == reflect.Pointer:
		return f.value(name, t.Elem(), n)
	case t.Kind() == reflect.Struct:
		return f.object(name, t, n.sub)
	case t.Kind() == reflect.Slice && len(n.sub) > 0:
		return f.list(name, t.Elem(), n.sub)
	case t.Kind() == reflect.Slice:
		out := []any{}
		for _, v := range n.values {
			for _, one := range strings.FieldsFunc(v, func(r rune) bool { return t.Elem().Kind() == reflect.String && (r == ',' || r == ';' || r == '\n') }) {
				out = append(out, f.value(name, t.Elem(), &node{values: []string{strings.TrimSpace(one)}}))
			}
		}
		return out
	case t.Kind() == reflect.Array:
		return f.ticks(name, t, n)
	}
	return f.plain(name, t.Kind(), n.last())
}

func (n *node) last() string {
	if len(n.values) == 0 {
		return ""
	}
	return n.values[len(n.values)-1]
}

// list takes the numbered ones in their order; one of which nothing was filled in is none.
func (f *former) list(name string, t reflect.Type, sub map[string]*node) any {
	type one struct {
		at int64
		n  *node
	}
	var all []one
	for key, n := range sub {
		i, err := strconv.ParseInt(key, 10, 64)
		if err != nil || i < 0 {
			f.fail(name+"."+key, "is no number of a line: want %s.0 and on", name)
			continue
		}
		if !n.empty() {
			all = append(all, one{i, n})
		}
	}
	slices.SortFunc(all, func(a, b one) int { return int(a.at - b.at) })
	out := []any{}
	for _, x := range all {
		out = append(out, f.value(fmt.Sprintf("%s.%d", name, x.at), t, x.n))
	}
	return out
}

// ticks makes a fixed list of yes and no, such as the days of a week, of the numbers that are ticked.
func (f *former) ticks(name string, t reflect.Type, n *node) any {
	out := make([]bool, t.Len())
	for _, v := range n.values {
		i, err := strconv.ParseInt(v, 10, 64)
		if err != nil || i < 0 || i >= int64(t.Len()) {
			return f.fail(name, "%q is none of 0 to %d", v, t.Len()-1)
		}
		out[i] = true
	}
	return out
}

func (f *former) plain(name string, k reflect.Kind, s string) any {
	switch k {
	case reflect.Bool:
		switch s {
		case "1", "true", "on":
			return true
		case "0", "false", "off":
			return false
		}
		return f.fail(name, "%q is neither yes nor no", s)
	case reflect.Int64:
		if at, err := time.Parse("15:04", s); err == nil {
			return int64(at.Hour()*60 + at.Minute())
		}
		if s == "24:00" {
			return int64(24 * 60)
		}
		v, err := strconv.ParseInt(s, 10, 64)
		if err != nil {
			return f.fail(name, "%q is no whole number", s)
		}
		return v
	case reflect.Float64:
		return f.number(name, s)
	}
	return s
}

// number reads a number, with or without a unit.
func (f *former) number(name, s string) any {
	q, ok := quantity.Of(name[strings.LastIndexByte(name, '.')+1:])
	switch {
	case ok:
	case f.unit != nil:
		q = *f.unit
	default:
		q = quantity.Ratio()
	}
	if unit := f.in[name]; unit != "" {
		q = q.Bare(unit)
	}
	typed, err := quantity.Point(s, f.comma)
	if err == nil {
		var v float64
		if v, err = q.Parse(typed); err == nil {
			return quantity.Kept(v)
		}
	}
	return f.fail(name, "%v", err)
}

// time reads a time that a person filled in.
func (f *former) time(name string, n *node) (time.Time, bool) {
	s := strings.Replace(n.last(), " ", "T", 1)
	if at, err := time.Parse(time.RFC3339, s); err == nil {
		return at, true
	}
	for _, layout := range []string{"2006-01-02T15:04", "2006-01-02T15:04:05", time.DateOnly} {
		at, err := time.ParseInLocation(layout, s, f.zone)
		switch {
		case err != nil:
		case at.Format(layout) != s:
			f.fail(name, "%s did not exist: the clock was put forward over it", n.last())
			return at, false
		default:
			return at, true
		}
	}
	f.fail(name, "%q is no time: write it as 2026-01-14T14:06 in the shed's zone, as a date, or with an offset", n.last())
	return time.Time{}, false
}
