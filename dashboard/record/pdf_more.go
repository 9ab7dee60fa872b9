package record

import (
	"bytes"
	"fmt"

	"codeberg.org/go-pdf/fpdf"
)

// piece prints the layers of a piece and what was done to it.
func (p *sheet) piece(x *Piece) {
	d := layersOf(*x)
	facts, deeds := x.facts(), p.v.deedTexts(x.Deeds)
	if d == nil && facts == "" && len(deeds) == 0 {
		return
	}
	if d == nil {
		p.heading(x.Name, 2)
	} else {
		w, h := d.Size()
		scale := p.width / w
		if most := p.foot - 3*margin; h*scale > most { // more layers than a page holds: drawn smaller
			scale = most / h
		}
		p.room(h*scale + 24) // with its heading
		p.heading(x.Name, 2)
		d.Draw(&pdfPen{f: p.f, x: margin, y: p.f.GetY() + 1, scale: scale})
		p.f.SetY(p.f.GetY() + h*scale + 2)
		p.small(layersLead)
	}
	if facts != "" {
		p.paragraph(facts)
	}
	p.list(deeds)
}

// notes prints notes under a heading; none prints nothing.
func (p *sheet) notes(all []Note, level int) {
	if len(all) == 0 {
		return
	}
	p.heading("Notes", level)
	p.list(p.v.NoteTexts(all))
}

// photos prints photos with their captions, at most half the page's width and a third of its height each.
func (p *sheet) photos(all []photoView, level int) {
	if len(all) == 0 {
		return
	}
	p.heading("Photos", level)
	for _, x := range all {
		if x.Shown != nil && x.W > 0 && x.H > 0 {
			w := p.width / 2
			h := w * float64(x.H) / float64(x.W)
			if most := p.foot / 3; h > most {
				w, h = w*most/h, most
			}
			p.room(h + 14)
			name := fmt.Sprintf("photo-%d", x.ID)
			o := fpdf.ImageOptions{ImageType: "JPG"}
			p.f.RegisterImageOptionsReader(name, o, bytes.NewReader(x.Shown))
			y := p.f.GetY() + 1
			p.f.ImageOptions(name, margin, y, w, h, false, o, 0, "")
			p.f.SetY(y + h + 1)
		}
		p.small(x.Text)
		p.f.Ln(1)
	}
}
