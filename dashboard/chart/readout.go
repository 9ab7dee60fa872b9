package chart

import (
	"html"
	"math"
	"strconv"
	"strings"
	"time"
)

// Readout is what a drawing tells where a finger is laid on it: where its time axis lies on the paper, and the values of its lines.
type Readout struct {
	Left, Right float64 // of the field, on paper
	From, To    float64 // Unix seconds at Left and Right
	Zone        *time.Location
	Lines       []ReadLine
}

// ReadLine is one line's values.
type ReadLine struct {
	Label, Unit string
	Digits      int64   // after the point
	MaxGap      float64 // s: further from a sample than half of it there is no value; 0: half of a thirtieth of the field
	Samples     []Sample
}

// Reader is a drawing whose values can be read with a finger. ok is false where there is nothing to read.
type Reader interface {
	Readout() (r Readout, ok bool)
}

// mostRead is how many samples of a line are sent for the finger: finer than a finger can point.
const mostRead = 180

// readAttributes writes the read-out into attributes of the drawing. Times are seconds after From, so that they are short.
func readAttributes(d Drawing) string {
	reader, is := d.(Reader)
	if !is {
		return ""
	}
	r, ok := reader.Readout()
	if !ok || !(r.To > r.From) {
		return ""
	}
	var b strings.Builder
	num := func(v float64, digits int64) string { return strconv.FormatFloat(v, 'f', int(digits), 64) }
	zone := time.UTC
	if r.Zone != nil {
		zone = r.Zone
	}
	_, offset := time.Unix(int64(r.To), 0).In(zone).Zone()
	b.WriteString(` data-axis="` + num(r.Left, 1) + " " + num(r.Right, 1) + " " + num(r.From, 0) + " " + num(r.To, 0) + " " + strconv.Itoa(offset) + `" data-read="`)
	for i, l := range r.Lines {
		if i > 0 {
			b.WriteByte('\n')
		}
		gap := l.MaxGap
		if gap <= 0 {
			gap = (r.To - r.From) / 30
		}
		b.WriteString(html.EscapeString(strings.NewReplacer("|", " ", "\n", " ").Replace(l.Label) + "|" + l.Unit + "|" + num(math.Min(gap, r.To-r.From), 0) + "|"))
		for k, s := range Decimate(l.Samples, r.From, r.To, mostRead/4) {
			if s.At < r.From || s.At > r.To {
				continue
			}
			if k > 0 {
				b.WriteByte(' ')
			}
			b.WriteString(num(s.At-r.From, 0) + "," + num(s.V, l.Digits))
		}
	}
	b.WriteByte('"')
	return b.String()
}

// Readout gives the margin, measured and foreseen.
func (c *MarginChart) Readout() (Readout, bool) {
	f, ok := c.frame()
	ahead := c.Ahead
	if n := len(c.Past); n > 0 && len(ahead) > 0 && ahead[0].At <= c.Past[n-1].At {
		ahead = ahead[1:]
	}
	return Readout{Left: f.left, Right: f.right, From: f.from, To: f.to, Zone: c.Zone,
		Lines: []ReadLine{{Unit: c.Unit, Digits: 1, MaxGap: c.MaxGap, Samples: append(append([]Sample(nil), c.Past...), ahead...)}}}, ok
}

// Readout gives the chance of a start, in %.
func (c *ChanceChart) Readout() (Readout, bool) {
	if len(c.Chances) < 2 {
		return Readout{}, false
	}
	f := c.frame()
	line := ReadLine{Unit: "%"}
	for _, s := range c.Chances {
		line.Samples = append(line.Samples, Sample{At: s.At, V: 100 * s.V})
	}
	return Readout{Left: f.left, Right: f.right, From: f.from, To: f.to, Zone: c.Zone, Lines: []ReadLine{line}}, true
}

// Readout gives every line.
func (c *HistoryChart) Readout() (Readout, bool) {
	r := Readout{Left: historyLeft, Right: c.W - historyRight, From: c.From, To: c.To, Zone: c.Zone}
	for _, l := range c.Lines {
		r.Lines = append(r.Lines, ReadLine{Label: l.Label, Unit: c.Unit, Digits: 1, MaxGap: c.MaxGap, Samples: l.Samples})
	}
	return r, len(c.Lines) > 0
}

// Readout gives the time alone: the height of a tide is drawn, not measured.
func (c *TideChart) Readout() (Readout, bool) {
	f := c.frame()
	return Readout{Left: f.left, Right: f.right, From: f.from, To: f.to, Zone: c.Zone}, c.Opens.Likely > 0
}
