package advisor

import (
	"fmt"
	"math"
	"time"

	"tackline/advisor/cure"
	"tackline/advisor/learn"
	"tackline/advisor/units"
)

// order gives the place of a state in the course of a coat.
func (s State) order() int {
	for i, x := range [...]State{StateWet, StateTacky, StateGreen, StateSet, StateFirm, StateSandable, StateCured} {
		if s == x {
			return i
		}
	}
	return 0
}

// adviseCoat says where a running coat stands and when its windows open and close.
func adviseCoat(s *Situation, w *weather, k *skin, d *drums, c *Coat, p *Piece) CoatAdvice {
	out := CoatAdvice{Coat: c.ID, Piece: c.Piece, PieceName: p.Name, Name: fmt.Sprintf("%s on %s", c.Kind, p.Name), Kind: c.Kind,
		System: c.System.Name, Drum: c.Drum, Started: c.Started, SurfaceModelled: k.modelled, FilmLimitGM2: filmLimit(p.Lie, c.Kind)}
	model, err := d.model(&c.System)
	if err != nil {
		return cannot(out, "this system can't be computed: "+err.Error())
	}
	if c.Started > s.At {
		return cannot(out, "it starts later than now")
	}
	out.GapMinutes = gapMinutes(k, float64(c.Started), w.at)
	if k.missing != "" {
		return cannot(out, k.missing)
	}
	out.SurfaceC = figure(k.now, float64(k.u))
	fit, own := d.forCoat(w, k, c)
	spread := fit.Spread(own)
	courses, err := solve(w, k, c, model, &spread)
	if err != nil {
		return cannot(out, err.Error())
	}
	weights := even(members)
	if times, others := fit.Behind(own); times > 0 {
		out.Lag = &Lag{Times: times, Others: others}
	}
	out.Marks = markTimes(courses, weights, w.at)
	out.Windows = windows(out.Marks, s.At)
	likely := courses[central(courses, w.at)]
	out.State, out.Conversion, out.TgC = standing(c, out.Marks, courses, weights, w.at)
	out.Stalled = model.Stall(*out.Conversion, k.now) == cure.StallCold // of the conversion and the film that are shown
	if out.State == StateSandable && settled(courses, weights, w.at) {
		out.State = StateCured
	}
	out.MarginAhead = marginAhead(w, k, out.Marks)
	out.Blush, out.BlushWhy = blush(s, w, k, c, out.Marks)
	if c.OnTimber {
		gel := make([]float64, len(courses))
		for i := range courses {
			gel[i] = w.at + Horizon
			if at, ok := courses[i].GelAt(); ok {
				gel[i] = at
			}
		}
		until := math.Min(w.at+Horizon, math.Max(w.at+2*float64(panelStep), quantile(gel, weights, 0.5)))
		rise := reactionRise(k.panel, &c.System, c.Kind, &likely.Course, k.now, w.at, until)
		if g, _ := breathe(s, w, k, nil, gel, rise); g != nil {
			out.GasRatio, out.GasSure, out.GasDirection = &g.likely, &g.sure, g.direction(s.Limits.GasGrowth)
		}
	}
	out.BelowLowest = k.now < c.System.LowestC
	out.Reasons = coatReasons(s, &out, c, k, d.of(c.key()))
	if out.BelowLowest {
		out = cannot(out, fmt.Sprintf("the surface is at %.1f C, below this system's lowest of %.1f C: no time can be given", k.now, c.System.LowestC))
	}
	return out
}

// cannot strips every time from an advice that can't be given, and says why.
func cannot(a CoatAdvice, why string) CoatAdvice {
	a.CantSay = why
	a.State, a.Marks, a.MarginAhead = "", []MarkTime{}, nil
	a.Windows = []Window{{Window: "tack", Phase: "can't say"}, {Window: "recoat", Phase: "can't say"}}
	a.Reasons = append([]Reason{{Rule: "trust", Verdict: CantSay, Text: "No time for this coat: " + why + "."}}, a.Reasons...)
	return a
}

// solve runs every member's course of a coat, from what touches have taught of its drum and of itself.
func solve(w *weather, k *skin, c *Coat, model cure.Model, spread *learn.Spread) ([]learn.Run, error) {
	from := float64(c.Started)
	all := paths(w, k, from)
	courses := make([]learn.Run, len(w.draws))
	for i := range w.draws {
		member := spread.Member(w.draws[i].taught())
		course, err := member.Run(model, all[i].film, from, w.at+Horizon)
		if err != nil {
			return nil, fmt.Errorf("no course from the temperatures since %s: %w", c.Started.Time().Format(time.RFC3339), err)
		}
		courses[i] = course
	}
	return courses, nil
}

// markTimes gives early, likely and late of each mark over the members.
func markTimes(courses []learn.Run, weights []float64, now float64) []MarkTime {
	out := make([]MarkTime, 0, 5)
	at := make([]float64, len(courses))
	conversion := make([]float64, len(courses))
	for _, m := range cure.AllMarks() {
		for i := range courses {
			t, ok := courses[i].MarkAt(m)
			if !ok {
				t = never
				conversion[i] = 1
			} else {
				conversion[i] = conversionAt(&courses[i].Course, t)
			}
			at[i] = t
		}
		mt := MarkTime{Mark: m.String(), When: Moment{reached(quantile(at, weights, 0.1)), reached(quantile(at, weights, 0.5)), reached(quantile(at, weights, 0.9))}}
		mt.Passed = mt.When.Likely.Known() && float64(mt.When.Likely) <= now
		mt.Conversion = quantile(conversion, weights, 0.5)
		out = append(out, mt)
	}
	return out
}

// reached turns never into unknown.
func reached(at float64) units.Instant {
	if at == never {
		return 0
	}
	return units.Instant(at)
}

// windows gives the tack and the recoat window from the marks.
func windows(marks []MarkTime, now units.Instant) []Window {
	by := map[string]Moment{}
	for _, m := range marks {
		by[m.Mark] = m.When
	}
	tack := Window{Window: "tack", Opens: by["tack_opens"], Closes: by["tack_closes"]}
	recoat := Window{Window: "recoat", Opens: by["tack_opens"], Closes: by["recoat_closes"]}
	tack.Phase, recoat.Phase = tack.phase(now), recoat.phase(now)
	return []Window{tack, recoat}
}

// phase says where now lies: open from the likely opening, closing from the early closing on, closed from the likely closing.
func (w Window) phase(now units.Instant) string {
	switch {
	case !w.Opens.Likely.Known() || now < w.Opens.Likely:
		return "before"
	case w.Closes.Likely.Known() && now >= w.Closes.Likely:
		return "closed"
	case w.Closes.Early.Known() && now >= w.Closes.Early:
		return "closing"
	}
	return "open"
}

// standing gives the state by the marks' likely times, never before what the last touch found, with conversion and Tg.
func standing(c *Coat, marks []MarkTime, courses []learn.Run, weights []float64, now float64) (State, *float64, *float64) {
	state := StateWet
	for i, m := range marks {
		if m.Passed {
			state = [...]State{StateTacky, StateGreen, StateSet, StateFirm, StateSandable}[i]
		}
	}
	if n := len(c.Touches); n > 0 {
		last := c.Touches[n-1]
		if !last.Witness && last.State.order() > state.order() {
			state = last.State
		}
	}
	conversion := make([]float64, len(courses))
	tg := make([]float64, len(courses))
	for i := range courses {
		conversion[i] = conversionAt(&courses[i].Course, now)
		tg[i], _ = courses[i].TgAt(math.Min(now, courses[i].End()))
	}
	a, g := quantile(conversion, weights, 0.5), quantile(tg, weights, 0.5)
	return state, &a, &g
}

// settled tells whether, for most members, the coat has reached what it can at this temperature.
func settled(courses []learn.Run, weights []float64, now float64) bool {
	done := make([]bool, len(courses))
	for i := range courses {
		done[i], _ = courses[i].CuredAt(math.Min(now, courses[i].End()))
	}
	return share(done, weights) >= 0.5
}

// conversionAt gives the conversion at a time, held within the course's span.
func conversionAt(c *cure.Course, at float64) float64 {
	a, _ := c.ConversionAt(math.Min(math.Max(at, c.Start()), c.End()))
	return a
}

// central gives the member whose coat is furthest neither way: that of the median of its conversion, now or where that is known last.
func central(courses []learn.Run, now float64) int64 {
	conversion := make([]float64, len(courses))
	for i := range courses {
		conversion[i] = conversionAt(&courses[i].Course, now+1) // a coat that starts now has none yet: a second later members differ
	}
	middle := quantile(conversion, even(len(courses)), 0.5)
	best := int64(0)
	for i, a := range conversion {
		if math.Abs(a-middle) < math.Abs(conversion[best]-middle) {
			best = int64(i)
		}
	}
	return best
}

// gapMinutes is the time since the start without a usable temperature.
func gapMinutes(k *skin, from, to float64) float64 {
	sum := 0.0
	for _, g := range k.past.Gaps(from, to) {
		sum += g.Len()
	}
	if _, _, ok := k.past.Last(); ok && k.missing == "" && k.past.MaxGap > 0 { // the stretch since the newest reading is not a gap while it is fresh
		last, _, _ := k.past.Last()
		sum -= math.Max(0, math.Min(to-last, to-from))
	}
	return math.Max(0, math.Round(sum/60*10)/10)
}

// marginAhead finds the smallest margin between now and the likely end of green, at its 10 % bound.
func marginAhead(w *weather, k *skin, marks []MarkTime) *Ahead {
	end := marks[cure.RecoatCloses].When.Late
	if !end.Known() {
		end = units.Instant(w.at + Horizon)
	}
	if float64(end) <= w.at || len(w.future.Likely.VapourPa) == 0 {
		return nil
	}
	all := k.ahead
	v, at := make([]float64, 0, members), make([]float64, 0, members)
	for i := range all {
		if m, when, ok := lowest(all[i].vapour.At, w.at, float64(end), all[i].margin); ok {
			v, at = append(v, m), append(at, when)
		}
	}
	if len(v) == 0 {
		return nil
	}
	low := quantile(v, even(len(v)), 0.1)
	near := 0
	for i := range v {
		if math.Abs(v[i]-low) < math.Abs(v[near]-low) {
			near = i
		}
	}
	return &Ahead{At: units.Instant(at[near]), MarginK: low, UK: marginU(w, k)}
}

// figure gives a value with its uncertainty.
func figure(v, u float64) Figure { return Figure{Value: &v, U: &u} }

// coatReasons says in words what the numbers mean for the coat.
func coatReasons(s *Situation, a *CoatAdvice, c *Coat, k *skin, drum *DrumAdvice) []Reason {
	reasons := []Reason{}
	add := func(rule string, v Verdict, value, limit *float64, unit, source, text string) {
		reasons = append(reasons, Reason{Rule: rule, Verdict: v, Value: value, Limit: limit, Unit: unit, Source: source, Text: text})
	}
	if a.Stalled {
		add("stalled", Wait, a.TgC, &k.now, "C", "Tg against the film's temperature",
			fmt.Sprintf("Hard, not cured: the film has gone glassy at %.1f C with %.0f %% of the reaction done. Warmth restarts it; cold alone will not finish it.", k.now, 100**a.Conversion))
	}
	limit := float64(s.Limits.MarginK)
	if m := a.MarginAhead; m != nil && m.MarginK-m.UK < limit {
		v := m.MarginK - m.UK
		add("margin", Wait, &v, &limit, "K", s.Limits.MarginSource,
			fmt.Sprintf("The margin over the dew point may fall to %.1f K less %.1f K of doubt at %s, before this coat stops minding: warm the piece or dry the air.",
				m.MarginK, m.UK, clockTime(s, m.At)))
	}
	if a.GapMinutes > 0 {
		g := a.GapMinutes
		add("trust", Wait, &g, nil, "min", "log", fmt.Sprintf("%.0f minutes since the start have no usable temperature: its times are the wider for it.", g))
	}
	if k.modelled {
		add("trust", Clear, nil, nil, "", "heat model", k.source())
	}
	reasons = append(reasons, lagReason(a)...)
	if drum != nil {
		reasons = append(reasons, drum.reason())
	}
	reasons = append(reasons, sagReason(a, c)...)
	if c.Kind == Seal && a.State == StateWet {
		reasons = append(reasons, Reason{Rule: "outgassing", Verdict: Clear, Source: "common practice, no source",
			Text: "While it is wet, keep sun, lamp and heater off the timber: warming timber blows bubbles."})
	}
	return reasons
}

// clockTime gives an instant as a time of day in the shed's zone, with the day where it is not today. While the clock is not set it can only
// be told from now.
func clockTime(s *Situation, at units.Instant) string {
	if !s.ClockSet {
		if at < s.At {
			return span(float64(s.At-at)) + " ago"
		}
		return span(float64(at-s.At)) + " from now"
	}
	zone := s.Zone
	if zone == nil {
		zone = time.UTC
	}
	t, now := at.Time().In(zone), s.At.Time().In(zone)
	if t.YearDay() == now.YearDay() && t.Year() == now.Year() {
		return t.Format("15:04")
	}
	return t.Format("Mon 15:04")
}
