package chart

import (
	"math"
	"time"
)

// ChanceChart is how likely each start is to go well, over the time of the start: a water line that rises and falls, with water where it is
// more likely than not, and a pennant at each of the best starts. The present is a plumb line.
type ChanceChart struct {
	Title, Desc string
	Chances     []Sample  // share 0..1 at the time of a start, by time
	Best        []float64 // Unix seconds of the best starts, best first
	Now         float64
	NowLabel    string
	Zone        *time.Location
	W, H        float64
}

var _ Drawing = (*ChanceChart)(nil)

// even is where a start is as likely to go well as not.
const even = 0.5

// Size gives width and height.
func (c *ChanceChart) Size() (w, h float64) { return c.W, c.H }

// Words gives the caption and the description.
func (c *ChanceChart) Words() (title, desc string) { return c.Title, c.Desc }

// Draw draws it. Fewer than two starts give an empty paper.
func (c *ChanceChart) Draw(p Pen) {
	if len(c.Chances) < 2 {
		return
	}
	f := c.frame()
	for _, pool := range c.pools() {
		outline := []Pt{{f.x(pool[0].At), f.y(even)}}
		for _, s := range pool {
			outline = append(outline, Pt{f.x(s.At), f.y(s.V)})
		}
		p.Area(append(outline, Pt{f.x(pool[len(pool)-1].At), f.y(even)}), Water)
	}
	var rules [][]Pt
	for _, t := range []struct {
		at    float64
		label string
	}{{0, "0 %"}, {even, "50 %"}, {1, "100 %"}} {
		rules = append(rules, []Pt{{f.left, f.y(t.at)}, {f.right, f.y(t.at)}})
		p.Text(Pt{f.left - 6, f.y(t.at) + 4.5}, t.label, Face{Size: labelSize, Anchor: End})
	}
	p.Lines(rules[:1], Stroke{Ink: Faint, Width: 0.4})
	p.Lines(rules[1:2], Stroke{Ink: Navy, Width: hairline, Dash: dashLimit})
	p.Lines(rules[2:], Stroke{Ink: Faint, Width: 0.4})
	p.Lines(f.polylines(c.Chances, 0, int64(c.W)), Stroke{Ink: Navy, Width: lineWidth})
	for i, at := range c.Best {
		x, y := f.x(at), f.y(c.at(at))
		p.Lines([][]Pt{{{x, y}, {x, y - 17}}}, Stroke{Ink: Navy, Width: 1.8})
		if i == 0 {
			p.Area([]Pt{{x, y - 18}, {x + 13, y - 13}, {x, y - 8}}, Solid)
		} else {
			p.Lines([][]Pt{{{x, y - 17}, {x + 12, y - 13}, {x, y - 9}}}, Stroke{Ink: Navy, Width: 1.5})
		}
	}
	f.timeAxis(p, c.Zone, 6)
	f.plumb(p, c.Now, c.NowLabel)
}

func (c *ChanceChart) frame() frame {
	last := c.Chances[len(c.Chances)-1].At
	return frame{left: 52, right: c.W - 8, top: 30, bottom: c.H - 26, from: math.Min(c.Now, c.Chances[0].At), to: last, lo: 0, hi: 1}
}

// at gives the chance of the start at a time.
func (c *ChanceChart) at(when float64) float64 {
	for _, s := range c.Chances {
		if s.At >= when {
			return s.V
		}
	}
	return 0
}

// pools gives the stretches above the even line, with the points where they cross it.
func (c *ChanceChart) pools() [][]Sample {
	var out [][]Sample
	var pool []Sample
	for i, s := range c.Chances {
		if i > 0 {
			if a := c.Chances[i-1]; (a.V >= even) != (s.V >= even) {
				cross := Sample{At: a.At + (s.At-a.At)*(even-a.V)/(s.V-a.V), V: even}
				pool = append(pool, cross)
				if s.V < even {
					out, pool = append(out, pool), nil
				}
			}
		}
		if s.V >= even {
			pool = append(pool, s)
		}
	}
	if len(pool) > 1 {
		out = append(out, pool)
	}
	return out
}
