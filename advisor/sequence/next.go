package sequence

import (
	"fmt"
	"strings"

	"tackline/advisor/units"
)

// Next is the step that comes next, with everything that must be true for it.
type Next struct {
	Step       int64         `json:"step"` // of the plan, from 1; 0 where the piece has no plan
	Of         int64         `json:"of"`   // how many steps the plan has
	Work       Work          `json:"work"`
	System     string        `json:"system"`
	Coat       int64         `json:"coat"` // which of Times it is, from 1
	Times      int64         `json:"times"`
	UntilFull  bool          `json:"until_full"`
	Ready      Truth         `json:"ready"`
	Conditions []Condition   `json:"conditions"`
	First      []Instruction `json:"first"` // what has to be done before it, in this order; empty where nothing
	From       units.Instant `json:"from"`  // likely ready from here on; null where it is, or that can't be told
	Until      units.Instant `json:"until"` // early end of its window; null where it has none
	Text       string        `json:"text"`
}

// Instruction is one thing to do before the next step, with its reason.
type Instruction struct {
	Work   Work   `json:"work"`
	Ready  Truth  `json:"ready"`
	Source string `json:"source"`
	Text   string `json:"text"`
}

// Outlook is all that is said of a piece's sequence.
type Outlook struct {
	Places  []Place   `json:"steps"`
	Next    *Next     `json:"next"`  // null where the plan is through, or there is none
	Means   []Meaning `json:"means"` // what was done out of order, and what that means, oldest first
	Through bool      `json:"through"`
}

// Look says where a piece stands in its plan. Without a plan there is no next step, but what was done out of order is still said.
func Look(steps []Step, f Facts) Outlook {
	c := Follow(steps, f)
	out := Outlook{Places: c.Places, Means: f.means(steps, &c), Through: len(steps) > 0 && c.At >= len(steps)}
	if c.At < len(steps) {
		p := c.Places[c.At]
		n := f.Ask(steps[c.At])
		n.Step, n.Of, n.Times, n.Coat = p.Step, int64(len(steps)), p.Times, p.Done+1
		n.UntilFull = steps[c.At].UntilFull
		n.serve(&f, steps, c.At, c.events)
		n.Text = n.sentence()
		out.Next = &n
	}
	return out
}

// Ask judges a single step by what is known now, whether it stands in a plan or not.
func (f *Facts) Ask(s Step) Next {
	all := f.events()
	srf := meets(all, len(all))
	n := Next{Work: s.Work, System: s.System, Coat: 1, Times: s.Times(), Conditions: f.conditions(s, &srf), First: []Instruction{}}
	if n.Conditions == nil {
		n.Conditions = []Condition{}
	}
	n.Ready = ready(n.Conditions)
	if n.Ready != Yes {
		n.First = f.before(s, &srf, n.Conditions)
	}
	n.bounds()
	n.Text = n.sentence()
	return n
}

// bounds gives from when on the step is likely ready, and the early end of its window.
func (n *Next) bounds() {
	n.From, n.Until = 0, 0
	for _, c := range n.Conditions {
		if c.Truth != Yes && c.From > n.From {
			n.From = c.From
		}
		if c.Until.Known() && (!n.Until.Known() || c.Until < n.Until) {
			n.Until = c.Until
		}
	}
}

// serve adds what a finish after a warm-up, and the warm-up itself, must stand.
func (n *Next) serve(f *Facts, steps []Step, at int, events []event) {
	service := 0.0
	for i := 0; i <= at; i++ {
		if steps[i].Work == WarmUp && steps[i].ServiceC > 0 {
			service = steps[i].ServiceC
		}
	}
	if service == 0 || n.Work != Finish && n.Work != WarmUp {
		return
	}
	srf := meets(events, len(events))
	c := f.serviceable(service, &srf)
	if n.Work == WarmUp {
		if c.Truth == Yes {
			c.Text += " This step may be left out."
		}
		c.Truth = Yes // it is what the step is for, not what it waits for
	}
	n.Conditions = append(n.Conditions, c)
	n.Ready = ready(n.Conditions)
	if n.Work == Finish && c.Truth == No {
		n.First = append([]Instruction{{Work: WarmUp, Ready: Unknown, Source: c.Source, Text: c.Text}}, n.First...)
	}
}

// Name says the step with the number of its coat: "fill 2 of 3, until the weave is full".
func (n *Next) Name() string {
	if n.Work.Coats() && (n.Times > 1 || n.UntilFull) {
		return string(n.Work) + n.count()
	}
	return string(n.Work)
}

func (n *Next) count() string {
	text := fmt.Sprintf(" %d of %d", n.Coat, n.Times)
	if n.Coat > n.Times {
		text = fmt.Sprintf(" %d where %d were planned", n.Coat, n.Times)
	}
	if n.UntilFull {
		text += ", until the weave is full"
	}
	return text
}

// sentence says the step in one line.
func (n *Next) sentence() string {
	var b strings.Builder
	fmt.Fprintf(&b, "Next: %s", n.Work)
	if n.Work.Coats() && (n.Times > 1 || n.UntilFull) {
		b.WriteString(n.count())
		if n.Coat > n.Times {
			b.WriteString(" (all that were planned are on: if no texture shows, say that it is full)")
		}
	}
	switch {
	case n.Ready == Yes:
		b.WriteString(". Ready.")
	case len(n.First) > 0:
		words := make([]string, len(n.First))
		for i, d := range n.First {
			words[i] = string(d.Work)
		}
		fmt.Fprintf(&b, ". First: %s.", strings.Join(words, ", then "))
	default:
		b.WriteString(".")
	}
	for _, c := range n.Conditions {
		if c.Truth != Yes {
			b.WriteString(" " + c.Text)
			break
		}
	}
	return b.String()
}
