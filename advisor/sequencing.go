package advisor

import (
	"fmt"
	"math"
	"strings"

	"tackline/advisor/air"
	"tackline/advisor/sequence"
	"tackline/advisor/units"
)

// factsOf gathers what the sequence of a piece rests on: every coat and deed on it, with the standing of those that still speak.
func factsOf(s *Situation, w *weather, k *skin, p *Piece, told map[int64]*CoatAdvice) sequence.Facts {
	f := sequence.Facts{At: s.At, Zone: s.Zone, Unset: !s.ClockSet, Bare: p.Bare}
	for i := range s.Coats {
		c := &s.Coats[i]
		if c.Piece != p.ID {
			continue
		}
		f.Bare = f.Bare || c.OnTimber
		f.Coats = append(f.Coats, sequence.Coat{ID: c.ID, Work: sequence.Work(c.Kind), System: c.System.Name, Started: c.Started, Fabric: c.Fabric,
			PeelPly: c.PeelPly, Standing: standingOf(c, told[c.ID])})
	}
	for _, d := range p.Deeds {
		deed := sequence.Deed{ID: d.ID, Work: d.Work, At: d.At}
		if d.Work == sequence.Wash {
			deed.DryMin = dryMinutes(w, k, float64(d.At))
		}
		f.Deeds = append(f.Deeds, deed)
	}
	return f
}

// standingOf puts a coat's advice into the words of the sequence. What a finger found hard stays hard, whatever the probes do.
func standingOf(c *Coat, a *CoatAdvice) sequence.Standing {
	var s sequence.Standing
	switch {
	case a == nil:
		s.Old, s.Why = true, "it went on more than ten days ago, and its times are not worked out any more; touch it"
	case a.CantSay != "":
		s.Why = a.CantSay
	default:
		s.State, s.Stalled = string(a.State), a.Stalled
		for i, m := range []*sequence.Moment{&s.TackOpens, &s.TackCloses, &s.RecoatCloses, &s.Firm, &s.Sandable} {
			if i < len(a.Marks) {
				*m = sequence.Moment(a.Marks[i].When)
			}
		}
	}
	if a != nil {
		s.TgC, s.SurfaceC = a.TgC, a.SurfaceC.Value
	}
	for _, t := range c.Touches {
		switch {
		case t.Witness:
		case s.State != "":
			s.ByTouch = s.ByTouch || t.State.order() >= State(s.State).order()
		case t.State.order() >= StateFirm.order():
			s.State, s.ByTouch = string(t.State), true
		}
	}
	return s
}

// dryMinutes gives for how many minutes since a washing the surface was dry enough to dry on; nil where the log does not tell. Time in a gap
// of the log is not counted.
func dryMinutes(w *weather, k *skin, since float64) *float64 {
	var dry, seen float64
	for i, at := range w.vapour.At {
		if at < since || i == 0 {
			continue
		}
		step := at - math.Max(w.vapour.At[i-1], since)
		if w.vapour.MaxGap > 0 && step > w.vapour.MaxGap {
			continue
		}
		surface, ok := k.past.Value(at)
		if !ok {
			continue
		}
		t, ok := w.airC.Value(at)
		if !ok {
			continue
		}
		rh, err := air.SurfaceRHOfVapour(units.Celsius(t), units.Pascal(w.vapour.V[i]), units.Celsius(surface))
		if err != nil {
			continue
		}
		seen += step
		if float64(rh) <= sequence.DryRHPct {
			dry += step
		}
	}
	if seen == 0 && w.at > since {
		return nil
	}
	dry /= 60
	return &dry
}

// shareMeans lets each coat's own advice say what its place in the sequence means, so that it stays with its record.
func shareMeans(all []sequence.Meaning, told map[int64]*CoatAdvice) {
	for _, m := range all {
		if a := told[m.Coat]; a != nil && m.Coat != 0 {
			a.Means = append(a.Means, m)
		}
	}
}

// lookAtStep settles which step comes next, and with what the next coat would be made.
func (p *piece) lookAtStep(left []sequence.Step, facts *sequence.Facts, seen *sequence.Outlook) {
	if seen.Next != nil {
		p.next = *seen.Next
	} else {
		p.next = facts.Ask(sequence.Step{Work: sequence.Work(p.kind), Wait: sequence.RecoatWindow})
	}
	for _, s := range left {
		if !s.Work.Coats() {
			continue
		}
		p.kind = Kind(s.Work)
		if s.System != "" {
			p.system = nil
			if system, ok := p.s.Systems[s.System]; ok {
				p.system = &system
			} else {
				p.noSystem = fmt.Sprintf("the system %q of the next step is not known", s.System)
			}
		}
		return
	}
}

// windowRule: where the coat beneath stands, by what the next step needs.
func windowRule(p *piece) Reason {
	r := Reason{Rule: "window", Source: "the coat beneath"}
	n := &p.next
	if p.through {
		return r.say(Clear, "The plan of this piece is through. %s", n.Text)
	}
	if c := n.Conditions; n.Ready == sequence.Yes && len(c) > 1 && c[0].Truth != sequence.Yes {
		text := "It no longer bonds by itself, and was made ready:"
		for _, x := range c[1:] {
			text += " " + x.Text
		}
		r.Source = c[len(c)-1].Source
		return r.say(p.preparing(Clear), "%s", text)
	}
	verdict, worst := Clear, -1
	for i, c := range n.Conditions {
		v := verdictOf(c)
		if worst < 0 || v.Severity() > verdict.Severity() {
			verdict, worst = verdict.Worse(v), i
		}
	}
	if worst >= 0 {
		c := n.Conditions[worst]
		r.Value, r.Limit, r.Unit, r.Source = c.Value, c.Limit, c.Unit, c.Source
	}
	text := ""
	if p.planned {
		text = "Next by the plan: " + n.Name() + ". "
	}
	return r.say(p.preparing(verdict), "%s%s%s", text, conditionText(n, worst), firstText(n.First))
}

// verdictOf judges one condition: what is not met waits; so does what may or may not be met any more; what can't be told can't be said.
func verdictOf(c sequence.Condition) Verdict {
	switch {
	case c.Truth == sequence.Yes:
		return Clear
	case c.Truth == sequence.No || c.Value != nil:
		return Wait
	}
	return CantSay
}

// preparing: where the next step is to wash, to abrade, to take something off, the piece is not yet to be coated, however ready that step is.
func (p *piece) preparing(v Verdict) Verdict {
	switch p.next.Work {
	case sequence.LayFabric, sequence.FurtherFabric, sequence.PeelPlyOn:
		return v
	}
	if !p.next.Work.Coats() {
		return v.Worse(Wait)
	}
	return v
}

func conditionText(n *sequence.Next, worst int) string {
	if worst < 0 {
		return "Nothing to wait for."
	}
	return n.Conditions[worst].Text
}

// firstText lists what comes first; the details stand with the next step.
func firstText(first []sequence.Instruction) string {
	if len(first) == 0 {
		return ""
	}
	words := make([]string, len(first))
	for i, d := range first {
		words[i] = map[sequence.Work]string{sequence.Wash: "wash with water and let it dry", sequence.Scuff: "scuff with a pad, not paper: the weave is not full",
			sequence.Abrade: "abrade with 80 grit once it sands to dust", sequence.Bedding: "another bedding coat", sequence.PeelPlyOff: "peel ply off"}[d.Work]
		if words[i] == "" {
			words[i] = string(d.Work)
		}
	}
	return " First " + strings.Join(words, ", then ") + ". The maker's sheet decides."
}

// orNone gives the reason why there is no system.
func orNone(why string) string {
	if why == "" {
		return "no system is chosen for the next coat"
	}
	return why
}

func capital(s string) string {
	if s == "" {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:]
}
