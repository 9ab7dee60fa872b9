package jobbook

import (
	"bytes"
	"encoding/json"
	"fmt"
	"strings"

	"tackline/advisor/sequence"
)

// PlannedStep is a step of a piece's plan. A book of an earlier time may hold steps that were written otherwise: those are kept as they
// stand in Older, and count for nothing until they are written anew.
type PlannedStep struct {
	sequence.Step
	Older json.RawMessage
}

// UnmarshalJSON reads a step, or keeps what is none.
func (p *PlannedStep) UnmarshalJSON(b []byte) error {
	*p = PlannedStep{}
	if err := strictStep(b, &p.Step); err != nil {
		p.Step, p.Older = sequence.Step{}, bytes.Clone(b)
	}
	return nil
}

// MarshalJSON writes the step, or what stands in its place.
func (p PlannedStep) MarshalJSON() ([]byte, error) {
	if p.Older != nil {
		return p.Older, nil
	}
	return json.Marshal(p.Step)
}

func strictStep(b []byte, s *sequence.Step) error {
	d := json.NewDecoder(bytes.NewReader(b))
	d.DisallowUnknownFields()
	if err := d.Decode(s); err != nil {
		return err
	}
	if s.Work == "" {
		return fmt.Errorf("work is missing")
	}
	return nil
}

// Planned wraps steps for a SetSteps.
func Planned(steps []sequence.Step) []PlannedStep {
	out := make([]PlannedStep, len(steps))
	for i, s := range steps {
		out[i].Step = s
	}
	return out
}

// PastPlan is a plan that a piece had, from Set until the next one was set.
type PastPlan struct {
	Set   When          `json:"set,omitzero"`
	Steps []PlannedStep `json:"steps"`
}

// Plan gives the steps of the piece's plan, without those of an older shape.
func (p *Piece) Plan() []sequence.Step { return stepsOf(p.Steps) }

// PlanAt gives the plan that the piece had at a time in Unix ms, so that what was advised then can be made again.
func (p *Piece) PlanAt(ms int64) []sequence.Step {
	if p.StepsSet.MS <= ms {
		return p.Plan()
	}
	for i := len(p.StepsBefore) - 1; i >= 0; i-- {
		if p.StepsBefore[i].Set.MS <= ms {
			return stepsOf(p.StepsBefore[i].Steps)
		}
	}
	return nil
}

func stepsOf(all []PlannedStep) []sequence.Step {
	var out []sequence.Step
	for _, s := range all {
		if s.Older == nil {
			out = append(out, s.Step)
		}
	}
	return out
}

// SetSteps gives a piece its planned sequence, in place of the one that it had; an empty list takes the plan away.
type SetSteps struct {
	Piece int64         `json:"piece"`
	Saw   int64         `json:"saw_rev"`
	Steps []PlannedStep `json:"steps"`
}

// Kind is "set-steps".
func (SetSteps) Kind() string { return "set-steps" }

func (p SetSteps) target() (ref, int64) { return ref{classPiece, p.Piece}, p.Saw }

func (p SetSteps) check(c *checker) {
	c.saw(p.Saw)
	c.exists("piece", classPiece, p.Piece, nil)
	if p.Steps == nil {
		c.fail("steps", "is missing: give a JSON list, [] for no plan")
	}
	steps := make([]sequence.Step, 0, len(p.Steps))
	for i, s := range p.Steps {
		if s.Older != nil {
			c.fail("steps", "step %d is no step: %v", i+1, strictStep(s.Older, &sequence.Step{}))
			return
		}
		steps = append(steps, s.Step)
	}
	for _, err := range sequence.Check(steps) {
		c.fail("steps", "%s", strings.TrimPrefix(err.Error(), "sequence: "))
	}
}

func (p SetSteps) apply(a *applier) error {
	return change(a, classPiece, p.Piece, &Piece{}, func(e *Piece) {
		if e.Steps != nil {
			e.StepsBefore = append(e.StepsBefore, PastPlan{Set: e.StepsSet, Steps: e.Steps})
		}
		e.Steps, e.StepsSet = p.Steps, a.when(0)
	})
}

// Did says that something was done to a piece, or found on it, beside coating it: washed, scuffed, abraded, fabric laid, peel ply on or off,
// clamps off, warmed, weave full, inspected. It is kept whatever the state of the coat beneath; what it means then is the advice's to say.
type Did struct {
	Piece int64  `json:"piece"`
	What  string `json:"what"`              // one of sequence.DeedWords
	When  int64  `json:"when_ms,omitempty"` // 0 is now
	Note  string `json:"note,omitempty"`
}

// Kind is "did".
func (Did) Kind() string { return "did" }

func (p Did) check(c *checker) {
	if _, ok := sequence.DeedOf(p.What); !ok {
		c.fail("what", "%q is not one of %s; a coat is entered by start-coat", p.What, strings.Join(sequence.DeedWords(), ", "))
	}
	c.when("when_ms", p.When)
	c.text("note", p.Note)
	piece := &Piece{}
	if c.exists("piece", classPiece, p.Piece, piece) {
		c.notBeforeJob("when_ms", p.When, piece.Job)
	}
}

func (p Did) apply(a *applier) error {
	work, _ := sequence.DeedOf(p.What)
	return a.l.set(classDeed, &Deed{Head: a.newHead(), Piece: p.Piece, Work: work, When: a.when(p.When), Note: p.Note})
}

// Deed is what was done to a piece beside coating it.
type Deed struct {
	Head
	Piece int64         `json:"piece"`
	Work  sequence.Work `json:"work"`
	When  When          `json:"when"`
	Note  string        `json:"note,omitempty"`
}

// DeedsOn gives what was done to a piece beside coating it, by time.
func (s *State) DeedsOn(piece int64) []Deed {
	return filter(s.Deeds, func(d *Deed) bool { return d.Piece == piece })
}
