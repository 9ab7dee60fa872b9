package sequence

import (
	"slices"

	"tackline/advisor/units"
)

// Mark says how far a step of the plan has come.
type Mark string

// The marks of a step.
const (
	ToDo    Mark = "to do"
	Partly  Mark = "partly"  // some of its coats are on
	Done    Mark = "done"    //
	Skipped Mark = "skipped" // a later step was done, and this one is not in the book
)

// Place is a step of the plan with what has been done of it.
type Place struct {
	Step  int64         `json:"step"` // from 1
	Work  Work          `json:"work"`
	Mark  Mark          `json:"mark"`
	Done  int64         `json:"done"`  // how many of its coats are on, or 1 for a deed that was done
	Times int64         `json:"times"` // how many are planned
	Coats []int64       `json:"coats"` // their ids
	At    units.Instant `json:"at"`    // of the last of it; null where nothing of it was done
}

// Course is a plan with what has been done along it.
type Course struct {
	Places []Place
	// At is the index in Places of the step that comes next; len(Places) when the plan is through.
	At     int
	events []event
	placed []int // of each event: the index of its step, -1 where the plan has none for it
}

// Follow lays what she said she did along the plan. Whatever she did is taken as done: steps that were passed over are marked as skipped,
// and work that the plan does not have stands beside it.
func Follow(steps []Step, f Facts) Course {
	c := Course{Places: make([]Place, len(steps)), events: f.events()}
	for i, s := range steps {
		c.Places[i] = Place{Step: int64(i + 1), Work: s.Work, Mark: ToDo, Times: s.Times(), Coats: []int64{}}
	}
	for _, e := range c.events {
		c.placed = append(c.placed, c.place(steps, e))
	}
	c.settle(steps)
	return c
}

// place finds the step that an event is, and counts it there.
func (c *Course) place(steps []Step, e event) int {
	if e.work == WeaveFull {
		return c.fillingOver(steps, e.at)
	}
	for j := c.At; j < len(steps); j++ {
		if !fits(steps[j], e.work) {
			if !e.work.Coats() && steps[j].Work.Coats() && !c.through(steps, j) {
				return -1 // a deed between the coats, such as washing after a missed window: the coats still come
			}
			continue
		}
		p := &c.Places[j]
		if p.Done >= p.Times && !steps[j].UntilFull {
			continue
		}
		c.passOver(steps, j, e)
		p.Done++
		p.At = e.at
		if e.coat != nil {
			p.Coats = append(p.Coats, e.coat.ID)
		}
		p.Mark = Partly
		if p.Done >= p.Times && !steps[j].UntilFull {
			p.Mark = Done
		}
		c.At = j
		c.settle(steps)
		return j
	}
	return -1
}

// through tells whether the planned number of coats of a step is on, so that a deed may belong to what comes after it.
func (c *Course) through(steps []Step, j int) bool { return c.Places[j].Done >= steps[j].Times() }

// fits tells whether work is what a step plans. Fabric is fabric: which layer it is follows from the order.
func fits(s Step, w Work) bool {
	cloth := func(w Work) bool { return w == LayFabric || w == FurtherFabric }
	return s.Work == w || cloth(s.Work) && cloth(w)
}

// passOver marks the steps before j that are still open: fabric that was wetted out lies there, a filling that something was put over is
// over, and the rest was skipped.
func (c *Course) passOver(steps []Step, j int, e event) {
	for i := c.At; i < j; i++ {
		p := &c.Places[i]
		switch {
		case p.Mark == Done:
		case p.Done > 0 || fits(steps[i], LayFabric) && e.work == WetOut:
			p.Mark, p.Done = Done, max(1, p.Done)
			if !p.At.Known() {
				p.At = e.at
			}
		default:
			p.Mark = Skipped
		}
	}
}

// fillingOver ends the filling that runs, or the next one.
func (c *Course) fillingOver(steps []Step, at units.Instant) int {
	for j := range steps {
		if steps[j].UntilFull && c.Places[j].Mark != Done && c.Places[j].Mark != Skipped {
			if c.Places[j].Done == 0 && j != c.At {
				return -1
			}
			c.Places[j].Mark, c.Places[j].At = Done, at
			c.settle(steps)
			return j
		}
	}
	return -1
}

// settle moves At over what is done.
func (c *Course) settle(steps []Step) {
	for c.At < len(steps) && (c.Places[c.At].Mark == Done || c.Places[c.At].Mark == Skipped) {
		c.At++
	}
}

// Remaining gives what is left of a plan after what she has done, one Step for each coat or deed still to come: a step of three coats of
// which one is on gives two. A filling whose planned number is on and of which she has not said that the weave is full gives one more.
func Remaining(steps []Step, f Facts) []Step {
	c := Follow(steps, f)
	var out []Step
	for j := c.At; j < len(steps); j++ {
		p := c.Places[j]
		if p.Mark == Done || p.Mark == Skipped {
			continue
		}
		one := steps[j]
		left := max(1, one.Times()-p.Done)
		one.Count = 0
		out = append(out, slices.Repeat([]Step{one}, int(left))...)
	}
	return out
}
