// Package clock tells the time together with how far it may be trusted.
//
// Small boards often have no clock battery: they wake in the past and log with it until the network tells them better. So every stamp
// carries two times: what the wall clock says, and milliseconds since this boot, which only ever rise. Durations are counted by the second.
// With the boot's id the store can give the rows of a boot their true times once the wall clock has been set.
//
// Three clocks stand here: System for real work, Scaled for a demonstration that runs faster than life, Free for a replay as fast as it goes.
package clock

import (
	"context"
	"fmt"
	"sync"
	"time"
)

// State says how far the wall time of a stamp may be trusted.
type State uint8

// The states. The numbers are stored in readings.db: never renumber, only append.
const (
	Unsynced  State = 0 // nobody has vouched for the wall clock since this boot
	Synced    State = 1 // set by a time server
	RTC       State = 2 // set from a battery-backed clock at boot
	Manual    State = 3 // a person has said that it is right
	Simulated State = 4 // not the time of day at all: a replay or a demonstration
)

var stateNames = [...]string{"unsynced", "synced", "rtc", "manual", "simulated"}

// String gives the name as it stands in files, pages and the API.
func (s State) String() string {
	if int(s) < len(stateNames) {
		return stateNames[s]
	}
	return fmt.Sprintf("clock_state_%d", uint8(s))
}

// ParseState is the inverse of String.
func ParseState(s string) (State, error) {
	for i, name := range stateNames {
		if name == s {
			return State(i), nil
		}
	}
	return 0, fmt.Errorf("clock: unknown state %q: want unsynced, synced, rtc, manual or simulated", s)
}

// Trusted tells whether the time of day may be used in a decision ("tonight", "by 06:00"). Unsynced is not.
func (s State) Trusted() bool { return s != Unsynced }

// Stamp is one look at the clock.
type Stamp struct {
	Wall  int64 // Unix milliseconds as the wall clock has it; may jump either way
	Mono  int64 // milliseconds since boot, sleep included; never falls within one boot
	Boot  string
	State State
}

// Clock is what the main loop runs by.
//
// Wait returns when this clock, advancing from its present reading, has come to until (Unix milliseconds), or with the error of ctx. It may
// return earlier, never with less than a minute's wait for a distant time: the caller looks at Now again. A step of the wall clock
// meanwhile neither lengthens nor shortens it.
type Clock interface {
	Now() Stamp
	Wait(ctx context.Context, until int64) error
}

var (
	_ Clock = (*System)(nil)
	_ Clock = (*Scaled)(nil)
	_ Clock = (*Free)(nil)
)

// longestWait bounds a single wait, so that a step of the wall clock between Now and Wait costs a minute at most.
const longestWait = time.Minute

// sleep waits for d of real, monotonic time.
func sleep(ctx context.Context, d time.Duration) error {
	if err := ctx.Err(); err != nil || d <= 0 {
		return err
	}
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-timer.C:
		return nil
	}
}

// Scaled is a simulated clock that starts at a given time and runs a given number of times faster than real time.
type Scaled struct {
	start  int64
	factor float64
	origin time.Time
}

// NewScaled starts the clock now, at start (Unix milliseconds). factor is simulated seconds per real second, above 0.
func NewScaled(start int64, factor float64) (*Scaled, error) {
	if !(factor > 0 && factor <= 1e6) {
		return nil, fmt.Errorf("clock: a speed of %v is not above 0 and up to 1000000", factor)
	}
	return &Scaled{start: start, factor: factor, origin: time.Now()}, nil
}

// Now gives the simulated time; Mono counts simulated milliseconds since the start.
func (c *Scaled) Now() Stamp {
	mono := int64(time.Since(c.origin).Seconds() * 1000 * c.factor)
	return Stamp{Wall: c.start + mono, Mono: mono, Boot: "simulated", State: Simulated}
}

// Wait waits until the simulated time has come.
func (c *Scaled) Wait(ctx context.Context, until int64) error {
	ms := float64(until-c.Now().Wall) / c.factor
	if ms > float64(longestWait/time.Millisecond) {
		return sleep(ctx, longestWait)
	}
	// A microsecond over, so that rounding never ends the wait a hair too early.
	return sleep(ctx, time.Duration(ms*float64(time.Millisecond))+time.Microsecond)
}

// Free is a simulated clock without real time: Wait puts it forward at once. Only the main loop may call Wait.
type Free struct {
	mu         sync.Mutex
	start, now int64
}

// NewFree stands at start (Unix milliseconds).
func NewFree(start int64) *Free { return &Free{start: start, now: start} }

// Now gives the simulated time; Mono counts simulated milliseconds since the start.
func (c *Free) Now() Stamp {
	c.mu.Lock()
	defer c.mu.Unlock()
	return Stamp{Wall: c.now, Mono: c.now - c.start, Boot: "simulated", State: Simulated}
}

// Free says that no real time passes in Wait.
func (c *Free) Free() bool { return true }

// Wait puts the clock forward to until, never back, and returns at once.
func (c *Free) Wait(ctx context.Context, until int64) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	c.now = max(c.now, until)
	return nil
}
