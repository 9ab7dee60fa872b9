package dashboard

import (
	"cmp"
	"fmt"
	"html/template"
	"strings"
	"time"

	"tackline/advisor"
	"tackline/dashboard/chart"
	"tackline/sensors"
)

// shedPage is the page Shed.
type shedPage struct {
	base
	Pieces  []pieceCard
	Air     []factRow
	Probes  []probeRow
	Notices []string
	Ways    []wayRow
	Job     string
}

// pieceCard is the verdict on one piece with everything behind it.
type pieceCard struct {
	ID        int64
	Name      string
	Bare      bool
	What      string // "to seal foredeck"
	Job       string
	Verdict   string // the word
	Shape     string // clear, wait, cant, stop: names the symbol and the box
	Lead      string // the worst reason
	LeadLimit string
	Also      []reasonRow
	Fine      []reasonRow
	Facts     []factRow
	Modelled  bool
	Chart     template.HTML
	Caption   string
	CanStart  bool
	Open      bool // numbers and forecast are unfolded
}

type reasonRow struct {
	Text  string
	Limit string // "limit 3 K, ISO 8502-4 practice"
}

// factRow is a row of a table of numbers.
type factRow struct {
	Label string
	Fact  fact
	Word  string // beside or in place of the number
	Limit string
}

// probeRow is a probe with its values.
type probeRow struct {
	Name, Place, Problem string
	Seen                 string
	Uncalibrated         bool
	Values               []probeValue
}

type probeValue struct {
	Label, Value, Unit string
	Age, At            string // in words, and the reading's time in Unix seconds
	Old                bool   // older than the limit: shown struck through, never used
	Bad                string // why it is not used
	Note               string // known about it, and used
}

func (h *Handler) shedPage(v View, stale bool) shedPage {
	p := shedPage{base: h.base(v, stale, h.tx.get("title_shed"), "/")}
	jobs := map[int64]string{}
	for _, j := range v.Jobs {
		jobs[j.ID] = j.Name
	}
	jobOf := map[int64]string{}
	for _, pc := range v.Pieces {
		jobOf[pc.ID] = jobs[pc.Job]
	}
	for i := range v.Advice.Pieces {
		c := h.pieceCard(v, &v.Advice.Pieces[i], jobOf[v.Advice.Pieces[i].Piece])
		c.Open = i == 0 || len(v.Advice.Pieces) < 3 // a hull in ten pieces still is a page that can be read
		p.Pieces = append(p.Pieces, c)
	}
	p.Ways = h.waysOf(v)
	p.Air = h.airFacts(v.Advice.Shed)
	for _, pr := range v.Probes {
		p.Probes = append(p.Probes, h.probeRow(v, pr))
	}
	for _, n := range v.Advice.Notices {
		p.Notices = append(p.Notices, n.Text)
	}
	return p
}

// shape names the symbol of a verdict.
func shape(v advisor.Verdict) string {
	switch v {
	case advisor.Clear:
		return "clear"
	case advisor.Wait:
		return "wait"
	case advisor.Stop:
		return "stop"
	}
	return "cant"
}

func (h *Handler) verdictWord(v advisor.Verdict) string {
	return h.tx.get("verdict_" + map[string]string{"clear": "clear", "wait": "wait", "stop": "stop", "cant": "cant_say"}[shape(v)])
}

func (h *Handler) pieceCard(v View, a *advisor.PieceAdvice, job string) pieceCard {
	c := pieceCard{ID: a.Piece, Name: a.Name, Bare: a.Bare, Job: job, Verdict: h.verdictWord(a.Verdict), Shape: shape(a.Verdict),
		Modelled: a.SurfaceModelled, CanStart: h.o.Commands != nil}
	c.What = h.tx.get("verdict_coated", a.Name)
	if a.Bare {
		c.What = h.tx.get("verdict_bare", a.Name)
	}
	for i, r := range a.Reasons {
		row := reasonRow{Text: r.Text, Limit: h.limitText(r)}
		switch {
		case r.Verdict != advisor.Clear && i == 0:
			c.Lead, c.LeadLimit = r.Text, row.Limit
		case r.Verdict != advisor.Clear:
			c.Also = append(c.Also, row)
		default:
			c.Fine = append(c.Fine, row)
		}
	}
	c.Facts = h.pieceFacts(a)
	drawing := h.marginChart(v, a)
	c.Caption = drawing.Desc
	if len(drawing.Past)+len(drawing.Ahead) > 1 {
		c.Chart = template.HTML(chart.SVG(drawing, fmt.Sprintf("m%d", a.Piece))) //nolint:gosec // made by chart, which escapes its texts
	}
	return c
}

func (h *Handler) limitText(r advisor.Reason) string {
	if r.Limit == nil || r.Unit == "" || *r.Limit == 0 && r.Unit == "min" { // minutes to go are counted down to 0, which the sentence has as a time of day
		return ""
	}
	s := h.tx.get("reason_limit", trimmed(*r.Limit), r.Unit)
	if r.Source != "" {
		s += ", " + r.Source
	}
	return s
}

// trimmed writes a limit as it was set: 3, 12.5, 0.0005.
func trimmed(v float64) string {
	return strings.Replace(fmt.Sprintf("%.6g", v), "-", "\u2212", 1)
}

func (h *Handler) pieceFacts(a *advisor.PieceAdvice) []factRow {
	limit := map[string]string{}
	value := map[string]*float64{}
	for _, r := range a.Reasons {
		if _, seen := limit[r.Rule]; !seen && r.Limit != nil {
			limit[r.Rule] = trimmed(*r.Limit) + "\u00a0" + r.Unit
			value[r.Rule] = r.Value
		}
	}
	surface := h.tx.get("fact_surface")
	if a.SurfaceModelled {
		surface = h.tx.get("fact_surface_modelled")
	}
	rows := []factRow{
		{Label: h.tx.get("fact_margin"), Fact: factOf(a.MarginK, 1, "K"), Limit: limit["margin"]},
		{Label: surface, Fact: factOf(a.SurfaceC, 1, "C"), Limit: limit["lowest"]},
		{Label: h.tx.get("fact_surface_rh"), Fact: factOf(a.SurfaceRHPct, 0, "%"), Limit: limit["surface_rh"]},
	}
	if a.Bare {
		rows = append(rows, factRow{Label: h.tx.get("fact_moisture"), Fact: factOf(advisor.Figure{Value: value["moisture"]}, 1, "%"), Limit: limit["moisture"]})
		gas := factRow{Label: h.tx.get("fact_gas"), Fact: fact{Unit: "%"}}
		if a.GasRatio != nil {
			sign := ""
			if *a.GasRatio > 1 {
				sign = "+"
			}
			gas.Fact = fact{Known: true, Value: sign + number((*a.GasRatio-1)*100, 1), Unit: "%"}
		}
		if a.GasDirection != "" {
			gas.Word = h.tx.get("gas_" + a.GasDirection)
		}
		rows = append(rows, gas)
	}
	return rows
}

func (h *Handler) airFacts(s advisor.ShedAdvice) []factRow {
	return []factRow{
		{Label: h.tx.get("air_temp"), Fact: factOf(s.AirC, 1, "C")},
		{Label: h.tx.get("air_rh"), Fact: factOf(s.RHPct, 0, "%")},
		{Label: h.tx.get("air_dew"), Fact: factOf(s.DewPointC, 1, "C")},
		{Label: h.tx.get("air_abs"), Fact: factOf(s.AbsHumidityGM3, 1, "g/m³")},
		{Label: h.tx.get("air_pressure"), Fact: factOf(s.PressureHPa, 0, "hPa")},
	}
}

// trendGap is the step in seconds from which the margin's past is broken: a reading missing for too long, never just the spacing of the trend.
func trendGap(v View, a *advisor.PieceAdvice) float64 {
	step := 0.0
	for i := 1; i < len(a.MarginTrend) && !a.MarginTrend[i].Forecast; i++ {
		if d := float64(a.MarginTrend[i].At - a.MarginTrend[i-1].At); step == 0 || d < step {
			step = d
		}
	}
	return max(v.StaleAfter.Seconds(), 1.5*step)
}

// marginChart makes the drawing of a piece's margin, and says in words what it shows.
func (h *Handler) marginChart(v View, a *advisor.PieceAdvice) *chart.MarginChart {
	c := &chart.MarginChart{Title: h.tx.get("margin_heading") + ": " + a.Name, Now: float64(v.Advice.At), NowLabel: h.tx.get("now_label"), Unit: "K",
		Zone: v.Zone, MaxGap: trendGap(v, a), W: 358, H: 210}
	if v.MarginK > 0 {
		c.Limit, c.LimitLabel = v.MarginK, h.tx.get("limit_label", trimmed(v.MarginK))
	}
	var low *advisor.Point
	for i := range a.MarginTrend {
		p := &a.MarginTrend[i]
		s := chart.Sample{At: float64(p.At), V: p.Value}
		if p.Forecast {
			c.Ahead = append(c.Ahead, s)
			if low == nil || p.Value < low.Value {
				low = p
			}
		} else {
			c.Past = append(c.Past, s)
		}
		if p.P10 != nil && p.P90 != nil {
			c.Bands = append(c.Bands, chart.Band{At: float64(p.At), P10: *p.P10, P90: *p.P90})
		}
	}
	if n := len(c.Past); n > 0 && len(c.Ahead) > 0 && (c.MaxGap <= 0 || c.Ahead[0].At-c.Past[n-1].At <= c.MaxGap) {
		c.Ahead = append([]chart.Sample{c.Past[n-1]}, c.Ahead...)
	}
	c.Desc = h.marginWords(v, a, c, low)
	v.visitor.Shows.margin(c)
	return c
}

// margin has a chart of margins tell them as a person wants it.
func (s Shows) margin(c *chart.MarginChart) {
	c.Desc, c.LimitLabel = s.Say(c.Desc), s.Say(c.LimitLabel)
	t, other := s.in(c.Unit)
	if !other {
		return
	}
	for _, line := range [][]chart.Sample{c.Past, c.Ahead} {
		for i := range line {
			line[i].V *= t.factor
		}
	}
	for i := range c.Bands {
		c.Bands[i].P10, c.Bands[i].P90 = c.Bands[i].P10*t.factor, c.Bands[i].P90*t.factor
	}
	c.Limit, c.Unit = c.Limit*t.factor, t.unit
}

func (h *Handler) marginWords(v View, a *advisor.PieceAdvice, c *chart.MarginChart, low *advisor.Point) string {
	if len(c.Past)+len(c.Ahead) < 2 {
		return h.tx.get("margin_words_none")
	}
	var words []string
	if a.MarginK.Value != nil {
		words = append(words, h.tx.get("margin_words_now", number(*a.MarginK.Value, 1)))
	}
	if low != nil {
		at := clock(low.At.Time(), v.At, v.Zone)
		if low.P10 != nil && low.P90 != nil {
			words = append(words, h.tx.get("margin_words_low", number(low.Value, 1), at, number(*low.P10, 1), number(*low.P90, 1)))
		} else {
			words = append(words, h.tx.get("margin_words_low_bare", number(low.Value, 1), at))
		}
		if v.MarginK > 0 {
			words = append(words, h.tx.get("margin_words_below", trimmed(v.MarginK)))
		}
	}
	for i := 1; i < len(c.Past); i++ {
		if c.MaxGap > 0 && c.Past[i].At-c.Past[i-1].At > c.MaxGap {
			words = append(words, h.tx.get("margin_words_gap"))
			break
		}
	}
	return strings.Join(words, " ")
}

// units of the quantities as they are shown.
func quantityUnit(q sensors.Quantity) (label, unit string, digits int) {
	switch q {
	case sensors.Temperature:
		return "air_temp", "C", 1
	case sensors.Humidity:
		return "air_rh", "%", 0
	case sensors.Pressure:
		return "air_pressure", "hPa", 0
	}
	return "fact_moisture", "%", 1
}

// quantityLabel is quantityUnit with a label that says nothing of where a probe sits.
func quantityLabel(q sensors.Quantity) (label, unit string, digits int) {
	label, unit, digits = quantityUnit(q)
	if q == sensors.Temperature {
		label = "probe_temperature"
	}
	return label, unit, digits
}

func (h *Handler) probeRow(v View, p Probe) probeRow {
	row := probeRow{Name: p.Name, Place: h.tx.get("place_" + string(p.Place)), Problem: p.Problem, Uncalibrated: p.Uncalibrated}
	if p.Piece != "" {
		row.Place = h.tx.get("probe_on", p.Piece)
	}
	if p.Seen.IsZero() {
		row.Seen = h.tx.get("probe_never")
	}
	for _, l := range p.Last {
		row.Values = append(row.Values, h.probeValue(v, l, cmp.Or(p.StaleAfter, v.StaleAfter)))
	}
	return row
}

// probeValue shows a reading with its age and its status in words; what is older than the limit is struck out, 0 is no limit.
func (h *Handler) probeValue(v View, l Last, limit time.Duration) probeValue {
	label, unit, d := quantityLabel(l.Quantity)
	age := v.At.Sub(l.At)
	val := probeValue{Label: h.tx.get(label), Value: number(l.Value, d), Unit: unit, Age: h.tx.get("probe_age", length(age)), At: unix(l.At),
		Old: limit > 0 && age > limit}
	switch {
	case !l.Status.Usable():
		val.Bad = h.tx.get("probe_flagged", h.tx.get("status_"+l.Status.String()))
	case l.Status != sensors.OK:
		val.Note = h.tx.get("probe_notice", h.tx.get("status_"+l.Status.String()))
	}
	return val
}
