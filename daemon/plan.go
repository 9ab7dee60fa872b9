package daemon

import (
	"context"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"sync"

	"tackline/advisor"
	"tackline/advisor/cure"
	"tackline/advisor/plan"
	"tackline/advisor/sequence"
	"tackline/advisor/units"
	"tackline/daemon/jobbook"
	"tackline/dashboard"
)

// planner makes plans from the newest assessed situation. One is made at a time, and kept until the next assessment: phones ask for the same.
type planner struct {
	d    *Daemon
	mu   sync.Mutex
	at   units.Instant
	made map[string]advisor.Plan
}

var _ dashboard.Planner = (*planner)(nil)

// mostPlans is how many plans of a moment are kept.
const mostPlans = 16

// Plan does as dashboard.Planner says.
func (p *planner) Plan(ctx context.Context, q dashboard.PlanQuery) (advisor.Plan, error) {
	m := p.d.latest.Load()
	if m == nil {
		return advisor.Plan{}, &dashboard.Refusal{Sentence: "nothing was assessed yet: ask again in a minute"}
	}
	facts, err := p.d.book.State(ctx)
	if err != nil {
		return advisor.Plan{}, err
	}
	piece, err := pieceNamed(facts, q.Piece)
	if err != nil {
		return advisor.Plan{}, err
	}
	req := advisor.PlanRequest{Piece: piece.ID, Every: q.Every, WhatIf: q.WhatIf, Systems: p.d.allSystems(),
		Steps: stepsLeft(facts, piece, m.Situation.At)}
	key := fmt.Sprintf("%d %d %d", piece.ID, q.Every, facts.Seq)
	for _, list := range q.WhatIf {
		key += "|" + plan.Join(list)
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.at != m.Situation.At || len(p.made) >= mostPlans {
		p.at, p.made = m.Situation.At, map[string]advisor.Plan{}
	}
	if made, ok := p.made[key]; ok {
		return made, nil
	}
	made, err := advisor.PlanFor(m.Situation, req)
	if err != nil && !errors.Is(err, plan.ErrNotEnough) {
		return made, err
	}
	if made.CantSay == "" && err != nil { // of a what-if
		return made, &dashboard.Refusal{Field: "what_if", Sentence: strings.TrimPrefix(err.Error(), plan.ErrNotEnough.Error()+": ")}
	}
	p.made[key] = made
	return made, nil
}

// pieceNamed finds a piece by name or number, or the only one.
func pieceNamed(facts *jobbook.State, name string) (*jobbook.Piece, error) {
	var names []string
	for i := range facts.Pieces {
		x := &facts.Pieces[i]
		if strings.EqualFold(x.Name, name) || strconv.FormatInt(x.ID, 10) == name {
			return x, nil
		}
		names = append(names, x.Name)
	}
	switch {
	case len(names) == 0:
		return nil, &dashboard.Refusal{Field: "piece", Sentence: "no piece is in the job book yet: tackline job add, then tackline job piece"}
	case name == "" && len(names) == 1:
		return &facts.Pieces[0], nil
	case name == "":
		return nil, &dashboard.Refusal{Field: "piece", Sentence: "name the piece: " + strings.Join(names, ", ")}
	}
	return nil, fmt.Errorf("daemon: piece %q is not in the job book, which has %s: %w", name, strings.Join(names, ", "), dashboard.ErrNotFound)
}

// allSystems gives every system by the names that it goes by.
func (d *Daemon) allSystems() map[string]cure.System {
	out := map[string]cure.System{}
	for _, n := range append(d.systems.Names(), d.o.Config.Systems.Shipped...) {
		if s, err := d.systems.Find(n); err == nil {
			out[n], out[s.Name] = s, s
		}
	}
	return out
}

// stepsLeft gives what is left of the sequence that is set for a piece; none where none is set.
func stepsLeft(facts *jobbook.State, p *jobbook.Piece, at units.Instant) []sequence.Step {
	f := sequence.Facts{At: at, Bare: p.Bare}
	for i := range facts.Coats {
		if c := &facts.Coats[i]; c.Piece == p.ID {
			f.Coats = append(f.Coats, sequence.Coat{ID: c.ID, Work: sequence.Work(c.Kind), Started: units.Instant(float64(c.Started.MS) / 1000),
				Fabric: c.Fabric != "", PeelPly: c.PeelPly})
		}
	}
	for _, d := range facts.DeedsOn(p.ID) {
		f.Deeds = append(f.Deeds, sequence.Deed{ID: d.ID, Work: d.Work, At: units.Instant(float64(d.When.MS) / 1000)})
	}
	return sequence.Remaining(p.Plan(), f)
}
