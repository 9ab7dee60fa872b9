package alert

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"
)

// Limits of the outbox. The figures are ours, but for the budget: a public push server lets some 250 messages a day pass for free and bans those
// who go on, so that we stay well below.
const (
	DefaultBudget  = 60               // messages a day and way
	DefaultTimeout = 15 * time.Second // for one attempt
	firstWait      = time.Second      // after the first failure; doubled after each
	longestWait    = 15 * time.Minute
	longestAfter   = 6 * time.Hour // of what a server may ask for
	mergeAbove     = 10            // more than this wait: they go as one
	atOnce         = 1000          // rows looked at in one pass
	lateAfter      = 2 * time.Minute
)

// Route is one way out for one person.
type Route struct {
	Name   string   // unique: "mia's phone"
	Way    Way      //
	Least  Severity // this and above; 0 is all
	Budget int64    // messages in 24 h; 0 is DefaultBudget. What is critical may go up to twice that
}

// Options are the settings of an Outbox.
type Options struct {
	Zone    *time.Location // of times in texts; nil is UTC
	Timeout time.Duration  // for one attempt; 0 is DefaultTimeout
	Status  []WayStatus    // as of before a restart; may be empty
}

// WayStatus is how a way is doing, for the page. It can be stored as JSON and given back as Options.Status.
type WayStatus struct {
	Name      string    `json:"name"`
	LastOK    time.Time `json:"last_ok,omitzero"`   // zero is never
	LastFail  time.Time `json:"last_fail,omitzero"` // zero is never
	LastError string    `json:"last_error"`
	Failing   int64     `json:"failing"` // attempts since the last success
	Waiting   int64     `json:"waiting"` // messages, of those looked at in the last pass
	SentToday int64     `json:"sent_today"`
	Spent     bool      `json:"spent"` // the budget is: messages wait
	Next      time.Time `json:"next,omitzero"`
}

// Outbox takes messages to the ways out. A message that was put is retried until the other side has accepted it once, or has refused it
// for good. It can arrive twice only where the answer to the first was lost, or the power went between the answer and the mark.
type Outbox struct {
	queue   Queue
	opts    Options
	routes  []*route
	changed chan struct{} // closed and replaced at each Put
	mu      sync.Mutex    // of changed
}

type route struct {
	Route
	busy    sync.Mutex // one pass at a time
	mu      sync.Mutex // of what follows
	status  WayStatus
	asked   time.Time // the server asked for silence until then
	rest    time.Time // while it fails there is nothing to look at before then
	urgent  bool      // something critical was put since the last look
	unmarks []Row     // sent, and the mark could not be stored
}

// NewOutbox checks the routes. No routes at all are allowed: then messages are decided and shown, but go nowhere.
func NewOutbox(queue Queue, routes []Route, opts Options) (*Outbox, error) {
	if queue == nil {
		return nil, errors.New("alert: an outbox without a queue")
	}
	if opts.Timeout == 0 {
		opts.Timeout = DefaultTimeout
	}
	if opts.Timeout < 0 {
		return nil, fmt.Errorf("alert: time-out of %v: want a time above 0", opts.Timeout)
	}
	if opts.Zone == nil {
		opts.Zone = time.UTC
	}
	o := &Outbox{queue: queue, opts: opts, changed: make(chan struct{})}
	names := map[string]bool{}
	for i, r := range routes {
		switch {
		case r.Name == "":
			return nil, fmt.Errorf("alert: way out number %d has no name", i+1)
		case names[r.Name]:
			return nil, fmt.Errorf("alert: two ways out are named %q", r.Name)
		case r.Way == nil:
			return nil, fmt.Errorf("alert: way out %q leads nowhere", r.Name)
		case r.Budget < 0:
			return nil, fmt.Errorf("alert: way out %q has a budget of %d messages a day: want 1 or more, or 0 for %d", r.Name, r.Budget, DefaultBudget)
		}
		if r.Budget == 0 {
			r.Budget = DefaultBudget
		}
		names[r.Name] = true
		one := &route{Route: r, status: WayStatus{Name: r.Name}}
		for _, s := range opts.Status {
			if s.Name == r.Name {
				one.status = s
			}
		}
		o.routes = append(o.routes, one)
	}
	return o, nil
}

// Remembered is what Decide remembers: a State, or the States of several audiences.
type Remembered interface {
	Encode() ([]byte, error)
}

var (
	_ Remembered = State{}
	_ Remembered = States{}
	_ Remembered = Snapshot{}
)

// Put stores what Decide remembers and its messages together, each message once for every way that it is addressed to and that wants its severity.
func (o *Outbox) Put(ctx context.Context, state Remembered, messages []Message, now time.Time) error {
	stored, err := state.Encode()
	if err != nil {
		return err
	}
	var rows []Row
	var noted []func()
	for _, m := range messages {
		body, err := json.Marshal(m)
		if err != nil {
			return fmt.Errorf("alert: message %q: %w", m.ID, err)
		}
		for _, r := range o.routes {
			if (m.To == nil || slices.Contains(m.To, r.Name)) && (m.Severity >= r.Least || m.Kind == Test) {
				noted = append(noted, func() { r.put(m) })
				rows = append(rows, Row{ID: m.ID, Way: r.Name, Key: m.Key, Body: body, Made: now.UTC(), Due: now.UTC(), State: RowWaiting})
			}
		}
	}
	if err := o.queue.Keep(ctx, stored, rows); err != nil {
		return fmt.Errorf("alert: store messages: %w", err)
	}
	for _, note := range noted { // once they can be read
		note()
	}
	if len(rows) > 0 {
		o.Wake()
	}
	return nil
}

// put notes a new message.
func (r *route) put(m Message) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.status.Waiting++
	r.urgent = r.urgent || m.Severity >= Critical && m.Kind != Clear
}

// resting gives until when a way that fails has nothing to be looked at for, zero where it has: however much waits, a dead way costs nothing.
func (r *route) resting(now time.Time) time.Time {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.status.Failing == 0 || r.urgent || !r.rest.After(now) || r.rest.Sub(now) > longestAfter {
		r.rest, r.urgent = time.Time{}, false
	}
	return r.rest
}

// Wake makes Run look at once: after a Put, or when the network is back.
func (o *Outbox) Wake() {
	o.mu.Lock()
	defer o.mu.Unlock()
	close(o.changed)
	o.changed = make(chan struct{})
}

func (o *Outbox) wakes() <-chan struct{} {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.changed
}

// Status tells how each way is doing, in the order of the routes.
func (o *Outbox) Status() []WayStatus {
	list := make([]WayStatus, 0, len(o.routes))
	for _, r := range o.routes {
		r.mu.Lock()
		list = append(list, r.status)
		r.mu.Unlock()
	}
	return list
}

// Trial is what came of trying one way.
type Trial struct {
	Name   string
	Answer string // of the other side, where the way can show it
	Err    error
}

// Try sends a message at once by the named ways (none named is all), past queue and budget, and gives the real answers. It waits for a way that
// is busy.
func (o *Outbox) Try(ctx context.Context, m Message, now time.Time, names ...string) ([]Trial, error) {
	m.Kind = Test
	wanted := map[string]bool{}
	for _, n := range names {
		wanted[n] = true
	}
	var trials []Trial
	for _, r := range o.routes {
		if len(names) > 0 && !wanted[r.Name] {
			continue
		}
		delete(wanted, r.Name)
		r.busy.Lock()
		answer, err := r.attempt(ctx, m, now, o.opts.Timeout)
		r.busy.Unlock()
		trials = append(trials, Trial{Name: r.Name, Answer: answer, Err: err})
	}
	for n := range wanted {
		return trials, fmt.Errorf("alert: no way out is named %q", n)
	}
	return trials, nil
}

// attempt sends one message and keeps the status of the way.
func (r *route) attempt(ctx context.Context, m Message, now time.Time, timeout time.Duration) (answer string, err error) {
	limited, cancel := context.WithTimeout(ctx, timeout)
	defer cancel()
	if a, ok := r.Way.(Answerer); ok {
		answer, err = a.Try(limited, m)
	} else {
		err = r.Way.Send(limited, m)
	}
	if err != nil && ctx.Err() != nil {
		return answer, err // we are being stopped: that says nothing of the way
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	if err == nil {
		r.status.LastOK, r.status.Failing, r.status.Next = now.UTC(), 0, time.Time{}
		r.asked = time.Time{}
		return answer, nil
	}
	r.status.LastFail, r.status.LastError = now.UTC(), Clip(err.Error(), 500)
	r.status.Failing++
	return answer, err
}

// Show has every way that is a Shower show what holds for its audience, of the severities that it wants.
func (o *Outbox) Show(states States, audiences []Audience) {
	for _, r := range o.routes {
		shower, ok := r.Way.(Shower)
		if !ok {
			continue
		}
		list := []Standing{}
		for _, a := range audiences {
			if !slices.Contains(a.Ways, r.Name) {
				continue
			}
			for _, s := range states[a.Name].Standing() {
				if s.Told && !s.Acked && s.SnoozedFor == 0 && s.Severity >= r.Least {
					list = append(list, s)
				}
			}
		}
		shower.Show(list)
	}
}

// Names lists the routes in their order.
func (o *Outbox) Names() []string {
	names := make([]string, 0, len(o.routes))
	for _, r := range o.routes {
		names = append(names, r.Name)
	}
	return names
}

// Run delivers until ctx ends: one goroutine for each way, so that a server that stalls keeps no other waiting, and one for each that is a Runner.
// It returns when all have ended. Errors of the queue go to report, which is called from several goroutines.
func (o *Outbox) Run(ctx context.Context, now func() time.Time, report func(error)) {
	var all sync.WaitGroup
	for _, r := range o.routes {
		if beside, ok := r.Way.(Runner); ok {
			all.Go(func() { beside.Run(ctx) })
		}
		all.Go(func() {
			for ctx.Err() == nil {
				wake := o.wakes()
				at := now()
				_, next, err := o.pass(ctx, r, at)
				if err != nil && ctx.Err() == nil {
					report(err)
				}
				wait := longestWait
				if !next.IsZero() {
					wait = min(longestWait, max(firstWait, next.Sub(at)))
				}
				timer := time.NewTimer(wait)
				select {
				case <-ctx.Done():
				case <-timer.C:
				case <-wake:
				}
				timer.Stop()
			}
		})
	}
	all.Wait()
}
