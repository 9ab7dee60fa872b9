package jobbook

import (
	"bytes"
	"encoding/json"
	"fmt"
	"sort"
)

// ref names an entity.
type ref struct {
	class string
	id    int64
}

// ledger is the entities as a command finds and leaves them: a reader of what is stored below, and what was put on top. The same code runs
// over the tables and, when everything is worked out afresh, over memory.
type ledger struct {
	load   func(ref) ([]byte, error)           // nil bytes where there is none
	scan   func() (map[ref][]byte, error)      // all
	past   func(seq int64) ([]effect, error)   // the effects of a row
	mark   func(seq int64, undone int64) error // sets or clears the undo of a row's effects
	put    map[ref][]byte                      // what this command leaves
	was    map[ref][]byte                      // what it found; nil where there was none
	seq    int64                               // of the command
	undoes int64                               // the row that the command reverses, 0 for none
}

// effect is what one row did to one entity.
type effect struct {
	seq     int64
	ref     ref
	rev     int64
	made    bool
	changes map[string][2]json.RawMessage
	undone  int64 // seq of the undo that reversed the row, 0 for none
	undoes  int64 // seq of the row that this one reversed, 0 for none
}

func (l *ledger) bytes(r ref) ([]byte, error) {
	if b, ok := l.put[r]; ok {
		return b, nil
	}
	return l.load(r)
}

// get reads an entity; false where there is none.
func (l *ledger) get(r ref, e entity) (bool, error) {
	b, err := l.bytes(r)
	if err != nil || b == nil {
		return false, err
	}
	if err := json.Unmarshal(b, e); err != nil {
		return false, fmt.Errorf("jobbook: %s %d in the book cannot be read: %w", r.class, r.id, err)
	}
	return true, nil
}

// set stores an entity with a new revision.
func (l *ledger) set(class string, e entity) error {
	h := e.head()
	r := ref{class, h.ID}
	h.Rev++
	h.Seq = l.seq
	b, err := canonical(e)
	if err != nil {
		return fmt.Errorf("jobbook: %s %d: %w", class, h.ID, err)
	}
	return l.setBytes(r, b)
}

func (l *ledger) setBytes(r ref, b []byte) error {
	if _, seen := l.put[r]; !seen {
		old, err := l.load(r)
		if err != nil {
			return err
		}
		l.was[r] = old
	}
	l.put[r] = b
	return nil
}

// all reads every entity, with what was put.
func (l *ledger) all() (map[ref][]byte, error) {
	m, err := l.scan()
	if err != nil {
		return nil, err
	}
	for r, b := range l.put {
		m[r] = b
	}
	return m, nil
}

func sortedRefs[V any](m map[ref]V) []ref {
	refs := make([]ref, 0, len(m))
	for r := range m {
		refs = append(refs, r)
	}
	sort.Slice(refs, func(i, j int) bool {
		if refs[i].class != refs[j].class {
			return refs[i].class < refs[j].class
		}
		return refs[i].id < refs[j].id
	})
	return refs
}

// effects compares what was found with what is left. Revision and last seq are no changes of their own.
func (l *ledger) effects() ([]effect, error) {
	var out []effect
	for _, r := range sortedRefs(l.put) {
		before, err := fields(l.was[r])
		if err != nil {
			return nil, err
		}
		after, err := fields(l.put[r])
		if err != nil {
			return nil, err
		}
		e := effect{seq: l.seq, undoes: l.undoes, ref: r, made: l.was[r] == nil, changes: map[string][2]json.RawMessage{}}
		if err := json.Unmarshal(after["rev"], &e.rev); err != nil {
			return nil, fmt.Errorf("jobbook: %s %d: %w", r.class, r.id, err)
		}
		for name := range union(before, after) {
			if name != "rev" && name != "seq" && !bytes.Equal(before[name], after[name]) {
				e.changes[name] = [2]json.RawMessage{orNull(before[name]), orNull(after[name])}
			}
		}
		out = append(out, e)
	}
	return out, nil
}

func fields(b []byte) (map[string]json.RawMessage, error) {
	m := map[string]json.RawMessage{}
	if b == nil {
		return m, nil
	}
	if err := json.Unmarshal(b, &m); err != nil {
		return nil, fmt.Errorf("jobbook: an entity in the book cannot be read: %w", err)
	}
	return m, nil
}

func union(a, b map[string]json.RawMessage) map[string]bool {
	m := map[string]bool{}
	for k := range a {
		m[k] = true
	}
	for k := range b {
		m[k] = true
	}
	return m
}

func orNull(r json.RawMessage) json.RawMessage {
	if r == nil {
		return json.RawMessage("null")
	}
	return r
}

// applier is what a payload works with: the ledger and the row that it stands in.
type applier struct {
	l *ledger
	e *Entry
}

func (a *applier) newHead() Head {
	return Head{ID: a.e.Seq, Who: a.e.Who, Entered: a.e.At.Wall, Boot: a.e.At.Boot, Unset: a.e.At.Clock == ClockUnsynced}
}

// when gives a time as said: 0 is the time of the row. While the clock is unset it belongs to the boot.
func (a *applier) when(ms int64) When {
	if ms == 0 {
		ms = a.e.At.Wall
	}
	return a.fixed(ms)
}

func (a *applier) fixed(ms int64) When {
	w := When{MS: ms}
	switch {
	case ms == 0:
	case a.e.At.Clock == ClockUnsynced:
		w.Boot = a.e.At.Boot
	default:
		w.Set = a.e.At.Boot
	}
	return w
}

// change reads an entity, lets f change it, and stores it.
func change[E entity](a *applier, class string, id int64, e E, f func(E)) error {
	found, err := a.l.get(ref{class, id}, e)
	if err != nil {
		return err
	}
	if !found {
		return fmt.Errorf("jobbook: entry %d changes %s %d, which is not there", a.e.Seq, class, id)
	}
	f(e)
	return a.l.set(class, e)
}
