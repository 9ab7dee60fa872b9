package dashboard

import (
	"fmt"
	"html/template"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"tackline/advisor"
	"tackline/advisor/units"
	"tackline/dashboard/chart"
)

// coatsPage is the page Coats.
type coatsPage struct {
	base
	Batches  []batchCard
	Running  []coatCard
	Finished []finishedRow
	Systems  []choice // that a batch may be mixed of
}

// coatCard is a coat that runs.
type coatCard struct {
	ID       int64
	Title    string
	Sub      []string
	State    string // "wet now"
	Hero     hero
	Chart    template.HTML
	Caption  string
	OpenEnd  bool
	Rows     []tideRow
	Buttons  []touchButton
	Last     string
	Key      string
	EndKey   string
	Says     []string
	Piece    int64
	Keeps    *keepsakes // nil where the job book is not shown
	Next     pieceRow   // of the piece that it is on
	CanWrite bool
}

// hero is the one number to act on.
type hero struct {
	Label string
	Big   string
	Until string // Unix seconds that Big counts down to; "" for none
	Why   string
}

// tideRow is a row of the table of openings and closings. Bold is the column to act on: early, likely or late.
type tideRow struct {
	Label               string
	Early, Likely, Late when
	Bold                string
	Passed              bool
}

type touchButton struct {
	State, Text string
	Last        bool
}

type finishedRow struct {
	Title, System, Span, Job string
	JobID                    int64
	Keeps                    *keepsakes
}

// coatsPage makes the page; without a book it has no notes and photos.
func (h *Handler) coatsPage(v View, stale bool, b *Book) coatsPage {
	p := coatsPage{base: h.base(v, stale, h.tx.get("title_coats"), "/coats")}
	advice := map[int64]*advisor.CoatAdvice{}
	for i := range v.Advice.Coats {
		advice[v.Advice.Coats[i].Coat] = &v.Advice.Coats[i]
	}
	p.Batches = h.batchCards(v)
	for i, s := range v.Systems {
		p.Systems = append(p.Systems, choice{Value: s.Name, Text: s.Name, About: s.Source, On: i == 0})
	}
	for _, c := range v.Coats {
		if c.Ended.IsZero() {
			card := h.coatCard(v, c, advice[c.ID])
			card.Keeps = h.coatKeeps(v, b, c)
			p.Running = append(p.Running, card)
			continue
		}
		p.Finished = append(p.Finished, finishedRow{Title: h.coatTitle(c), System: c.System, Job: c.JobName, JobID: c.Job, Keeps: h.coatKeeps(v, b, c),
			Span: h.tx.get("finished_span", clock(c.Started, v.At, v.Zone), clock(c.Ended, v.At, v.Zone))})
	}
	return p
}

func (h *Handler) coatKeeps(v View, b *Book, c Coat) *keepsakes {
	if b == nil {
		return nil
	}
	k := h.keepsakes(v, *b, "coat-"+strconv.FormatInt(c.ID, 10), "/coats", h.coatTitle(c), About{Coat: c.ID})
	return &k
}

func (h *Handler) coatTitle(c Coat) string {
	return h.tx.get("coat_on", h.tx.get("kind_"+string(c.Kind)), c.PieceName)
}

// coatCard shows a coat. A coat that was started this minute has no advice yet: then a is nil.
func (h *Handler) coatCard(v View, c Coat, a *advisor.CoatAdvice) coatCard {
	card := coatCard{ID: c.ID, Title: h.coatTitle(c), Key: h.o.Key(), EndKey: h.o.Key(), CanWrite: h.canWrite(v)}
	card.Sub = []string{c.JobName, c.System, h.tx.get("coat_since", clock(c.Started, v.At, v.Zone))}
	if a == nil {
		a = &advisor.CoatAdvice{Coat: c.ID, Kind: c.Kind}
	}
	if f := factOf(a.SurfaceC, 1, "C"); f.Known {
		key := "coat_surface"
		if a.SurfaceModelled {
			key = "coat_surface_modelled"
		}
		card.Sub = append(card.Sub, h.tx.get(key, f.Value))
	}
	card.State = h.tx.get("state_unknown")
	if a.State != "" {
		card.State = h.tx.get("state_now", h.tx.get("state_"+string(a.State)))
	}
	card.Hero = h.hero(v, a)
	card.Piece, card.Next = c.Piece, h.pieceRow(v, BookPiece{ID: c.Piece})
	if card.Next.Step == "" {
		card.Next = pieceRow{} // without a sequence nothing is known to come next
	}
	card.Rows = h.tideRows(v, a)
	if drawing := h.tideChart(v, c, a); drawing.Opens.Likely > 0 {
		card.Chart = template.HTML(chart.SVG(drawing, fmt.Sprintf("c%d", c.ID))) //nolint:gosec // made by chart, which escapes its texts
		card.Caption = drawing.Desc
		n := len(drawing.Stretches)
		card.OpenEnd = n == 0 || drawing.Stretches[n-1].Closes.Likely == 0
	}
	h.touches(v, c, &card)
	card.Says = h.coatSays(v, a)
	return card
}

func (h *Handler) touches(v View, c Coat, card *coatCard) {
	var last TouchMark
	for _, t := range c.Touches {
		if !t.At.Before(last.At) {
			last = t
		}
	}
	card.Last = h.tx.get("touch_none")
	if !last.At.IsZero() {
		key := "touch_last"
		if last.Witness {
			key = "touch_last_witness"
		}
		card.Last = h.tx.get(key, h.tx.get("state_"+string(last.State)), clock(last.At, v.At, v.Zone))
	}
	for _, s := range touchStates() {
		card.Buttons = append(card.Buttons, touchButton{State: string(s), Text: h.tx.get("state_" + string(s)), Last: s == last.State})
	}
}

func windowOf(a *advisor.CoatAdvice, name string) (w advisor.Window, ok bool) {
	for _, w := range a.Windows {
		if w.Window == name {
			return w, true
		}
	}
	return advisor.Window{}, false
}

func markOf(a *advisor.CoatAdvice, name string) (m advisor.MarkTime, ok bool) {
	for _, m := range a.Marks {
		if m.Mark == name {
			return m, true
		}
	}
	return advisor.MarkTime{}, false
}

// hero picks the number to act on: the likely opening while a window is shut, the early closing while it is open. For a bedding coat the
// fabric comes first.
func (h *Handler) hero(v View, a *advisor.CoatAdvice) hero {
	tack, hasTack := windowOf(a, "tack")
	recoat, hasRecoat := windowOf(a, "recoat")
	switch {
	case a.CantSay != "":
		return hero{Big: h.tx.get("hero_cant"), Why: a.CantSay}
	case a.BelowLowest:
		return hero{Big: h.tx.get("hero_cant"), Why: h.tx.get("hero_below")}
	case a.State == advisor.StateCured:
		return hero{Big: h.tx.get("hero_cured")}
	case !hasTack && !hasRecoat:
		return hero{Big: h.tx.get("hero_cant")}
	}
	fabric := a.Kind == advisor.Bedding && hasTack
	first := recoat
	if fabric || !hasRecoat {
		first = tack
	}
	open := func(phase string) bool { return phase == "open" || phase == "closing" }
	switch {
	case first.Phase == "before" && first.Opens.Likely.Known():
		key := "hero_next_in"
		if fabric {
			key = "hero_fabric_in"
		}
		return h.countdown(v, key, first.Opens.Likely)
	case fabric && open(tack.Phase) && tack.Closes.Early.Known():
		return h.countdown(v, "hero_fabric_by", tack.Closes.Early)
	case hasRecoat && open(recoat.Phase) && recoat.Closes.Early.Known():
		return h.countdown(v, "hero_next_by", recoat.Closes.Early)
	case first.Phase == "before" || open(first.Phase):
		return hero{Big: h.tx.get("not_seen")}
	case first.Phase == "can't say":
		return hero{Big: h.tx.get("hero_cant")}
	}
	if m, ok := markOf(a, "sandable"); ok && !m.Passed && m.When.Late.Known() && !a.Stalled {
		out := h.countdown(v, "hero_sand_in", m.When.Late)
		out.Why = h.tx.get("hero_shut_why")
		return out
	}
	return hero{Big: h.tx.get("hero_shut"), Why: h.tx.get("hero_shut_why")}
}

func (h *Handler) countdown(v View, key string, to units.Instant) hero {
	at := to.Time()
	big := wait(at.Sub(v.At))
	if big == "" {
		big = h.tx.get("hero_any")
	}
	return hero{Label: h.tx.get(key, clock(at, v.At, v.Zone)), Big: big, Until: unix(at)}
}

func (h *Handler) tideRows(v View, a *advisor.CoatAdvice) []tideRow {
	if a.CantSay != "" || a.BelowLowest {
		return nil
	}
	row := func(key string, m advisor.Moment, bold string, passed bool) tideRow {
		return tideRow{Label: h.tx.get(key), Early: whenOf(m.Early, v.At, v.Zone), Likely: whenOf(m.Likely, v.At, v.Zone), Late: whenOf(m.Late, v.At, v.Zone),
			Bold: bold, Passed: passed}
	}
	passed := func(mark string) bool { m, ok := markOf(a, mark); return ok && m.Passed }
	var rows []tideRow
	if w, ok := windowOf(a, "tack"); ok {
		rows = append(rows, row("row_opens", w.Opens, "likely", passed("tack_opens")), row("row_closes", w.Closes, "early", passed("tack_closes")))
	}
	if w, ok := windowOf(a, "recoat"); ok {
		rows = append(rows, row("row_recoat", w.Closes, "early", passed("recoat_closes")))
	}
	for _, m := range a.Marks {
		switch m.Mark {
		case "firm":
			rows = append(rows, row("row_firm", m.When, "", m.Passed))
		case "sandable":
			rows = append(rows, row("row_sandable", m.When, "late", m.Passed))
		}
	}
	return rows
}

func momentOf(m advisor.Moment) chart.Moment {
	return chart.Moment{Early: float64(m.Early), Likely: float64(m.Likely), Late: float64(m.Late)}
}

// tideChart makes the drawing of a coat's windows. Where no time may be given there is no opening in it, and it is not shown.
func (h *Handler) tideChart(v View, c Coat, a *advisor.CoatAdvice) *chart.TideChart {
	d := &chart.TideChart{Title: h.tx.get("tide_heading") + ": " + h.coatTitle(c), Started: float64(units.InstantOf(c.Started)), Now: float64(units.InstantOf(v.At)),
		NowLabel: h.tx.get("now_label"), Zone: v.Zone, W: 358, H: 200}
	if a.CantSay != "" || a.BelowLowest {
		return d
	}
	tack, hasTack := windowOf(a, "tack")
	recoat, hasRecoat := windowOf(a, "recoat")
	var words []string
	add := func(label string, m advisor.Moment) {
		d.Stretches = append(d.Stretches, chart.Stretch{Label: label, Closes: momentOf(m)})
		if m.Likely.Known() {
			words = append(words, h.tx.get("tide_words_close", label, clock(m.Likely.Time(), v.At, v.Zone), clock(m.Early.Time(), v.At, v.Zone)))
		}
	}
	if hasTack {
		d.Opens = momentOf(tack.Opens)
		label := h.tx.get("tide_tack")
		if a.Kind == advisor.Bedding {
			label = h.tx.get("tide_fabric")
		}
		add(label, tack.Closes)
	}
	if hasRecoat {
		if !hasTack {
			d.Opens = momentOf(recoat.Opens)
		}
		add(h.tx.get("tide_next"), recoat.Closes)
	}
	if o := d.Opens; o.Likely > 0 {
		at := func(s float64) string { return clock(units.Instant(s).Time(), v.At, v.Zone) }
		words = append([]string{h.tx.get("tide_words", at(o.Likely), at(o.Early), at(o.Late))}, words...)
	}
	for _, t := range c.Touches {
		d.Dots = append(d.Dots, chart.Dot{At: float64(units.InstantOf(t.At)), Label: h.tx.get("state_" + string(t.State))})
	}
	d.Desc = strings.Join(words, " ")
	return d
}

// coatSays gives the sentences under a coat, the ones that ask for a deed first.
func (h *Handler) coatSays(v View, a *advisor.CoatAdvice) []string {
	var says []string
	if a.Stalled {
		says = append(says, h.tx.get("stalled"))
	}
	for _, r := range a.Reasons {
		says = append(says, r.Text)
	}
	if m := a.MarginAhead; m != nil {
		s := h.tx.get("ahead", number(m.MarginK, 1), number(m.UK, 1), clock(m.At.Time(), v.At, v.Zone))
		if v.MarginK > 0 && m.MarginK-m.UK < v.MarginK {
			s += " " + h.tx.get("ahead_below", trimmed(v.MarginK))
		}
		says = append(says, s)
	}
	if a.Blush == "some" || a.Blush == "high" {
		s := h.tx.get("blush_" + a.Blush)
		if a.BlushWhy != "" {
			s += " " + a.BlushWhy
		}
		says = append(says, s)
	}
	if a.GapMinutes >= 1 {
		says = append(says, h.tx.get("gap", length(time.Duration(a.GapMinutes*float64(time.Minute)))))
	}
	return says
}

// newPage is the form that starts a coat.
type newPage struct {
	base
	Key       string
	Pieces    []choice
	Kinds     []choice
	Systems   []choice
	AtHint    string
	AtDefault string
	Nothing   bool
}

type choice struct {
	Value, Text, About string
	On                 bool
}

func (h *Handler) newPage(v View, stale bool, q url.Values) newPage {
	p := newPage{base: h.base(v, stale, h.tx.get("title_new"), "/coats"), Key: h.o.Key()}
	p.Refresh, p.Live = false, false
	jobs, piece, kind, system := map[int64]string{}, q.Get("piece"), q.Get("kind"), q.Get("system")
	for _, j := range v.Jobs {
		jobs[j.ID] = j.Name
	}
	bare := false
	for i, pc := range v.Pieces {
		c := choice{Value: strconv.FormatInt(pc.ID, 10), Text: pc.Name, About: jobs[pc.Job]}
		c.On = c.Value == piece || (piece == "" && i == 0)
		bare = bare || (c.On && pc.Bare)
		p.Pieces = append(p.Pieces, c)
	}
	for _, k := range advisor.Kinds() {
		on := k == advisor.Bedding
		if bare {
			on = k == advisor.Seal
		}
		if slices.Contains(advisor.Kinds(), advisor.Kind(kind)) {
			on = string(k) == kind
		}
		p.Kinds = append(p.Kinds, choice{Value: string(k), Text: h.tx.get("kind_" + string(k)), About: h.tx.get("kind_about_" + string(k)), On: on})
	}
	named := slices.ContainsFunc(v.Systems, func(s System) bool { return s.goesBy(system) })
	for i, s := range v.Systems {
		p.Systems = append(p.Systems, choice{Value: s.Name, Text: s.Name, About: s.Source, On: s.goesBy(system) || !named && i == 0})
	}
	p.AtHint = h.tx.get("start_at_hint", v.At.In(v.Zone).Format("15:04 MST"))
	p.Nothing = len(p.Pieces) == 0 || len(p.Systems) == 0
	return p
}
