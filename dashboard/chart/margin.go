package chart

import (
	"math"
	"time"
)

// MarginChart is the margin of a piece over time: measured solid, forecast dashed with its 10 to 90 % band tinted and hatched, the limit as
// a dotted line, the present as a plumb line. Steps longer than MaxGap seconds are left open.
type MarginChart struct {
	Title, Desc string
	Past        []Sample // K
	Ahead       []Sample // K, forecast
	Bands       []Band   // K, mostly over Ahead
	Limit       float64  // K; drawn where LimitLabel is not empty
	LimitLabel  string
	Now         float64 // Unix seconds
	NowLabel    string
	Unit        string
	Zone        *time.Location
	MaxGap      float64 // s; 0 bridges all
	W, H        float64
}

var _ Drawing = (*MarginChart)(nil)

// Size gives width and height.
func (c *MarginChart) Size() (w, h float64) { return c.W, c.H }

// Words gives the caption and the description.
func (c *MarginChart) Words() (title, desc string) { return c.Title, c.Desc }

func (c *MarginChart) frame() (frame, bool) {
	f := frame{left: 34, right: c.W - 8, top: 26, bottom: c.H - 26, from: math.Inf(1), to: math.Inf(-1)}
	lo, hi := math.Inf(1), math.Inf(-1)
	see := func(at, a, b float64) {
		f.from, f.to = math.Min(f.from, at), math.Max(f.to, at)
		lo, hi = math.Min(lo, a), math.Max(hi, b)
	}
	for _, list := range [][]Sample{c.Past, c.Ahead} {
		for _, s := range list {
			see(s.At, s.V, s.V)
		}
	}
	for _, b := range c.Bands {
		see(b.At, b.P10, b.P90)
	}
	if !(f.to > f.from) {
		return f, false
	}
	if c.Now >= f.from-3600 && c.Now <= f.to+3600 {
		f.from, f.to = math.Min(f.from, c.Now), math.Max(f.to, c.Now)
	}
	if c.LimitLabel != "" {
		lo, hi = math.Min(lo, c.Limit), math.Max(hi, c.Limit)
	}
	f.lo, f.hi = span(lo, hi, 0.08, 2)
	return f, true
}

// Draw draws it. Fewer than two times give an empty paper: there is nothing to say yet, and the words say so.
func (c *MarginChart) Draw(p Pen) {
	f, ok := c.frame()
	if !ok {
		return
	}
	for _, outline := range c.bandOutlines(f) {
		p.Area(outline, Water)
		p.Lines(hatch(outline, hatchStep), Stroke{Ink: Navy, Width: 0.4})
	}
	f.valueAxis(p, c.Unit)
	if c.LimitLabel != "" {
		y := f.y(c.Limit)
		p.Lines([][]Pt{{{f.left, y}, {f.right, y}}}, Stroke{Ink: Navy, Width: 1.6, Dash: dashLimit})
		w := float64(len(c.LimitLabel)) * labelSize * 0.5
		p.Lines([][]Pt{{{f.right - w - 34, 8.5}, {f.right - w - 6, 8.5}}}, Stroke{Ink: Navy, Width: 1.6, Dash: dashLimit})
		p.Text(Pt{f.right, 13}, c.LimitLabel, Face{Size: labelSize, Anchor: End, Italic: true})
	}
	p.Lines(f.polylines(c.Past, c.MaxGap, int64(c.W)), Stroke{Ink: Navy, Width: lineWidth})
	p.Lines(f.polylines(c.Ahead, c.MaxGap, int64(c.W)), Stroke{Ink: Navy, Width: lineWidth, Dash: dashAhead})
	f.timeAxis(p, c.Zone, 6)
	f.plumb(p, c.Now, c.NowLabel)
}

// bandOutlines gives the band as closed outlines, one for each stretch without a gap.
func (c *MarginChart) bandOutlines(f frame) [][]Pt {
	var out [][]Pt
	for i := 0; i < len(c.Bands); {
		j := i + 1
		for ; j < len(c.Bands) && (c.MaxGap <= 0 || c.Bands[j].At-c.Bands[j-1].At <= c.MaxGap); j++ {
		}
		var o []Pt
		for k := i; k < j; k++ {
			o = append(o, Pt{f.x(c.Bands[k].At), f.y(c.Bands[k].P90)})
		}
		for k := j - 1; k >= i; k-- {
			o = append(o, Pt{f.x(c.Bands[k].At), f.y(c.Bands[k].P10)})
		}
		if j-i > 1 {
			out = append(out, o)
		}
		i = j
	}
	return out
}
