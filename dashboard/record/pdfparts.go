package record

import (
	"bytes"
	"fmt"
	"strings"

	"codeberg.org/go-pdf/fpdf"
)

func (p *sheet) summary() {
	v := p.v
	p.f.Bookmark("In short", 0, -1)
	p.font("B", 20, ink)
	p.f.MultiCell(p.width, 9, clean("Cure record: "+v.Name), "", "L", false)
	line := v.Shed
	if v.Boat != "" {
		line += " · " + v.Boat
	}
	if v.Customer != "" {
		line += " · for " + v.Customer
	}
	p.font("", bodySize, dim)
	p.f.MultiCell(p.width, lineMM, clean(line+" · as of "+v.at(v.AsOf)+", times in "+v.zoneName()), "", "L", false)
	p.f.Ln(2)
	if v.Notice != "" {
		p.f.SetDrawColor(ink[0], ink[1], ink[2])
		p.f.SetLineWidth(0.5)
		p.font("B", bodySize, ink)
		p.f.MultiCell(p.width, lineMM+2, clean(" "+v.Notice), "1", "L", false)
		p.f.Ln(2)
	}
	if len(v.Remarks) > 0 {
		p.heading("To know before trusting it", 2)
		p.list(v.Remarks)
	}
	p.heading("In short", 2)
	if len(v.Coats) == 0 {
		p.paragraph(noCoats)
		return
	}
	p.paragraph(marginLead)
	p.f.Ln(1)
	rows := v.summaryRows()
	cells := make([][]string, len(rows))
	for i, r := range rows {
		cells[i] = []string{r.Name, r.System, r.On, r.Within, r.Outside, r.Unknown, r.Blush, r.End}
	}
	p.table([]column{{"coat", 32, false}, {"system", 20, false}, {"on", 26, false}, {"within", 12, true}, {"outside", 13, true}, {"unknown", 14, true}, {"blush", 11, true}, {"at the end", 16, true}}, cells)
	if v.Workshop == nil {
		return
	}
	p.heading("Against the workshop's limits, all coats", 2)
	p.paragraph(v.workshopLead())
	cells = nil
	for _, k := range v.workshopRows() {
		name := k.Name + ": " + k.Limit
		if k.Source != "" {
			name += " (" + k.Source + ")"
		}
		cells = append(cells, []string{name, k.Within, k.Outside, k.Unknown, k.Worst})
	}
	p.table([]column{{"limit", 80, false}, {"within for", 18, true}, {"outside for", 18, true}, {"unknown for", 18, true}, {"furthest", 18, true}}, cells)
}

func (p *sheet) coat(c *coatView) {
	v := p.v
	p.heading(fmt.Sprintf("Coat %d: %s on %s", c.Number, c.Kind, c.PieceName), 1)
	p.words(c.Rows)
	p.list(c.Remarks)
	if d := v.drawing(c.Coat, c.End, c.Number); len(d.Upper) > 0 {
		w, h := d.Size()
		high := p.width * h / w
		p.room(high + 18) // with its caption
		d.Draw(p.pen(p.f.GetY()+1, p.width/w))
		p.f.SetY(p.f.GetY() + high + 2)
		p.small(chartLegend + " " + d.Desc)
	}
	p.heading("Conditions, first wetting to end", 2)
	if len(c.Conditions) == 0 {
		p.paragraph(noReadings)
	} else {
		var rows [][]string
		for _, r := range c.Conditions {
			mean := r.Mean
			if !r.Known {
				mean = "not known"
			}
			rows = append(rows, []string{r.Name + ", " + r.Unit, r.Min, mean, r.Max, r.Coverage, r.Gap, r.Longest, r.Probe})
		}
		p.table([]column{{"quantity", 42, false}, {"lowest", 13, true}, {"mean", 13, true}, {"highest", 14, true}, {"covered", 17, true}, {"gaps, min", 16, true},
			{"longest, min", 16, true}, {"by", 21, true}}, rows)
	}
	if len(c.Kept) > 0 {
		p.heading("Against the limits in force, hours and minutes", 2)
		var rows [][]string
		for _, k := range c.Kept {
			name := k.Name + ": " + k.Limit
			if k.Source != "" {
				name += " (" + k.Source + ")"
			}
			until := k.Until
			if until == "" {
				until = "the end"
			}
			rows = append(rows, []string{name, until, k.Within, k.Outside, k.Unknown, k.Worst})
		}
		p.table([]column{{"limit", 58, false}, {"until", 24, false}, {"within for", 17, true}, {"outside for", 18, true}, {"unknown for", 20, true}, {"furthest", 15, true}}, rows)
	}
	if len(c.Workshop) > 0 {
		p.heading("Against the workshop's limits: "+v.Workshop.Name, 2)
		var rows [][]string
		for _, k := range c.Workshop {
			rows = append(rows, []string{k.Name + ": " + k.Limit, k.Within, k.Outside, k.Unknown, k.Worst})
		}
		p.table([]column{{"limit", 80, false}, {"within for", 18, true}, {"outside for", 18, true}, {"unknown for", 18, true}, {"furthest", 18, true}}, rows)
	}
	if len(c.Marks) > 0 {
		p.heading("Marks", 2)
		var rows [][]string
		for _, m := range c.Marks {
			reached := "not yet"
			if m.Passed {
				reached = "yes"
			}
			rows = append(rows, []string{markWords(m.Mark), v.at(m.Early), v.at(m.Likely), v.at(m.Late), reached})
		}
		p.table([]column{{"mark", 36, false}, {"early", 32, true}, {"likely", 32, true}, {"late", 32, true}, {"reached", 14, true}}, rows)
	}
	p.heading("Touches", 2)
	if len(c.TouchText) == 0 {
		p.paragraph(noTouches)
	}
	p.list(c.TouchText)
	if len(c.AlertRows) > 0 {
		p.heading("Alerts", 2)
		p.list(v.alertTexts(c.AlertRows))
	}
	p.notes(c.NoteRows, 2)
	p.photos(c.PhotoRows, 2)
}

// alertTexts gives alerts as sentences, with who acknowledged them.
func (v jobView) alertTexts(all []Alert) []string {
	out := make([]string, len(all))
	for i, a := range all {
		out[i] = v.at(a.At) + ": " + a.Text + " Not acknowledged."
		if !a.Acknowledged.IsZero() {
			by := ""
			if a.By != "" {
				by = " by " + a.By
			}
			out[i] = v.at(a.At) + ": " + a.Text + " Acknowledged " + v.at(a.Acknowledged) + by + "."
		}
	}
	return out
}

func (p *sheet) pieces() {
	v := p.v
	if len(v.Pieces) > 0 {
		p.heading("Pieces", 1)
		var rows [][]string
		for _, x := range v.Pieces {
			moisture := v.moisture(x)
			if moisture == "" {
				moisture = "never measured"
			}
			rows = append(rows, []string{x.Name, x.SubstrateNote, string(x.Lie), positive(x.ThicknessMM), positive(x.AreaM2), moisture})
		}
		p.table([]column{{"piece", 34, false}, {"substrate", 34, false}, {"lie", 18, false}, {"thickness, mm", 20, true}, {"area, m²", 16, true}, {"moisture, %", 38, true}}, rows)
		for i := range v.Pieces {
			p.piece(&v.Pieces[i])
		}
	}
	p.notes(v.jobNotes(), 1)
	p.photos(v.jobPhotos(), 1)
	if len(v.Corrections) > 0 {
		p.heading("Corrections", 1)
		p.paragraph(correctionsLead)
		p.list(v.correctionTexts())
	}
	if shed := v.shedAlerts(); len(shed) > 0 {
		p.heading("Alerts of the whole shed", 1)
		p.list(v.alertTexts(shed))
	}
}

func positive(v float64) string {
	if v == 0 {
		return ""
	}
	return strings.TrimRight(strings.TrimRight(fmt.Sprintf("%.2f", v), "0"), ".")
}

func (p *sheet) measured() {
	v := p.v
	p.heading("How it was measured", 1)
	if len(v.Probes) == 0 {
		p.paragraph(noProbes)
	} else {
		var rows [][]string
		for _, x := range v.Probes {
			rows = append(rows, []string{x.Name, x.Place, x.Quantities, calibration(x, v.zone), x.Problem})
		}
		p.table([]column{{"probe", 28, false}, {"place", 18, false}, {"measures", 32, false}, {"calibration", 46, false}, {"remarks", 36, false}}, rows)
	}
	if len(v.Limits) > 0 {
		p.heading("Limits of the shed", 2)
		var items []string
		for _, l := range v.Limits {
			s := v.quantityName(l.Quantity) + ": " + limitText(l)
			if l.Source != "" {
				s += " (" + l.Source + ")"
			}
			items = append(items, s)
		}
		p.list(items)
	}
	p.f.Ln(1)
	p.paragraph(v.reach())
}

func (p *sheet) cautions() {
	p.heading("Cautions", 1)
	p.list(cautions[:])
	p.paragraph(lastWord)
}

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
		d.Draw(p.pen(p.f.GetY()+1, scale))
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
	p.list(p.v.noteTexts(all))
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
