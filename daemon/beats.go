package daemon

import (
	"context"
	"sync"
)

// beats wakes the pages, and the loop.
type beats struct {
	mu     sync.Mutex
	subs   map[chan struct{}]bool
	nudged bool
}

// subscribe gives a channel that receives when there is something new; a beat that is not taken is dropped.
func (b *beats) subscribe(ctx context.Context) <-chan struct{} {
	c := make(chan struct{}, 1)
	b.mu.Lock()
	if b.subs == nil {
		b.subs = map[chan struct{}]bool{}
	}
	b.subs[c] = true
	b.mu.Unlock()
	context.AfterFunc(ctx, func() {
		b.mu.Lock()
		delete(b.subs, c)
		b.mu.Unlock()
	})
	return c
}

func (b *beats) ring() {
	b.mu.Lock()
	defer b.mu.Unlock()
	for c := range b.subs {
		select {
		case c <- struct{}{}:
		default:
		}
	}
}

func (b *beats) takeNudge() bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	n := b.nudged
	b.nudged = false
	return n
}

func (d *Daemon) loopNudge() {
	d.beats.mu.Lock()
	d.beats.nudged = true
	d.beats.mu.Unlock()
}

// nudge makes the loop assess at once: a command came in.
func (d *Daemon) nudge() {
	select {
	case d.nudges <- struct{}{}:
	default:
	}
}

// partErrors is the newest error of each part, for the page and for health.
type partErrors struct {
	mu  sync.Mutex
	all map[string]error
}

// set notes a part's state; nil is well. It tells whether that has changed.
func (p *partErrors) set(part string, err error) bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.all == nil {
		p.all = map[string]error{}
	}
	was := p.all[part]
	if err == nil {
		delete(p.all, part)
	} else {
		p.all[part] = err
	}
	return (was == nil) != (err == nil)
}

func (p *partErrors) get(part string) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.all[part]
}
