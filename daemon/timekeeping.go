package daemon

import (
	"context"
	"errors"
	"fmt"
	"math"
	"time"

	"tackline/daemon/clock"
	"tackline/daemon/jobbook"
	"tackline/daemon/store"
)

// keeper is who enters what the daemon does by itself.
const keeper = "tackline"

// resumeClock finishes what a power cut left half done of a re-dating, and takes up the time that this boot went by before.
func (d *Daemon) resumeClock(ctx context.Context) error {
	facts, err := d.book.State(ctx)
	if err != nil {
		return err
	}
	newest := map[string]jobbook.Clock{}
	for _, c := range facts.Found {
		newest[c.Boot] = c
	}
	now := d.clock.Now()
	for boot, c := range newest {
		lead, _, known := d.store.Boot(boot)
		off := c.LeadMS - lead
		var moved int64
		switch {
		case !known:
		case !c.All:
			moved, err = d.store.Redate(ctx, boot, c.OffsetMS)
		case c.LeadMS != 0 && (off >= minuteMs || off <= -minuteMs):
			moved, err = d.store.RedateAll(ctx, boot, off)
		}
		if moved > 0 {
			err = errors.Join(err, d.redateCorrections(ctx, math.MinInt64))
		}
		if err != nil {
			return fmt.Errorf("daemon: date the readings of boot %s anew: %w", boot, err)
		}
		if boot == now.Boot && c.LeadMS != 0 {
			d.clock.Resume(boot, c.LeadMS, clock.Manual)
		}
	}
	if lead, vouched, ok := d.store.Boot(now.Boot); ok {
		d.clock.Resume(now.Boot, lead, stateOf(vouched))
	}
	return nil
}

// stateOf carries a trust of the store back. What was dated anew was vouched for; by whom is not known any more, so a time server may change it.
func stateOf(c store.Clock) clock.State {
	switch c {
	case store.ClockSynced:
		return clock.Synced
	case store.ClockRTC:
		return clock.RTC
	case store.ClockManual, store.ClockRedated:
		return clock.Manual
	}
	return clock.Unsynced
}

// turnClock takes over a time that was vouched for, and moves what this boot has stamped along with it: first what people said, in the journal,
// then the readings, then what is in memory. It is cut short by nothing but a power cut, and resumeClock finishes it then.
func (d *Daemon) turnClock(ctx context.Context) {
	d.telling.Lock()
	asked := d.told
	d.told = nil
	shift, moved := d.clock.Turn()
	d.telling.Unlock()
	if !moved && asked == nil {
		return
	}
	ctx = context.WithoutCancel(ctx)
	how := map[clock.State]string{clock.Synced: "time server", clock.RTC: "battery clock", clock.Manual: "set from a phone"}[shift.To]
	who := keeper
	if asked != nil && shift.To == clock.Manual {
		who = asked.who
	}
	stamp := d.clock.Now()
	all := moved && shift.From.Trusted()
	_, err := d.book.Do(ctx, jobbook.Command{Who: who, At: bookStamp(stamp),
		Payload: jobbook.ClockFound{Boot: shift.Boot, OffsetMS: shift.By, How: how, LeadMS: stamp.Wall - stamp.Mono, All: all}})
	if asked != nil {
		asked.done <- err
	}
	if !moved {
		return
	}
	var readings int64
	if err == nil {
		redate := d.store.Redate
		if all {
			redate = d.store.RedateAll
		}
		readings, err = redate(ctx, shift.Boot, shift.By)
		err = errors.Join(err, d.redateCorrections(ctx, min(stamp.Wall-stamp.Mono, stamp.Wall-stamp.Mono-shift.By)))
	}
	d.assess.Forget()
	d.poller.Shift(shift.By)
	if e := d.alerts.shift(ctx, time.Duration(shift.By)*time.Millisecond); e != nil {
		err = errors.Join(err, e)
	}
	d.latest.Store(nil) // its times are of the old clock
	d.sink.fresh = true
	if err != nil {
		d.log.Error("the clock is set, but not everything of this boot could be dated anew; the next start tries again", "error", err)
	}
	d.log.Info("the clock is set: this boot is dated anew", "how", how, "by", (time.Duration(shift.By) * time.Millisecond).String(), "readings", readings)
}

// ErrClockKept is wrapped by the error of SetClock where a time server has vouched for the clock, or the time is simulated.
var ErrClockKept = errors.New("the clock is set already")

// earliestClock is before any time at which this can run.
var earliestClock = time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)

// toldClock is a person's word on the clock, for the loop.
type toldClock struct {
	who  string
	done chan error // of the journal; never blocks
}

// SetClock takes the time from somebody's phone: the board has no battery for its clock, or a wrong one, and no network. It returns when that is
// in the journal; the loop then dates anew what this boot has stamped. The board's own clock is not touched.
func (d *Daemon) SetClock(ctx context.Context, who string, phone time.Time) error {
	done, err := d.tellClock(who, phone)
	if err != nil {
		return err
	}
	select {
	case err := <-done:
		return err
	case <-ctx.Done():
		return fmt.Errorf("daemon: set the clock: %w", ctx.Err())
	case <-d.life.Done():
		return fmt.Errorf("daemon: set the clock: %w", d.life.Err())
	}
}

func (d *Daemon) tellClock(who string, phone time.Time) (<-chan error, error) {
	stamp := d.clock.Now()
	switch {
	case stamp.State == clock.Synced || stamp.State == clock.Simulated:
		return nil, fmt.Errorf("daemon: set the clock: %w (%s)", ErrClockKept, stamp.State)
	case phone.Before(earliestClock) || phone.Year() > 2100:
		return nil, &jobbook.Invalid{Kind: jobbook.ClockFound{}.Kind(), Fields: []jobbook.FieldError{{Field: "time",
			Problem: fmt.Sprintf("%s can't be now: is the phone's clock right?", phone.UTC().Format(time.RFC3339))}}}
	}
	if who == "" {
		who = "shed"
	}
	asked := &toldClock{who: who, done: make(chan error, 1)}
	d.telling.Lock()
	d.clock.Tell(phone.UnixMilli())
	d.told = asked
	d.telling.Unlock()
	d.nudge()
	return asked.done, nil
}
