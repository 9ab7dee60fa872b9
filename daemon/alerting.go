package daemon

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"time"

	"tackline/daemon/alert"
	"tackline/daemon/clock"
	"tackline/daemon/config"
	"tackline/daemon/jobbook"
	"tackline/daemon/poll"
	"tackline/sensors"
)

// stateEvery is how often, in ms, the state of alerts is kept though nothing was told: what a restart may forget of a hold time.
const stateEvery = 10 * minuteMs

// alerting decides what to tell, and keeps what was told.
type alerting struct {
	d      *Daemon
	outbox *alert.Outbox
	queue  *queue
	whom   []alert.Audience // the shed itself first
	seal   seal

	mu      sync.Mutex // guards what follows: the loop decides, phones acknowledge
	state   alert.States
	mono    int64 // ms since boot of the last decision
	boot    string
	keptAt  int64 // AgeMS of the state that is on disk
	pending bool  // the state in memory is newer than that on disk in more than its age
}

func newAlerting(d *Daemon) (*alerting, error) {
	stored, err := d.book.AlertState(d.life)
	if err != nil {
		return nil, err
	}
	ways, err := alert.ParseWays(stored)
	if err != nil {
		return nil, err
	}
	a := &alerting{d: d, queue: &queue{book: d.book}, whom: audiences(d.o.Config.Alerts, d.o.Ways)}
	for _, w := range a.whom {
		if err := w.Policy.Validate(); err != nil {
			return nil, err
		}
	}
	if a.state, err = alert.ParseStates(stored, a.whom); err != nil {
		return nil, err
	}
	a.keptAt = a.state[""].AgeMS
	if a.seal, err = openSeal(d.o.Config.Shed.Data); err != nil {
		return nil, err
	}
	routes, err := d.routes()
	if err != nil {
		return nil, err
	}
	a.outbox, err = alert.NewOutbox(a.queue, append(routes, d.o.Ways...), alert.Options{Zone: d.o.Config.Shed.Zone, Status: ways})
	return a, err
}

// audiences gives whom to tell by which rules: ways without quiet hours as the shed itself, each of the others by its own.
func audiences(ways []config.Alert, more []alert.Route) []alert.Audience {
	day := alert.DefaultPolicy()
	day.Quiet = alert.Quiet{}
	out := []alert.Audience{{Ways: []string{}, Policy: day}}
	for _, w := range ways {
		q := w.Quiet
		if q == nil {
			out[0].Ways = append(out[0].Ways, w.Name)
			continue
		}
		p := day
		p.Quiet = alert.Quiet{From: q.FromMin, To: q.ToMin}
		if s, err := alert.ParseSeverity(q.Passes); err == nil {
			p.Quiet.Passes = s
		}
		p.NightWindows = alert.NightWindows{Wake: q.Wake, At: q.WindowsMin}
		out = append(out, alert.Audience{Name: w.Name, Ways: []string{w.Name}, Policy: p})
	}
	for _, r := range more {
		out[0].Ways = append(out[0].Ways, r.Name)
	}
	return out
}

// decide decides on all conditions of a moment, and puts what is to be told out. It gives the messages.
func (a *alerting) decide(ctx context.Context, conditions []alert.Condition, stamp clock.Stamp) ([]alert.Message, error) {
	a.mu.Lock()
	defer a.mu.Unlock()
	elapsed := time.Duration(0)
	if a.boot == stamp.Boot {
		elapsed = time.Duration(stamp.Mono-a.mono) * time.Millisecond
	}
	now := time.UnixMilli(stamp.Wall).UTC()
	next, messages, decisions := alert.DecideAll(a.state, conditions, a.whom,
		alert.Moment{Now: now, Elapsed: elapsed, Zone: a.d.o.Config.Shed.Zone, ClockSet: stamp.State.Trusted()})
	for _, d := range decisions {
		a.pending = a.pending || d.Told || len(next[""].Groups) != len(a.state[""].Groups)
	}
	a.furnish(ctx, messages, now, stamp.State.Trusted())
	if len(messages) > 0 || a.pending || next[""].AgeMS-a.keptAt >= stateEvery || a.queue.unkept() != nil {
		a.queue.tell(messages)
		if err := a.outbox.Put(ctx, a.snapshot(next), messages, now); err != nil {
			return nil, err // the old state stays: the same is decided again
		}
		a.keptAt, a.pending = next[""].AgeMS, false
	}
	a.state, a.mono, a.boot = next, stamp.Mono, stamp.Boot
	a.outbox.Show(a.state, a.whom)
	if a.d.free() && len(messages) > 0 {
		if _, err := a.outbox.Deliver(ctx, now); err != nil {
			return messages, err
		}
	}
	return messages, nil
}

// snapshot is what is kept of the alerts: states, and how the ways are doing.
func (a *alerting) snapshot(states alert.States) alert.Snapshot {
	return alert.Snapshot{States: states, Ways: a.outbox.Status()}
}

// shift moves the wall times that are remembered, after the clock was set: what began and what waits keeps its distance from the present.
func (a *alerting) shift(ctx context.Context, by time.Duration) error {
	a.mu.Lock()
	defer a.mu.Unlock()
	if len(a.state) == 0 {
		return nil
	}
	a.state = a.state.Shift(by)
	return a.outbox.Put(ctx, a.snapshot(a.state), nil, a.d.now())
}

// keep stores the state as it is.
func (a *alerting) keep(ctx context.Context) error {
	a.mu.Lock()
	defer a.mu.Unlock()
	if a.outbox == nil || len(a.state) == 0 {
		return nil
	}
	return a.outbox.Put(ctx, a.snapshot(a.state), nil, a.d.now())
}

// obey does to the alerts what a command of the job book says of them; a command about anything else changes nothing. What does not hold (any
// more) is an error that wraps alert.ErrNotRaised.
func (a *alerting) obey(ctx context.Context, p jobbook.Payload, who string) error {
	switch p := p.(type) {
	case jobbook.Acknowledge:
		return a.change(ctx, func(s alert.States) (alert.States, error) { return s.Acknowledge(p.AlertKey, who, a.d.now()) })
	case jobbook.Snooze:
		left := time.UnixMilli(p.Until).Sub(a.d.now())
		if left <= 0 {
			return &jobbook.Invalid{Kind: p.Kind(), Fields: []jobbook.FieldError{{Field: "until_ms", Problem: "is past: want a time to come"}}}
		}
		return a.change(ctx, func(s alert.States) (alert.States, error) { return s.Snooze(p.AlertKey, left) })
	}
	return nil
}

// undone takes back what a command said of the alerts. An alert that is over by now needs nothing.
func (a *alerting) undone(ctx context.Context, p jobbook.Payload) error {
	key := ""
	switch p := p.(type) {
	case jobbook.Acknowledge:
		key = p.AlertKey
	case jobbook.Snooze:
		key = p.AlertKey
	default:
		return nil
	}
	err := a.change(ctx, func(s alert.States) (alert.States, error) { return s.Undo(key) })
	if errors.Is(err, alert.ErrNotRaised) {
		return nil
	}
	return err
}

// change keeps a state that a person has changed.
func (a *alerting) change(ctx context.Context, f func(alert.States) (alert.States, error)) error {
	a.mu.Lock()
	defer a.mu.Unlock()
	next, err := f(a.state)
	if err != nil {
		return err
	}
	if err := a.outbox.Put(ctx, a.snapshot(next), nil, a.d.now()); err != nil {
		return err
	}
	a.state = next
	a.outbox.Show(a.state, a.whom)
	return nil
}

func (a *alerting) standing() []alert.Standing {
	a.mu.Lock()
	defer a.mu.Unlock()
	return a.state.Standing(a.whom)
}

// conditions are those of the daemon itself: probes, clock, files, mirror.
func (d *Daemon) conditions(stamp clock.Stamp) []alert.Condition {
	var out []alert.Condition
	byBus := map[string]int64{}
	states := d.poller.States()
	for _, s := range states {
		byBus[s.Bus]++
	}
	for i, s := range states {
		wrong := presence(s, stamp.Wall, d.o.Config.Probes[i].StaleAfter)
		c := alert.Condition{Key: "probe/" + s.Name, Severity: alert.Warning, Active: wrong != "", Link: "/", Hold: time.Minute, ClearHold: time.Minute,
			Title:   "Probe silent: " + s.Name,
			Body:    fmt.Sprintf("Probe %s (%s): %s. %sWhat needs it can't be said until it is back. Look at plug and cable.", s.Name, s.Place, wrong, lastError(s)),
			Cleared: "Probe " + s.Name + " gives readings again."}
		if byBus[s.Bus] > 1 {
			c.Cause, c.CauseTitle = "bus/"+s.Bus, "Probes silent on "+s.Bus
		}
		out = append(out, c, d.wrongProbe(s, d.o.Config.Probes[i].StaleAfter))
	}
	out = append(out, d.failingWays()...)
	out = append(out,
		alert.Condition{Key: "clock", Severity: alert.Warning, Active: !stamp.State.Trusted(), Hold: 10 * time.Minute, Link: "/",
			Title: "Clock not set", Body: "The board's clock is not set. Readings are kept and dated later; nothing that needs the time of day can be said until it is. Connect the board to a time server, or open its page on a phone and set it from there.",
			Cleared: "The clock is set."},
		d.partCondition("store", alert.Critical, "Readings are not written", "The card may be full or failing: readings stay in memory only, and are lost when the power goes. Make room, or change the card; tackline doctor says which.",
			"Readings are written again."),
		d.loop.room.condition(stamp),
		d.salvage.condition(stamp),
		d.partCondition("assess", alert.Critical, "No advice", "Readings are logged, but no advice could be made from them: go by the hand-held meter and the maker's sheet until it is back. tackline doctor and the log say more.",
			"Advice is made again."),
		d.partCondition("config", alert.Warning, "New config refused", "The config that was loaded last is wrong, and the one before it goes on. tackline check says where; mend it and load it again.",
			"The new config is in force."),
	)
	if d.mirror != nil {
		out = append(out, d.mirror.conditions(stamp)...)
	}
	return out
}

// wrongProbe tells of a probe that answers, and of which one quantity cannot be believed.
func (d *Daemon) wrongProbe(s poll.State, stale time.Duration) alert.Condition {
	var wrong []string
	for _, l := range s.Latest {
		if !l.Status.Usable() && l.Status != sensors.WarmUp && l.Status != sensors.Saturated { // a rail is of fog too: wetConditions waits for hours
			wrong = append(wrong, fmt.Sprintf("%s reads %.4g (%s)", l.Quantity, l.Value, l.Status))
		}
	}
	return alert.Condition{Key: "probe/" + s.Name + "/wrong", Severity: alert.Warning, Active: len(wrong) > 0 && s.Presence == poll.Present, Link: "/",
		Unknown: s.Presence != poll.Present, Hold: max(stale, 10*time.Minute), ClearHold: 5 * time.Minute, Title: "Probe wrong: " + s.Name,
		Body: fmt.Sprintf("Probe %s (%s) answers, and its readings can't be believed: %s. They are kept and not used. Look whether it is wet, touched or broken; hold it against another.",
			s.Name, s.Place, strings.Join(wrong, ", ")),
		Cleared: "The readings of probe " + s.Name + " can be used again."}
}

// wayFails is how long a way must have failed before the others tell of it. Ours.
const wayFails = time.Hour

// failingWays tells, by the ways that work, of those that do not.
func (d *Daemon) failingWays() []alert.Condition {
	if d.alerts == nil {
		return nil
	}
	var out []alert.Condition
	for _, s := range d.alerts.outbox.Status() {
		text := "never"
		if !s.LastOK.IsZero() {
			text = s.LastOK.In(d.o.Config.Shed.Zone).Format("2 Jan 15:04")
		}
		out = append(out, alert.Condition{Key: "way/" + s.Name, Severity: alert.Warning, Active: s.Failing > 0, Hold: wayFails, Link: "/",
			Title: "Alerts do not get out: " + s.Name,
			Body: fmt.Sprintf("%d tries by %s have failed, %d messages wait; it last worked: %s. It said: %s. What it would tell is on the page; tackline alert try shows what its server says.",
				s.Failing, s.Name, s.Waiting, text, alert.OneLine(s.LastError, 300)),
			Cleared: "Alerts get out by " + s.Name + " again."})
	}
	return out
}

func lastError(s poll.State) string {
	if s.LastError == "" || s.Presence == poll.Present {
		return ""
	}
	return "Last error: " + alert.OneLine(s.LastError, 200) + ". "
}

func (d *Daemon) partCondition(part string, severity alert.Severity, title, body, cleared string) alert.Condition {
	err := d.errs.get(part)
	c := alert.Condition{Key: "part/" + part, Severity: severity, Active: err != nil, Title: title, Body: body, Cleared: cleared, Link: "/",
		ClearHold: time.Minute}
	if err != nil {
		c.Body += " Cause: " + alert.OneLine(err.Error(), 300)
	}
	return c
}
