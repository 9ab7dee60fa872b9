package sequence

import (
	"fmt"
	"math"

	"tackline/advisor/units"
)

// Truth is whether a condition holds.
type Truth string

// The truths. What can't be told is Unknown, and never counts as Yes.
const (
	Yes     Truth = "yes"
	No      Truth = "no"
	Unknown Truth = "unknown"
)

// Phases of a window, as in the advice on a coat.
const (
	Before  = "before"
	Open    = "open"
	Closing = "closing" // may be over any time
	Closed  = "closed"
	CantSay = "can't say"
)

// Condition is one thing that must be true for a step.
type Condition struct {
	Need   string        `json:"need"` // a Wait, or washed, dry, scuffed, abraded, weave full, peel ply off, inspected, waited, warm enough, bedding
	Truth  Truth         `json:"truth"`
	Phase  string        `json:"phase,omitempty"` // of a window
	Value  *float64      `json:"value"`
	Limit  *float64      `json:"limit"`
	Unit   string        `json:"unit"`
	Source string        `json:"source"`
	From   units.Instant `json:"from"`  // likely to hold from here on; null where it holds, or that can't be told
	Until  units.Instant `json:"until"` // may cease to hold from here on; null for never
	Text   string        `json:"text"`
}

func (c Condition) say(t Truth, format string, args ...any) Condition {
	c.Truth, c.Text = t, fmt.Sprintf(format, args...)
	return c
}

func (c Condition) number(v, limit float64, unit string) Condition {
	c.Value, c.Limit, c.Unit = &v, &limit, unit
	return c
}

// all joins conditions: No where one is not met, Unknown where one can't be told, else Yes.
func all(cs []Condition) Truth {
	t := Yes
	for _, c := range cs {
		switch {
		case c.Truth == No:
			return No
		case c.Truth != Yes:
			t = Unknown
		}
	}
	return t
}

// conditions gives what must be true for a step now. For a coat whose window is missed the ways back come behind the window.
func (f *Facts) conditions(s Step, srf *surface) []Condition {
	var cs []Condition
	switch {
	case s.Wait == BondByAbrading:
		if w := f.wait(RecoatWindow, srf); w.Truth == Yes && srf.beneath != nil && s.Work != Finish {
			cs = append(cs, w) // while it bonds by itself it needs no abrading; a finish is left to harden beneath
		} else {
			cs = f.bond(s, srf)
		}
	case s.Wait != Nothing:
		w := f.wait(s.Wait, srf)
		cs = append(cs, w)
		if w.Phase == Closed && s.Work.Coats() && s.Wait == RecoatWindow {
			cs = append(cs, f.bond(s, srf)...)
		}
	}
	switch s.Work {
	case Abrade:
		cs = append(cs, f.washed(srf), f.dry(s, srf))
		if srf.padOnly() {
			cs = append(cs, f.full())
		}
	case Scuff:
		cs = append(cs, f.washed(srf), f.dry(s, srf))
	case PeelPlyOff:
		if !srf.plyOn.Known() {
			cs = append(cs, Condition{Need: "peel ply on", Source: "the job book"}.say(Unknown, "No peel ply is in the book on this coat."))
		}
	}
	if s.WaitMin > 0 && s.Work != Abrade && s.Work != Scuff {
		cs = append(cs, f.waited(s, srf))
	}
	return cs
}

// ready tells whether a step's conditions allow it: a missed window counts as mended where everything behind it is done.
func ready(cs []Condition) Truth {
	if len(cs) > 1 && cs[0].Phase == Closed && cs[0].Need == string(RecoatWindow) {
		return all(cs[1:])
	}
	return all(cs)
}

// wait judges the coat beneath.
func (f *Facts) wait(w Wait, srf *surface) Condition {
	c := Condition{Need: string(w), Source: "the coat beneath"}
	b := srf.beneath
	switch {
	case b == nil && (w == TackWindow || w == WhileWet):
		c.Phase = Closed
		return c.say(No, "There is no fresh coat on it: it would have nothing to sink into.")
	case b == nil && f.Bare:
		return c.say(Yes, "Bare timber: nothing to wait for.")
	case b == nil:
		return c.say(Yes, "No coat of the last days is in the book. If the surface is cured, wash it with water, let it dry and abrade it first.")
	case b.Standing.Old && w.Timed():
		c.Phase = Closed
		return c.say(No, "The coat beneath (%s) went on at %s: it no longer bonds by itself.", b.Work, f.clock(b.Started))
	case b.Standing.State == "":
		if w.Timed() {
			c.Phase = CantSay
		}
		return c.say(Unknown, "The coat beneath (%s) can't be told: %s.", b.Work, orElse(b.Standing.Why, "nothing is known of it"))
	case w.Timed():
		return f.window(c, w, &b.Standing, b.Work)
	}
	return f.hard(c, w, &b.Standing, b.Work)
}

func orElse(s, other string) string {
	if s == "" {
		return other
	}
	return s
}

// span gives the marks between which a window is open, and the states in which it is.
func (s *Standing) span(w Wait) (opens, closes Moment, first, last int64) {
	switch w {
	case WhileWet:
		return Moment{}, s.TackOpens, 0, 0
	case TackWindow:
		return s.TackOpens, s.TackCloses, 1, 1
	}
	return s.TackOpens, s.RecoatCloses, 1, 2
}

// window judges a window of the coat beneath: open from its likely opening, closing from the early closing on.
func (f *Facts) window(c Condition, w Wait, s *Standing, work Work) Condition {
	opens, closes, first, last := s.span(w)
	at := order(s.State)
	minutes := func(m units.Instant) Condition {
		if !m.Known() {
			return c
		}
		return c.number(math.Round(float64(m-f.At)/60), 0, "min")
	}
	purpose := map[Wait]string{WhileWet: "is wet", TackWindow: "grabs and what is laid on it sinks in", RecoatWindow: "takes the next coat, which bonds to it"}[w]
	switch {
	case at < first:
		c = minutes(opens.Likely)
		c.Phase, c.From, c.Until = Before, opens.Likely, closes.Early
		return c.say(No, "The coat beneath (%s) is wet; it is tacky about %s.", work, f.clock(opens.Likely))
	case at > last:
		c = minutes(closes.Likely)
		c.Phase = Closed
		return c.say(No, "%s", f.closed(w, s, work, closes.Likely))
	case closes.Early.Known() && f.At >= closes.Early:
		c = minutes(closes.Early)
		c.Phase, c.Until = Closing, closes.Early
		return c.say(Unknown, "The coat beneath (%s) is %s, but its %s is closing: it may be over any time until %s. Touch it with a gloved finger and say what it is.",
			work, s.State, windowName(w), f.clock(closes.Late))
	}
	c = minutes(closes.Early)
	c.Phase, c.Until = Open, closes.Early
	return c.say(Yes, "The coat beneath (%s) is %s: it %s until %s.", work, s.State, purpose, f.clock(closes.Early))
}

// closed says what a window's end means.
func (f *Facts) closed(w Wait, s *Standing, work Work, when units.Instant) string {
	since := ""
	if when.Known() && when <= f.At {
		since = ", likely since " + f.clock(when)
	}
	switch {
	case w == WhileWet:
		return fmt.Sprintf("The coat beneath (%s) is %s and no longer wet%s.", work, s.State, since)
	case w == TackWindow && order(s.State) <= 2:
		return fmt.Sprintf("The coat beneath (%s) is %s%s: fabric no longer sinks in.", work, s.State, since)
	case order(s.State) >= 5:
		return fmt.Sprintf("The coat beneath (%s) is %s and no longer bonds by itself%s.", work, s.State, since)
	}
	return fmt.Sprintf("The coat beneath (%s) is %s: it no longer bonds by itself%s, and is too soft to sand until %s.", work, s.State, since, f.clock(s.Sandable.Likely))
}

func windowName(w Wait) string {
	if w == WhileWet {
		return "wet time"
	}
	return string(w)
}

// hard judges how hard the coat beneath is. What can hurt (a load on a joint, dust of half-cured resin) waits for the late time, unless a
// finger found it.
func (f *Facts) hard(c Condition, w Wait, s *Standing, work Work) Condition {
	want, mark := int64(4), s.Firm
	switch w {
	case Sandable:
		want, mark = 5, s.Sandable
	case Cured:
		want, mark = 6, Moment{}
	}
	by := mark.Late
	if by.Known() {
		c = c.number(math.Round(float64(by-f.At)/60), 0, "min")
	}
	at := order(s.State)
	switch {
	case s.Stalled && w != Firm:
		return c.say(No, "The coat beneath (%s) is hard by the cold and not cured: warmth restarts it; until then it is not %s.", work, w)
	case at < want && w == Cured:
		return c.say(No, "The coat beneath (%s) is %s, not cured: it still gains at this temperature.", work, s.State)
	case at < want:
		c.From = mark.Likely
		return c.say(No, "The coat beneath (%s) is %s; it is %s about %s, late %s.", work, s.State, w, f.clock(mark.Likely), f.clock(mark.Late))
	case at > want || s.ByTouch || w == Cured || by.Known() && f.At >= by:
		return c.say(Yes, "The coat beneath (%s) is %s.", work, s.State)
	}
	c.From = by
	return c.say(Unknown, "The coat beneath (%s) is likely %s, but not surely before %s: try a corner and say what it is.", work, w, f.clock(by))
}
