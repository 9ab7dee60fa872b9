package daemon

import (
	"context"
	"errors"
	"fmt"
	"hash/fnv"
	"sort"
	"time"

	"tackline/daemon/jobbook"
	"tackline/dashboard"
	"tackline/dashboard/record"
)

// source shows the shed to the page.
type source struct{ d *Daemon }

var _ dashboard.Source = source{}

// Now does as dashboard.Source says.
func (s source) Now(ctx context.Context) (dashboard.View, error) {
	d, c := s.d, &s.d.o.Config
	stamp := d.clock.Now()
	v := dashboard.View{At: time.UnixMilli(stamp.Wall).UTC(), Shed: c.Shed.Name, Zone: c.Shed.Zone, ClockSet: stamp.State.Trusted(),
		Simulated: !c.Clock.Real() || d.o.Shed != nil, Speed: c.Clock.Speed, Notice: d.o.Notice, MarginK: float64(c.Limits.MarginK)}
	if err := d.errs.get("store"); err != nil {
		v.Problem = "Readings are not written: " + err.Error()
	} else if err := d.errs.get("config"); err != nil {
		v.Problem = "The new config was refused, the old one goes on: " + err.Error()
	}
	if m := d.latest.Load(); m != nil {
		v.Advice = m.Advice
		v.MarginK = float64(m.Situation.Limits.MarginK)
		v.StaleAfter = time.Duration(float64(m.Situation.Limits.StaleAfter) * float64(time.Second))
	}
	facts, err := d.book.State(ctx)
	if err != nil {
		return v, err
	}
	for i, p := range d.poller.States() {
		line := dashboard.Probe{Name: p.Name, Place: p.Place, Piece: tapedTo(c.Probes[i], facts, stamp.Wall), Problem: presence(p, stamp.Wall, c.Probes[i].StaleAfter),
			Uncalibrated: !calibrated(c.Probes[i], facts, stamp.Wall), StaleAfter: c.Probes[i].StaleAfter}
		for _, l := range p.Latest {
			at := time.UnixMilli(l.At).UTC()
			line.Last = append(line.Last, dashboard.Last{Quantity: l.Quantity, Value: l.Value, At: at, Status: l.Status})
			if at.After(line.Seen) {
				line.Seen = at
			}
		}
		v.Probes = append(v.Probes, line)
	}
	for _, n := range d.systems.Names() {
		if sys, err := d.systems.Find(n); err == nil {
			line := dashboard.System{Name: sys.Name, Source: sys.Source, Full: &sys}
			for _, short := range c.Systems.Shipped {
				if shipped, err := d.systems.Find(short); err == nil && shipped.Name == sys.Name {
					line.Short = short
				}
			}
			v.Systems = append(v.Systems, line)
		}
	}
	v.Probes = append(v.Probes, handLines(facts, stamp.Wall, c.Shed.HandFresh)...)
	viewFacts(&v, facts)
	d.viewAlerts(&v, facts)
	return v, nil
}

// viewAlerts shows what holds, what was said to it, and how the ways are doing.
func (d *Daemon) viewAlerts(v *dashboard.View, facts *jobbook.State) {
	said := map[string]int64{} // by key: the newest entry
	for i := range facts.Acks {
		said[facts.Acks[i].AlertKey] = max(said[facts.Acks[i].AlertKey], facts.Acks[i].Seq)
	}
	for _, a := range d.alerts.standing() {
		line := dashboard.Alert{ID: alertID(a.Key, a.Since), At: a.Since, Text: a.Title, Body: a.Body, Severity: a.Severity.String(), Link: a.Link, Held: !a.Told,
			Seen: a.Acked, Who: a.AckedBy}
		if a.SnoozedFor > 0 {
			line.Until = v.At.Add(a.SnoozedFor)
		}
		if line.IsAnswered() {
			line.Entry = said[a.Key]
		}
		v.Alerts = append(v.Alerts, line)
	}
	sort.SliceStable(v.Alerts, func(i, j int) bool {
		if a, b := v.Alerts[i].IsAnswered(), v.Alerts[j].IsAnswered(); a != b {
			return b
		}
		return v.Alerts[i].At.After(v.Alerts[j].At)
	})
	for _, s := range d.alerts.outbox.Status() {
		v.Ways = append(v.Ways, dashboard.Way{Name: s.Name, LastOK: s.LastOK, LastFail: s.LastFail, LastError: s.LastError, Failing: s.Failing, Waiting: s.Waiting, Spent: s.Spent})
	}
}

func viewFacts(v *dashboard.View, facts *jobbook.State) {
	for _, j := range facts.Jobs {
		if !j.Closed {
			v.Jobs = append(v.Jobs, dashboard.Job{ID: j.ID, Name: j.Name})
		}
	}
	for _, p := range facts.Pieces {
		v.Pieces = append(v.Pieces, dashboard.Piece{ID: p.ID, Job: p.Job, Name: p.Name, Bare: p.BareNow})
	}
	for _, b := range facts.Batches {
		if b.Ended.MS != 0 {
			continue
		}
		line := dashboard.Batch{ID: b.ID, Rev: b.Rev, System: b.SystemName, Mixed: at(b.Mixed.MS), MassG: b.MassG, Vessel: b.Vessel}
		if n := len(b.Moves); n > 0 {
			line.Vessel = b.Moves[n-1].Vessel
		}
		v.Batches = append(v.Batches, line)
	}
	for i := len(facts.Coats) - 1; i >= 0; i-- {
		c := facts.Coats[i]
		p, _ := facts.Piece(c.Piece)
		j, _ := facts.Job(p.Job)
		line := dashboard.Coat{ID: c.ID, Job: j.ID, Piece: c.Piece, JobName: j.Name, PieceName: p.Name, Kind: c.Kind, System: c.SystemName,
			Started: at(c.Started.MS), Ended: at(c.Ended.MS), Who: c.Who, ResinC: c.ResinC}
		if c.AmountG > 0 {
			g := c.AmountG
			line.AmountG = &g
		}
		if b, ok := facts.Batch(c.Batch); ok {
			line.Vessel = b.Vessel
		}
		for _, t := range facts.Touches {
			if t.Coat == c.ID {
				line.Touches = append(line.Touches, dashboard.TouchMark{At: at(t.When.MS), State: t.State, Witness: t.Witness})
			}
		}
		v.Coats = append(v.Coats, line)
	}
}

func at(ms int64) time.Time {
	if ms == 0 {
		return time.Time{}
	}
	return time.UnixMilli(ms).UTC()
}

// alertID gives a number for what holds under a key since a time, for the page's forms.
func alertID(key string, since time.Time) int64 {
	h := fnv.New64a()
	fmt.Fprintf(h, "%s %d", key, since.UnixMilli())
	return int64(h.Sum64() >> 12)
}

// Series does as dashboard.Source says.
func (s source) Series(ctx context.Context, req dashboard.SeriesRequest) (dashboard.Series, error) {
	known := false
	var out dashboard.Series
	for _, p := range s.d.o.Config.Probes {
		if p.Name == req.Probe {
			known, out.MaxGap = true, p.StaleAfter
		}
	}
	if !known {
		facts, err := s.d.book.State(ctx)
		if known = err == nil && knownByHand(facts, req.Probe); known {
			out.MaxGap = s.d.o.Config.Shed.HandFresh
		}
	}
	if !known {
		return out, fmt.Errorf("daemon: probe %q: %w", req.Probe, dashboard.ErrNotFound)
	}
	buckets, err := s.d.store.Range(ctx, req.Probe, req.Quantity, req.From.UnixMilli(), req.To.UnixMilli(), req.Points)
	if err != nil {
		return out, err
	}
	out.Points = make([]dashboard.SeriesPoint, 0, len(buckets))
	for _, b := range buckets {
		out.MaxGap = max(out.MaxGap, time.Duration(2*(b.End-b.Start))*time.Millisecond)
		if b.Count > 0 {
			out.Points = append(out.Points, dashboard.SeriesPoint{At: at(b.Start), Min: b.Min, Mean: b.Mean, Max: b.Max, Count: b.Count})
		}
	}
	return out, nil
}

// Record does as dashboard.Source says.
func (s source) Record(ctx context.Context, job int64, workshop string) (record.Job, error) {
	return s.d.Record(ctx, job, workshop)
}

// Subscribe does as dashboard.Source says.
func (s source) Subscribe(ctx context.Context) <-chan struct{} { return s.d.beats.subscribe(ctx) }

// healthy is for /healthz: the loop works, and what it reads reaches the disk.
func (d *Daemon) healthy(context.Context) error {
	return errors.Join(d.life.Err(), d.errs.get("store"))
}

// ready is for /readyz: the store takes readings, and there is an advice.
func (d *Daemon) ready(context.Context) error {
	if err := d.errs.get("store"); err != nil {
		return err
	}
	if d.latest.Load() == nil {
		return fmt.Errorf("daemon: nothing was assessed yet")
	}
	return nil
}
