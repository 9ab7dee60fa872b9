package assess

import (
	"context"
	"fmt"
	"sort"

	"tackline/advisor"
	"tackline/advisor/cure"
	"tackline/advisor/sequence"
	"tackline/advisor/units"
	"tackline/daemon/jobbook"
	"tackline/sensors"
)

// newest gives the time of the newest reading of all, Unix ms; now where that is later.
func (a *Assessor) newest(ctx context.Context, now int64) (int64, error) {
	for _, p := range a.o.Probes {
		if len(p.Quantities) == 0 {
			continue
		}
		n, err := a.o.Readings.Newest(ctx, p.Name, p.Quantities[0])
		if err != nil {
			return now, fmt.Errorf("assess: newest of %s: %w", p.Name, err)
		}
		now = max(now, n.At)
	}
	return now, nil
}

// pieces brings the job book's pieces and coats into the situation: those of jobs that are not closed, and one that is wanted anyhow, 0 for none.
func (a *Assessor) pieces(ctx context.Context, facts *jobbook.State, s *advisor.Situation, now, keep int64) error {
	known, err := a.newest(ctx, now)
	if err != nil {
		return err
	}
	for i := range facts.Pieces {
		p := &facts.Pieces[i]
		// Of a moment that is past, what was entered since is left out. What stands ahead of all readings was entered by a clock that was wrong.
		later := s.ClockSet && p.Head.Entered > now && p.Head.Entered <= known
		if job, ok := facts.Job(p.Job); p.ID != keep && (ok && job.Closed || later) {
			continue
		}
		piece := advisor.Piece{ID: p.ID, Name: p.Name, Bare: p.Bare && !coatedBy(facts, p.ID, now), BackSealed: p.SealedFace == "back" || p.SealedFace == "both", Lie: p.Lie,
			ThicknessM: units.Metre(p.ThicknessMM / 1000), DensityKgM3: p.DensityKgM3, AreaM2: p.AreaM2, NextSystem: a.o.Next, Steps: p.PlanAt(now)}
		a.systems(s, piece.Steps)
		for _, d := range facts.Deeds {
			if d.Piece == p.ID && d.When.MS <= now {
				piece.Deeds = append(piece.Deeds, advisor.Deed{ID: d.ID, Work: d.Work, At: instant(d.When.MS)})
			}
		}
		if piece.SurfaceC, err = a.surface(ctx, facts, p, now); err != nil {
			return err
		}
		if piece.SurfaceC.Problem != "" {
			piece.SurfaceC = a.hand(facts, piece.SurfaceC, sensors.Surface, p.ID, sensors.Temperature, now)
		}
		for _, m := range facts.Moisture {
			if m.Piece == p.ID && m.When.MS <= now {
				piece.Meter = append(piece.Meter, advisor.MeterReading{At: instant(m.When.MS), Pct: units.Percent(m.MoisturePct)})
			}
		}
		if piece.Meter, err = a.pins(ctx, facts, p, piece.Meter, now); err != nil {
			return err
		}
		s.Pieces = append(s.Pieces, piece)
	}
	if err := a.coats(facts, s, now); err != nil {
		return err
	}
	if err := a.earlier(ctx, facts, s, now); err != nil {
		return err
	}
	return batches(facts, s, now)
}

// systems brings in the systems that the steps of a plan name. One that is not known stays out, and what needs it says so.
func (a *Assessor) systems(s *advisor.Situation, steps []sequence.Step) {
	for _, step := range steps {
		if step.System == "" || a.o.System == nil {
			continue
		}
		if system, err := a.o.System(step.System); err == nil {
			if s.Systems == nil {
				s.Systems = map[string]cure.System{}
			}
			s.Systems[step.System] = system
		}
	}
}

// pins adds what pins in the timber of a piece tell now to what a meter told: the newest minute, while it is fresh. Old ones stay out, as an old reading of a
// meter would not.
func (a *Assessor) pins(ctx context.Context, facts *jobbook.State, p *jobbook.Piece, meter []advisor.MeterReading, now int64) ([]advisor.MeterReading, error) {
	for _, probe := range a.o.Probes {
		if probe.Place != sensors.Timber || !has(probe.Quantities, sensors.Moisture) || !inTimber(facts, probe, p, now) {
			continue
		}
		c, err := a.channel(ctx, facts, probe, sensors.Moisture, now, 0, now)
		if err != nil {
			return nil, err
		}
		if at, v, ok := c.Trace.Last(); ok && c.Problem == "" {
			meter = append(meter, advisor.MeterReading{At: units.Instant(at), Pct: units.Percent(v)})
		}
	}
	sort.SliceStable(meter, func(i, j int) bool { return meter[i].At < meter[j].At })
	return meter, nil
}

// inTimber tells whether a probe sits in the timber of a piece: by the config, else by the newest placement of the job book.
func inTimber(facts *jobbook.State, probe Probe, p *jobbook.Piece, now int64) bool {
	if probe.Piece != "" {
		return probe.Piece == p.Name
	}
	for i := range facts.Placements {
		q := &facts.Placements[i]
		if q.Probe == probe.Name && q.Piece == p.ID && q.Place == string(sensors.Timber) && q.From.MS <= now && (q.Until == 0 || q.Until > now) {
			return true
		}
	}
	return false
}

func coatedBy(facts *jobbook.State, piece, now int64) bool {
	for _, c := range facts.Coats {
		if c.Piece == piece && c.Started.MS <= now {
			return true
		}
	}
	return false
}

// surface gives the channel of the probe that is taped to a piece now: the one that the config fixes there, else by the job book the one that was
// taped on last and tells the present. Its log goes on backwards with those of the probes that were on the piece before, each for as long as it was.
func (a *Assessor) surface(ctx context.Context, facts *jobbook.State, p *jobbook.Piece, now int64) (advisor.Channel, error) {
	for _, probe := range a.o.Probes {
		if probe.Place == sensors.Surface && probe.Piece == p.Name && has(probe.Quantities, sensors.Temperature) {
			return a.channel(ctx, facts, probe, sensors.Temperature, now, 0, now)
		}
	}
	var on []jobbook.Placement // latest first
	for _, q := range facts.Placements {
		if q.Piece == p.ID && q.Place == string(sensors.Surface) && q.From.MS <= now {
			on = append(on, q)
		}
	}
	sort.SliceStable(on, func(i, j int) bool { return on[i].From.MS > on[j].From.MS })
	logs := make([]advisor.Channel, len(on))
	chosen := -1
	for i, q := range on {
		end := now
		if q.Until != 0 {
			end = min(end, q.Until)
		}
		var err error
		if logs[i], err = a.placed(ctx, facts, q.Probe, now, q.From.MS, end); err != nil {
			return advisor.Channel{}, err
		}
		if present := q.Until == 0 || q.Until > now; present && (chosen < 0 || logs[chosen].Problem != "" && logs[i].Problem == "") {
			chosen = i
		}
	}
	if chosen < 0 {
		out := advisor.Channel{Problem: "no probe is taped to this piece"}
		if len(logs) > 0 {
			out.Trace, out.U, out.LastSeen, out.Excluded = logs[0].Trace, logs[0].U, logs[0].LastSeen, logs[0].Excluded
			chosen = 0
		}
		return before(out, logs[chosen+1:]), nil
	}
	return before(logs[chosen], logs[chosen+1:]), nil
}

// placed gives the channel of a probe that the job book names, over [from, to).
func (a *Assessor) placed(ctx context.Context, facts *jobbook.State, name string, now, from, to int64) (advisor.Channel, error) {
	for _, probe := range a.o.Probes {
		if probe.Name == name {
			return a.channel(ctx, facts, probe, sensors.Temperature, now, from, to)
		}
	}
	return advisor.Channel{Probe: name, Problem: "the probe that is taped to it is not in the config"}, nil
}

// before puts the logs of earlier probes, latest first, before that of a channel: each up to where what follows begins.
func before(c advisor.Channel, earlier []advisor.Channel) advisor.Channel {
	for _, e := range earlier {
		t := e.Trace
		if first, ok := c.Trace.First(); ok {
			t = t.Slice(0, first)
		}
		if t.Len() > 0 {
			c.Trace = t.Concat(c.Trace)
		}
	}
	return c
}

// coats brings the coats in, with their touches, by start. A coat without a system that can be read is left to say so itself.
func (a *Assessor) coats(facts *jobbook.State, s *advisor.Situation, now int64) error {
	for i := range facts.Coats {
		c := &facts.Coats[i]
		if c.Started.MS > now {
			continue
		}
		system, err := systemOf(c.System)
		if err != nil {
			return err
		}
		coat := advisor.Coat{ID: c.ID, Piece: c.Piece, Kind: c.Kind, System: system, Started: instant(c.Started.MS), ResinC: c.ResinC, Drum: facts.DrumOf(c),
			AmountGM2: amountOf(facts, c), OnTimber: onTimber(facts, c), Touches: touchesOf(facts, c, now),
			Fabric: c.Fabric != "", PeelPly: c.PeelPly}
		if c.Ended.MS > 0 && c.Ended.MS <= now {
			coat.Ended = instant(c.Ended.MS)
		}
		s.Coats = append(s.Coats, coat)
		for k := range s.Pieces {
			if s.Pieces[k].ID == c.Piece {
				next := system
				s.Pieces[k].NextSystem, s.Pieces[k].NextDrum = &next, coat.Drum
			}
		}
	}
	return nil
}

// amountOf gives how much resin a coat has on its face, g/m2; nil where amount or area is not known.
func amountOf(facts *jobbook.State, c *jobbook.Coat) *float64 {
	area := c.AreaM2
	if p, ok := facts.Piece(c.Piece); ok && area == 0 {
		area = p.AreaM2
	}
	if c.AmountG <= 0 || area <= 0 {
		return nil
	}
	v := c.AmountG / area
	return &v
}

// onTimber tells whether a coat lies on bare timber: its piece was bare, and nothing had been put on it before.
func onTimber(facts *jobbook.State, c *jobbook.Coat) bool {
	p, ok := facts.Piece(c.Piece)
	if !ok || !p.Bare || c.Over != 0 {
		return false
	}
	for i := range facts.Coats {
		if o := &facts.Coats[i]; o.Piece == c.Piece && o.ID != c.ID && o.Started.MS < c.Started.MS {
			return false
		}
	}
	return true
}
