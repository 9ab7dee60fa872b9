package poll

import (
	"fmt"
	"maps"
	"slices"

	"tackline/sensors"
)

// Presence says whether a probe is there.
type Presence uint8

// The presences.
const (
	NeverSeen Presence = iota // asked, and not once there since the daemon began
	Present
	Missing // was there
	Hung    // its read has not come back; its bus is left alone
	Done    // will never have another reading
)

// String gives the name as it stands on pages and in the API.
func (p Presence) String() string {
	names := [...]string{"never seen", "present", "missing", "hung", "done"}
	if int(p) < len(names) {
		return names[p]
	}
	return fmt.Sprintf("presence_%d", uint8(p))
}

// Latest is the newest reading of a quantity, whatever its status.
type Latest struct {
	Quantity   sensors.Quantity
	Raw, Value float64
	At         int64 // Unix milliseconds
	Status     sensors.Status
	Held       bool // too sudden to be believed yet, and not handed on
}

// State is what is known of a probe.
type State struct {
	Name        string
	Place       sensors.Place
	Bus         string
	Presence    Presence
	LastOK      int64 // Unix milliseconds of the newest usable reading; 0 where there was none
	LastOKMono  int64 // the same, since boot
	Reads       int64 // made
	Failures    int64 // of these, or of reads that hang
	BadSamples  int64 // answers that had no value worth keeping
	Counts      map[sensors.Status]int64
	LastError   string // the newest error's text; kept after recovery
	LastErrorAt int64  // Unix milliseconds
	Latest      []Latest
}

// Health is what is known of the way to the store.
type Health struct {
	Backlog int64 // records that the sink has not taken yet
	Lost    int64 // records given up because there were too many
	Err     error // the sink's newest answer
}

// seen notes the newest reading of a quantity, whatever becomes of it.
func (e *entry) seen(rec Record) {
	c := e.channels[rec.Quantity]
	l := Latest{Quantity: rec.Quantity, Raw: rec.Raw, Value: rec.Value, At: rec.At, Status: rec.Status, Held: rec.Status == sensors.OK && len(c.held) > 0}
	i := slices.IndexFunc(e.state.Latest, func(o Latest) bool { return o.Quantity == rec.Quantity })
	switch {
	case i < 0:
		e.state.Latest = append(e.state.Latest, l)
	case !rec.Own || e.state.Latest[i].At <= l.At: // what the board stamps comes in order, wherever its clock is set
		e.state.Latest[i] = l
	}
}

// count counts a record that is handed on.
func (e *entry) count(rec Record) {
	s := &e.state
	s.Counts[rec.Status]++
	e.own = rec.Own
	if rec.Status.Usable() {
		s.LastOK, s.LastOKMono = max(s.LastOK, rec.At), max(s.LastOKMono, rec.Mono)
	}
	for i := range s.Latest {
		if l := &s.Latest[i]; l.Quantity == rec.Quantity && l.At == rec.At {
			l.Status = rec.Status
		}
	}
}

// States gives what is known of every probe, in the order of the options.
func (p *Poller) States() []State {
	p.mu.Lock()
	defer p.mu.Unlock()
	out := make([]State, 0, len(p.entries))
	for _, e := range p.entries {
		s := e.state
		s.Counts = maps.Clone(s.Counts)
		s.Latest = slices.Clone(s.Latest)
		out = append(out, s)
	}
	return out
}

// Health gives what is known of the way to the store.
func (p *Poller) Health() Health {
	p.mu.Lock()
	defer p.mu.Unlock()
	return Health{Backlog: int64(len(p.backlog)), Lost: p.lost, Err: p.sinkErr}
}

// SetCalibrations changes a probe's calibrations: of its next readings, each by its date, and of those that are not handed on yet.
func (p *Poller) SetCalibrations(probe string, c Calibrations) error {
	if err := c.Check(); err != nil {
		return fmt.Errorf("poll: probe %q: %w", probe, err)
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, e := range p.entries {
		if e.Name == probe {
			e.Calibrated = slices.Clone(c)
			for i := range p.backlog {
				if r := &p.backlog[i]; r.Probe == probe {
					r.Value = e.Calibrated.Value(r)
				}
			}
			for _, ch := range e.channels {
				for i := range ch.held {
					ch.held[i].rec.Value = e.Calibrated.Value(&ch.held[i].rec)
				}
			}
			return nil
		}
	}
	return fmt.Errorf("poll: no probe %q", probe)
}

// Shift moves what was stamped by the board's clock so far by ms: the clock was found to be off by that.
func (p *Poller) Shift(ms int64) {
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, e := range p.entries {
		if s := &e.state; !e.own {
			for i := range s.Latest {
				s.Latest[i].At += ms
			}
			if s.LastOK != 0 {
				s.LastOK += ms
			}
		}
		if e.state.LastErrorAt != 0 {
			e.state.LastErrorAt += ms
		}
	}
}
