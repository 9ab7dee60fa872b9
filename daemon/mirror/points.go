package mirror

import (
	"math"
	"strings"
	"time"
	"unicode"

	"github.com/influxdata/influxdb-client-go/v2/api/write"
)

// points turns a batch into points, leaving out what may not be sent.
func (m *Mirror) points(b Batch) []*write.Point {
	out := make([]*write.Point, 0, len(b.Readings)+len(b.Advice))
	var flagged, unsendable int64
	for i := range b.Readings {
		r := &b.Readings[i]
		switch {
		case !r.Status.Usable():
			flagged++
		case !finite(r.Value):
			unsendable++
		default:
			out = append(out, m.reading(r))
		}
	}
	for i := range b.Advice {
		p, bad := m.advice(&b.Advice[i])
		out = append(out, p)
		unsendable += bad
	}
	m.note(func(s *Status) {
		s.Flagged += flagged
		s.Unsendable += unsendable
	})
	return out
}

// Line gives a reading as one line of line protocol with its time in milliseconds, the same point as the mirror writes; ok is false where it may not
// be sent: flagged, or not a number.
func Line(shed string, r *Reading) (line string, ok bool) {
	if !r.Status.Usable() || !finite(r.Value) {
		return "", false
	}
	return write.PointToLineProtocol(point(shed, r), time.Millisecond), true
}

func (m *Mirror) reading(r *Reading) *write.Point { return point(m.opt.Shed, r) }

func point(shed string, r *Reading) *write.Point {
	return write.NewPointWithMeasurement("reading").
		AddTag("shed", tagValue(shed)).AddTag("probe", tagValue(r.Probe)).AddTag("place", tagValue(r.Place)).
		AddField(r.Quantity.String(), r.Value).SortTags().SetTime(time.UnixMilli(r.At))
}

func (m *Mirror) advice(a *Advice) (p *write.Point, unsendable int64) {
	p = write.NewPointWithMeasurement("advice").
		AddTag("shed", tagValue(m.opt.Shed)).AddTag("piece", tagValue(a.Piece)).
		AddField("verdict", a.Verdict).AddField("rule", a.Rule).AddField("text", a.Text)
	for name, at := range a.Times {
		if !finite(at) {
			unsendable++
			continue
		}
		p.AddField(name, at)
	}
	return p.SortTags().SortFields().SetTime(time.UnixMilli(a.At)), unsendable
}

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }

// tagValue makes a name fit for a tag of line protocol, where a backslash at the end would swallow the separator behind it, a line break would
// end the point, and an empty value is not allowed.
func tagValue(s string) string {
	s = strings.Map(func(r rune) rune {
		if unicode.IsControl(r) || r == '\u2028' || r == '\u2029' {
			return ' '
		}
		return r
	}, strings.ToValidUTF8(s, "?"))
	s = strings.TrimSpace(s)
	for end := len(s); end > 0 && s[end-1] == '\\'; end-- {
		s = s[:end-1] + "/" + s[end:]
	}
	if s == "" {
		return "none"
	}
	return s
}
