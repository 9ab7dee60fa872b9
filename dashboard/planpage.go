package dashboard

import (
	"html/template"
	"net/http"
	"net/url"
	"slices"
	"sort"
	"strconv"
	"strings"

	"tackline/advisor"
	"tackline/advisor/plan"
	"tackline/advisor/units"
	"tackline/dashboard/chart"
)

// planPage is the page Plan: when to start on a piece, why, and what would help.
type planPage struct {
	base
	Pieces  []pieceLink
	Piece   int64
	Name    string
	Missing string // why there is nothing to plan for: no piece, no planner
	Fetch   string // "" or that the plan is being worked out: the script asks for it, and this address is for those without
	CantSay string
	NoSteps string // where a sequence can be set, where none is
	Work    []string
	Nothing string
	Changes []changeRow
	Best    []startCard
	Chart   template.HTML
	Caption string
	Others  []otherRow
	WhatIf  []gainCard
	Wrong   string // with the what-if
	Typed   string // the what-if, as it is typed
	Basis   string
	Caution []string
	Form    whatIfForm
}

type pieceLink struct {
	URL, Text string
	Here      bool
}

type changeRow struct {
	Text, URL, Chance string
}

type startCard struct {
	At     when
	Chance string
	Why    string
	Steps  []tideRow
	Shed   string // hours and nights
}

type otherRow struct{ Span, Chance, Why string }

type gainCard struct {
	What, Text, Heat string
	Cautions         []string
	Best             []startCard
}

// whatIfForm is what of the what-if was typed.
type whatIfForm struct {
	Deeds           []choice
	Systems         []choice
	Value, From, To string
	Burners         []choice
}

func (h *Handler) getPlan(w http.ResponseWriter, r *http.Request) {
	v, stale, ok := h.now(w, r, "/plan")
	if !ok {
		return
	}
	q := r.URL.Query()
	p := h.planPage(v, stale, q)
	status := http.StatusOK
	switch {
	case p.Missing != "", p.CantSay != "":
	case r.Header.Get("X-Part") != "main" && q.Get("whole") == "":
		again := url.Values{}
		for k, all := range q {
			again[k] = all
		}
		again.Set("whole", "1")
		p.Fetch = "/plan?" + again.Encode()
	default:
		status = h.fillPlan(r, v, q, &p)
	}
	h.render(w, r, status, "plan", p)
}

// planPage is the page without what has to be worked out.
func (h *Handler) planPage(v View, stale bool, q url.Values) planPage {
	p := planPage{base: h.base(v, stale, h.tx.get("title_plan"), "/plan")}
	p.Refresh, p.Live = false, false
	switch {
	case h.o.Planner == nil:
		p.Missing = h.tx.get("plan_no_planner")
	case len(v.Pieces) == 0:
		p.Missing = h.tx.get("plan_no_piece")
	}
	if p.Missing != "" {
		return p
	}
	p.Piece = planned(v, q.Get("piece"))
	jobs := map[int64]string{}
	for _, j := range v.Jobs {
		jobs[j.ID] = j.Name
	}
	for _, pc := range v.Pieces {
		if _, open := jobs[pc.Job]; !open && pc.ID != p.Piece {
			continue
		}
		link := pieceLink{URL: "/plan?piece=" + strconv.FormatInt(pc.ID, 10), Text: pc.Name, Here: pc.ID == p.Piece}
		if link.Here {
			p.Name = pc.Name
		}
		p.Pieces = append(p.Pieces, link)
	}
	p.Form = h.whatIfForm(v, q)
	if stale { // nothing is foreseen from a shed that is gone
		p.CantSay = h.tx.get("plan_stale")
	}
	for i := range v.Advice.Pieces {
		if a := &v.Advice.Pieces[i]; a.Piece == p.Piece && len(a.Steps) == 0 {
			p.NoSteps = "/book/pieces/" + strconv.FormatInt(a.Piece, 10) + "#steps"
		}
	}
	return p
}

// planned finds the piece that is meant; where none is, the first one with something left of its plan, else the first.
func planned(v View, name string) int64 {
	for _, p := range v.Pieces {
		if name != "" && (strconv.FormatInt(p.ID, 10) == name || strings.EqualFold(p.Name, name)) {
			return p.ID
		}
	}
	for _, a := range v.Advice.Pieces {
		if a.Next != nil && a.Next.Step > 0 && slices.ContainsFunc(v.Pieces, func(p Piece) bool { return p.ID == a.Piece }) {
			return a.Piece
		}
	}
	return v.Pieces[0].ID
}

// deeds are what can be tried, with whether they take hours and a burner.
var deeds = []struct {
	deed          plan.Deed
	unit          string
	hours, burner bool
}{{plan.Hold, "C", true, true}, {plan.Warm, "C", true, true}, {plan.Tent, "K", true, true}, {plan.Lamp, "K", true, false}, {plan.Dry, "%", false, false},
	{plan.Thinner, "", false, false}, {plan.Swap, "", false, false}, {plan.Longer, "", true, false}}

func (h *Handler) whatIfForm(v View, q url.Values) whatIfForm {
	f := whatIfForm{Value: q.Get("value"), From: q.Get("from"), To: q.Get("to")}
	for _, d := range deeds {
		about := h.tx.get("deed_about_" + string(d.deed))
		if d.unit == "C" || d.unit == "K" {
			about = h.tx.get("deed_about_"+string(d.deed), v.visitor.Shows.Unit(d.unit))
		}
		f.Deeds = append(f.Deeds, choice{Value: string(d.deed), Text: h.tx.get("deed_" + string(d.deed)), About: about,
			On: string(d.deed) == q.Get("deed") || q.Get("deed") == "" && d.deed == plan.Tent})
	}
	for _, s := range v.Systems {
		f.Systems = append(f.Systems, choice{Value: s.Name, Text: s.Name, On: s.Name == q.Get("system")})
	}
	for _, b := range []string{"", "propane", "kerosene"} {
		f.Burners = append(f.Burners, choice{Value: b, Text: h.tx.get("burner_" + b), On: b == q.Get("burner")})
	}
	return f
}

// typed puts the form's fields into the words of a what-if, a number without a unit being in the person's; a what_if that is given as such comes first.
func typed(q url.Values, s Shows) string {
	if t := strings.TrimSpace(q.Get("what_if")); t != "" || q.Get("deed") == "" {
		return t
	}
	out, value := q.Get("deed")+"=", strings.Replace(strings.TrimSpace(q.Get("value")), ",", ".", 1)
	for _, d := range deeds {
		if string(d.deed) != q.Get("deed") {
			continue
		}
		switch d.deed {
		case plan.Swap:
			return out + q.Get("system")
		case plan.Longer:
		default:
			if out += value; strings.TrimLeft(value, "+-.0123456789") == "" {
				out += s.Unit(d.unit)
			}
		}
		if from, to := q.Get("from"), q.Get("to"); d.hours && (from != "" || to != "") {
			out = strings.TrimSuffix(out+" ", "= ") + from + "-" + to
			if d.deed == plan.Longer {
				out = q.Get("deed") + "=" + from + "-" + to
			}
		}
		if b := q.Get("burner"); d.burner && b != "" {
			out += " burner=" + b
		}
	}
	return out
}

// fillPlan asks for the plan and puts it on the page; the status is that of the page.
func (h *Handler) fillPlan(r *http.Request, v View, q url.Values, p *planPage) int {
	ask := PlanQuery{Piece: strconv.FormatInt(p.Piece, 10)}
	p.Typed = typed(q, v.visitor.Shows)
	if p.Typed != "" {
		list, err := plan.ParseWhatIf(p.Typed)
		if err != nil {
			p.Wrong = strings.TrimPrefix(err.Error(), "plan: ")
		} else {
			ask.WhatIf = append(ask.WhatIf, list)
		}
	}
	made, err := h.o.Planner.Plan(r.Context(), ask)
	if err != nil && len(ask.WhatIf) > 0 { // the plan stands without what was tried
		_, _, p.Wrong = h.explain(r, err)
		ask.WhatIf = nil
		made, err = h.o.Planner.Plan(r.Context(), ask)
	}
	if err != nil {
		status, _, why := h.explain(r, err)
		p.CantSay = why
		return status
	}
	h.showPlan(v, made, p)
	if p.Wrong != "" {
		return http.StatusUnprocessableEntity
	}
	return http.StatusOK
}

func (h *Handler) showPlan(v View, made advisor.Plan, p *planPage) {
	if made.CantSay != "" {
		p.CantSay = made.CantSay
		return
	}
	for _, w := range made.Work {
		line := h.tx.get("plan_work", w.Step, number(w.WorkMin, 0))
		if w.Batches > 0 {
			line += h.tx.get("plan_work_batches", w.Batches, number(w.BatchG, 0))
		}
		p.Work = append(p.Work, line)
	}
	p.Nothing = made.Nothing
	for _, c := range made.Changes {
		p.Changes = append(p.Changes, changeRow{Text: c.Text, Chance: percent(c.Chance),
			URL: "/plan?" + url.Values{"piece": {strconv.FormatInt(p.Piece, 10)}, "what_if": {c.WhatIf}}.Encode() + "#what-if"})
	}
	for _, s := range made.Best {
		p.Best = append(p.Best, h.startCard(v, s))
	}
	for _, o := range made.Others {
		span := clock(o.From.Time(), v.At, v.Zone)
		if o.To > o.From {
			span = h.tx.get("finished_span", span, clock(o.To.Time(), v.At, v.Zone))
		}
		p.Others = append(p.Others, otherRow{Span: span, Chance: percent(o.Chance), Why: o.Why})
	}
	for _, g := range made.WhatIf {
		card := gainCard{What: g.WhatIf, Text: g.Text, Cautions: g.Cautions}
		if g.HeatBasis != "" {
			card.Heat = h.tx.get("plan_heat_basis", g.HeatBasis)
		}
		for _, s := range g.Best {
			card.Best = append(card.Best, h.startCard(v, s))
		}
		p.WhatIf = append(p.WhatIf, card)
	}
	p.Basis = h.tx.get("plan_basis", made.Basis, made.Members)
	p.Caution = made.Cautions
	if c := h.chanceChart(v, made); len(c.Chances) > 1 {
		p.Chart = template.HTML(chart.SVG(c, "chances")) //nolint:gosec // made by chart, which escapes its texts
		p.Caption = c.Desc
	}
}

// percent writes a chance. What is certain only in the members that were looked at is not said to be certain.
func percent(share float64) string {
	switch {
	case share > 0.99:
		return "over 99\u00a0%"
	case share < 0.01:
		return "under 1\u00a0%"
	}
	return number(100*share, 0) + "\u00a0%"
}

func (h *Handler) startCard(v View, s plan.Start) startCard {
	c := startCard{At: whenOf(s.At, v.At, v.Zone), Chance: percent(s.Chance), Why: s.Why, Shed: h.tx.get("plan_hours", number(s.HoursInShed, 1))}
	switch {
	case s.Nights == 1:
		c.Shed += h.tx.get("plan_night")
	case s.Nights > 1:
		c.Shed += h.tx.get("plan_nights", s.Nights)
	}
	for _, x := range s.Steps {
		c.Steps = append(c.Steps, tideRow{Label: x.Step, Early: whenOf(x.Early, v.At, v.Zone), Likely: whenOf(x.Likely, v.At, v.Zone), Late: whenOf(x.Late, v.At, v.Zone), Bold: "likely"})
	}
	return c
}

func (h *Handler) chanceChart(v View, made advisor.Plan) *chart.ChanceChart {
	c := &chart.ChanceChart{Title: h.tx.get("plan_chart"), Now: float64(made.At), NowLabel: h.tx.get("now_label"), Zone: v.Zone, W: 358, H: 190}
	starts := slices.Clone(made.Starts)
	sort.SliceStable(starts, func(a, b int) bool { return starts[a].At < starts[b].At })
	var from, to units.Instant
	var spans []string
	for i, s := range starts {
		c.Chances = append(c.Chances, chart.Sample{At: float64(s.At), V: s.Chance})
		if s.Chance >= 0.5 {
			if !from.Known() {
				from = s.At
			}
			to = s.At
		}
		if from.Known() && (s.Chance < 0.5 || i == len(starts)-1) {
			spans = append(spans, h.tx.get("finished_span", clock(from.Time(), v.At, v.Zone), clock(to.Time(), v.At, v.Zone)))
			from = 0
		}
	}
	for _, s := range made.Best {
		c.Best = append(c.Best, float64(s.At))
	}
	switch {
	case len(spans) == 0:
		c.Desc = h.tx.get("plan_chart_none")
	default:
		c.Desc = h.tx.get("plan_chart_words", strings.Join(spans, ", "))
	}
	return c
}
