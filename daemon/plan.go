package daemon

import (
	"context"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"sync"
	"time"

	"tackline/advisor"
	"tackline/advisor/building"
	"tackline/advisor/cure"
	"tackline/advisor/plan"
	"tackline/advisor/units"
	"tackline/daemon/alert"
	"tackline/daemon/assess"
	"tackline/daemon/clock"
	"tackline/daemon/jobbook"
	"tackline/dashboard"
)

// planner makes plans from the newest assessed situation, or anew where something was entered since, so that what was said a moment ago is in them. One is
// made at a time, and kept until the next assessment or entry: phones ask for the same.
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
	req := advisor.PlanRequest{Piece: piece.ID, Every: q.Every, WhatIf: q.WhatIf, Systems: p.d.allSystems()}
	if b := p.d.o.Config.Building; b != nil {
		req.Sizes = &building.Sizes{VolumeM3: b.VolumeM3, EnvelopeM2: b.EnvelopeM2, UValue: b.UValue, AirChanges: b.AirChanges}
	}
	key := fmt.Sprintf("%d %d %d", piece.ID, q.Every, facts.Seq)
	if p.d.outdoors != nil {
		key += "|" + p.d.outdoors.into(&req)
	}
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
	s := m.Situation
	if m.seq != 0 && m.seq != facts.Seq {
		stamp := p.d.clock.Now()
		if s, err = p.d.assess.Situation(ctx, stamp.Wall, stamp.State.Trusted()); err != nil {
			return advisor.Plan{}, err
		}
	}
	made, err := advisor.PlanFor(s, req)
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

// tellFor is how long, from the hour that is set for it, the best start of the next day is worth a message.
const tellFor = 3 * time.Hour

// bestStarts says, from the hour that is set for it, which start of the next day is the best for each piece whose planned sequence is not
// through. The plans are made once a day; nothing where none is wanted, or the clock is not set.
func (d *Daemon) bestStarts(s *advisor.Situation, stamp clock.Stamp) []alert.Condition {
	c := &d.o.Config
	if !c.Plan.Tell || !stamp.State.Trusted() {
		return nil
	}
	now := time.UnixMilli(stamp.Wall).In(c.Shed.Zone)
	from := time.Date(now.Year(), now.Month(), now.Day(), 0, int(c.Plan.TellMin), 0, 0, c.Shed.Zone)
	if now.Before(from) || !now.Before(from.Add(tellFor)) {
		return nil
	}
	if today := from.Format(time.DateOnly); d.loop.toldOn != today {
		d.loop.toldOn, d.loop.tomorrow = today, nil
		for i := range s.Pieces {
			if len(s.Pieces[i].Steps) == 0 {
				continue
			}
			req := advisor.PlanRequest{Piece: s.Pieces[i].ID, Systems: d.allSystems(), Every: 2}
			if d.outdoors != nil {
				d.outdoors.into(&req)
			}
			p, err := advisor.PlanFor(*s, req)
			if err != nil && !errors.Is(err, plan.ErrNotEnough) {
				d.log.Warn("no plan could be made for the evening's message", "piece", s.Pieces[i].Name, "error", err)
				continue
			}
			d.loop.tomorrow = append(d.loop.tomorrow, assess.BestStart(p, now, from.Add(tellFor), c.Shed.Zone))
		}
	}
	return d.loop.tomorrow
}
