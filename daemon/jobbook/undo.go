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
	gone := map[ref]bool{}
	for _, e := range effects {
		if e.ref.class == classFrozen {
			c.fail("seq", "entry %d is the frozen trace of a coat: it stays as it is", p.Seq)
			return
		}
		if e.undone != 0 {
			c.fail("seq", "entry %d was undone already, by entry %d", p.Seq, e.undone)
			return
		}
		if _, _, err := reversed(c.l, e, 0); err != nil {
			c.fail("seq", "%v", err)
		}
		if withdraws(e) {
			gone[e.ref] = true
		}
	}
	p.checkDependants(c, effects, gone)
}

// withdraws tells whether the reversal of e takes an entity out of sight: it made it, or it brought it back.
func withdraws(e effect) bool {
	if e.made {
		return true
	}
	w, ok := e.changes["withdrawn"]
	return ok && string(w[1]) == "null"
}

// checkDependants refuses to leave anything standing that speaks of something that is gone.
func (p Undo) checkDependants(c *checker, effects []effect, gone map[ref]bool) {
	all, err := c.l.all()
	if err != nil {
		c.err = err
		return
	}
	var on []string
	for _, r := range sortedRefs(all) {
		e := newEntity(r.class)
		if e == nil || gone[r] {
			continue
		}
		if err := json.Unmarshal(all[r], e); err != nil {
			c.err = err
			return
		}
		if e.head().Withdrawn != 0 {
			continue
		}
		for _, to := range refsOf(e) {
			if gone[to] {
				on = append(on, fmt.Sprintf("%s %d (on %s %d)", r.class, r.id, to.class, to.id))
			}
		}
	}
	if len(on) > 0 {
		c.fail("seq", "%s still stands: undo that first", strings.Join(on, ", "))
	}
	for _, e := range effects { // an undo of an undo brings things back: what they speak of must be there
		p.checkBroughtBack(c, e)
	}
}

func (p Undo) checkBroughtBack(c *checker, e effect) {
	w, ok := e.changes["withdrawn"]
	if !ok || e.made || string(w[1]) == "null" {
		return
	}
	back := newEntity(e.ref.class)
	if _, err := c.l.get(e.ref, back); err != nil {
		c.err = err
		return
	}
	for _, to := range refsOf(back) {
		other := newEntity(to.class)
		if to.id == 0 || c.load(to, other) {
			continue
		}
		if other.head().Withdrawn != back.head().Withdrawn { // what the same undo took comes back with it
			c.fail("seq", "%s %d, which %s %d speaks of, was undone: bring that back first", to.class, to.id, e.ref.class, e.ref.id)
		}
	}
}

// reversed gives the entity as it is after the reversal of e by the row by. Fields that someone changed again are an error.
func reversed(l *ledger, e effect, by int64) ([]byte, bool, error) {
	raw, err := l.bytes(e.ref)
	if err != nil || raw == nil {
		return nil, false, fmt.Errorf("%s %d is not in the book: %w", e.ref.class, e.ref.id, orNotFound(err))
	}
	now, err := fields(raw)
	if err != nil {
		return nil, false, err
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
			return nil, false, fmt.Errorf("%s %d was changed again since: %s: undo the later change first", e.ref.class, e.ref.id, strings.Join(stuck, ", "))
		}
	}
	var rev int64
	if err := json.Unmarshal(now["rev"], &rev); err != nil {
		return nil, false, err
	}
	now["rev"], now["seq"] = number(rev+1), number(by)
	typed := newEntity(e.ref.class) // through the type, so that a field comes back exactly as a command would leave it
	patched, err := json.Marshal(now)
	if err != nil {
		return nil, false, err
	}
	if err := json.Unmarshal(patched, typed); err != nil {
		return nil, false, err
	}
	out, err := canonical(typed)
	return out, true, err
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
		b, _, err := reversed(a.l, e, a.e.Seq)
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
