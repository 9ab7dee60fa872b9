package config

import (
	"fmt"
	"slices"
	"sort"
	"strconv"
	"strings"
	"time"

	"github.com/pelletier/go-toml/v2"

	"tackline/advisor/units/quantity"
)

// section reads one table of a document. Each getter notes that its key is known; done reports the keys that nobody asked for. A getter
// gives its default where the key is missing, and also where it is wrong: then the mistake is noted and the result is thrown away.
type section struct {
	d     *document
	path  string
	m     map[string]any
	known []string
	taken map[string]string // keys that would be right elsewhere, with the reason why not here
}

func (d *document) top() *section { return &section{d: d, m: d.root} }

func (s *section) sub(key string) string {
	if s.path == "" {
		return key
	}
	return s.path + "." + key
}

func (s *section) get(key string) (any, bool) {
	if !slices.Contains(s.known, key) {
		s.known = append(s.known, key)
	}
	v, ok := s.m[key]
	return v, ok
}

func (s *section) has(key string) bool { _, ok := s.m[key]; return ok }

func (s *section) fail(key, wrong, want string) { s.d.fail(s.sub(key), s.m[key], wrong, want) }

// table gives the table under a key; an empty one, and false, where it is missing or no table.
func (s *section) table(key string) (*section, bool) {
	v, ok := s.get(key)
	t := &section{d: s.d, path: s.sub(key), m: map[string]any{}}
	if !ok {
		return t, false
	}
	m, ok := v.(map[string]any)
	if !ok {
		s.fail(key, "is "+kindOf(v), fmt.Sprintf("want a table: [%s]", s.sub(key)))
		return t, false
	}
	t.m = m
	return t, true
}

// tables gives the list of tables under a key.
func (s *section) tables(key string) []*section {
	v, ok := s.get(key)
	if !ok {
		return nil
	}
	list, ok := v.([]any)
	if !ok {
		s.fail(key, "is "+kindOf(v), fmt.Sprintf("want a list of tables: [[%s]]", s.sub(key)))
		return nil
	}
	var all []*section
	for i, item := range list {
		path := fmt.Sprintf("%s[%d]", s.sub(key), i)
		m, ok := item.(map[string]any)
		if !ok {
			s.d.fail(path, item, "is "+kindOf(item), fmt.Sprintf("want a table: [[%s]]", s.sub(key)))
			continue
		}
		all = append(all, &section{d: s.d, path: path, m: m})
	}
	return all
}

// text gives a line of text. want says what it should be.
func (s *section) text(key, def, want string) string {
	v, ok := s.get(key)
	if !ok {
		return def
	}
	t, ok := v.(string)
	switch {
	case !ok:
		s.fail(key, fmt.Sprintf("%s is %s", written(v), kindOf(v)), "want text in quotes: "+want)
	case strings.TrimSpace(t) == "":
		s.fail(key, "is empty", "want "+want)
	case !printable(t):
		s.fail(key, "has a control character or a line break", "want "+want)
	case len(t) > 512:
		s.fail(key, fmt.Sprintf("has %d bytes", len(t)), "at most 512")
	default:
		return t
	}
	return def
}

// need is text that must be there.
func (s *section) need(key, want string) string {
	if !s.has(key) {
		s.get(key)
		s.d.fail(s.sub(key), nil, "is missing", "want "+want)
		return ""
	}
	return s.text(key, "", want)
}

// flag gives true or false.
func (s *section) flag(key string, def bool) bool {
	v, ok := s.get(key)
	if !ok {
		return def
	}
	b, ok := v.(bool)
	if !ok {
		s.fail(key, fmt.Sprintf("%s is %s", written(v), kindOf(v)), "want true or false, without quotes")
		return def
	}
	return b
}

// whole gives a whole number in [lo, hi].
func (s *section) whole(key string, def, lo, hi int64) int64 {
	v, ok := s.get(key)
	if !ok {
		return def
	}
	n, ok := v.(int64)
	if !ok {
		s.fail(key, fmt.Sprintf("%s is %s", written(v), kindOf(v)), fmt.Sprintf("want a whole number from %d to %d, without quotes", lo, hi))
		return def
	}
	if n < lo || n > hi {
		s.fail(key, fmt.Sprintf("%d is out of range", n), fmt.Sprintf("want a whole number from %d to %d", lo, hi))
		return def
	}
	return n
}

// number gives a quantity in [lo, hi] of its base unit: a bare number in that unit, or text with a unit.
func (s *section) number(key string, q quantity.Quantity, def, lo, hi float64) float64 {
	v, ok := s.get(key)
	if !ok {
		return def
	}
	var x float64
	typed := written(v)
	switch v := v.(type) {
	case int64:
		x = float64(v)
	case float64:
		x = v
	case string:
		var err error
		if x, err = q.Parse(v); err != nil {
			wrong, want, _ := strings.Cut(err.Error(), "; ")
			s.fail(key, wrong, want)
			return def
		}
	default:
		s.fail(key, fmt.Sprintf("%s is %s", typed, kindOf(v)), "want "+q.Name+" such as "+q.Example)
		return def
	}
	if !(x >= lo && x <= hi) {
		s.fail(key, typed+" is out of range", strings.TrimSpace(fmt.Sprintf("want %s from %s to %s %s", q.Name, quantity.Number(lo), quantity.Number(hi), q.Base)))
		return def
	}
	return x
}

// length gives a length of time in [lo, hi], written with its unit.
func (s *section) length(key string, def, lo, hi time.Duration) time.Duration {
	v, ok := s.get(key)
	if !ok {
		return def
	}
	want := fmt.Sprintf("want a length of time from %s to %s, in quotes with its unit, such as \"%s\"", short(lo), short(hi), short(max(lo, min(hi, 10*time.Second))))
	t, ok := v.(string)
	if !ok {
		s.fail(key, fmt.Sprintf("%s has no unit", written(v)), want)
		return def
	}
	d, err := ParseLength(t)
	switch {
	case err != nil:
		s.fail(key, fmt.Sprintf("%q is no length of time", t), want)
	case d < lo || d > hi:
		s.fail(key, fmt.Sprintf("%q is out of range", t), want)
	default:
		return d
	}
	return def
}

// ParseLength reads a length of time: Go durations such as 90m or 1h30m, min for minutes, and days such as 2d.
func ParseLength(t string) (time.Duration, error) {
	t = strings.ReplaceAll(t, " ", "")
	t = strings.ReplaceAll(t, "min", "m")
	if n, ok := strings.CutSuffix(t, "d"); ok {
		days, err := strconv.ParseFloat(n, 64)
		if err != nil || days < 0 || days > 3660 {
			return 0, fmt.Errorf("config: %q is no length of time", t)
		}
		return time.Duration(days * 24 * float64(time.Hour)), nil
	}
	return time.ParseDuration(t)
}

// short writes a duration without its empty parts: 2d, 2h, 15m, 1m30s.
func short(d time.Duration) string {
	const day = 24 * time.Hour
	if d >= 2*day && d%day == 0 {
		return fmt.Sprintf("%dd", d/day)
	}
	t := d.String()
	if strings.HasSuffix(t, "m0s") {
		t = strings.TrimSuffix(t, "0s")
	}
	if strings.HasSuffix(t, "h0m") {
		t = strings.TrimSuffix(t, "0m")
	}
	return t
}

// choice gives one word of a list.
func (s *section) choice(key, def string, list []string) string {
	if _, ok := s.get(key); !ok {
		return def
	}
	want := "one of " + strings.Join(list, ", ")
	t := s.text(key, "", want)
	if t == "" || slices.Contains(list, t) {
		return t
	}
	if near := nearest(t, list); near != "" {
		want += fmt.Sprintf("; did you mean %q?", near)
	}
	s.fail(key, fmt.Sprintf("%q is unknown", t), "want "+want)
	return ""
}

// words gives a list of texts.
func (s *section) words(key string, def []string, want string) []string {
	v, ok := s.get(key)
	if !ok {
		return def
	}
	list, ok := v.([]any)
	if !ok {
		s.fail(key, fmt.Sprintf("%s is %s", written(v), kindOf(v)), "want a list in brackets: "+want)
		return def
	}
	out := []string{}
	for i, item := range list {
		path := fmt.Sprintf("%s[%d]", s.sub(key), i)
		t, ok := item.(string)
		switch {
		case !ok:
			s.d.fail(path, item, fmt.Sprintf("%s is %s", written(item), kindOf(item)), "want text in quotes: "+want)
		case t == "" || !printable(t):
			s.d.fail(path, item, "is empty or has a control character", "want "+want)
		case slices.Contains(out, t):
			s.d.fail(path, item, fmt.Sprintf("%q stands there twice", t), "want each once")
		default:
			out = append(out, t)
		}
	}
	return out
}

// clockTime gives a time of day as minutes after midnight. 24:00 is allowed as an end.
func (s *section) clockTime(key string, def int64) int64 {
	v, ok := s.get(key)
	if !ok {
		return def
	}
	var h, m int64
	t, isText := v.(string)
	if lt, ok := v.(toml.LocalTime); ok {
		t, isText = fmt.Sprintf("%02d:%02d", lt.Hour, lt.Minute), lt.Second == 0 && lt.Nanosecond == 0
	}
	n, err := fmt.Sscanf(t, "%2d:%2d", &h, &m)
	if !isText || err != nil || n != 2 || len(t) != len("08:00") || h < 0 || m < 0 || m > 59 || h > 24 || h == 24 && m > 0 {
		s.fail(key, fmt.Sprintf("%s is no time of day", written(v)), `want hours and minutes from "00:00" to "24:00", such as "08:00"`)
		return def
	}
	return h*60 + m
}

// done reports the keys that are not known here.
func (s *section) done() {
	var unknown []string
	for k := range s.m {
		if !slices.Contains(s.known, k) {
			unknown = append(unknown, k)
		}
	}
	sort.Strings(unknown)
	for _, k := range unknown {
		if why, ok := s.taken[k]; ok {
			s.d.fail(s.sub(k), nil, "does not belong here", why)
			continue
		}
		list := slices.Clone(s.known)
		sort.Strings(list)
		want := "known here: " + strings.Join(list, ", ")
		if near := nearest(k, list); near != "" {
			want = fmt.Sprintf("did you mean %q? %s", near, want)
		}
		s.d.fail(s.sub(k), nil, "is an unknown key", want)
	}
}

func kindOf(v any) string {
	switch v.(type) {
	case string:
		return "text"
	case bool:
		return "true or false"
	case int64:
		return "a whole number"
	case float64:
		return "a number"
	case map[string]any:
		return "a table"
	case []any:
		return "a list"
	}
	return "a date or time"
}
