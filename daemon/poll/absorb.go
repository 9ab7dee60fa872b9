package poll

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"tackline/daemon/clock"
	"tackline/sensors"
)

// absorb turns the results of reads into records and states, and hands the records on.
func (p *Poller) absorb(ctx context.Context, got []result, stamp clock.Stamp) {
	// By probe, so that the same readings come out in the same order whichever bus answered first.
	slices.SortStableFunc(got, func(a, b result) int { return cmp.Compare(a.e.index, b.e.index) })
	var records []Record
	p.mu.Lock()
	for _, b := range p.buses {
		if e := b.current; b.busy && e != nil && time.Since(b.begun) > p.o.ReadDeadline {
			p.hang(b, e, stamp)
		}
	}
	for _, r := range got {
		records = append(records, p.one(r)...)
	}
	p.mu.Unlock()
	if err := p.handOn(ctx, records); err != nil {
		p.sink.failed(p.o.Log, "readings are not stored", "sink", err.Error(), stamp.Mono)
	} else {
		p.sink.fine(p.o.Log, "readings are stored again", stamp.Mono)
	}
}

// hang notes that a read has not come back. All probes of its bus wait for it.
func (p *Poller) hang(b *bus, culprit *entry, stamp clock.Stamp) {
	text := fmt.Sprintf("no answer within %v; bus %s is left alone until it answers", p.o.ReadDeadline, b.key)
	if strings.HasPrefix(b.key, "i2c") {
		text += "; where that happens often, give the bus a lower speed (i2c_arm_baudrate=10000 on boards that have it) or drive it by i2c-gpio"
	}
	culprit.lines.failed(p.o.Log, "probe does not read", "hung", text, stamp.Mono, "probe", culprit.Name)
	if b.hung {
		return
	}
	b.hung = true
	for _, e := range p.entries {
		if e.bus != b || e.state.Presence == Done {
			continue
		}
		s := &e.state
		s.Presence, s.LastError, s.LastErrorAt = Hung, text, stamp.Wall
		if e != culprit {
			s.LastError = fmt.Sprintf("bus %s hangs in probe %q", b.key, culprit.Name)
			continue
		}
		s.Failures++
	}
}

// one turns the result of one read into records.
func (p *Poller) one(r result) []Record {
	e, s := r.e, &r.e.state
	s.Reads++
	// The next read was set before it was known how this one would go.
	defer func(before int64) {
		if e.failures != before {
			e.due = r.stamp.Mono + e.wait(p.o.MaxBackoff).Milliseconds()
		}
	}(e.failures)
	var bad *sensors.BadSample
	switch {
	case r.late:
		p.fail(e, Missing, "late", fmt.Sprintf("answered after the deadline of %v: %s", p.o.ReadDeadline, outcome(r)), r.stamp)
		e.failures++
		return nil
	case errors.As(r.err, &bad):
		// Something is there and talks nonsense: no reason to ask it less often.
		s.Counts[bad.Status]++
		s.BadSamples++
		e.failures = 0
		p.fail(e, s.Presence, bad.Status.String(), r.err.Error(), r.stamp)
		s.Presence = Present
		return nil
	case errors.Is(r.err, sensors.ErrDone):
		s.Presence = Done
		p.o.Log.Info("probe has no more readings", "probe", e.Name)
		return e.flush()
	case errors.Is(r.err, sensors.ErrAbsent):
		p.fail(e, Missing, "absent", r.err.Error(), r.stamp)
		e.failures++
		return nil
	case r.err != nil:
		p.fail(e, Missing, "error", r.err.Error(), r.stamp)
		e.failures++
		return nil
	}
	if s.Presence != Present {
		e.appeared = r.stamp.Mono
	}
	s.Presence, e.failures = Present, 0
	e.lines.fine(p.o.Log, "probe reads again", r.stamp.Mono, "probe", e.Name)
	return p.sample(r)
}

func outcome(r result) string {
	if r.err != nil {
		return r.err.Error()
	}
	return fmt.Sprintf("%d readings, not used", len(r.readings))
}

// fail notes a failure. A probe that was never there stays never seen.
func (p *Poller) fail(e *entry, now Presence, class, text string, stamp clock.Stamp) {
	s := &e.state
	if !(s.Presence == NeverSeen && now == Missing) {
		s.Presence = now
	}
	s.Failures++
	s.LastError, s.LastErrorAt = text, stamp.Wall
	e.lines.failed(p.o.Log, "probe does not read", class, text, stamp.Mono, "probe", e.Name)
}

// sample turns the readings of one read into records: stamped, calibrated, judged.
func (p *Poller) sample(r result) []Record {
	e := r.e
	type item struct {
		rec Record
		own bool // has a time of its own
	}
	var items []item
	temps := map[int64]float64{} // raw temperature by time, for the humidity beside it
	for _, g := range r.readings {
		if math.IsNaN(g.Value) || math.IsInf(g.Value, 0) {
			e.state.Counts[sensors.OutOfRange]++
			e.state.BadSamples++
			p.fail(e, Present, "not finite", fmt.Sprintf("%s is %v", g.Quantity, g.Value), r.stamp)
			continue
		}
		it := item{Record{Probe: e.Name, Place: e.Place, Quantity: g.Quantity, At: r.stamp.Wall, Mono: r.stamp.Mono, Boot: r.stamp.Boot,
			ClockState: r.stamp.State, Raw: g.Value, Value: g.Value, Status: g.Status}, !g.At.IsZero()}
		if it.own {
			it.rec.At, it.rec.Own = g.At.UnixMilli(), true
		} else if age := g.Age.Milliseconds(); age > 0 {
			it.rec.At, it.rec.Mono = it.rec.At-age, max(1, it.rec.Mono-age)
		}
		if g.Quantity == sensors.Temperature {
			temps[it.rec.At] = g.Value
		}
		items = append(items, it)
	}
	e.remember(temps)
	var out []Record
	for _, it := range items {
		rec := it.rec
		if rec.Quantity == sensors.Humidity {
			rec.Beside = e.beside(rec.At, temps)
		}
		rec.Value = e.Calibrated.Value(&rec)
		if e.WarmUp > 0 && r.stamp.Mono-e.appeared < e.WarmUp.Milliseconds() && rec.Status == sensors.OK {
			rec.Status = sensors.WarmUp
		}
		c := e.channel(rec.Quantity, p.o.Confirm)
		out = append(out, c.judge(rec, it.own, r.stamp, e)...)
		e.seen(rec)
	}
	for _, rec := range out {
		e.count(rec)
	}
	return out
}

// channel gives the state of a quantity, made on first use.
func (e *entry) channel(q sensors.Quantity, confirm int64) *channel {
	c := e.channels[q]
	if c == nil {
		limit, own := e.Limits[q]
		if !own {
			limit = DefaultLimits()[q]
		}
		c = newChannel(q, limit, confirm)
		e.channels[q] = c
	}
	return c
}

// flush gives up what is held back.
func (e *entry) flush() []Record {
	var out []Record
	for _, q := range sensors.Quantities() {
		if c := e.channels[q]; c != nil {
			out = append(out, c.giveUp()...)
		}
	}
	for _, rec := range out {
		e.count(rec)
	}
	return out
}

// handOn gives records to the sink, with those that it did not take before. Where it fails for long, the oldest are lost and counted.
func (p *Poller) handOn(ctx context.Context, records []Record) error {
	p.mu.Lock()
	p.backlog = append(p.backlog, records...)
	if over := int64(len(p.backlog)) - p.o.MaxBacklog; over > 0 {
		p.backlog = slices.Delete(p.backlog, 0, int(over))
		p.lost += over
	}
	batch := slices.Clone(p.backlog)
	p.mu.Unlock()
	if len(batch) == 0 {
		return nil
	}
	err := p.o.Sink.Append(ctx, batch)
	p.mu.Lock()
	defer p.mu.Unlock()
	p.sinkErr = err
	if err == nil {
		p.backlog = p.backlog[:0]
	}
	return err
}

func sortRecords(r []Record) {
	slices.SortStableFunc(r, func(a, b Record) int {
		return cmp.Or(cmp.Compare(a.At, b.At), cmp.Compare(a.Probe, b.Probe), cmp.Compare(a.Quantity, b.Quantity))
	})
}
