package jobbook

import (
	"bytes"
	"encoding/json"
	"fmt"
	"sort"
	"strings"
)

// Undo reverses an earlier command, an Undo included. What the command made is withdrawn, what it changed goes back to what it was. Where a
// field was changed again since, or something that stands depends on what would go, it is refused with the reason.
type Undo struct {
	Seq  int64  `json:"seq"` // of the command to reverse
	Note string `json:"note,omitempty"`
}

// Kind is "undo".
func (Undo) Kind() string { return "undo" }

func (p Undo) check(c *checker) {
	c.text("note", p.Note)
	if p.Seq <= 0 {
		c.fail("seq", "is missing: give the number of the entry to undo")
		return
	}
	if c.l == nil {
		return
	}
	effects, err := c.l.past(p.Seq)
	if err != nil {
		c.err = err
		return
	}
	if len(effects) == 0 {
		c.fail("seq", "there is no entry %d that can be undone", p.Seq)
		return
	}
	after := map[ref]entity{}
	for _, e := range effects {
		if e.ref.class == classFrozen {
			c.fail("seq", "entry %d is the frozen trace of a coat: it stays as it is", p.Seq)
			return
		}
		if e.undone != 0 {
			c.fail("seq", "entry %d was undone already, by entry %d", p.Seq, e.undone)
			return
		}
		b, err := reversed(c.l, e, c.l.seq)
		if err != nil {
			c.fail("seq", "%v", err)
			return
		}
		after[e.ref] = newEntity(e.ref.class)
		if err := json.Unmarshal(b, after[e.ref]); err != nil {
			c.err = fmt.Errorf("jobbook: %s %d: %w", e.ref.class, e.ref.id, err)
			return
		}
	}
	checkStanding(c, after)
}

// checkStanding refuses an undo after which something that stands would speak of something that does not: because that goes, or because
// what comes back, or goes back to what it was, spoke of something that went meanwhile.
func checkStanding(c *checker, after map[ref]entity) {
	all, err := c.l.all()
	if err != nil {
		c.err = err
		return
	}
	standing := map[ref]entity{}
	for r, b := range all {
		e := after[r]
		if e == nil {
			if e = newEntity(r.class); e == nil {
				c.err = fmt.Errorf("jobbook: the book has a %q, which this tackline does not know", r.class)
				return
			}
			if err := json.Unmarshal(b, e); err != nil {
				c.err = fmt.Errorf("jobbook: %s %d: %w", r.class, r.id, err)
				return
			}
		}
		if e.head().Withdrawn == 0 {
			standing[r] = e
		}
	}
	for _, r := range sortedRefs(all) {
		if standing[r] == nil {
			continue
		}
		for _, to := range refsOf(standing[r]) {
			switch {
			case to.id == 0 || standing[to] != nil:
			case after[to] != nil:
				c.fail("seq", "%s %d (on %s %d) still stands: undo that first", r.class, r.id, to.class, to.id)
			case after[r] != nil:
				c.fail("seq", "%s %d, which %s %d would speak of again, was undone: bring that back first", to.class, to.id, r.class, r.id)
			}
		}
	}
}

// reversed gives the entity as it is after the reversal of e by the row by. Fields that someone changed again are an error.
func reversed(l *ledger, e effect, by int64) ([]byte, error) {
	raw, err := l.bytes(e.ref)
	if err != nil || raw == nil {
		return nil, fmt.Errorf("%s %d is not in the book: %w", e.ref.class, e.ref.id, orNotFound(err))
	}
	now, err := fields(raw)
	if err != nil {
		return nil, err
	}
	if w, gone := now["withdrawn"]; e.made && gone {
		return nil, fmt.Errorf("%s %d was undone already, by entry %s", e.ref.class, e.ref.id, w)
	}
	if e.made {
		now["withdrawn"] = number(by)
	} else {
		var stuck []string
		for name, ch := range e.changes {
			if !bytes.Equal(orNull(now[name]), ch[1]) {
				stuck = append(stuck, fmt.Sprintf("%s (%s then, %s now)", name, ch[1], orNull(now[name])))
				continue
			}
			if string(ch[0]) == "null" && name == "withdrawn" {
				delete(now, name)
			} else {
				now[name] = ch[0]
			}
		}
		if w, ok := e.changes["withdrawn"]; ok && string(w[1]) == "null" {
			now["withdrawn"] = number(by)
		}
		if len(stuck) > 0 {
			sort.Strings(stuck)
			return nil, fmt.Errorf("%s %d was changed again since: %s: undo the later change first", e.ref.class, e.ref.id, strings.Join(stuck, ", "))
		}
	}
	var rev int64
	if err := json.Unmarshal(now["rev"], &rev); err != nil {
		return nil, err
	}
	now["rev"], now["seq"] = number(rev+1), number(by)
	typed := newEntity(e.ref.class) // through the type, so that a field comes back exactly as a command would leave it
	patched, err := json.Marshal(now)
	if err != nil {
		return nil, err
	}
	if err := json.Unmarshal(patched, typed); err != nil {
		return nil, err
	}
	return canonical(typed)
}

func number(n int64) json.RawMessage { return json.RawMessage(fmt.Sprintf("%d", n)) }

func orNotFound(err error) error {
	if err == nil {
		return ErrNotFound
	}
	return err
}

func (p Undo) apply(a *applier) error {
	effects, err := a.l.past(p.Seq)
	if err != nil {
		return err
	}
	for _, e := range effects {
		b, err := reversed(a.l, e, a.e.Seq)
		if err != nil {
			return fmt.Errorf("jobbook: entry %d: %w", a.e.Seq, err)
		}
		if err := a.l.setBytes(e.ref, b); err != nil {
			return err
		}
	}
	a.l.undoes = p.Seq
	return deactivate(a.l, p.Seq, a.e.Seq)
}

// deactivate notes that a row is undone by another. If it was an undo itself, what it had undone holds again.
func deactivate(l *ledger, seq, by int64) error {
	target, err := undoneBy(l, seq)
	if err != nil {
		return err
	}
	if err := l.mark(seq, by); err != nil || target == 0 {
		return err
	}
	return activate(l, target)
}

// activate notes that a row holds again. If it is an undo, what it undid is undone again.
func activate(l *ledger, seq int64) error {
	target, err := undoneBy(l, seq)
	if err != nil {
		return err
	}
	if err := l.mark(seq, 0); err != nil || target == 0 {
		return err
	}
	return deactivate(l, target, seq)
}

// undoneBy gives the row that seq undid, 0 where it is no undo.
func undoneBy(l *ledger, seq int64) (int64, error) {
	effects, err := l.past(seq)
	if err != nil || len(effects) == 0 {
		return 0, err
	}
	return effects[0].undoes, nil
}
