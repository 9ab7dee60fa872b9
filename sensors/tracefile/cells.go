package tracefile

import (
	"bufio"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"time"
)

// longestLine bounds a line in bytes: a file of something else has no line ends.
const longestLine = 1 << 20

// lines gives the lines of a file that are neither empty nor remarks, with their numbers.
type lines struct {
	s   *bufio.Scanner
	n   int64
	err error
}

func newLines(r io.Reader) *lines {
	s := bufio.NewScanner(r)
	s.Buffer(make([]byte, 0, 64<<10), longestLine)
	return &lines{s: s}
}

// next gives the next line; ok is false at the end or after an error.
func (l *lines) next() (text string, line int64, ok bool) {
	for l.s.Scan() {
		l.n++
		text = l.s.Text()
		if l.n == 1 {
			text = strings.TrimPrefix(text, "\ufeff")
		}
		text = strings.TrimRight(text, "\r")
		if strings.TrimSpace(text) == "" || strings.HasPrefix(text, "#") {
			continue
		}
		return text, l.n, true
	}
	if l.err = l.s.Err(); errors.Is(l.err, bufio.ErrTooLong) {
		l.err = fmt.Errorf("line %d is longer than %d bytes: not a trace", l.n+1, longestLine)
	}
	return "", 0, false
}

// separator guesses what parts the fields, from the heading.
func separator(head string) byte {
	switch {
	case strings.ContainsRune(head, ';'):
		return ';'
	case strings.ContainsRune(head, '\t'):
		return '\t'
	}
	return ','
}

// split parts a line into its fields. A quoted field may hold the separator; it may not run over the end of its line.
func (p *parser) split(line string) ([]string, error) {
	if !strings.ContainsRune(line, '"') {
		return strings.Split(line, string(p.sep)), nil
	}
	r := csv.NewReader(strings.NewReader(line))
	r.Comma = rune(p.sep)
	fields, err := r.Read()
	if err != nil {
		var pe *csv.ParseError
		if errors.As(err, &pe) {
			err = pe.Err
		}
		return nil, fmt.Errorf("broken row: %w", err)
	}
	return fields, nil
}

// number reads a cell and converts it into our unit. An empty cell is missing and gives NaN.
func (p *parser) number(cell string, c column) (float64, error) {
	s := strings.TrimSpace(cell)
	if s == "" {
		return math.NaN(), nil
	}
	if p.sep != ',' {
		s = strings.Replace(s, ",", ".", 1)
	}
	v, err := strconv.ParseFloat(s, 64)
	if err != nil || math.IsNaN(v) || math.IsInf(v, 0) || strings.ContainsAny(s, "xXpP_") {
		return 0, fmt.Errorf("column %q: %q is not a number; leave the cell empty where there is no reading", c.heading, strings.TrimSpace(cell))
	}
	if c.scale != 1 || c.lift != 0 {
		v = c.scale*v + c.lift
	}
	return v, nil
}

// first and last bound the times that can be: 1970 to 2200.
const (
	first = 0
	last  = 7_258_118_400_000
)

// time reads a cell of the time column into Unix milliseconds.
func (p *parser) time(cell string) (int64, error) {
	if cell == "" {
		return 0, fmt.Errorf("no time")
	}
	var at int64
	switch p.plan.clock {
	case "time":
		t, err := p.civil(cell)
		if err != nil {
			return 0, err
		}
		at = t.UnixMilli()
	default:
		s := cell
		if p.sep != ',' {
			s = strings.Replace(s, ",", ".", 1)
		}
		v, err := strconv.ParseFloat(s, 64)
		if err != nil || math.IsNaN(v) {
			return 0, fmt.Errorf("impossible time %q: want a number (%s)", cell, p.plan.clock)
		}
		if p.plan.clock != "unix_ms" {
			v *= 1000
		}
		if v < -last || v > last {
			return 0, fmt.Errorf("impossible time %q: want %s between the years 1970 and 2200", cell, p.plan.clock)
		}
		at = int64(math.Round(v))
		if p.plan.clock == "time_s" {
			return at + p.o.Start, nil
		}
	}
	if at < first || at >= last {
		return 0, fmt.Errorf("impossible time %q: not between the years 1970 and 2200", cell)
	}
	return at, nil
}

// layouts of local times. A fraction of a second is read after the seconds in any case.
var layouts = []string{"2006-01-02T15:04:05", "2006-01-02 15:04:05", "2006-01-02T15:04", "2006-01-02 15:04"}

// civil reads a date and time: RFC 3339, or local in the zone of the options.
func (p *parser) civil(cell string) (time.Time, error) {
	if t, err := time.Parse(time.RFC3339, cell); err == nil {
		return t, nil
	}
	if t, err := time.Parse("2006-01-02 15:04:05Z07:00", cell); err == nil {
		return t, nil
	}
	for _, layout := range layouts {
		plain, err := time.Parse(layout, cell)
		if err != nil {
			continue
		}
		if p.o.Zone == nil {
			return time.Time{}, fmt.Errorf("time %q has no zone: write an offset (%sZ, %s+01:00) or give the zone of the file", cell, cell, cell)
		}
		return p.local(plain, cell)
	}
	return time.Time{}, fmt.Errorf("impossible time %q: want such as 2016-01-11T17:30:00+01:00 or 2016-01-11 17:30:00", cell)
}

// local finds the instant at which clocks in the zone show a date and time. In the hour that comes twice in autumn it takes the earlier
// one unless the row before is later than that. A time that spring leaves out is an error.
func (p *parser) local(plain time.Time, cell string) (time.Time, error) {
	y, mo, d := plain.Date()
	h, mi, s := plain.Clock()
	guess := time.Date(y, mo, d, h, mi, s, plain.Nanosecond(), p.o.Zone)
	var found []time.Time
	for _, shift := range []time.Duration{-time.Hour, -30 * time.Minute, 0, 30 * time.Minute, time.Hour} {
		t := guess.Add(shift)
		ty, tmo, td := t.Date()
		th, tmi, ts := t.Clock()
		if ty == y && tmo == mo && td == d && th == h && tmi == mi && ts == s {
			found = append(found, t)
		}
	}
	if len(found) == 0 {
		return time.Time{}, fmt.Errorf("impossible time %q: clocks in %s skip it", cell, p.o.Zone)
	}
	for _, t := range found {
		if t.UnixMilli() > p.before {
			return t, nil
		}
	}
	return found[0], nil
}

// Zone reads a time zone: "UTC", a fixed offset such as "+01:00", or a name of the tz database such as "Europe/Oslo".
func Zone(s string) (*time.Location, error) {
	if len(s) == 6 && (s[0] == '+' || s[0] == '-') {
		t, err := time.Parse("Z07:00", s)
		if err == nil {
			_, offset := t.Zone()
			return time.FixedZone(s, offset), nil
		}
	}
	if s == "" || s == "Local" {
		return nil, fmt.Errorf("tracefile: zone %q: want UTC, an offset such as +01:00, or a name such as Europe/Oslo", s)
	}
	loc, err := time.LoadLocation(s)
	if err != nil {
		return nil, fmt.Errorf("tracefile: zone %q: want UTC, an offset such as +01:00, or a name such as Europe/Oslo: %w", s, err)
	}
	return loc, nil
}
