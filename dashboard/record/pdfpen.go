package record

import (
	"codeberg.org/go-pdf/fpdf"

	"tackline/dashboard/chart"
)

// pdfPen is the Pen of a PDF: the page's own drawings as vectors, with their origin at (x, y) mm and scale mm to a unit.
type pdfPen struct {
	f           *fpdf.Fpdf
	x, y, scale float64
}

// penOf gives a chart the three functions of a pen by themselves. As a type that a chart holds, the pen would bring in all that the PDF library
// can, used or not: a linker keeps every exported method of a type that is reachable by an interface.
type penOf struct {
	lines func(lines [][]chart.Pt, s chart.Stroke)
	area  func(outline []chart.Pt, w chart.Wash)
	text  func(at chart.Pt, text string, face chart.Face)
}

func (p *penOf) Lines(lines [][]chart.Pt, s chart.Stroke)       { p.lines(lines, s) }
func (p *penOf) Area(outline []chart.Pt, w chart.Wash)          { p.area(outline, w) }
func (p *penOf) Text(at chart.Pt, text string, face chart.Face) { p.text(at, text, face) }

// pen gives the pen of a drawing with its origin at the margin and y mm from the top.
func (p *sheet) pen(y, scale float64) *penOf {
	pen := &pdfPen{f: p.f, x: margin, y: y, scale: scale}
	return &penOf{pen.lines, pen.area, pen.text}
}

var (
	penInk  = [...]rgb{chart.Navy: ink, chart.Faint: {0x6b, 0x73, 0x88}, chart.Plumb: {0x9b, 0x2d, 0x26}}
	penWash = [...]rgb{chart.Water: {0xb7, 0xcb, 0xdd}, chart.Shallow: {0xd9, 0xe1, 0xe3}, chart.Solid: ink, chart.Red: {0x9b, 0x2d, 0x26}, chart.Paper: {0xff, 0xff, 0xff}}
)

func (p *pdfPen) at(q chart.Pt) (x, y float64) { return p.x + q.X*p.scale, p.y + q.Y*p.scale }

// lines draws every line of two points or more.
func (p *pdfPen) lines(lines [][]chart.Pt, s chart.Stroke) {
	c := penInk[s.Ink]
	p.f.SetDrawColor(c[0], c[1], c[2])
	p.f.SetLineWidth(s.Width * p.scale)
	dash := make([]float64, len(s.Dash))
	for i, d := range s.Dash {
		dash[i] = d * p.scale
	}
	p.f.SetDashPattern(dash, 0)
	if len(dash) == 0 {
		p.f.SetLineCapStyle("round")
		p.f.SetLineJoinStyle("round")
	}
	for _, l := range lines {
		if len(l) < 2 {
			continue
		}
		p.f.MoveTo(p.at(l[0]))
		for _, q := range l[1:] {
			p.f.LineTo(p.at(q))
		}
		p.f.DrawPath("D")
	}
	p.f.SetDashPattern(nil, 0)
	p.f.SetLineCapStyle("butt")
	p.f.SetLineJoinStyle("miter")
}

// area fills the outline.
func (p *pdfPen) area(outline []chart.Pt, w chart.Wash) {
	if len(outline) < 3 {
		return
	}
	c := penWash[w]
	p.f.SetFillColor(c[0], c[1], c[2])
	points := make([]fpdf.PointType, len(outline))
	for i, q := range outline {
		points[i].X, points[i].Y = p.at(q)
	}
	p.f.Polygon(points, "F")
}

// text sets one line of text with its base line at the point.
func (p *pdfPen) text(at chart.Pt, text string, face chart.Face) {
	style := ""
	if face.Bold {
		style = "B"
	}
	c := penInk[face.Ink]
	p.f.SetFont(family, style, face.Size*p.scale*72/25.4)
	p.f.SetTextColor(c[0], c[1], c[2])
	text = clean(text)
	x, y := p.at(at)
	switch face.Anchor {
	case chart.Middle:
		x -= p.f.GetStringWidth(text) / 2
	case chart.End:
		x -= p.f.GetStringWidth(text)
	}
	p.f.Text(x, y, text)
}
