package chart

import (
	"math"
	"time"
)

// Moment is a time known as an interval, 10, 50 and 90 %, in Unix seconds; 0 is not reached as far as can be seen.
type Moment struct{ Early, Likely, Late float64 }

// Stretch is what may be done from the opening until Closes. Label stands in the water.
type Stretch struct {
	Label  string
	Closes Moment
}

// Dot is a finding by hand at a time in Unix seconds.
type Dot struct {
	At    float64
	Label string
}

// TideChart is the course of a coat drawn as a tide: the curve rises through the line when the window opens and falls through it when the
// last stretch closes, and there is water in between. The height of the curve is drawn, not measured; only where it crosses has a meaning,
// and the caption has to say so. Each crossing is hatched from early to late.
type TideChart struct {
	Title, Desc string
	Started     float64 // Unix seconds
	Opens       Moment
	Stretches   []Stretch // in the order of their closing
	Dots        []Dot
	Now         float64
	NowLabel    string
	Zone        *time.Location
	W, H        float64
}

var _ Drawing = (*TideChart)(nil)

// level is the height of the line, as a share of the greatest height of the curve.
const level = 0.42

// Size gives width and height.
func (c *TideChart) Size() (w, h float64) { return c.W, c.H }

// Words gives the caption and the description.
func (c *TideChart) Words() (title, desc string) { return c.Title, c.Desc }

// latest gives the latest known of a moment, 0 for none.
func (m Moment) latest() float64 { return math.Max(m.Late, math.Max(m.Likely, m.Early)) }

// end gives when the last stretch likely closes; ok is false where that is not seen.
func (c *TideChart) end() (at float64, ok bool) {
	if n := len(c.Stretches); n > 0 {
		at = c.Stretches[n-1].Closes.Likely
	}
	return at, at > c.Opens.Likely
}

func (c *TideChart) frame() frame {
	f := frame{left: 8, right: c.W - 8, top: 24, bottom: c.H - 26, from: c.Started, to: c.Opens.latest(), lo: 0, hi: 1.08}
	for _, s := range c.Stretches {
		f.to = math.Max(f.to, s.Closes.latest())
	}
	if c.Opens.Early > 0 {
		f.from = math.Min(f.from, c.Opens.Early)
	}
	f.from = math.Min(f.from, c.Now)
	f.to = math.Max(f.to, c.Now)
	if _, ok := c.end(); !ok {
		f.to += (f.to - f.from) * 0.6 // room to show that it stays open beyond the paper
	}
	lead := (f.to - f.from) * 0.04
	f.from, f.to = f.from-lead, f.to+2.2*lead
	return f
}

// knots gives the points through which the curve goes.
func (c *TideChart) knots(f frame) []Sample {
	start := math.Min(c.Started, c.Opens.Likely-1)
	k := []Sample{{f.from - 1, 0.02}}
	if start > f.from {
		k = append(k, Sample{start, 0.03})
	}
	k = append(k, Sample{c.Opens.Likely, level})
	end, ok := c.end()
	if !ok {
		return append(k, Sample{c.Opens.Likely + (f.to-c.Opens.Likely)*0.5, 1}, Sample{f.to + 1, 0.97})
	}
	k = append(k, Sample{c.Opens.Likely + (end-c.Opens.Likely)*0.36, 1}, Sample{end, level})
	return append(k, Sample{math.Max(end+(end-c.Opens.Likely)*0.45, f.to), 0.03})
}

// Draw draws it; without an opening there is no curve, only the line, the axis and the present.
func (c *TideChart) Draw(p Pen) {
	f := c.frame()
	if !(f.to > f.from) {
		return
	}
	y := f.y(level)
	if c.Opens.Likely > 0 {
		curve := newSmooth(c.knots(f))
		c.water(p, f, curve)
		p.Lines([][]Pt{c.trace(f, curve, f.from, f.to)}, Stroke{Ink: Navy, Width: lineWidth})
		p.Lines([][]Pt{{{f.left, y}, {f.right, y}}}, Stroke{Ink: Navy, Width: 1.4, Dash: dashLimit})
		c.uncertain(p, f, c.Opens)
		for _, s := range c.Stretches {
			c.uncertain(p, f, s.Closes)
		}
		for _, d := range c.Dots {
			if d.At >= f.from && d.At <= f.to {
				ring(p, Pt{f.x(d.At), f.y(curve.at(d.At))})
			}
		}
	} else {
		p.Lines([][]Pt{{{f.left, y}, {f.right, y}}}, Stroke{Ink: Navy, Width: 1.4, Dash: dashLimit})
	}
	f.timeAxis(p, c.Zone, 6)
	f.plumb(p, c.Now, c.NowLabel)
}

// water fills between line and curve, each stretch to its own closing: the first in the full tint, those after it thinner.
func (c *TideChart) water(p Pen, f frame, curve smooth) {
	from, wash := c.Opens.Likely, Water
	y := f.y(level)
	for i, s := range c.Stretches {
		to := s.Closes.Likely
		seen := to > 0
		if seen && to <= from {
			continue
		}
		if !seen {
			to = f.to
		}
		a, b := f.inside(from), f.inside(to)
		if b > a {
			line := c.trace(f, curve, a, b)
			p.Area(append(line, Pt{f.x(b), y}, Pt{f.x(a), y}), wash)
			if i+1 < len(c.Stretches) && seen {
				p.Lines([][]Pt{{{f.x(b), y}, {f.x(b), f.y(curve.at(b))}}}, Stroke{Ink: Navy, Width: hairline})
			}
			if x, ok := c.labelAt(f, curve, a, b, s.Label); ok {
				p.Text(Pt{x, y - 9}, s.Label, Face{Size: labelSize, Anchor: Middle, Italic: true})
			}
		}
		from, wash = to, Shallow
	}
}

// labelAt gives the middle of that part of the water from a to b which is deep enough for a line of text; ok is false where it is too short.
func (c *TideChart) labelAt(f frame, curve smooth, a, b float64, label string) (x float64, ok bool) {
	deep := level + (f.hi-f.lo)*26/(f.bottom-f.top)
	// A fixed count of steps from either end: a stretch shorter than a float of the clock can divide would never be walked through by adding.
	const steps = 60
	first, last := 0, steps
	at := func(i int) float64 { return a + (b-a)*float64(i)/steps }
	for first < last && curve.at(at(first)) < deep {
		first++
	}
	for last > first && curve.at(at(last)) < deep {
		last--
	}
	a, b = at(first), at(last)
	return (f.x(a) + f.x(b)) / 2, f.x(b)-f.x(a) > float64(len(label))*labelSize*0.5
}

// uncertain hatches the line from early to late, with a short stroke at either end.
func (c *TideChart) uncertain(p Pen, f frame, m Moment) {
	if m.Early == 0 || m.Likely == 0 {
		return
	}
	late := m.Late
	if late == 0 {
		late = f.to
	}
	a, b, y := f.x(f.inside(m.Early)), f.x(f.inside(late)), f.y(level)
	if b-a < 1 {
		return
	}
	box := []Pt{{a, y}, {b, y}, {b, y + 13}, {a, y + 13}}
	p.Lines(hatch(box, 4.5), Stroke{Ink: Navy, Width: 0.7})
	p.Lines([][]Pt{{{a, y}, {a, y + 13}}, {{b, y}, {b, y + 13}}}, Stroke{Ink: Navy, Width: hairline})
}

// trace samples the curve every two units of paper.
func (c *TideChart) trace(f frame, curve smooth, from, to float64) []Pt {
	n := math.Max(2, math.Ceil((f.x(to)-f.x(from))/2))
	out := make([]Pt, 0, int(n)+1)
	for i := 0.0; i <= n; i++ {
		at := from + (to-from)*i/n
		out = append(out, Pt{f.x(at), f.y(curve.at(at))})
	}
	return out
}

// ring draws a small circle with paper in it.
func ring(p Pen, at Pt) {
	var o []Pt
	for i := 0; i <= 12; i++ {
		a := float64(i) * math.Pi / 6
		o = append(o, Pt{at.X + 4*math.Cos(a), at.Y + 4*math.Sin(a)})
	}
	p.Area(o, Paper)
	p.Lines([][]Pt{o}, Stroke{Ink: Navy, Width: 1.6})
}

// smooth is a monotone cubic through its knots: it has no bumps that the knots do not have. Slopes by the harmonic mean of the neighbouring
// chords (Fritsch and Butland, SIAM J. Sci. Stat. Comput. 5 (1984) 300; from memory), 0 at a peak and at both ends.
type smooth struct {
	k []Sample
	d []float64
}

func newSmooth(k []Sample) smooth {
	s := smooth{k: k, d: make([]float64, len(k))}
	for i := 1; i+1 < len(k); i++ {
		h0, h1 := k[i].At-k[i-1].At, k[i+1].At-k[i].At
		c0, c1 := (k[i].V-k[i-1].V)/h0, (k[i+1].V-k[i].V)/h1
		if c0*c1 > 0 {
			w0, w1 := 2*h1+h0, h1+2*h0
			s.d[i] = (w0 + w1) / (w0/c0 + w1/c1)
		}
	}
	return s
}

func (s smooth) at(t float64) float64 {
	n := len(s.k)
	if t <= s.k[0].At {
		return s.k[0].V
	}
	for i := 1; i < n; i++ {
		if t > s.k[i].At {
			continue
		}
		h := s.k[i].At - s.k[i-1].At
		u := (t - s.k[i-1].At) / h
		a, b := s.k[i-1].V, s.k[i].V
		return a + u*u*(3-2*u)*(b-a) + h*(u*(1-u)*(1-u)*s.d[i-1]-u*u*(1-u)*s.d[i])
	}
	return s.k[n-1].V
}
