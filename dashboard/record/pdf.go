package record

import (
	"bytes"
	"fmt"
	"io"
	"strings"

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
	f.AddUTF8FontFromBytes(family, "", unpack("regular"))
	f.AddUTF8FontFromBytes(family, "B", unpack("bold"))
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
