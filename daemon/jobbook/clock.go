package jobbook

import "fmt"

// ClockFound says how far the clock was off in a boot that began with an unset one. Every time that was said in that boot while the clock
// was unset is moved by the offset; the time as said is kept beside it. Journal rows are not touched: State.Clocks has the offset.
type ClockFound struct {
	Boot     string `json:"boot"`
	OffsetMS int64  `json:"offset_ms"` // true less shown
	How      string `json:"how"`       // "time server", "set from a phone" ...
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
		moved := false
		for _, w := range timesOf(e) {
			if w.MS != 0 && w.Boot == p.Boot {
				*w = When{MS: w.MS + p.OffsetMS, Said: w.MS}
				moved = true
			}
		}
		if !moved {
			continue
		}
		if err := a.l.set(r.class, e); err != nil {
			return err
		}
	}
	return a.l.set(classClock, &Clock{Head: a.newHead(), Boot: p.Boot, OffsetMS: p.OffsetMS, How: p.How})
}
