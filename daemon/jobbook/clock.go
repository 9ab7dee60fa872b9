package jobbook

import "fmt"

// ClockFound says how far the clock was off in a boot that began with an unset one. Every time that was said in that boot while the clock
// was unset is moved by the offset; the time as first said is kept beside it. With All those move too that were said while it seemed set: it was
// set again since, and what was said keeps its distance from the present. Journal rows are not touched: State.Clocks has the offset.
type ClockFound struct {
	Boot     string `json:"boot"`
	OffsetMS int64  `json:"offset_ms"`         // true less shown
	How      string `json:"how"`               // "time server", "set from a phone" ...
	LeadMS   int64  `json:"lead_ms,omitempty"` // from now on in that boot: wall clock less time since boot; 0 where it is not known
	All      bool   `json:"all,omitempty"`
}

// Kind is "clock-found".
func (ClockFound) Kind() string { return "clock-found" }

func (p ClockFound) check(c *checker) {
	c.name("boot", p.Boot)
	c.name("how", p.How)
	const century = 100 * 366 * 24 * 3600 * 1000
	c.number("offset_ms", float64(p.OffsetMS), -century, century, "ms")
}

func (p ClockFound) apply(a *applier) error {
	all, err := a.l.all()
	if err != nil {
		return err
	}
	for _, r := range sortedRefs(all) {
		e := newEntity(r.class)
		if e == nil {
			return fmt.Errorf("jobbook: the book has a %q, which this tackline does not know", r.class)
		}
		if _, err := a.l.get(r, e); err != nil {
			return err
		}
		moved := p.moveHead(e.head())
		for _, w := range timesOf(e) {
			moved = p.move(w) || moved
		}
		if !moved {
			continue
		}
		if err := a.l.set(r.class, e); err != nil {
			return err
		}
	}
	return a.l.set(classClock, &Clock{Head: a.newHead(), Boot: p.Boot, OffsetMS: p.OffsetMS, How: p.How, LeadMS: p.LeadMS, All: p.All})
}

// moveHead moves the time at which an entity was entered.
func (p ClockFound) moveHead(h *Head) bool {
	if h.Boot != p.Boot || !h.Unset && !p.All {
		return false
	}
	h.Entered, h.Unset = h.Entered+p.OffsetMS, false
	return true
}

// move moves a time that was said.
func (p ClockFound) move(w *When) bool {
	if w.MS == 0 || w.Boot != p.Boot && !(p.All && w.Set == p.Boot) {
		return false
	}
	said := w.Said
	if said == 0 {
		said = w.MS
	}
	*w = When{MS: w.MS + p.OffsetMS, Said: said, Set: p.Boot}
	return true
}
