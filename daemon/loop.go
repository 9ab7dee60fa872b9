package daemon

import (
	"context"
	"encoding/json"
	"fmt"
	"strings"
	"time"

	"tackline/advisor"
	"tackline/daemon/assess"
	"tackline/daemon/clock"
	"tackline/daemon/poll"
)

const (
	minuteMs = 60_000
	// idleMinutes is how often to assess where nothing runs and nothing is new: things go stale by themselves.
	idleMinutes = 15
	// adviceEvery is how often advice is kept though nothing in it has changed, in ms.
	adviceEvery = 15 * minuteMs
)

// work is the main loop. Its steps are in the order in which data flows; none waits for another part.
func (d *Daemon) work(ctx context.Context) error {
	watchdog := d.notifier()
	for ctx.Err() == nil {
		d.turnClock(ctx)
		stamp := d.clock.Now()
		d.bootChanged(ctx, stamp)
		next := d.poller.Step(ctx, stamp)
		stamp = d.clock.Now()
		next = min(next, d.commit(ctx, stamp))
		next = min(next, d.consider(ctx, stamp))
		watchdog(d.summary(), d.progress(stamp))
		if d.o.StopAtEnd && d.atEnd() {
			d.commitNow(ctx)
			return nil
		}
		if d.recorrect(ctx) {
			continue
		}
		if err := d.wait(ctx, next); err != nil {
			return nil // the context ended: that is how a daemon stops
		}
	}
	return nil
}

// wait waits for the time of the next step, or for a nudge.
func (d *Daemon) wait(ctx context.Context, until int64) error {
	if d.free() && !d.atEnd() {
		return d.clock.Wait(ctx, until)
	}
	if d.free() { // the traces are over: the page stays as it is, and time stands still
		select {
		case <-d.nudges:
			d.loopNudge()
			return nil
		case <-ctx.Done():
			return ctx.Err()
		}
	}
	waiting, cancel := context.WithCancel(ctx)
	defer cancel()
	nudged := make(chan struct{})
	go func() {
		defer close(nudged)
		select {
		case <-d.nudges:
			d.loopNudge()
			cancel()
		case <-waiting.Done():
		}
	}()
	err := d.clock.Wait(waiting, until)
	cancel()
	<-nudged
	if ctx.Err() == nil {
		return nil
	}
	return err
}

// commit writes what is buffered when its time has come, and gives the wall time of the next commit. The first readings of a run are written at once:
// a board that starts again and again still keeps some.
func (d *Daemon) commit(ctx context.Context, stamp clock.Stamp) int64 {
	every := d.o.Config.Shed.CommitEvery.Milliseconds()
	if d.loop.commitAt == 0 {
		d.loop.commitAt = stamp.Mono + every
	}
	if !d.loop.began && d.sink.good > 0 {
		d.loop.began = true
		d.commitNow(ctx)
	}
	if stamp.Mono >= d.loop.commitAt {
		d.loop.commitAt += (stamp.Mono-d.loop.commitAt)/every*every + every
		d.commitNow(ctx)
		d.keepRoom(ctx, stamp)
		d.noteAside(stamp)
	}
	return stamp.Wall + d.loop.commitAt - stamp.Mono
}

func (d *Daemon) commitNow(ctx context.Context) {
	err := d.store.Commit(ctx)
	d.loop.committed = d.clock.Now().Mono
	if err != nil {
		if ctx.Err() == nil && d.errs.set("store", err) {
			d.log.Error("readings could not be written; they are kept in memory and tried again", "error", err)
		}
		return
	}
	d.stored.Add(d.sink.good)
	d.sink.good = 0
	if d.errs.set("store", nil) {
		d.log.Info("readings are written again")
	}
}

// consider assesses when a minute is whole and there is something to see: new readings, a coat that runs, a command, or a quarter of an hour
// gone. It gives the wall time of the next whole minute.
func (d *Daemon) consider(ctx context.Context, stamp clock.Stamp) int64 {
	minute := stamp.Wall / minuteMs
	next := (minute + 1) * minuteMs
	moved := minute != d.loop.assessed
	select {
	case <-d.nudges: // a loop that does not wait finds it here
		d.loopNudge()
	default:
	}
	nudged := d.beats.takeNudge()
	running := d.running(ctx)
	idle := stamp.Mono-d.loop.assessedAt >= idleMinutes*minuteMs || d.latest.Load() == nil
	if !nudged && (!moved || !d.sink.fresh && !running && !idle) {
		return next
	}
	if d.sink.late {
		d.assess.Forget()
		d.sink.late = false
	}
	d.sink.fresh = false
	d.loop.assessed, d.loop.assessedAt = minute, stamp.Mono
	if err := d.evaluate(ctx, stamp); err != nil && ctx.Err() == nil {
		if d.errs.set("assess", err) {
			d.log.Error("no advice could be made; readings are logged all the same", "error", err)
		}
	} else {
		d.errs.set("assess", nil)
	}
	return next
}

// running tells whether a coat or a batch runs, which wants a look each minute.
func (d *Daemon) running(ctx context.Context) bool {
	facts, err := d.book.State(ctx)
	if err != nil {
		return false
	}
	for i := range facts.Coats {
		if facts.Coats[i].Running() {
			return true
		}
	}
	return len(facts.RunningBatches()) > 0
}

// evaluate makes the advice of a moment, keeps it, decides what to tell, and freezes coats that have ended.
func (d *Daemon) evaluate(ctx context.Context, stamp clock.Stamp) error {
	d.recalibrate(ctx, stamp)
	facts, err := d.book.State(ctx)
	if err != nil {
		return err
	}
	s, a, err := d.assess.Advise(ctx, stamp.Wall, stamp.State.Trusted())
	if err != nil {
		return err
	}
	if err := d.keepAdvice(ctx, a, stamp); err != nil && d.errs.set("advice", err) { // a full card must not keep a phone from ringing
		d.log.Error("advice could not be kept; it is made and told all the same", "error", err)
	} else if err == nil {
		d.errs.set("advice", nil)
	}
	m := Moment{At: time.UnixMilli(stamp.Wall).UTC(), Situation: s, Advice: a, seq: facts.Seq}
	d.latest.Store(&m)
	zone := d.o.Config.Shed.Zone
	if !stamp.State.Trusted() {
		zone = nil // no time of day can be told
	}
	conditions := append(assess.Conditions(a, s.Limits, zone), d.conditions(stamp)...)
	conditions = append(conditions, d.bestStarts(&s, stamp)...)
	conditions = append(conditions, d.allWell(ctx, stamp)...)
	conditions = append(conditions, d.calibrationConditions(ctx, stamp)...)
	conditions = append(conditions, d.wetConditions(ctx, stamp)...)
	if cross, err := d.assess.CrossChecks(ctx, &s, stamp.Wall); err == nil {
		conditions = append(conditions, cross...)
	} else if d.errs.set("cross", err) {
		d.log.Warn("probes could not be compared", "error", err)
	}
	if m.Told, err = d.alerts.decide(ctx, conditions, stamp); err != nil {
		d.log.Error("alerts could not be kept; they are decided again", "error", err)
		d.errs.set("alerts", err)
	} else if err := d.alerts.queue.unkept(); d.errs.set("alerts", err) && err != nil {
		d.log.Error("alerts could not be kept; they go out all the same", "error", err)
	}
	if err := d.freezeEnded(ctx, s, stamp); err != nil {
		d.log.Error("a coat's trace could not be kept with the job; tried again", "error", err)
	}
	if err := d.refreeze(ctx, stamp); err != nil && ctx.Err() == nil {
		d.log.Error("a coat's trace could not be corrected; tried again", "error", err)
	}
	d.sweep(ctx, stamp)
	d.beats.ring()
	if d.o.Observe != nil {
		d.o.Observe(m)
	}
	return nil
}

// sweep deletes once a day what the outbox was done with a month ago.
func (d *Daemon) sweep(ctx context.Context, stamp clock.Stamp) {
	const day, month = 86_400_000, 30 * 86_400_000
	if today := stamp.Wall / day; today != d.loop.swept && stamp.State.Trusted() {
		if err := d.book.PruneOutbox(ctx, stamp.Wall-month); err != nil {
			d.log.Warn("old messages could not be deleted; tried again", "error", err)
			return
		}
		d.loop.swept = today
	}
}

// keepAdvice stores an advice when what it says has changed, and every quarter of an hour that has passed, by no wall clock. The margin's trend is left out: it can be made
// again from the readings.
func (d *Daemon) keepAdvice(ctx context.Context, a advisor.Advice, stamp clock.Stamp) error {
	gist := gistOf(a)
	if !stamp.State.Trusted() { // it would stand at a wrong time; it can be made again from the readings once they are dated
		return nil
	}
	if gist == d.loop.savedGist && stamp.Mono-d.loop.savedAt < adviceEvery && stamp.Mono >= d.loop.savedAt {
		return nil
	}
	b, err := EncodeAdvice(a)
	if err != nil {
		return err
	}
	if err := d.store.SaveAdvice(ctx, stamp.Wall, b); err != nil {
		return fmt.Errorf("daemon: keep advice: %w", err)
	}
	d.loop.savedGist, d.loop.savedAt = gist, stamp.Mono
	return nil
}

// EncodeAdvice gives an advice as it is kept: JSON without the margin's trend.
func EncodeAdvice(a advisor.Advice) ([]byte, error) {
	pieces := make([]advisor.PieceAdvice, len(a.Pieces))
	copy(pieces, a.Pieces)
	for i := range pieces {
		pieces[i].MarginTrend = []advisor.Point{}
	}
	a.Pieces = pieces
	b, err := json.Marshal(a)
	if err != nil {
		return nil, fmt.Errorf("daemon: encode advice: %w", err)
	}
	return b, nil
}

// gistOf gives what of an advice a person would notice: verdicts, states and phases.
func gistOf(a advisor.Advice) string {
	var b strings.Builder
	for _, p := range a.Pieces {
		fmt.Fprintf(&b, "p%d %s", p.Piece, p.Verdict)
		if n := p.Next; n != nil {
			fmt.Fprintf(&b, " %d.%d %s", n.Step, n.Coat, n.Ready)
		}
		fmt.Fprintf(&b, " %d;", len(p.Means))
	}
	for _, c := range a.Coats {
		fmt.Fprintf(&b, "c%d %s %v %v", c.Coat, c.State, c.Stalled, c.CantSay != "")
		for _, w := range c.Windows {
			fmt.Fprintf(&b, " %s", w.Phase)
		}
		b.WriteByte(';')
	}
	for _, x := range a.Batches {
		fmt.Fprintf(&b, "b%d %s;", x.Batch, x.Phase)
	}
	return b.String()
}

// atEnd tells whether no probe will have another reading.
func (d *Daemon) atEnd() bool {
	for _, s := range d.poller.States() {
		if s.Presence != poll.Done {
			return false
		}
	}
	return true
}

// bootChanged says so where the clock's boot is another than before: durations start anew.
func (d *Daemon) bootChanged(_ context.Context, stamp clock.Stamp) {
	if d.loop.boot != stamp.Boot {
		d.loop.boot, d.loop.commitAt, d.loop.assessedAt, d.loop.committed = stamp.Boot, 0, stamp.Mono, stamp.Mono
	}
}

// notifier gives what tells the service manager: ready once, then the state of the loop, and a sign of life after each step that made progress.
func (d *Daemon) notifier() func(status string, progress bool) {
	n := managerOf(d.log)
	if err := n.Ready(); err != nil {
		d.log.Warn("the service manager could not be told", "error", err)
	}
	return func(status string, progress bool) {
		_ = n.Status(status) // it may have gone; the next step tries again
		if progress {
			_ = n.Watchdog()
		}
	}
}

// progress tells whether the loop does its work. A step ends only when the store has answered and the minute was assessed; beside that, what is
// read must have been handed to the store within two commits and a minute. A store that says that the disk is full or read-only has answered: a
// restart would lose what is held in memory, and mend nothing. Silent probes are no matter of the loop either.
func (d *Daemon) progress(stamp clock.Stamp) bool {
	return stamp.Boot != d.loop.boot || stamp.Mono-d.loop.committed <= 2*d.o.Config.Shed.CommitEvery.Milliseconds()+minuteMs
}

// summary is the loop's state in a line.
func (d *Daemon) summary() string {
	present, all := 0, 0
	for _, s := range d.poller.States() {
		all++
		if s.Presence == poll.Present {
			present++
		}
	}
	text := fmt.Sprintf("%d of %d probes, clock %s", present, all, d.clock.Now().State)
	for _, part := range []struct{ name, says string }{{"store", ", readings are not written"}, {"config", ", the new config was refused"}} {
		if d.errs.get(part.name) != nil {
			text += part.says
		}
	}
	return text
}
