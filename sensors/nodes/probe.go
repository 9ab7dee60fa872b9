package nodes

import (
	"context"
	"errors"
	"fmt"
	"time"

	"tackline/sensors"
)

// Probe is a probe whose readings come by wireless nodes.
type Probe struct {
	h      *Hub
	name   string
	expiry time.Duration

	// Under the hub's lock.
	queue  []waiting
	heard  time.Time // when anything of it came
	closed bool
}

type waiting struct {
	reading sensors.Reading
	arrived time.Time
}

var _ sensors.Probe = (*Probe)(nil)

// Probe gives the probe of a name, made on first use. expiry is how long after a report it counts as there; 0 is 15 min.
func (h *Hub) Probe(name string, expiry time.Duration) *Probe {
	h.mu.Lock()
	defer h.mu.Unlock()
	if p := h.probes[name]; p != nil && !p.closed {
		return p
	}
	if expiry == 0 {
		expiry = 15 * time.Minute
	}
	p := &Probe{h: h, name: name, expiry: expiry}
	h.probes[name] = p
	return p
}

// errClosed is the error of a probe that was closed.
var errClosed = errors.New("nodes: the probe is closed")

// Read gives what came since the last Read, at most MaxRead readings, oldest first. Nothing new is no error while the node is within its
// expiry; after that, and before its first report, the error wraps sensors.ErrAbsent.
func (p *Probe) Read(ctx context.Context) ([]sensors.Reading, error) {
	if err := ctx.Err(); err != nil {
		return nil, fmt.Errorf("nodes: read %s: %w", p.name, err)
	}
	p.h.mu.Lock()
	defer p.h.mu.Unlock()
	now := p.h.now()
	if p.closed {
		return nil, errClosed
	}
	if len(p.queue) > 0 {
		n := min(len(p.queue), MaxRead)
		out := make([]sensors.Reading, n)
		for i, w := range p.queue[:n] {
			out[i] = w.reading
			if out[i].At.IsZero() {
				out[i].Age += max(0, now.Sub(w.arrived))
			}
		}
		p.queue = append(p.queue[:0], p.queue[n:]...)
		if len(p.queue) == 0 && cap(p.queue) > MaxRead {
			p.queue = nil // a backlog is over: give its memory back
		}
		return out, nil
	}
	return nil, p.absence(now)
}

// absence says why there is nothing to read; nil where the next report is only awaited.
func (p *Probe) absence(now time.Time) error {
	var of *node
	for key, probe := range p.h.bound {
		if probe == p.name {
			of = p.h.nodes[key]
		}
	}
	switch {
	case of == nil:
		return fmt.Errorf("nodes: %w: no node is bound to it", sensors.ErrAbsent)
	case of.away:
		return fmt.Errorf("nodes: %w: node %s says that it is away", sensors.ErrAbsent, of.Key)
	case p.heard.IsZero():
		return fmt.Errorf("nodes: %w: nothing was heard of node %s", sensors.ErrAbsent, of.Key)
	case now.Sub(p.heard) > p.expiry:
		return fmt.Errorf("nodes: %w: node %s was not heard for more than %v", sensors.ErrAbsent, of.Key, p.expiry)
	}
	return nil
}

// Close ends the probe: what waits is given up. A second Close returns nil.
func (p *Probe) Close() error {
	p.h.mu.Lock()
	defer p.h.mu.Unlock()
	p.closed, p.queue = true, nil
	if p.h.probes[p.name] == p {
		delete(p.h.probes, p.name)
	}
	return nil
}
