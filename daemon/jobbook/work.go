package jobbook

import (
	"encoding/json"

	"tackline/advisor"
	"tackline/advisor/cure"
)

// CoatData describes a coat.
type CoatData struct {
	Piece      int64           `json:"piece"`
	Kind       advisor.Kind    `json:"kind"`
	SystemName string          `json:"system"`
	System     json.RawMessage `json:"system_json"`           // the whole system as it was in force: later edits of its file change no coat
	AreaM2     float64         `json:"area_m2,omitempty"`     // coated, m2; 0: that of the piece
	ResinC     *float64        `json:"resin_c"`               // of the resin when mixed, C; null not measured
	Batch      int64           `json:"batch,omitempty"`       // 0 for none
	Over       int64           `json:"over,omitempty"`        // the coat beneath, 0 for bare timber or one that is not in the book
	PeelPly    bool            `json:"peel_ply,omitempty"`    // peel ply was laid into it
	Fabric     string          `json:"fabric,omitempty"`      // that was laid into it
	AmountG    float64         `json:"amount_g,omitempty"`    // mixed resin on the piece, g; 0 not known
	Prepared   string          `json:"preparation,omitempty"` // of what lies beneath: "washed, scuffed"
	Note       string          `json:"note,omitempty"`
}

func (d CoatData) check(c *checker) {
	kinds := make([]string, 0, 7)
	for _, k := range advisor.Kinds() {
		kinds = append(kinds, string(k))
	}
	c.oneOf("kind", string(d.Kind), kinds...)
	checkSystem(c, d.SystemName, d.System)
	c.number("area_m2", d.AreaM2, 0, 10000, "m2")
	c.temperature("resin_c", d.ResinC)
	c.number("amount_g", d.AmountG, 0, 1e6, "g")
	c.optionalName("fabric", d.Fabric)
	c.text("preparation", d.Prepared)
	c.text("note", d.Note)
	over := &Coat{}
	if c.optional("over", classCoat, d.Over, over) && over.Piece != d.Piece {
		c.fail("over", "coat %d is on piece %d, not on piece %d", d.Over, over.Piece, d.Piece)
	}
	c.optional("batch", classBatch, d.Batch, nil)
}

func checkSystem(c *checker, name string, raw json.RawMessage) {
	c.name("system", name)
	if len(raw) > 64<<10 {
		c.fail("system_json", "has %d bytes: at most 65536", len(raw))
		return
	}
	var s cure.System
	if err := json.Unmarshal(raw, &s); err != nil {
		c.fail("system_json", "is no resin system: %v", err)
		return
	}
	if s.Name != name {
		c.fail("system_json", "describes %q, not %q", s.Name, name)
	}
}

// StartCoat says that a coat was begun. A batch that is in the book is named in CoatData; one that is not can be given inline.
type StartCoat struct {
	CoatData
	When   int64      `json:"when_ms,omitempty"` // first wetting; 0 is now
	Inline *BatchData `json:"new_batch,omitempty"`
}

// Kind is "start-coat".
func (StartCoat) Kind() string { return "start-coat" }

func (p StartCoat) check(c *checker) {
	p.CoatData.check(c)
	c.when("when_ms", p.When)
	piece := &Piece{}
	if c.exists("piece", classPiece, p.Piece, piece) {
		c.notBeforeJob("when_ms", p.When, piece.Job)
	}
	if p.Inline != nil {
		if p.Batch != 0 {
			c.fail("new_batch", "is given and so is batch %d: give one of them", p.Batch)
		}
		p.Inline.check(c)
	}
}

func (p StartCoat) apply(a *applier) error {
	d := p.CoatData
	if p.Inline != nil {
		if err := a.l.set(classBatch, &Batch{Head: a.newHead(), BatchData: *p.Inline, Mixed: a.when(p.When)}); err != nil {
			return err
		}
		d.Batch = a.e.Seq
	}
	return a.l.set(classCoat, &Coat{Head: a.newHead(), CoatData: d, Started: a.when(p.When)})
}

// EditCoat corrects what was said of a coat. It appears as a correction in the record. When 0 leaves the start as it is.
type EditCoat struct {
	Coat int64 `json:"coat"`
	Saw  int64 `json:"saw_rev"`
	CoatData
	When int64 `json:"when_ms,omitempty"`
}

// Kind is "edit-coat".
func (EditCoat) Kind() string { return "edit-coat" }

func (p EditCoat) target() (ref, int64) { return ref{classCoat, p.Coat}, p.Saw }

func (p EditCoat) check(c *checker) {
	c.saw(p.Saw)
	p.CoatData.check(c)
	c.when("when_ms", p.When)
	if p.Over != 0 && p.Over == p.Coat {
		c.fail("over", "coat %d cannot lie over itself", p.Over)
	}
	piece := &Piece{}
	if c.exists("coat", classCoat, p.Coat, nil) && c.exists("piece", classPiece, p.Piece, piece) {
		c.notBeforeJob("when_ms", p.When, piece.Job)
	}
}

func (p EditCoat) apply(a *applier) error {
	return change(a, classCoat, p.Coat, &Coat{}, func(e *Coat) {
		e.CoatData = p.CoatData
		if p.When != 0 {
			e.Started = a.when(p.When)
		}
	})
}

// EndCoat says that a coat is no longer watched: it is cured, or something lies over it. A second one corrects the time of the first.
type EndCoat struct {
	Coat int64  `json:"coat"`
	Saw  int64  `json:"saw_rev"`
	When int64  `json:"when_ms,omitempty"` // 0 is now
	Note string `json:"note,omitempty"`
}

// Kind is "end-coat".
func (EndCoat) Kind() string { return "end-coat" }

func (p EndCoat) target() (ref, int64) { return ref{classCoat, p.Coat}, p.Saw }

func (p EndCoat) check(c *checker) {
	c.saw(p.Saw)
	c.when("when_ms", p.When)
	c.text("note", p.Note)
	coat := &Coat{}
	if c.exists("coat", classCoat, p.Coat, coat) && coat.Started.Sure() && c.at.Clock != ClockUnsynced {
		at := p.When
		if at == 0 {
			at = c.at.Wall
		}
		if at < coat.Started.MS {
			c.fail("when_ms", "%s is before the coat was started, %s", utc(at), utc(coat.Started.MS))
		}
	}
}

func (p EndCoat) apply(a *applier) error {
	return change(a, classCoat, p.Coat, &Coat{}, func(e *Coat) { e.Ended, e.EndNote = a.when(p.When), p.Note })
}

// Touch is a finding on a coat: it is at or past the first mark of State and before its next. One that fits ill is recorded, and the Result
// says what it means.
type Touch struct {
	Coat    int64         `json:"coat"`
	State   advisor.State `json:"state"`             // wet, tacky, green, firm, sandable
	When    int64         `json:"when_ms,omitempty"` // 0 is now
	Witness bool          `json:"witness,omitempty"` // on a cup or scrap of the same batch
	Note    string        `json:"note,omitempty"`
}

// Kind is "touch".
func (Touch) Kind() string { return "touch" }

func (p Touch) check(c *checker) {
	c.oneOf("state", string(p.State), string(advisor.StateWet), string(advisor.StateTacky), string(advisor.StateGreen),
		string(advisor.StateFirm), string(advisor.StateSandable))
	c.when("when_ms", p.When)
	c.text("note", p.Note)
	coat, piece := &Coat{}, &Piece{}
	if c.exists("coat", classCoat, p.Coat, coat) && c.load(ref{classPiece, coat.Piece}, piece) {
		c.notBeforeJob("when_ms", p.When, piece.Job)
	}
}

func (p Touch) apply(a *applier) error {
	return a.l.set(classTouch, &Touched{Head: a.newHead(), Coat: p.Coat, State: p.State, When: a.when(p.When), Witness: p.Witness, Note: p.Note})
}
