package record

import (
	"bytes"
	"crypto/sha256"
	_ "embed"
	"encoding/base64"
	"fmt"
	"html/template"
	"io"
	"math"
	"strconv"
	"strings"
	"time"

	"tackline/dashboard/chart"
)

//go:embed record.html
var pageTemplate string

//go:embed record.css
var style string

// StyleHash gives the hash of the record's one style sheet as a content security policy names it, so that it can be let in and nothing else.
func StyleHash() string {
	sum := sha256.Sum256([]byte(style))
	return "sha256-" + base64.StdEncoding.EncodeToString(sum[:])
}

// WriteHTML writes the record as one file without scripts, that needs nothing from anywhere. The error names what is wrong with the job.
func WriteHTML(w io.Writer, j Job) error {
	if err := j.Check(); err != nil {
		return err
	}
	v := viewOf(j)
	v.Style = template.CSS(style) //nolint:gosec // our own file
	// Functions, never methods of the view: the program that ships finds none (deploy/build).
	funcs := template.FuncMap{"at": v.at, "day": v.day, "probe": func(p Probe) string { return calibration(p, v.zone) }, "limit": limitText, "word": v.word,
		"zone": v.zoneName, "markName": markWords, "quantity": v.quantityName, "moisture": v.moisture, "reach": v.reach, "cautions": func() []string { return cautions[:] },
		"summaryRows": v.summaryRows, "workshopRows": v.workshopRows, "workshopLead": v.workshopLead, "pieceViews": v.pieceViews, "correctionTexts": v.correctionTexts,
		"alertTexts": v.alertTexts, "shedAlerts": v.shedAlerts, "noteTexts": v.noteTexts, "jobNotes": v.jobNotes, "jobPhotos": v.jobPhotos}
	t, err := template.New("record").Funcs(funcs).Parse(pageTemplate)
	if err != nil {
		return fmt.Errorf("record: template: %w", err)
	}
	var b bytes.Buffer
	if err := t.Execute(&b, v); err != nil {
		return fmt.Errorf("record: write html: %w", err)
	}
	if _, err := w.Write(b.Bytes()); err != nil {
		return fmt.Errorf("record: write html: %w", err)
	}
	return nil
}

// viewOf makes the view that every form of a record is written from.
func viewOf(j Job) jobView {
	v := jobView{Job: j, zone: zoneOf(j)}
	for i := range j.Coats {
		v.Coats = append(v.Coats, v.coat(i))
	}
	return v
}

// jobView is the job as the template shows it.
type jobView struct {
	Job
	Style template.CSS
	Coats []coatView
	zone  *time.Location
}

type coatView struct {
	Coat
	Number     int
	End        time.Time
	Running    bool
	Lasted     string
	Conditions []conditionRow
	Kept       []keptRow
	Workshop   []keptRow
	Rows       [][2]string // what, and what of it
	TouchText  []string
	AlertRows  []Alert
	NoteRows   []Note
	PhotoRows  []photoView
	Result     string
	Chart      template.HTML
}

type conditionRow struct {
	Name, Min, Mean, Max, Unit, Coverage, Gap, Longest string
	Known                                              bool
	Probe                                              string
}

type keptRow struct {
	Name, Limit, Source, Until, Within, Outside, Unknown, Worst string
}

func (v jobView) at(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.In(v.zone).Format("Mon 2 Jan 2006 15:04")
}

func (v jobView) day(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.In(v.zone).Format("2 Jan 2006")
}

// names of the quantities: in words, with the unit and the digits that are shown.
func quantityWords(q string) (name, unit string, digits int) {
	switch q {
	case AirC:
		return "air", "C", 1
	case SurfaceC:
		return "surface", "C", 1
	case RHPct:
		return "humidity of the air", "%", 0
	case SurfaceRH:
		return "humidity at the surface", "%", 0
	case DewPointC:
		return "dew point", "C", 1
	case MarginK:
		return "margin, surface over dew point", "K", 1
	case PressureHPa:
		return "barometer", "hPa", 0
	case TimberC:
		return "timber", "C", 1
	case AirRange24h:
		return "air, highest less lowest of 24 h", "K", 1
	}
	return q, "", 2
}

func markWords(m string) string {
	switch m {
	case "tack_opens":
		return "tack opens"
	case "tack_closes":
		return "tack closes"
	case "recoat_closes":
		return "recoat closes (end of green)"
	}
	return m
}

// hmm writes minutes as h:mm.
func hmm(minutes float64) string {
	m := int64(math.Round(minutes))
	return fmt.Sprintf("%d:%02d", m/60, m%60)
}

func num(v float64, digits int) string {
	s := strconv.FormatFloat(v, 'f', digits, 64)
	if strings.Trim(s, "-0.") == "" {
		s = strings.TrimPrefix(s, "-")
	}
	return strings.Replace(s, "-", "\u2212", 1)
}

func limitText(l Limit) string {
	_, unit, _ := quantityWords(l.Quantity)
	s := "at most "
	if l.Above {
		s = "at least "
	}
	s += strings.Replace(strconv.FormatFloat(l.Value, 'f', -1, 64), "-", "\u2212", 1) + " " + unit
	if l.LessU {
		if l.Above {
			s += ", value less its uncertainty"
		} else {
			s += ", value plus its uncertainty"
		}
	}
	return s
}

func byWhom(who string) string {
	if who == "" {
		return ""
	}
	return ", by " + who
}

func batchText(b Batch) string {
	var parts []string
	if b.AmountG != nil {
		parts = append(parts, num(*b.AmountG, 0)+" g mixed")
	}
	if b.ResinC != nil {
		parts = append(parts, "resin at "+num(*b.ResinC, 1)+" C")
	}
	if b.Vessel != "" {
		parts = append(parts, "in a "+b.Vessel)
	}
	if b.Lot != "" {
		parts = append(parts, "lot "+b.Lot)
	}
	parts = append(parts, b.Moves...)
	if b.How != "" {
		parts = append(parts, b.How)
	}
	if len(parts) == 0 {
		return "nothing noted"
	}
	return strings.Join(parts, ", ")
}

func touchText(t Touch) string {
	s := string(t.State)
	if t.Witness {
		s += ", on a cup or scrap of the batch"
	}
	return s + byWhom(t.Who)
}

func calibration(p Probe, zone *time.Location) string {
	if p.Calibrated.IsZero() {
		return "not calibrated"
	}
	s := "calibrated " + p.Calibrated.In(zone).Format("2006-01-02")
	if p.Calibration != "" {
		s += ": " + p.Calibration
	}
	return s
}

func (v jobView) coat(i int) coatView {
	c := v.Job.Coats[i]
	end := c.end(v.AsOf)
	out := coatView{Coat: c, Number: i + 1, End: end, Running: c.Ended.IsZero(), Lasted: hmm(end.Sub(c.Started).Minutes())}
	for _, ch := range c.Channels {
		out.Conditions = append(out.Conditions, condition(Stats(ch, c.Started, end), ch.Probe))
	}
	for _, k := range c.kept(v.Limits, v.AsOf) {
		out.Kept = append(out.Kept, keptText(k))
	}
	for _, k := range c.workshop(v.Workshop, v.AsOf) {
		out.Workshop = append(out.Workshop, keptText(k))
	}
	for _, t := range c.Touches {
		out.TouchText = append(out.TouchText, v.at(t.At)+": "+touchText(t))
	}
	for _, a := range v.Alerts {
		if a.Coat == c.ID && c.ID != 0 {
			out.AlertRows = append(out.AlertRows, a)
		}
	}
	for _, n := range v.Notes {
		if n.Coat == c.ID {
			out.NoteRows = append(out.NoteRows, n)
		}
	}
	out.PhotoRows = v.photos(func(p Photo) bool { return p.Coat == c.ID })
	out.Result = result(c)
	out.Rows = v.rows(&out)
	if d := v.drawing(c, end, i+1); len(d.Upper) > 0 {
		out.Chart = template.HTML(chart.SVG(d, "coat-"+strconv.Itoa(i+1))) //nolint:gosec // made by chart, which escapes its texts
	}
	return out
}

func condition(s Condition, probe string) conditionRow {
	name, unit, d := quantityWords(s.Quantity)
	if probe == "" {
		probe = "computed"
	}
	row := conditionRow{Name: name, Unit: unit, Known: s.Known, Probe: probe, Coverage: num(math.Floor(s.CoveragePct*10)/10, 1) + " %", Gap: num(s.GapMinutes, 0),
		Longest: num(s.LongestGapMin, 0)}
	if s.Known {
		row.Min, row.Mean, row.Max = num(s.Min, d), num(s.Mean, d), num(s.Max, d)
	}
	return row
}

func keptText(k Kept) keptRow {
	name, unit, d := quantityWords(k.Limit.Quantity)
	row := keptRow{Name: name, Limit: limitText(k.Limit), Source: k.Limit.Source, Within: hmm(k.Within), Outside: hmm(k.Outside), Unknown: hmm(k.Unknown)}
	if k.Limit.Until != "" {
		row.Until = markWords(k.Limit.Until)
	}
	if k.Known {
		row.Worst = num(k.Worst, d) + " " + unit
	}
	return row
}

// result says where the coat stood at the end of its figures.
func result(c Coat) string {
	var parts []string
	if c.State != "" {
		parts = append(parts, string(c.State))
	} else {
		parts = append(parts, "state not known")
	}
	if c.Conversion != nil {
		parts = append(parts, "degree of cure "+num(*c.Conversion*100, 0)+" %")
	}
	if c.TgC != nil {
		parts = append(parts, "Tg "+num(*c.TgC, 0)+" C")
	}
	if c.Stalled {
		parts = append(parts, "stalled: hard because it was cold, not because it had cured")
	}
	return strings.Join(parts, ", ") + " (computed)"
}

// drawing makes the chart of a coat's conditions, with its windows under it.
func (v jobView) drawing(c Coat, end time.Time, number int) *chart.ConditionsChart {
	d := &chart.ConditionsChart{Title: fmt.Sprintf("Conditions of coat %d", number), From: float64(c.Started.Unix()), To: float64(end.Unix()), UpperUnit: "C",
		LowerUnit: "% RH", Zone: v.zone, W: 720, H: 360}
	var words []string
	add := func(list *[]chart.Line, q, label string) {
		ch, ok := c.channel(q)
		if !ok || len(ch.At) == 0 {
			return
		}
		line := chart.Line{Label: label, Samples: make([]chart.Sample, len(ch.At))}
		for i := range ch.At {
			line.Samples[i] = chart.Sample{At: float64(ch.At[i]), V: ch.V[i]}
		}
		*list = append(*list, line)
		d.MaxGap = math.Max(d.MaxGap, float64(ch.hold())*1.5)
		if s := Stats(ch, c.Started, end); s.Known {
			_, unit, digits := quantityWords(q)
			words = append(words, fmt.Sprintf("%s %s to %s %s.", label, num(s.Min, digits), num(s.Max, digits), unit))
		}
	}
	add(&d.Upper, AirC, "air")
	add(&d.Upper, SurfaceC, "surface")
	add(&d.Upper, DewPointC, "dew point")
	add(&d.Lower, RHPct, "humidity")
	opens, tack, recoat := c.mark("tack_opens"), c.mark("tack_closes"), c.mark("recoat_closes")
	shade := func(from, to time.Time, label string) {
		if !from.IsZero() && !to.IsZero() && to.After(from) {
			d.Shades = append(d.Shades, chart.Shade{From: float64(from.Unix()), To: float64(to.Unix()), Label: label})
			words = append(words, fmt.Sprintf("%s from %s to %s.", label, v.at(from), v.at(to)))
		}
	}
	shade(opens, tack, "tack window")
	shade(tack, recoat, "next coat")
	for _, t := range c.Touches {
		d.Dots = append(d.Dots, chart.Dot{At: float64(t.At.Unix()), Label: string(t.State)})
	}
	d.Desc = strings.Join(words, " ")
	return d
}

// zoneName gives the zone in which times are shown.
func (v jobView) zoneName() string { return v.zone.String() }

// quantityName gives a quantity in words.
func (v jobView) quantityName(q string) string { n, _, _ := quantityWords(q); return n }

// moisture gives a piece's moisture content with where it is from and when, "" where it was never measured.
func (v jobView) moisture(p Piece) string {
	if p.MoisturePct == nil {
		return ""
	}
	s := num(*p.MoisturePct, 1)
	if p.MoistureFrom != "" {
		s += " (" + p.MoistureFrom
		if !p.MoistureAt.IsZero() {
			s += ", " + v.day(p.MoistureAt)
		}
		s += ")"
	}
	return s
}

// shedAlerts gives the alerts that belong to no coat.
func (v jobView) shedAlerts() []Alert {
	var out []Alert
	for _, a := range v.Alerts {
		if a.Coat == 0 {
			out = append(out, a)
		}
	}
	return out
}
