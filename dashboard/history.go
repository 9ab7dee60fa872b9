package dashboard

import (
	"errors"
	"fmt"
	"html/template"
	"math"
	"net/http"
	"sort"
	"strings"
	"time"

	"tackline/advisor/air"
	"tackline/advisor/units"
	"tackline/dashboard/chart"
	"tackline/sensors"
)

// historyPage is the page History: what was measured, over a day up to a whole winter, with the coats drawn in.
type historyPage struct {
	base
	Span            string // from and to, in words
	Spans           []navItem
	Earlier, Later  string // addresses; "" for none
	Charts          []historyChart
	Table           []historyRow
	Nothing         string
	FromISO, ToISO  string
	Wrong           string
	FromTyped, Days string
}

type historyChart struct {
	Heading string
	Drawing template.HTML
	Caption string
}

// historyRow is one quantity of one probe in figures.
type historyRow struct {
	Name, Unit, Min, Mean, Max, Gap string
}

// spans are the lengths that can be looked at.
var spans = []struct {
	key  string
	days int
}{{"history_day", 1}, {"history_week", 7}, {"history_month", 31}, {"history_winter", 180}}

// historyPoints is how many points a chart is drawn from.
const historyPoints = 480

func (h *Handler) getHistory(w http.ResponseWriter, r *http.Request) {
	v, stale, ok := h.now(w, r, "/history")
	if !ok {
		return
	}
	p, err := h.historyPage(r, v, stale)
	if err != nil {
		h.o.Log.Error("dashboard: history not read", "err", err)
		h.fail(w, r, http.StatusInternalServerError, "/history", h.tx.get("error_now"), h.tx.get("error_internal"), "/history", false)
		return
	}
	status := http.StatusOK
	if p.Wrong != "" {
		status = http.StatusUnprocessableEntity
	}
	h.render(w, r, status, "history", p)
}

func (h *Handler) historyPage(r *http.Request, v View, stale bool) (historyPage, error) {
	p := historyPage{base: h.base(v, stale, h.tx.get("title_history"), "/history")}
	p.Refresh, p.Live = false, false
	q := r.URL.Query()
	days := 7
	for _, s := range spans {
		if q.Get("days") == fmt.Sprint(s.days) {
			days = s.days
		}
	}
	p.Days = fmt.Sprint(days)
	to := v.At.In(v.Zone)
	if text := q.Get("from"); text != "" {
		from, err := time.ParseInLocation("2006-01-02", text, v.Zone)
		if err != nil {
			p.Wrong = h.tx.get("history_wrong")
			return p, nil
		}
		p.FromTyped, to = text, from.AddDate(0, 0, days)
	}
	from := to.AddDate(0, 0, -days)
	p.FromISO, p.ToISO = from.Format(time.RFC3339), to.Format(time.RFC3339)
	p.Span = h.tx.get("history_span", from.Format("2 Jan 2006 15:04"), to.Format("2 Jan 2006 15:04"))
	for _, s := range spans {
		url := fmt.Sprintf("/history?days=%d", s.days)
		if p.FromTyped != "" {
			url += "&from=" + p.FromTyped
		}
		p.Spans = append(p.Spans, navItem{URL: url, Text: h.tx.get(s.key), Here: s.days == days})
	}
	p.Earlier = fmt.Sprintf("/history?days=%d&from=%s", days, from.AddDate(0, 0, -days).Format("2006-01-02"))
	if to.Before(v.At) {
		p.Later = fmt.Sprintf("/history?days=%d&from=%s", days, to.Format("2006-01-02"))
	}
	return p, h.historyCharts(r, v, from, to, &p)
}

// kept is what was read of one quantity of one probe.
type kept struct {
	name   string
	place  sensors.Place
	series Series
}

func (h *Handler) historyCharts(r *http.Request, v View, from, to time.Time, p *historyPage) error {
	by := map[sensors.Quantity][]kept{}
	for _, probe := range v.Probes {
		for _, q := range quantitiesOf(probe) {
			s, err := h.o.Source.Series(r.Context(), SeriesRequest{Probe: probe.Name, Quantity: q, From: from, To: to, Points: historyPoints})
			if errors.Is(err, ErrNotFound) {
				continue
			}
			if err != nil {
				return err
			}
			if len(s.Points) > 0 {
				by[q] = append(by[q], kept{probe.Name, probe.Place, s})
			}
		}
	}
	bars := coatBars(v, from, to)
	for _, q := range sensors.Quantities() {
		list := by[q]
		if len(list) == 0 {
			continue
		}
		sort.SliceStable(list, func(a, b int) bool { return placeOrder(list[a].place) < placeOrder(list[b].place) })
		c := h.historyChart(v, q, list, from, to)
		if q == sensors.Temperature {
			if dew := dewLine(list, by[sensors.Humidity], h.tx.get("history_dew")); len(dew.Samples) > 0 {
				for i := range dew.Samples {
					dew.Samples[i].V, _ = v.visitor.Shows.Value(dew.Samples[i].V, "C")
				}
				c.Lines = append(c.Lines[:min(len(c.Lines), 3)], dew)
			}
			c.Bars = bars
			c.H += 18 * float64(min(len(bars), 3))
		}
		p.Charts = append(p.Charts, historyChart{Heading: h.tx.get("history_" + q.String()), Drawing: template.HTML(chart.SVG(c, "history-"+q.String())), Caption: c.Desc})
		for _, k := range list {
			p.Table = append(p.Table, h.historyRow(q, k, from, to))
		}
	}
	if len(p.Charts) == 0 {
		p.Nothing = h.tx.get("history_nothing")
		if len(v.Probes) == 0 {
			p.Nothing = h.tx.get("empty_probes") + ". " + h.tx.get("empty_probes_why")
		}
	}
	return nil
}

// quantitiesOf lists what a probe measures: what it has said, or everything where it has not yet said anything since the start.
func quantitiesOf(p Probe) []sensors.Quantity {
	if len(p.Last) == 0 {
		return sensors.Quantities()
	}
	var out []sensors.Quantity
	for _, l := range p.Last {
		out = append(out, l.Quantity)
	}
	return out
}

func placeOrder(p sensors.Place) int {
	for i, x := range sensors.Places() {
		if x == p {
			return i
		}
	}
	return len(sensors.Places())
}

func (h *Handler) historyChart(v View, q sensors.Quantity, list []kept, from, to time.Time) *chart.HistoryChart {
	unit, least := map[sensors.Quantity]string{sensors.Temperature: "C", sensors.Humidity: "%", sensors.Pressure: "hPa", sensors.Moisture: "%"}[q], 4.0
	if q == sensors.Humidity {
		least = 10
	}
	c := &chart.HistoryChart{Title: h.tx.get("history_" + q.String()), From: float64(from.Unix()), To: float64(to.Unix()), Unit: v.visitor.Shows.Unit(unit), Least: least, Zone: v.Zone, W: 358, H: 270}
	in := func(x float64) float64 { x, _ = v.visitor.Shows.Value(x, unit); return x }
	var words []string
	for i, k := range list {
		line := chart.Line{Label: k.name, Samples: make([]chart.Sample, 0, len(k.series.Points))}
		for _, x := range k.series.Points {
			at := float64(x.At.Unix())
			line.Samples = append(line.Samples, chart.Sample{At: at, V: in(x.Mean)})
			if i == 0 {
				c.Range = append(c.Range, chart.Band{At: at, P10: in(x.Min), P90: in(x.Max)})
			}
		}
		c.MaxGap = math.Max(c.MaxGap, k.series.MaxGap.Seconds())
		if i < 4 {
			c.Lines = append(c.Lines, line)
		}
		lo, _, hi := extremes(k.series)
		words = append(words, h.tx.get("history_words", k.name, number(lo, 1), number(hi, 1), unit))
	}
	if len(list) > 4 {
		words = append(words, h.tx.get("history_more", len(list)-4))
	}
	c.Desc = v.visitor.Shows.Say(strings.Join(words, " "))
	return c
}

func extremes(s Series) (lo, mean, hi float64) {
	lo, hi = math.Inf(1), math.Inf(-1)
	var sum, n float64
	for _, x := range s.Points {
		lo, hi = math.Min(lo, x.Min), math.Max(hi, x.Max)
		sum += x.Mean * float64(x.Count)
		n += float64(x.Count)
	}
	return lo, sum / n, hi
}

func (h *Handler) historyRow(q sensors.Quantity, k kept, from, to time.Time) historyRow {
	lo, mean, hi := extremes(k.series)
	digits, unit := 1, map[sensors.Quantity]string{sensors.Temperature: "C", sensors.Humidity: "%", sensors.Pressure: "hPa", sensors.Moisture: "%"}[q]
	if q == sensors.Humidity || q == sensors.Pressure {
		digits = 0
	}
	row := historyRow{Name: k.name, Unit: unit, Min: number(lo, digits), Mean: number(mean, digits), Max: number(hi, digits)}
	gap, last := time.Duration(0), from
	for _, x := range append(append([]SeriesPoint(nil), k.series.Points...), SeriesPoint{At: to}) {
		if d := x.At.Sub(last); d > k.series.MaxGap {
			gap += d
		}
		last = x.At
	}
	if gap > 0 {
		row.Gap = length(gap)
	}
	return row
}

// dewLine gives the dew point of the first air probe that has both, at the means of its points.
func dewLine(temperatures, humidities []kept, label string) chart.Line {
	line := chart.Line{Label: label}
	for _, t := range temperatures {
		if t.place != sensors.Air {
			continue
		}
		for _, rh := range humidities {
			if rh.name != t.name {
				continue
			}
			at := map[int64]float64{}
			for _, x := range rh.series.Points {
				at[x.At.Unix()] = x.Mean
			}
			for _, x := range t.series.Points {
				if v, ok := at[x.At.Unix()]; ok {
					if dew, err := air.DewPoint(units.Celsius(x.Mean), units.Percent(v)); err == nil {
						line.Samples = append(line.Samples, chart.Sample{At: float64(x.At.Unix()), V: float64(dew)})
					}
				}
			}
			return line
		}
	}
	return line
}

// coatBars gives the coats that lie in a stretch of time.
func coatBars(v View, from, to time.Time) []chart.Bar {
	var out []chart.Bar
	for _, c := range v.Coats {
		end := c.Ended
		if end.IsZero() {
			end = v.At
		}
		if c.Started.Before(to) && end.After(from) {
			out = append(out, chart.Bar{From: float64(c.Started.Unix()), To: float64(end.Unix()), Label: string(c.Kind) + ", " + c.PieceName})
		}
	}
	sort.SliceStable(out, func(a, b int) bool { return out[a].From < out[b].From })
	return out
}
