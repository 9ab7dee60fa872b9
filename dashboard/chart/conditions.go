package chart

import (
	"math"
	"time"
)

// Line is one quantity of a ConditionsChart: its kind of line follows from its place in the list.
type Line struct {
	Label   string
	Samples []Sample
}

// Shade is a stretch of time [From, To) in Unix seconds that is laid under the lines, such as a window.
type Shade struct {
	From, To float64
	Label    string
}

// ConditionsChart is what a coat cured in: up to four temperatures in the upper field, told apart by the kind of line, and humidity in the
// lower. Windows are shaded, touches ringed. Steps longer than MaxGap seconds are left open: where nothing was measured no line is drawn.
type ConditionsChart struct {
	Title, Desc string
	From, To    float64 // Unix seconds
	Upper       []Line
	UpperUnit   string
	Lower       []Line
	LowerUnit   string
	Shades      []Shade
	Dots        []Dot
	Zone        *time.Location
	MaxGap      float64 // s; 0 bridges all
	W, H        float64
}

var _ Drawing = (*ConditionsChart)(nil)

// Size gives width and height.
func (c *ConditionsChart) Size() (w, h float64) { return c.W, c.H }

// Words gives the caption and the description.
func (c *ConditionsChart) Words() (title, desc string) { return c.Title, c.Desc }

// strokes are the kinds of line in their order.
func strokes() []Stroke {
	return []Stroke{{Width: 1.8}, {Width: 2.2, Dash: dashLong}, {Width: 2.4, Dash: dashDots}, {Width: 1.2, Dash: dashAhead}}
}

// Draw draws it.
func (c *ConditionsChart) Draw(p Pen) {
	if !(c.To > c.From) {
		return
	}
	upper := frame{left: 40, right: c.W - 10, top: 44, bottom: c.H - 26, from: c.From, to: c.To}
	lower := upper
	if len(c.Lower) > 0 {
		upper.bottom = math.Round(c.H * 0.60)
		lower.top = upper.bottom + 26
	}
	c.legend(p, append(append([]Line{}, c.Upper...), c.Lower...), len(c.Upper))
	c.field(p, &upper, c.Upper, c.UpperUnit, 4)
	taken := upper.left // right edge of the label before, so that labels never run into one another
	for i, d := range c.Dots {
		if d.At >= c.From && d.At <= c.To {
			x := upper.x(d.At)
			p.Lines([][]Pt{{{x, upper.top}, {x, upper.bottom}}}, Stroke{Ink: Navy, Width: 0.7, Dash: dashLimit})
			ring(p, Pt{x, upper.top})
			next := math.Inf(1)
			if i+1 < len(c.Dots) {
				next = upper.x(c.Dots[i+1].At) - 6
			}
			width := 7 + float64(len(d.Label))*6.5
			switch {
			case x+width < math.Min(next, upper.right+8):
				p.Text(Pt{x + 7, upper.top + 5}, d.Label, Face{Size: 12, Italic: true})
				taken = x + width
			case x-width > taken:
				p.Text(Pt{x - 7, upper.top + 5}, d.Label, Face{Size: 12, Anchor: End, Italic: true})
				taken = x + 6
			}
		}
	}
	if len(c.Lower) > 0 {
		c.field(p, &lower, c.Lower, c.LowerUnit, 10)
		p.Lines([][]Pt{{{upper.left, upper.bottom}, {upper.right, upper.bottom}}}, Stroke{Ink: Navy, Width: 0.5})
	}
	lower.timeAxis(p, c.Zone, 9)
}

// field draws one of the two fields: shades, axis, lines. least is the smallest range of its axis.
func (c *ConditionsChart) field(p Pen, f *frame, lines []Line, unit string, least float64) {
	lo, hi := math.Inf(1), math.Inf(-1)
	for _, l := range lines {
		for _, s := range l.Samples {
			if s.At >= c.From && s.At <= c.To {
				lo, hi = math.Min(lo, s.V), math.Max(hi, s.V)
			}
		}
	}
	if hi < lo {
		lo, hi = 0, least
	}
	f.lo, f.hi = span(lo, hi, 0.08, least)
	for i, s := range c.Shades {
		a, b := f.x(f.inside(s.From)), f.x(f.inside(s.To))
		if b-a < 0.5 {
			continue
		}
		wash := Shallow
		if i%2 == 0 {
			wash = Water
		}
		p.Area([]Pt{{a, f.top}, {b, f.top}, {b, f.bottom}, {a, f.bottom}}, wash)
		if unit == c.UpperUnit && float64(len(s.Label))*6 < b-a {
			p.Text(Pt{(a + b) / 2, f.bottom - 5}, s.Label, Face{Size: 12, Anchor: Middle, Italic: true})
		}
	}
	f.valueAxis(p, unit)
	kinds := strokes()
	for i, l := range lines {
		p.Lines(f.polylines(l.Samples, c.MaxGap, int64(c.W/4)), kinds[i%len(kinds)])
	}
}

// legend names each kind of line beside a piece of it, above the fields.
func (c *ConditionsChart) legend(p Pen, lines []Line, upper int) {
	kinds, x := strokes(), 0.0
	for i, l := range lines {
		k := i
		if i >= upper {
			k = i - upper
		}
		p.Lines([][]Pt{{{x, 12}, {x + 34, 12}}}, kinds[k%len(kinds)])
		p.Text(Pt{x + 40, 16.5}, l.Label, Face{Size: labelSize})
		x += 40 + float64(len(l.Label))*labelSize*0.56 + 18
	}
}
