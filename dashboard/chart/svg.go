package chart

import (
	"bytes"
	"html"
	"math"
	"strconv"
)

// Colours of the drawings. They are the page's own, set as attributes and with a class beside, so that a style sheet can change them for
// another light and a drawing that is taken out of its page still has them.
var (
	inkColour  = [...]string{Navy: "#13284c", Faint: "#6b7388", Plumb: "#9b2d26"}
	inkClass   = [...]string{Navy: "ink", Faint: "faint", Plumb: "plumb"}
	washColour = [...]string{Water: "#b7cbdd", Shallow: "#d9e1e3", Solid: "#13284c", Red: "#9b2d26", Paper: "#f6f1e3"}
	washClass  = [...]string{Water: "water", Shallow: "shallow", Solid: "solid", Red: "bob", Paper: "paper"}
	anchorName = [...]string{Start: "start", Middle: "middle", End: "end"}
)

// SVG draws d as an SVG element with role, title and description. id has to be unique on the page; it names title and description.
// There is no style attribute and no style element in it, so a strict content security policy lets it through.
func SVG(d Drawing, id string) []byte {
	w, h := d.Size()
	title, desc := d.Words()
	p := &svgPen{}
	p.b.WriteString(`<svg xmlns="http://www.w3.org/2000/svg" class="chart" viewBox="0 0 `)
	p.num(w)
	p.b.WriteByte(' ')
	p.num(h)
	p.b.WriteString(`" role="img" aria-labelledby="` + html.EscapeString(id) + `-t ` + html.EscapeString(id) + `-d"` + readAttributes(d) + `>` + "\n")
	p.b.WriteString(`<title id="` + html.EscapeString(id) + `-t">` + html.EscapeString(title) + "</title>\n")
	p.b.WriteString(`<desc id="` + html.EscapeString(id) + `-d">` + html.EscapeString(desc) + "</desc>\n")
	d.Draw(p)
	p.b.WriteString("</svg>\n")
	return p.b.Bytes()
}

// svgPen is the Pen of SVG.
type svgPen struct{ b bytes.Buffer }

var _ Pen = (*svgPen)(nil)

// num writes one tenth of a unit at most: finer is not seen and only makes the file longer.
func (p *svgPen) num(v float64) {
	b := p.b.AvailableBuffer()
	if !(math.Abs(v) < 1e12) { // so that it is seen
		p.b.Write(strconv.AppendFloat(b, v, 'f', -1, 64))
		return
	}
	tenths := int64(math.Round(v * 10))
	if tenths < 0 {
		b, tenths = append(b, '-'), -tenths
	}
	b = strconv.AppendInt(b, tenths/10, 10)
	if tenths%10 != 0 {
		b = append(b, '.', byte('0'+tenths%10))
	}
	p.b.Write(b)
}

func (p *svgPen) path(pts []Pt, closed bool) {
	for i, q := range pts {
		if i == 0 {
			p.b.WriteByte('M')
		} else {
			p.b.WriteByte('L')
		}
		p.num(q.X)
		p.b.WriteByte(' ')
		p.num(q.Y)
	}
	if closed {
		p.b.WriteByte('Z')
	}
}

// Lines draws every line of two points or more.
func (p *svgPen) Lines(lines [][]Pt, s Stroke) {
	if len(lines) == 0 {
		return
	}
	p.b.WriteString(`<path class="` + inkClass[s.Ink] + `" d="`)
	for _, l := range lines {
		if len(l) > 1 {
			p.path(l, false)
		}
	}
	p.b.WriteString(`" fill="none" stroke="` + inkColour[s.Ink] + `" stroke-width="`)
	p.num(s.Width)
	p.b.WriteByte('"')
	if len(s.Dash) > 0 {
		p.b.WriteString(` stroke-dasharray="`)
		for i, d := range s.Dash {
			if i > 0 {
				p.b.WriteByte(' ')
			}
			p.num(d)
		}
		p.b.WriteByte('"')
	} else {
		p.b.WriteString(` stroke-linejoin="round" stroke-linecap="round"`)
	}
	p.b.WriteString("/>\n")
}

// Area fills the outline.
func (p *svgPen) Area(outline []Pt, w Wash) {
	if len(outline) < 3 {
		return
	}
	p.b.WriteString(`<path class="` + washClass[w] + `" d="`)
	p.path(outline, true)
	p.b.WriteString(`" fill="` + washColour[w] + `"/>` + "\n")
}

// Text sets one line of text with its base line at the point.
func (p *svgPen) Text(at Pt, text string, f Face) {
	p.b.WriteString(`<text class="` + inkClass[f.Ink] + `" x="`)
	p.num(at.X)
	p.b.WriteString(`" y="`)
	p.num(at.Y)
	p.b.WriteString(`" font-size="`)
	p.num(f.Size)
	p.b.WriteString(`" fill="` + inkColour[f.Ink] + `" text-anchor="` + anchorName[f.Anchor] + `"`)
	if f.Italic {
		p.b.WriteString(` font-family="Georgia, 'Liberation Serif', 'Noto Serif', serif" font-style="italic"`)
	} else {
		p.b.WriteString(` font-family="system-ui, 'Liberation Sans', 'Noto Sans', Arial, sans-serif"`)
	}
	if f.Bold {
		p.b.WriteString(` font-weight="bold"`)
	}
	p.b.WriteString(">" + html.EscapeString(text) + "</text>\n")
}
