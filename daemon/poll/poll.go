// Package poll asks the probes, stamps what they say, calibrates it, judges it, and hands it on. It is the shortest and dullest path in the
// daemon, and nothing else in it may stop that: one goroutine reads each bus, a read that hangs is left behind with its bus, a probe that is
// not there is asked again at growing intervals, and a reading that cannot be believed is flagged and handed on all the same.
//
// The poller has no clock. Its caller looks at one and calls Step, which makes every read that is due and says when the next one is. So the
// same code runs by a board's clock, by a faster one, and as fast as it goes. Only the deadline of a read is in real time.
package poll

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math"
	"sync"
	"time"

	"tackline/daemon/clock"
	"tackline/sensors"
)

// Record is one reading on its way to the store.
type Record struct {
	Probe      string
	Place      sensors.Place
	Quantity   sensors.Quantity
	At         int64 // Unix milliseconds: the stamp's wall time, or the reading's own where it has one
	Mono       int64 // milliseconds since boot when it was taken
	Own        bool  // At is the source's own time: no correction of the board's clock moves it
	Boot       string
	ClockState clock.State
	Beside     *float64 // the raw temperature of the same probe beside a humidity, C; nil where there is none
	Raw        float64  // as the probe gave it, in the unit of the quantity; finite
	Value      float64  // calibrated
	Status     sensors.Status
}

// Sink takes records. It is called by Step alone, never twice at once. After an error the same records come again with the next ones.
type Sink interface {
	Append(ctx context.Context, records []Record) error
}

// Entry is one probe.
type Entry struct {
	Name       string
	Place      sensors.Place
	Bus        string // probes of one bus are read one after the other; empty is a bus of its own
	Probe      sensors.Probe
	Interval   time.Duration // between reads; 0 is 10 s
	Steady     bool          // asked at its interval even while it is absent: asking costs nothing
	WarmUp     time.Duration // readings this soon after the probe appeared are flagged
	Calibrated Calibrations
	Limits     map[sensors.Quantity]Limit // of those that differ from DefaultLimits
}

// Options is what New needs. Probes and Sink are required.
type Options struct {
	Probes       []Entry
	Sink         Sink
	ReadDeadline time.Duration // real time that one read may take; 0 is 2 s
	Confirm      int64         // readings that must agree before a sudden step is believed; 0 is 3
	MaxBackoff   time.Duration // longest interval at which an absent probe is asked; 0 is 60 s
	MaxBacklog   int64         // records kept while the sink fails; 0 is 20 000
	// Now stamps each read as it begins. Nil stamps every read of a Step with the stamp of that Step.
	Now func() clock.Stamp
	Log *slog.Logger // nil logs nothing
}

// entry is a probe with all that is known of it.
type entry struct {
	Entry
	index    int
	bus      *bus
	due      int64 // milliseconds since boot
	failures int64 // in a row
	appeared int64 // when the probe was first read since it was last away
	channels map[sensors.Quantity]*channel
	moved    int64 // when any quantity last changed, on the axis of its readings
	own      bool  // its newest reading had a time of its own
	temps    []tempAt
	state    State
	lines    lines
}

// bus is a group of probes of which one is read at a time.
type bus struct {
	key     string
	busy    bool
	hung    bool
	begun   time.Time // of the read that is under way
	current *entry
}

// result is what one read gave.
type result struct {
	e        *entry
	stamp    clock.Stamp
	readings []sensors.Reading
	err      error
	late     bool // came after its deadline; nothing of it is used
	done     *bus // the last message of a run
}

// Poller is the poller. Step and Close are called by one goroutine; the other methods by any.
type Poller struct {
	o       Options
	entries []*entry
	buses   []*bus
	results chan result
	boot    string

	mu      sync.Mutex // guards what follows, and entry.state, entry.Calibrated, bus.begun, bus.current
	backlog []Record
	lost    int64
	sinkErr error
	sink    lines
	closed  bool
}

// New checks the options and gives the poller. All that is wrong comes in one error.
func New(o Options) (*Poller, error) {
	var wrong []error
	if o.Sink == nil {
		wrong = append(wrong, errors.New("poll: no sink"))
	}
	if o.ReadDeadline == 0 {
		o.ReadDeadline = 2 * time.Second
	}
	if o.Confirm == 0 {
		o.Confirm = 3
	}
	if o.MaxBackoff == 0 {
		o.MaxBackoff = time.Minute
	}
	if o.MaxBacklog == 0 {
		o.MaxBacklog = 20_000
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	p := &Poller{o: o}
	byKey, names := map[string]*bus{}, map[string]bool{}
	for i, e := range o.Probes {
		switch {
		case e.Name == "":
			wrong = append(wrong, fmt.Errorf("poll: probe %d has no name", i+1))
		case names[e.Name]:
			wrong = append(wrong, fmt.Errorf("poll: two probes have the name %q", e.Name))
		}
		names[e.Name] = true
		if e.Probe == nil {
			wrong = append(wrong, fmt.Errorf("poll: probe %q is not open", e.Name))
		}
		if e.Interval == 0 {
			e.Interval = 10 * time.Second
		}
		if e.Interval < 100*time.Millisecond {
			wrong = append(wrong, fmt.Errorf("poll: probe %q: an interval of %v is below 100 ms", e.Name, e.Interval))
		}
		if err := e.Calibrated.Check(); err != nil {
			wrong = append(wrong, fmt.Errorf("poll: probe %q: %w", e.Name, err))
		}
		key := e.Bus
		if key == "" {
			key = "probe " + e.Name
		}
		b := byKey[key]
		if b == nil {
			b = &bus{key: key}
			byKey[key], p.buses = b, append(p.buses, b)
		}
		p.entries = append(p.entries, &entry{Entry: e, index: i, bus: b, due: math.MinInt64, channels: map[sensors.Quantity]*channel{},
			moved: math.MinInt64, state: State{Name: e.Name, Place: e.Place, Bus: key, Counts: map[sensors.Status]int64{}}})
	}
	if err := errors.Join(wrong...); err != nil {
		return nil, err
	}
	// A bus has one run at a time, and a run sends one result a probe and an end: no send ever waits.
	p.results = make(chan result, 2*(len(p.entries)+len(p.buses)))
	return p, nil
}

// grace is what a read that keeps to its deadline may need on top to return.
const grace = 200 * time.Millisecond

// Step makes every read that is due at the stamp, waits for the answers, at longest for the deadline of a read, and hands them on.
// It gives the time, in Unix milliseconds by the stamp's clock, at which to call it next.
func (p *Poller) Step(ctx context.Context, stamp clock.Stamp) (next int64) {
	if p.boot != stamp.Boot {
		// Another boot's milliseconds mean nothing here.
		p.boot = stamp.Boot
		for _, e := range p.entries {
			e.due = math.MinInt64
		}
	}
	running := map[*bus]bool{}
	got := p.drain(nil, running)
	for _, b := range p.buses {
		if due := p.due(b, stamp.Mono); len(due) > 0 && !b.busy {
			b.busy = true
			running[b] = true
			go p.run(ctx, b, due, stamp)
		}
	}
	got = p.collect(ctx, got, running)
	p.absorb(ctx, got, stamp)
	return p.next(stamp)
}

// due lists the probes of a bus whose time has come, and sets their next time. Those of a bus that is still busy are passed over.
func (p *Poller) due(b *bus, mono int64) []*entry {
	var due []*entry
	for _, e := range p.entries {
		if e.bus != b || e.state.Presence == Done || e.due > mono {
			continue
		}
		wait := e.wait(p.o.MaxBackoff).Milliseconds()
		// Keep to the beat, except after a pause longer than it.
		if e.due += wait; e.due <= mono || e.due > mono+wait {
			e.due = mono + wait
		}
		due = append(due, e)
	}
	return due
}

// wait gives the time to the probe's next read: its interval, doubled with each failure in a row up to a longest.
func (e *entry) wait(longest time.Duration) time.Duration {
	d := e.Interval
	if e.Steady {
		return d
	}
	for i := int64(1); i < e.failures && d < longest; i++ {
		d *= 2
	}
	return max(e.Interval, min(d, longest))
}

// next gives the earliest due time on the wall.
func (p *Poller) next(stamp clock.Stamp) int64 {
	least := int64(math.MaxInt64)
	for _, e := range p.entries {
		if e.state.Presence != Done {
			least = min(least, e.due)
		}
	}
	if least == math.MaxInt64 {
		return stamp.Wall + time.Minute.Milliseconds() // nothing left to ask
	}
	return stamp.Wall + max(1, least-stamp.Mono)
}

// run reads the due probes of a bus in turn. It ends early where a read came back after its deadline: the others' turn has passed.
func (p *Poller) run(ctx context.Context, b *bus, due []*entry, stamp clock.Stamp) {
	for _, e := range due {
		if p.o.Now != nil {
			stamp = p.o.Now()
		}
		r := p.read(ctx, b, e, stamp)
		p.results <- r
		if r.late || ctx.Err() != nil {
			break
		}
	}
	p.results <- result{done: b}
}

// read makes one read. A driver that panics has failed like any other.
func (p *Poller) read(ctx context.Context, b *bus, e *entry, stamp clock.Stamp) (r result) {
	r = result{e: e, stamp: stamp}
	begun := time.Now()
	p.mu.Lock()
	b.begun, b.current = begun, e
	p.mu.Unlock()
	ctx, cancel := context.WithTimeout(ctx, p.o.ReadDeadline)
	defer cancel()
	defer func() {
		if v := recover(); v != nil {
			r.readings, r.err = nil, fmt.Errorf("poll: the driver panicked: %v", v)
		}
		r.late = time.Since(begun) > p.o.ReadDeadline+grace
		p.mu.Lock()
		b.current = nil
		p.mu.Unlock()
	}()
	r.readings, r.err = e.Probe.Read(ctx)
	return r
}

// drain takes the results that are there already.
func (p *Poller) drain(got []result, running map[*bus]bool) []result {
	for {
		select {
		case r := <-p.results:
			got = p.take(got, r, running)
		default:
			return got
		}
	}
}

// take keeps a result, or notes that a bus is free again.
func (p *Poller) take(got []result, r result, running map[*bus]bool) []result {
	if r.done == nil {
		return append(got, r)
	}
	r.done.busy, r.done.hung = false, false
	delete(running, r.done)
	return got
}

// collect waits for the buses that were started, at longest for the deadline, and marks those hung whose read has passed it.
func (p *Poller) collect(ctx context.Context, got []result, running map[*bus]bool) []result {
	timer := time.NewTimer(p.o.ReadDeadline + grace)
	defer timer.Stop()
	for len(running) > 0 {
		select {
		case r := <-p.results:
			got = p.take(got, r, running)
		case <-timer.C:
			return p.drain(got, running)
		case <-ctx.Done():
			return p.drain(got, running)
		}
	}
	return got
}

// Close hands on what is held back, and closes the probes. A probe that hangs is left to the end of the process.
func (p *Poller) Close(ctx context.Context) error {
	p.mu.Lock()
	if p.closed {
		p.mu.Unlock()
		return nil
	}
	p.closed = true
	p.mu.Unlock()
	running := map[*bus]bool{}
	for _, b := range p.buses {
		if b.busy && !b.hung {
			running[b] = true
		}
	}
	got := p.collect(ctx, nil, running)
	p.absorb(ctx, got, clock.Stamp{Boot: p.boot})
	var held []Record
	for _, e := range p.entries {
		for _, c := range e.channels {
			held = append(held, c.giveUp()...)
		}
	}
	sortRecords(held)
	err := p.handOn(ctx, held)
	for _, e := range p.entries {
		if e.bus.busy {
			continue
		}
		if closeErr := e.Probe.Close(); closeErr != nil {
			err = errors.Join(err, fmt.Errorf("poll: close %q: %w", e.Name, closeErr))
		}
	}
	return err
}
