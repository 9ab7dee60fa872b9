package daemon

import (
	"context"
	"fmt"

	"tackline/daemon/assess"
	"tackline/daemon/clock"
	"tackline/daemon/jobbook"
	"tackline/daemon/poll"
	"tackline/daemon/store"
	"tackline/sensors"
)

// sink hands the poller's records to the store.
type sink struct {
	store *store.Store
	fresh bool  // something came since the loop last looked; the loop alone calls Append and looks
	good  int64 // good readings since the last commit
	late  bool  // something came for hours that are past
	now   func() int64
}

// behind is how old a reading may be, in ms, before what was read of its channel is looked at again. The assessor looks ten minutes back by itself.
const behind = 5 * minuteMs

var _ poll.Sink = (*sink)(nil)

// Append stores records. The loop's own goroutine calls it, from poll.Step.
func (s *sink) Append(ctx context.Context, records []poll.Record) error {
	rows := make([]store.Row, len(records))
	for i, r := range records {
		rows[i] = store.Row{Probe: r.Probe, Place: string(r.Place), Quantity: r.Quantity, At: r.At, Mono: r.Mono, Boot: r.Boot,
			Clock: storeClock(r.ClockState), Raw: r.Raw, Value: r.Value, Status: r.Status}
		if r.Own {
			rows[i].Clock, rows[i].Boot, rows[i].Mono = store.ClockSource, "", 0
		}
		if r.Status.Usable() {
			s.good++
		}
		s.late = s.late || r.Status == sensors.Late || r.Own && s.now()-r.At > behind
	}
	if err := s.store.Append(ctx, rows); err != nil {
		return fmt.Errorf("daemon: store readings: %w", err)
	}
	s.fresh = s.fresh || len(rows) > 0
	return nil
}

// storeClock and bookClock carry the clock's trust over to the words of the two files. A simulated time is its source's own.
func storeClock(s clock.State) store.Clock {
	switch s {
	case clock.Synced:
		return store.ClockSynced
	case clock.RTC:
		return store.ClockRTC
	case clock.Manual:
		return store.ClockManual
	case clock.Simulated:
		return store.ClockSource
	}
	return store.ClockUnsynced
}

func bookClock(s clock.State) string {
	switch s {
	case clock.Synced, clock.Simulated:
		return jobbook.ClockSynced
	case clock.RTC:
		return jobbook.ClockRTC
	case clock.Manual:
		return jobbook.ClockManual
	}
	return jobbook.ClockUnsynced
}

func bookStamp(s clock.Stamp) jobbook.Stamp {
	return jobbook.Stamp{Wall: s.Wall, Mono: s.Mono, Boot: s.Boot, Clock: bookClock(s.State)}
}

// readings shows the store to the assessor.
type readings struct{ store *store.Store }

var _ assess.Readings = readings{}

func (r readings) Minutes(ctx context.Context, probe string, q sensors.Quantity, from, to int64) ([]assess.Minute, error) {
	buckets, err := r.store.Minutes(ctx, probe, q, from, to)
	if err != nil {
		return nil, err
	}
	out := make([]assess.Minute, len(buckets))
	for i, b := range buckets {
		out[i] = assess.Minute{Start: b.Start, Mean: b.Mean, Excluded: b.Excluded}
	}
	return out, nil
}

func (r readings) Newest(ctx context.Context, probe string, q sensors.Quantity) (assess.Newest, error) {
	n, err := r.store.Latest(ctx, probe, q)
	if err != nil || n.Any == nil {
		return assess.Newest{}, err
	}
	return assess.Newest{At: n.Any.At, Status: n.Any.Status}, nil
}
