package sequence

import (
	"fmt"
	"math"
	"strings"

	"tackline/advisor/units"
)

// Meaning is what something that she did out of order now means. Nothing is refused: it stands in the book, and this beside it.
type Meaning struct {
	At   units.Instant `json:"at"`
	Work Work          `json:"work"`
	Coat int64         `json:"coat"` // id of the coat it is about, 0 for none
	Deed int64         `json:"deed"` // id of the deed, 0 for none
	Step int64         `json:"step"` // of the plan, from 1; 0 where it has none for it
	Text string        `json:"text"`
}

// means goes through what was done, and says what each thing meant on the surface that it met.
func (f *Facts) means(steps []Step, c *Course) []Meaning {
	out := []Meaning{}
	for i, e := range c.events {
		if e.implied {
			continue
		}
		srf := meets(c.events, i)
		var plan *Step
		step := int64(0)
		if j := c.placed[i]; j >= 0 {
			plan, step = &steps[j], int64(j+1)
		}
		for _, text := range f.meaning(e, &srf, plan) {
			m := Meaning{At: e.at, Work: e.work, Step: step, Text: text}
			if e.coat != nil {
				m.Coat = e.coat.ID
			} else {
				m.Deed = e.deed.ID
			}
			out = append(out, m)
		}
	}
	for _, p := range c.Places {
		if p.Mark == Skipped && p.Work != Wash && p.Work != Scuff && p.Work != Abrade { // what those were for is said with the coat over them
			out = append(out, Meaning{At: f.At, Work: p.Work, Step: p.Step,
				Text: fmt.Sprintf("Step %d, %s, is not in the book, and later steps are. If it was done, enter it with its time; if not, what it was for is missing: %s", p.Step, p.Work, p.Work.About())})
		}
	}
	return out
}

// meaning says what one thing meant on the surface that it met. Nothing where it was in order.
func (f *Facts) meaning(e event, srf *surface, plan *Step) []string {
	wait := tradeOf(e.work).wait
	if plan != nil {
		wait = plan.Wait
	}
	switch e.work {
	case LayFabric, FurtherFabric, PeelPlyOn:
		return f.laid(e, srf, wait)
	case PeelPlyOff, ClampsOff:
		return f.tookOff(e, srf, plan)
	case Wash:
		return f.tooSoft(e, srf, Firm, "washed", "water on a coat that is not firm can whiten it and carry blush in: look at it, and wash again once it is firm")
	case Scuff:
		return append(f.unwashed(e, srf), f.tooSoft(e, srf, Firm, "scuffed", "the pad tears a soft coat, and its dust sensitises")...)
	case Abrade:
		return f.abradedMeans(e, srf)
	case WarmUp:
		return f.tooSoft(e, srf, Firm, "warmed", "a coat that is not firm runs thin when it is warmed and may sag or blow bubbles")
	}
	if e.work.Coats() && srf.beneath != nil {
		return f.coatedOver(e, srf, wait)
	}
	return nil
}

// laid judges fabric or peel ply by the coat that it was laid into.
func (f *Facts) laid(e event, srf *surface, wait Wait) []string {
	if !wait.Timed() {
		if wait == BondByAbrading {
			return f.unbonded(e, srf, "the fabric was spread")
		}
		return nil
	}
	what := map[Work]string{LayFabric: "Fabric", FurtherFabric: "Fabric", PeelPlyOn: "Peel ply"}[e.work]
	if srf.beneath == nil {
		return []string{what + " laid, and no coat that it was laid into is in the book: enter that coat with its time, if there was one."}
	}
	phase, when := srf.beneath.Standing.phaseAt(wait, e.at)
	switch phase {
	case CantSay:
		if srf.beneath.Standing.Old {
			return nil // it was said while it could be told
		}
		return []string{fmt.Sprintf("%s laid at %s; whether the coat beneath still took it can't be told: %s.", what, f.clock(e.at), orElse(srf.beneath.Standing.Why, "its times are not known"))}
	case Before:
		return []string{fmt.Sprintf("%s laid %s before the tack window opened (likely %s): it may float or slide while the coat is wet. Look that it lies still and flat.", what, minutes(when-e.at), f.clock(when))}
	case Closing:
		return []string{fmt.Sprintf("%s laid while the %s was closing: look closely for dry or white spots.", what, windowName(wait))}
	case Closed:
		if wait == WhileWet {
			return []string{fmt.Sprintf("%s laid %s after the coat beneath was wet (tacky likely %s): it may not have been soaked from below. Look for white spots and press resin through from above.", what, minutes(e.at-when), f.clock(when))}
		}
		return []string{fmt.Sprintf("%s laid after the tack closed (likely %s, %s before): it rests on the coat and has not sunk in. Wet it out well from above, look for white dry spots, and press them down while it is wet.", what, f.clock(when), minutes(e.at-when))}
	}
	return nil
}

// coatedOver judges a coat by what it was put on.
func (f *Facts) coatedOver(e event, srf *surface, wait Wait) []string {
	if wait == BondByAbrading || wait == Nothing || wait == Firm || wait == Sandable || wait == Cured {
		return f.unbonded(e, srf, "this coat went on")
	}
	s := &srf.beneath.Standing
	phase, when := s.phaseAt(RecoatWindow, e.at)
	switch phase {
	case CantSay:
		if s.Old || len(f.unprepared(e, srf)) == 0 {
			return nil
		}
		return []string{fmt.Sprintf("Whether the coat beneath (%s) still bonded at %s can't be told: %s.", srf.beneath.Work, f.clock(e.at), orElse(s.Why, "its times are not known"))}
	case Before:
		if wait == WhileWet || e.work == WetOut || e.work == Glue {
			return nil
		}
		return []string{fmt.Sprintf("Put on %s before the coat beneath (%s) was tacky (likely %s): the two are one thick wet film now, which runs more easily and cures warmer. Watch an upright face for sags.", minutes(when-e.at), srf.beneath.Work, f.clock(when))}
	case Closing:
		if len(f.unprepared(e, srf)) == 0 {
			return nil
		}
		return []string{fmt.Sprintf("Put on while the recoat window of the coat beneath (%s) was closing: it likely bonds, not surely.", srf.beneath.Work)}
	case Closed:
		missing := f.unprepared(e, srf)
		if len(missing) == 0 {
			return nil
		}
		return []string{fmt.Sprintf("Put on %s after the recoat window of the coat beneath (%s) had likely closed (%s), and it %s. Do not count on the bond: if it was prepared, enter that with its time; if not, "+
			"tap and scrape a corner before more goes on.%s", minutes(e.at-when), srf.beneath.Work, f.clock(when), strings.Join(missing, ", and "), sheet)}
	}
	return nil
}

// unbonded is for what wants a hard and abraded surface.
func (f *Facts) unbonded(e event, srf *surface, what string) []string {
	if srf.beneath == nil {
		return nil
	}
	if phase, _ := srf.beneath.Standing.phaseAt(RecoatWindow, e.at); phase == Open || phase == Before || srf.beneath.Standing.Old {
		return nil // it bonds by itself
	}
	missing := f.unprepared(e, srf)
	if len(missing) == 0 {
		return nil
	}
	return []string{fmt.Sprintf("When %s the surface %s. Do not count on the bond: if it was prepared, enter that with its time.%s", what, strings.Join(missing, ", and "), sheet)}
}

// unprepared lists what a hardened surface lacked when something was put over it; nothing where it was ready.
func (f *Facts) unprepared(e event, srf *surface) []string {
	if srf.plied(e.at) {
		return nil
	}
	if srf.plyOn.Known() && !srf.plyOff.Known() {
		return []string{"still had peel ply on, by the book"}
	}
	var out []string
	if !srf.washed.Known() {
		out = append(out, "was not washed, by the book")
	} else if float64(e.at-srf.washed) < 60*dryMin {
		out = append(out, fmt.Sprintf("was washed only %s before (%.0f min of drying are wanted; %s)", minutes(e.at-srf.washed), dryMin, practice))
	}
	switch {
	case !srf.keyed().Known():
		out = append(out, map[bool]string{true: "was not scuffed, by the book", false: "was not abraded, by the book"}[srf.padOnly()])
	case srf.washed.Known() && srf.keyed() < srf.washed:
		out = append(out, "was abraded before it was washed")
	}
	return out
}

// tookOff judges peel ply and clamps that came off.
func (f *Facts) tookOff(e event, srf *surface, plan *Step) []string {
	if srf.beneath == nil {
		return nil
	}
	var out []string
	s := &srf.beneath.Standing
	if s.Firm.Likely.Known() && e.at < s.Firm.Likely {
		then := "Look for fabric that lifted with it."
		if e.work == ClampsOff {
			then = "Put them back on and do not load the joint."
		}
		out = append(out, fmt.Sprintf("%s %s before the coat was likely firm (%s). %s%s", capital(e.work), minutes(s.Firm.Likely-e.at), f.clock(s.Firm.Likely), then, sheet))
	}
	if e.work == ClampsOff && plan != nil && plan.WaitMin > 0 && float64(e.at-srf.beneath.Started) < 60*plan.WaitMin {
		out = append(out, fmt.Sprintf("Clamps off after %s; the plan wanted %s. Put them back on and do not load the joint.%s", minutes(e.at-srf.beneath.Started), minutes(units.Instant(60*plan.WaitMin)), sheet))
	}
	if e.work == PeelPlyOff && srf.plyOn.Known() && float64(e.at-srf.plyOn) > plyStays {
		out = append(out, fmt.Sprintf("The peel ply stayed on for %.0f days: look for damp that crept under it and for lifted edges, then wash and scuff before the next coat.", float64(e.at-srf.plyOn)/86400))
	}
	return out
}

// tooSoft judges work that wants a hard coat.
func (f *Facts) tooSoft(e event, srf *surface, w Wait, done, means string) []string {
	if srf.beneath == nil {
		return nil
	}
	mark := srf.beneath.Standing.Firm
	if w == Sandable {
		mark = srf.beneath.Standing.Sandable
	}
	if !mark.Likely.Known() || e.at >= mark.Likely {
		return nil
	}
	return []string{fmt.Sprintf("%s %s before the coat was likely %s (%s): %s.", capital(Work(done)), minutes(mark.Likely-e.at), w, f.clock(mark.Likely), means)}
}

func (f *Facts) unwashed(e event, srf *surface) []string {
	if srf.beneath == nil || srf.washed.Known() || srf.plied(e.at) {
		return nil
	}
	return []string{"It was not washed before, by the book: blush is rubbed into the surface then. Wash it now, let it dry, and go over it once more."}
}

func (f *Facts) abradedMeans(e event, srf *surface) []string {
	out := f.unwashed(e, srf)
	if srf.padOnly() {
		out = append(out, "Abraded while the weave was not full: threads of the fabric may be cut, and it is thinner there. Look for fuzz and bright crossings; where threads are through, lay fabric over the place.")
	}
	return append(out, f.tooSoft(e, srf, Sandable, "abraded", "the paper clogs and tears, and dust of half-cured resin sensitises: wipe the dust up damp, wear mask and gloves, let it harden and go over it again")...)
}

// phaseAt says in which phase a window was at a time, by the marks alone, with the mark that it is judged by.
func (s *Standing) phaseAt(w Wait, at units.Instant) (string, units.Instant) {
	opens, closes, _, _ := s.span(w)
	known := !s.Old && (s.TackOpens.Likely.Known() || s.State != "")
	switch {
	case !known:
		return CantSay, 0
	case w != WhileWet && (!opens.Likely.Known() || at < opens.Likely):
		return Before, opens.Likely
	case closes.Likely.Known() && at >= closes.Likely:
		return Closed, closes.Likely
	case closes.Early.Known() && at >= closes.Early:
		return Closing, closes.Early
	}
	return Open, closes.Early
}

func minutes(s units.Instant) string {
	m := math.Round(float64(s) / 60)
	switch {
	case m < 100:
		return fmt.Sprintf("%.0f min", m)
	case m < 48*60 && math.Mod(m, 60) == 0:
		return fmt.Sprintf("%.0f h", m/60)
	case m < 48*60:
		return fmt.Sprintf("%.0f h %.0f min", math.Floor(m/60), math.Mod(m, 60))
	}
	return fmt.Sprintf("%.0f days", m/1440)
}

func capital(w Work) string { return strings.ToUpper(string(w[:1])) + string(w[1:]) }
