package chart

import "math"

// LayerKind is what a layer of a LayersChart is made of.
type LayerKind uint8

// The kinds.
const (
	Timber  LayerKind = iota // grain
	Film                     // a coat: water tint
	Fabric                   // woven: short strokes over and under
	PeelPly                  // to come off: a dashed outline
)

// Layer is one layer of a LayersChart. Planned ones, which are not on yet, are drawn in outline alone.
type Layer struct {
	Kind    LayerKind
	Label   string
	Planned bool
}

// LayersChart is a section through a laminate, the timber at the foot and what lies on it above, each layer with its words beside. Heights are drawn,
// not measured: a coat of a fifth of a millimetre and the plywood beneath it stand side by side.
type LayersChart struct {
	Title, Desc string
	Layers      []Layer // from the timber outward
	W           float64
}

var _ Drawing = (*LayersChart)(nil)

const (
	layerHigh  = 22.0
	timberHigh = 46.0
	layerGap   = 2.0
)

func (l Layer) high() float64 {
	if l.Kind == Timber {
		return timberHigh
	}
	return layerHigh
}

// Size gives width and height.
func (c *LayersChart) Size() (w, h float64) {
	h = 8
	for _, l := range c.Layers {
		h += l.high() + layerGap
	}
	return c.W, h
}

// Words gives the caption and the description.
func (c *LayersChart) Words() (title, desc string) { return c.Title, c.Desc }

// Draw draws it.
func (c *LayersChart) Draw(p Pen) {
	_, h := c.Size()
	left, right := 2.0, math.Round(c.W*0.42)
	y := h - 4
	for _, l := range c.Layers {
		top := y - l.high()
		box := []Pt{{left, top}, {right, top}, {right, y}, {left, y}}
		edge := Stroke{Ink: Navy, Width: 1.2}
		if l.Planned || l.Kind == PeelPly {
			edge = Stroke{Ink: Navy, Width: 1, Dash: dashAhead}
		}
		if !l.Planned {
			l.fill(p, box)
		}
		p.Lines([][]Pt{append(append([]Pt{}, box...), box[0])}, edge)
		mid := (top + y) / 2
		p.Lines([][]Pt{{{right + 4, mid}, {right + 16, mid}}}, Stroke{Ink: Navy, Width: hairline})
		label := l.Label
		if l.Planned {
			label += " (planned)"
		}
		p.Text(Pt{right + 20, mid + 4.5}, label, Face{Size: labelSize, Italic: l.Planned})
		y = top - layerGap
	}
}

// fill draws what a layer is made of.
func (l Layer) fill(p Pen, box []Pt) {
	left, top, right, bottom := box[0].X, box[0].Y, box[1].X, box[2].Y
	var lines [][]Pt
	switch l.Kind {
	case Film:
		p.Area(box, Water)
		return
	case Timber: // plies: long lines, with short ones across every other
		for i := 1; i < 5; i++ {
			y := top + (bottom-top)*float64(i)/5
			lines = append(lines, []Pt{{left, y}, {right, y}})
			for x := left + 6 + float64(i%2)*5; i%2 == 0 && x < right-4; x += 11 {
				lines = append(lines, []Pt{{x, y - 6}, {x + 4, y - 2}})
			}
		}
	case Fabric: // threads, one over, one under
		mid := (top + bottom) / 2
		for i, x := 0, left+4; x < right-8; i, x = i+1, x+10 {
			lift := 3.0
			if i%2 == 1 {
				lift = -3
			}
			lines = append(lines, []Pt{{x, mid + lift}, {x + 8, mid + lift}})
		}
		p.Area(box, Shallow)
	case PeelPly:
		lines = hatch(box, 7)
	}
	p.Lines(lines, Stroke{Ink: Navy, Width: 0.7})
}
