package dashboard

import (
	"math"
	"net/http"
	"net/url"
	"strconv"
	"strings"

	"tackline/advisor"
	"tackline/advisor/batch"
	"tackline/advisor/cure"
)

// mixPage is the page Mix: how much to mix for an area, by weight, by volume and in strokes, and how long a batch of it lasts now.
type mixPage struct {
	base
	Systems []choice
	Kinds   []choice
	Values  map[string]string // as they were typed
	Wrong   string            // why nothing could be worked out
	Wants   string            // the field that is meant
	Mix     *mixAnswer
	Nothing bool
}

// mixAnswer is what was worked out.
type mixAnswer struct {
	Work      string
	System    string
	Source    string
	Rows      []factRow
	Clocks    []factRow
	ClockNote string
	Why       string // of no strokes
}

// mixFields are the numbers of the form: name, unit and range.
var mixFields = []struct {
	name, unit string
	lo, hi     float64
}{{"area", "m2", 0.001, 10000}, {"fabric", "g/m2", 1, 5000}, {"layers", "", 1, 100}, {"coats", "", 1, 100}, {"filler", "", 0, 10}, {"thickness", "mm", 0.01, 100},
	{"batch", "g", batch.LeastG, batch.MostG}}

func (h *Handler) getMix(w http.ResponseWriter, r *http.Request) {
	if v, stale, ok := h.now(w, r, "/mix"); ok {
		p := h.mixPage(v, stale, r.URL.Query())
		status := http.StatusOK
		if p.Wrong != "" {
			status = http.StatusUnprocessableEntity
		}
		h.render(w, r, status, "mix", p)
	}
}

func (h *Handler) mixPage(v View, stale bool, q url.Values) mixPage {
	p := mixPage{base: h.base(v, stale, h.tx.get("title_mix"), "/mix"), Values: map[string]string{}}
	p.Refresh, p.Live = false, false
	for _, f := range mixFields {
		p.Values[f.name] = strings.TrimSpace(q.Get(f.name))
		if unit := q.Get("in." + f.name); unit != "" && p.Values[f.name] != "" && unit != v.visitor.Shows.Unit(f.unit) {
			p.Values[f.name] += " " + unit // the link of somebody who has other units
		}
	}
	kind := q.Get("kind")
	for _, k := range advisor.Kinds() {
		p.Kinds = append(p.Kinds, choice{Value: string(k), Text: h.tx.get("kind_" + string(k)), About: h.tx.get("kind_about_" + string(k)), On: string(k) == kind || kind == "" && k == advisor.Seal})
	}
	var system *cure.System
	for i, s := range v.Systems {
		on := s.goesBy(q.Get("system")) || q.Get("system") == "" && i == 0
		p.Systems = append(p.Systems, choice{Value: s.Name, Text: s.Name, About: s.Source, On: on})
		if on {
			system = s.Full
		}
	}
	p.Nothing = len(p.Systems) == 0
	if p.Nothing || p.Values["area"] == "" && len(q) == 0 {
		return p
	}
	need, wants, wrong := h.mixNeed(v.visitor.Shows, q, kind)
	if wrong == "" && system == nil {
		wants, wrong = "system", h.tx.get("refuse_system")
	}
	if wrong != "" {
		p.Wants, p.Wrong = wants, wrong
		return p
	}
	mix, err := batch.ForCoat(*system, need)
	if err != nil {
		p.Wrong = strings.TrimPrefix(err.Error(), "batch: ")
		return p
	}
	p.Mix = h.mixAnswer(v, *system, need, mix)
	return p
}

// mixNeed reads the numbers; wrong says what is wrong with which field.
func (h *Handler) mixNeed(s Shows, query url.Values, kind string) (n batch.Need, wants, wrong string) {
	got := map[string]float64{}
	f := fields{}
	for name := range query {
		f[name] = strings.TrimSpace(query.Get(name))
	}
	if s.Comma {
		f["decimal"] = "comma"
	}
	for _, x := range mixFields {
		outside := h.tx.get("mix_range", trim(x.lo), trim(x.hi), map[bool]string{true: " " + x.unit}[x.unit != ""])
		v, err := f.amount(x.name, s.quantity(x.unit), x.lo, x.hi, outside)
		if err != nil {
			return n, x.name, err.(*Refusal).Sentence
		}
		if v != nil {
			got[x.name] = *v
		}
	}
	switch {
	case got["area"] == 0:
		return n, "area", h.tx.get("mix_area_missing")
	case kind == string(advisor.WetOut) && got["fabric"] == 0:
		return n, "fabric", h.tx.get("mix_fabric_missing")
	case (kind == string(advisor.Fairing) || kind == string(advisor.Glue)) && got["thickness"] == 0:
		return n, "thickness", h.tx.get("mix_thickness_missing")
	}
	return batch.Need{Kind: kind, AreaM2: got["area"], FabricGM2: got["fabric"], Layers: int64(got["layers"]), Coats: int64(got["coats"]), FillerVolumes: got["filler"],
		ThicknessMM: got["thickness"], BatchG: got["batch"]}, "", ""
}

func trim(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }

func (h *Handler) mixAnswer(v View, s cure.System, n batch.Need, m batch.Mix) *mixAnswer {
	a := &mixAnswer{System: s.Name, Source: s.Source, Work: h.tx.get("mix_work", trim(math.Round(n.AreaM2*1000)/1000))}
	if n.FabricGM2 > 0 {
		a.Work += h.tx.get("mix_work_fabric", max(1, n.Layers), number(n.FabricGM2, 0))
	}
	if n.Coats > 1 {
		a.Work += h.tx.get("mix_work_coats", n.Coats)
	}
	row := func(label, value, unit, word string) factRow {
		return factRow{Label: h.tx.get(label), Fact: fact{Known: true, Value: value, Unit: unit}, Word: word}
	}
	a.Rows = append(a.Rows, row("mix_mixed", number(m.MixedG, 0), "g", h.tx.get("mix_with_waste")),
		row("mix_resin", number(m.ResinG, 0), "g", number(m.ResinML, 0)+" ml"), row("mix_hardener", number(m.HardenerG, 0), "g", number(m.HardenerML, 0)+" ml"))
	if st := m.Strokes; st != nil {
		a.Rows = append(a.Rows, row("mix_strokes", strconv.FormatInt(st.Resin, 10)+" + "+strconv.FormatInt(st.Hardener, 10), "", h.tx.get("mix_strokes_each", st.BatchResin, st.BatchHardener)))
	} else {
		a.Why = m.StrokesWhy
	}
	a.Rows = append(a.Rows, row("mix_batches", strconv.FormatInt(m.Batches, 10), "", h.tx.get("mix_batch_of", number(m.BatchG, 0))))
	if m.FillerML > 0 {
		a.Rows = append(a.Rows, row("mix_filler", number(m.FillerML, 0), "ml", h.tx.get("mix_consistency_"+string(m.Consistency))))
	}
	h.mixClocks(v, s, m.BatchG, a)
	return a
}

// mixClocks says how long one batch lasts at the shed's present temperature, in the sheet's pot and in a tray.
func (h *Handler) mixClocks(v View, s cure.System, batchG float64, a *mixAnswer) {
	if v.Advice.Shed.AirC.Value == nil {
		a.ClockNote = h.tx.get("mix_clock_unknown")
		return
	}
	room := *v.Advice.Shed.AirC.Value
	a.ClockNote = h.tx.get("mix_clock_note", number(room, 1))
	model, err := cure.New(s)
	if err != nil {
		a.ClockNote = err.Error()
		return
	}
	if room < s.LowestC {
		a.ClockNote = h.tx.get("mix_clock_cold", number(room, 1), number(s.LowestC, 0))
		return
	}
	diameter := 80.0
	if s.Pot != nil && s.Pot.DiameterMM > 0 {
		diameter = s.Pot.DiameterMM
	}
	for _, x := range []struct {
		label  string
		vessel batch.Vessel
	}{{h.tx.get("mix_pot", number(diameter, 0)), batch.Vessel{Shape: batch.Pot, DiameterMM: diameter}}, {h.tx.get("mix_tray"), batch.Vessel{Shape: batch.Tray, AreaCM2: 600}}} {
		life, err := batch.LifeOf(model, batch.Batch{MassG: batchG, RoomC: room, ResinC: room, Vessel: x.vessel})
		row := factRow{Label: x.label, Fact: fact{Unit: "min"}}
		if err == nil && life.WorkingMin != nil {
			row.Fact = fact{Known: true, Value: number(*life.WorkingMin, 0), Unit: "min"}
			row.Word = h.tx.get("mix_peak", number(life.PeakC, 0))
			if life.Runaway {
				row.Word = h.tx.get("mix_runaway")
			}
		}
		a.Clocks = append(a.Clocks, row)
	}
}
