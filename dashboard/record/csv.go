package record

import (
	"encoding/csv"
	"fmt"
	"io"
	"sort"
	"strconv"
	"strings"
	"time"
)

// CSVOptions say how the file is to be written. The zero value is RFC 4180 with decimal points.
type CSVOptions struct {
	Sep          string // "" is a comma, or a semicolon with DecimalComma; one character
	DecimalComma bool   // for spreadsheets of countries that write 18,5
	BOM          bool   // a byte order mark at the start, by which some spreadsheets know UTF-8
}

// csvQuantities are the columns of readings, in their order. margin_u_k is the uncertainty of margin_k.
var csvQuantities = [...]string{AirC, SurfaceC, RHPct, SurfaceRH, DewPointC, MarginK, "margin_u_k", PressureHPa, TimberC}

// csvRow is a row before it is put in order. rank orders what happens in the same second: events before readings.
type csvRow struct {
	at    int64
	rank  int
	cells []string
}

// WriteCSV writes events and readings of all coats, oldest first within each coat, after a block of lines that begin with # and tell what a
// reader needs: zone, units, probes with their calibration, software. Each row has its time three ways: UTC in RFC 3339, local as
// spreadsheets read it, and the offset between. A text that a spreadsheet would take for a formula gets an apostrophe before it.
func WriteCSV(w io.Writer, j Job, o CSVOptions) error {
	if err := j.Check(); err != nil {
		return err
	}
	sep := []rune(o.Sep)
	switch {
	case len(sep) == 0 && o.DecimalComma:
		sep = []rune{';'}
	case len(sep) == 0:
		sep = []rune{','}
	case len(sep) > 1:
		return fmt.Errorf("record: separator %q: want one character", o.Sep)
	}
	if o.BOM {
		if _, err := io.WriteString(w, "\ufeff"); err != nil {
			return fmt.Errorf("record: write csv: %w", err)
		}
	}
	out := csv.NewWriter(w)
	out.Comma, out.UseCRLF = sep[0], true
	c := csvWriter{job: j, comma: o.DecimalComma}
	for _, row := range c.rows() {
		if err := out.Write(row); err != nil {
			return fmt.Errorf("record: write csv: %w", err)
		}
	}
	out.Flush()
	if err := out.Error(); err != nil {
		return fmt.Errorf("record: write csv: %w", err)
	}
	return nil
}

type csvWriter struct {
	job   Job
	comma bool
}

func (c csvWriter) rows() [][]string {
	j := c.job
	out := [][]string{
		{"#", "job", guard(j.Name)}, {"#", "shed", guard(j.Shed)}, {"#", "zone", zoneOf(j).String()},
		{"#", "as_of", utc(j.AsOf.Unix())}, {"#", "software", guard(j.Software)}, {"#", "model", guard(j.Model)},
		{"#", "units", "in the names of the columns: c degrees Celsius, pct per cent, k kelvin, hpa hectopascal, u standard uncertainty"},
		{"#", "readings", "one a minute where there was a usable one; empty is not known, never 0"},
	}
	if j.Notice != "" {
		out = append(out, []string{"#", "notice", guard(j.Notice)})
	}
	for _, r := range j.Remarks {
		out = append(out, []string{"#", "remark", guard(r)})
	}
	for _, p := range j.Probes {
		out = append(out, []string{"#", "probe", guard(p.Name), guard(p.Place), guard(p.Quantities), guard(calibration(p, zoneOf(j)))})
	}
	head := []string{"time_utc", "time_local", "utc_offset", "coat", "piece", "kind", "what", "text"}
	out = append(out, append(head, csvQuantities[:]...))
	for i := range j.Coats {
		rows := c.coat(&j.Coats[i])
		sort.SliceStable(rows, func(a, b int) bool {
			if rows[a].at != rows[b].at {
				return rows[a].at < rows[b].at
			}
			return rows[a].rank < rows[b].rank
		})
		for _, r := range rows {
			out = append(out, r.cells)
		}
	}
	rest := c.ofJob()
	sort.SliceStable(rest, func(a, b int) bool { return rest[a].at < rest[b].at })
	for _, r := range rest {
		out = append(out, r.cells)
	}
	return out
}

// ofJob gives what belongs to no coat: alerts of the shed, notes, photos, what was done to pieces, corrections.
func (c csvWriter) ofJob() []csvRow {
	var rows []csvRow
	add := func(at time.Time, piece, what, text string) {
		cells := c.start(at.Unix(), nil, what, text)
		cells[4] = guard(piece)
		rows = append(rows, csvRow{at.Unix(), 0, cells})
	}
	for _, a := range c.job.Alerts {
		if a.Coat == 0 {
			rows = append(rows, c.alert(a, nil)...)
		}
	}
	for _, n := range c.job.Notes {
		if n.Coat == 0 {
			add(n.At, n.About, "note", n.Text+byWhom(n.Who))
		}
	}
	for _, p := range c.job.Photos {
		if p.Coat == 0 {
			add(p.At, p.About, "photo", photoText(p))
		}
	}
	for _, p := range c.job.Pieces {
		for _, d := range p.Deeds {
			add(d.At, p.Name, "done", d.What+byWhom(d.Who))
		}
	}
	for _, x := range c.job.Corrections {
		add(x.At, "", "correction", x.Text+byWhom(x.Who))
	}
	return rows
}

func photoText(p Photo) string {
	s := p.Caption
	if s == "" {
		s = "without a caption"
	}
	return s + byWhom(p.Who) + ", SHA-256 " + p.SHA256
}

// start gives the first cells of a row.
func (c csvWriter) start(at int64, coat *Coat, what, text string) []string {
	local := time.Unix(at, 0).In(zoneOf(c.job))
	cells := make([]string, 8+len(csvQuantities))
	cells[0], cells[1], cells[2] = utc(at), local.Format("2006-01-02 15:04:05"), local.Format("-07:00")
	if coat != nil {
		cells[3], cells[4], cells[5] = strconv.FormatInt(coat.ID, 10), guard(coat.PieceName), guard(string(coat.Kind))
	}
	cells[6], cells[7] = what, guard(text)
	return cells
}

func (c csvWriter) coat(k *Coat) []csvRow {
	var rows []csvRow
	add := func(at time.Time, rank int, what, text string) {
		if !at.IsZero() {
			rows = append(rows, csvRow{at.Unix(), rank, c.start(at.Unix(), k, what, text)})
		}
	}
	add(k.Started, 0, "started", k.System+byWhom(k.Who))
	for _, b := range k.Batches {
		add(b.At, 1, "batch", batchText(b))
	}
	for _, t := range k.Touches {
		add(t.At, 2, "touch", touchText(t))
	}
	for _, m := range k.Marks {
		if m.Passed {
			add(m.Likely, 3, "mark", m.Mark)
		}
	}
	for _, a := range c.job.Alerts {
		if a.Coat == k.ID && a.Coat != 0 {
			rows = append(rows, c.alert(a, k)...)
		}
	}
	for _, n := range c.job.Notes {
		if n.Coat == k.ID {
			add(n.At, 5, "note", n.Text+byWhom(n.Who))
		}
	}
	for _, p := range c.job.Photos {
		if p.Coat == k.ID {
			add(p.At, 5, "photo", photoText(p))
		}
	}
	add(k.Ended, 6, "ended", string(k.State))
	return append(rows, c.readings(k)...)
}

func (c csvWriter) alert(a Alert, k *Coat) []csvRow {
	rows := []csvRow{{a.At.Unix(), 4, c.start(a.At.Unix(), k, "alert", a.Text)}}
	if !a.Acknowledged.IsZero() {
		rows = append(rows, csvRow{a.Acknowledged.Unix(), 5, c.start(a.Acknowledged.Unix(), k, "acknowledged", ackText(a))})
	}
	return rows
}

func ackText(a Alert) string {
	if a.By == "" {
		return a.Text
	}
	return "by " + a.By + ": " + a.Text
}

// readings joins the channels of a coat by their times.
func (c csvWriter) readings(k *Coat) []csvRow {
	at := map[int64][]string{}
	var order []int64
	cell := func(t int64, col int, v float64) {
		cells, ok := at[t]
		if !ok {
			cells = c.start(t, k, "reading", "")
			at[t] = cells
			order = append(order, t)
		}
		cells[8+col] = c.number(v)
	}
	for col, q := range csvQuantities {
		if q == "margin_u_k" {
			continue
		}
		ch, ok := k.channel(q)
		if !ok {
			continue
		}
		for i, t := range ch.At {
			cell(t, col, ch.V[i])
			if q == MarginK && len(ch.U) > 0 {
				cell(t, col+1, ch.u(i))
			}
		}
	}
	rows := make([]csvRow, 0, len(order))
	for _, t := range order {
		rows = append(rows, csvRow{t, 9, at[t]})
	}
	return rows
}

func (c csvWriter) number(v float64) string {
	s := strconv.FormatFloat(v, 'f', 3, 64)
	s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	if s == "-0" || s == "" {
		s = "0"
	}
	if c.comma {
		s = strings.Replace(s, ".", ",", 1)
	}
	return s
}

// guard keeps a spreadsheet from running a text as a formula (OWASP, "CSV Injection").
func guard(s string) string {
	if s != "" && strings.ContainsRune("=+-@\t\r\n|%", rune(s[0])) {
		return "'" + s
	}
	return s
}

func utc(at int64) string { return time.Unix(at, 0).UTC().Format("2006-01-02T15:04:05Z") }

func zoneOf(j Job) *time.Location {
	if j.Zone == nil {
		return time.UTC
	}
	return j.Zone
}
