package jobbook

import (
	"fmt"
	"slices"
	"sort"
	"strings"
)

// DrumData names a drum of a system. Drum "" stands for the coats of which nobody said what they came from.
type DrumData struct {
	System string `json:"system"`         // the system's name
	Drum   string `json:"drum,omitempty"` // as State.DrumOf names it
}

// ForgetDrum says that what touches have taught of a drum no longer counts: those before a time stand in the record and teach nothing from then
// on. A new drum under an old name, a hardener that has drawn water, a sheet that was typed in wrong. Undo brings them back.
type ForgetDrum struct {
	DrumData
	When int64  `json:"when_ms,omitempty"` // touches before it no longer count; 0 is now
	Note string `json:"note,omitempty"`
}

// Kind is "forget-drum".
func (ForgetDrum) Kind() string { return "forget-drum" }

func (p ForgetDrum) check(c *checker) {
	c.name("system", p.System)
	c.optionalName("drum", p.Drum)
	c.when("when_ms", p.When)
	c.text("note", p.Note)
}

func (p ForgetDrum) apply(a *applier) error {
	return a.l.set(classForget, &Forgotten{Head: a.newHead(), DrumData: p.DrumData, When: a.when(p.When), Note: p.Note})
}

// Forgotten is a drum that was set aside.
type Forgotten struct {
	Head
	DrumData
	When When   `json:"when"`
	Note string `json:"note,omitempty"`
}

// DrumOf names the drum that a coat came from: the lots (else the names) of the resin and the hardener that its batch was taken from, or the lot
// that was said with the coat; "" where nobody said.
func (s *State) DrumOf(c *Coat) string {
	if b, ok := s.Batch(c.Batch); ok {
		if name := s.DrumOfBatch(&b); name != "" {
			return name
		}
	}
	if lot, ok := strings.CutPrefix(c.Note, "lot "); ok {
		return strings.TrimSpace(lot)
	}
	return ""
}

// DrumOfBatch gives the same of a batch; "" where nobody said what it was taken from.
func (s *State) DrumOfBatch(b *Batch) string {
	var names []string
	for _, id := range b.Lots {
		st, ok := s.StockItem(id)
		if !ok || st.What != "resin" && st.What != "hardener" {
			continue
		}
		name := st.Lot
		if name == "" {
			name = st.Name
		}
		names = append(names, name)
	}
	sort.Strings(names)
	return strings.Join(slices.Compact(names), " + ")
}

// forgetNotes says where setting a drum aside sets nothing aside: most likely its name is another.
func (s *State) forgetNotes(d DrumData) []string {
	for i := range s.Coats {
		if c := &s.Coats[i]; c.SystemName == d.System && s.DrumOf(c) == d.Drum {
			return nil
		}
	}
	name := fmt.Sprintf("drum %q of %s", d.Drum, d.System)
	if d.Drum == "" {
		name = fmt.Sprintf("%s without a drum's name", d.System)
	}
	return []string{"no coat of " + name + " is in the book: nothing was set aside; look up the names of system and drum"}
}

// Forgets tells whether a touch on a coat was set aside by a moment (Unix ms), with its drum.
func (s *State) Forgets(c *Coat, t *Touched, at int64) bool {
	for i := range s.Forgotten {
		if f := &s.Forgotten[i]; f.When.MS <= at && t.When.MS < f.When.MS && f.System == c.SystemName && f.Drum == s.DrumOf(c) {
			return true
		}
	}
	return false
}
