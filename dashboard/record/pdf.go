package record

import (
	"bytes"
	"fmt"
	"io"
	"strings"

	"codeberg.org/go-fonts/liberation/liberationsansbold"
	"codeberg.org/go-fonts/liberation/liberationsansregular"
	"codeberg.org/go-pdf/fpdf"
)

// Paper is the size of a PDF's pages.
type Paper string

// The sizes.
const (
	A4     Paper = "A4"     // ISO 216: 210 x 297 mm
	Letter Paper = "Letter" // ANSI/ASME Y14.1: 215.9 x 279.4 mm
)

// ink, dim and rule are the colours of a record on paper: navy on white.
type rgb [3]int

var (
	ink  = rgb{0x13, 0x28, 0x4c}
	dim  = rgb{0x3b, 0x4a, 0x67}
	rule = rgb{0xb9, 0xb6, 0xa9}
)

const (
	margin   = 16.0 // mm, all around
	bodySize = 9.0  // pt
	lineMM   = 4.4
	family   = "facts"
)

// WritePDF writes the record as a PDF 1.3 with embedded fonts for Latin, Greek and Cyrillic, an outline, and its drawings as vectors. It says the
// same as WriteHTML, the summary on its first page and the cautions last; the same job gives the same bytes. The error names what is wrong
// with the job.
func WritePDF(w io.Writer, j Job, paper Paper) error {
	if err := j.Check(); err != nil {
		return err
	}
	if paper != A4 && paper != Letter {
		return fmt.Errorf("record: paper %q: want A4 or Letter", paper)
	}
	v := viewOf(j)
	p := newSheet(v, paper)
	p.summary()
	if len(v.Coats) > 0 {
		p.f.AddPage() // the summary has its page to itself
	}
	for i := range v.Coats {
		p.coat(&v.Coats[i])
	}
	p.pieces()
	p.measured()
	p.cautions()
	var b bytes.Buffer
	if err := p.f.Output(&b); err != nil {
		return fmt.Errorf("record: write pdf: %w", err)
	}
	if _, err := w.Write(b.Bytes()); err != nil {
		return fmt.Errorf("record: write pdf: %w", err)
	}
	return nil
}

// sheet is a PDF that is being written.
type sheet struct {
	f     *fpdf.Fpdf
	v     jobView
	width float64 // between the margins, mm
	foot  float64 // where the page's text ends, mm from the top
}

func newSheet(v jobView, paper Paper) *sheet {
	f := fpdf.New("P", "mm", string(paper), "")
	f.SetMargins(margin, margin, margin)
	f.SetAutoPageBreak(true, margin+6)
	f.AddUTF8FontFromBytes(family, "", liberationsansregular.TTF)
	f.AddUTF8FontFromBytes(family, "B", liberationsansbold.TTF)
	f.SetCatalogSort(true)
	f.SetCreationDate(v.AsOf.UTC()) // of the newest fact, so that the same facts give the same bytes
	f.SetModificationDate(v.AsOf.UTC())
	f.SetTitle("Cure record: "+v.Name, true)
	f.SetAuthor(v.Shed, true)
	f.SetCreator(v.Software, true)
	f.SetSubject("In what conditions every coat cured", true)
	f.SetLang("en")
	f.AliasNbPages("{pages}")
	width, height := f.GetPageSize()
	p := &sheet{f: f, v: v, width: width - 2*margin, foot: height - margin - 6}
	f.SetFooterFunc(func() {
		f.SetY(-margin + 2)
		p.font("", 8, dim)
		f.CellFormat(p.width/2, 4, p.fit("Cure record: "+v.Name+", as of "+v.at(v.AsOf), p.width/2), "", 0, "L", false, 0, "")
		f.CellFormat(p.width/2, 4, fmt.Sprintf("page %d of {pages}", f.PageNo()), "", 0, "R", false, 0, "")
	})
	f.AddPage()
	return p
}

func (p *sheet) font(style string, size float64, c rgb) {
	p.f.SetFont(family, style, size)
	p.f.SetTextColor(c[0], c[1], c[2])
}

// clean replaces what the fonts have no letter for, so that nothing vanishes without a trace.
func clean(s string) string {
	return strings.Map(func(r rune) rune {
		switch {
		case r == '\n' || r == '\t':
			return ' '
		case r < ' ' || r > 0xffff:
			return '\ufffd'
		}
		return r
	}, s)
}

// fit cuts a text to a width, with an ellipsis.
func (p *sheet) fit(s string, width float64) string {
	s = clean(s)
	if p.f.GetStringWidth(s) <= width-1 {
		return s
	}
	r := []rune(s)
	for len(r) > 0 && p.f.GetStringWidth(string(r)+"…") > width-1 {
		r = r[:len(r)-1]
	}
	return string(r) + "…"
}

// room starts a new page unless mm are left on this one.
func (p *sheet) room(mm float64) {
	if p.f.GetY()+mm > p.foot {
		p.f.AddPage()
	}
}

func (p *sheet) heading(text string, level int) {
	sizes := [...]float64{20, 14, 11}
	space := [...]float64{0, 6, 3}
	p.room([...]float64{0, 40, 22}[level])
	p.f.Ln(space[level])
	if level == 1 {
		p.f.SetDrawColor(ink[0], ink[1], ink[2])
		for i, w := range [...]float64{0.5, 0.2} {
			p.f.SetLineWidth(w)
			y := p.f.GetY() + float64(i)*0.9
			p.f.Line(margin, y, margin+p.width, y)
		}
		p.f.Ln(2.5)
	}
	if level < 2 {
		p.f.Bookmark(clean(text), level, -1)
	}
	p.font("B", sizes[level], ink)
	p.f.MultiCell(p.width, sizes[level]*0.45, clean(text), "", "L", false)
	p.f.Ln(1)
}

func (p *sheet) paragraph(text string) {
	p.font("", bodySize, ink)
	p.f.MultiCell(p.width, lineMM, clean(text), "", "L", false)
}

func (p *sheet) small(text string) {
	p.font("", 8, dim)
	p.f.MultiCell(p.width, 3.8, clean(text), "", "L", false)
}

func (p *sheet) list(items []string) {
	for _, it := range items {
		p.font("", bodySize, ink)
		p.f.CellFormat(4, lineMM, "–", "", 0, "L", false, 0, "")
		p.f.SetLeftMargin(margin + 4)
		p.f.MultiCell(p.width-4, lineMM, clean(it), "", "L", false)
		p.f.SetLeftMargin(margin)
		p.f.SetX(margin)
	}
}

// words prints pairs: what, and what of it.
func (p *sheet) words(rows [][2]string) {
	const left = 32.0
	for _, r := range rows {
		p.room(2 * lineMM)
		y := p.f.GetY()
		p.font("", bodySize, dim)
		p.f.CellFormat(left, lineMM, clean(r[0]), "", 0, "L", false, 0, "")
		p.font("", bodySize, ink)
		p.f.SetXY(margin+left, y)
		p.f.MultiCell(p.width-left, lineMM, clean(r[1]), "", "L", false)
		p.f.SetX(margin)
	}
}

// column is one column of a table: its share of the width, and whether it holds numbers.
type column struct {
	head  string
	share float64
	right bool
}

// table prints rows; long texts wrap within their column, and the heading comes again on each page.
func (p *sheet) table(columns []column, rows [][]string) {
	sum := 0.0
	for _, c := range columns {
		sum += c.share
	}
	widths := make([]float64, len(columns))
	for i, c := range columns {
		widths[i] = p.width * c.share / sum
	}
	head := func() {
		heads := make([]string, len(columns))
		for i, c := range columns {
			heads[i] = c.head
		}
		p.font("B", 8, dim)
		p.row(columns, widths, heads, ink, 0.35)
	}
	p.room(18)
	head()
	for _, r := range rows {
		p.font("", bodySize, ink)
		if p.f.GetY()+p.high(widths, r) > p.foot {
			p.f.AddPage()
			head()
			p.font("", bodySize, ink)
		}
		p.row(columns, widths, r, rule, 0.15)
	}
	p.f.Ln(2)
}

const cellPad = 1.2 // mm between text and the next column

func (p *sheet) lines(width float64, text string) []string {
	text = clean(text)
	if text == "" {
		return nil
	}
	return p.f.SplitText(text, width-2*cellPad-0.5)
}

func (p *sheet) high(widths []float64, cells []string) float64 {
	most := 1
	for i, c := range cells {
		most = max(most, len(p.lines(widths[i], c)))
	}
	return float64(most)*lineMM + 1.2
}

func (p *sheet) row(columns []column, widths []float64, cells []string, under rgb, weight float64) {
	h := p.high(widths, cells)
	x, y := margin, p.f.GetY()
	for i, c := range cells {
		align := "L"
		if columns[i].right {
			align = "R"
		}
		for k, l := range p.lines(widths[i], c) {
			p.f.SetXY(x, y+0.6+float64(k)*lineMM)
			p.f.CellFormat(widths[i], lineMM, l, "", 0, align, false, 0, "")
		}
		x += widths[i]
	}
	p.f.SetDrawColor(under[0], under[1], under[2])
	p.f.SetLineWidth(weight)
	p.f.Line(margin, y+h, margin+p.width, y+h)
	p.f.SetXY(margin, y+h)
}

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
	p.f.MultiCell(p.width, lineMM, clean(line+" · as of "+v.at(v.AsOf)+", times in "+v.ZoneName()), "", "L", false)
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
	rows := v.SummaryRows()
	cells := make([][]string, len(rows))
	for i, r := range rows {
		cells[i] = []string{r.Name, r.System, r.On, r.Within, r.Outside, r.Unknown, r.Blush, r.End}
	}
	p.table([]column{{"coat", 32, false}, {"system", 20, false}, {"on", 26, false}, {"within", 12, true}, {"outside", 13, true}, {"unknown", 14, true}, {"blush", 11, true}, {"at the end", 16, true}}, cells)
	if v.Workshop == nil {
		return
	}
	p.heading("Against the workshop's limits, all coats", 2)
	p.paragraph(v.WorkshopLead())
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
		d.Draw(&pdfPen{f: p.f, x: margin, y: p.f.GetY() + 1, scale: p.width / w})
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
			moisture := v.Moisture(x)
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
	p.notes(v.JobNotes(), 1)
	p.photos(v.JobPhotos(), 1)
	if len(v.Corrections) > 0 {
		p.heading("Corrections", 1)
		p.paragraph(correctionsLead)
		p.list(v.CorrectionTexts())
	}
	if shed := v.ShedAlerts(); len(shed) > 0 {
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
			s := v.QuantityName(l.Quantity) + ": " + limitText(l)
			if l.Source != "" {
				s += " (" + l.Source + ")"
			}
			items = append(items, s)
		}
		p.list(items)
	}
	p.f.Ln(1)
	p.paragraph(v.Reach())
}

func (p *sheet) cautions() {
	p.heading("Cautions", 1)
	p.list(cautions[:])
	p.paragraph(lastWord)
}
