package clock

import (
	"context"
	"sync"
)

// shiftOver is the least change, in milliseconds, of a clock that was vouched for already, that is a Shift. Less than a minute matters to no
// coat, and is not worth writing a season's readings anew.
const shiftOver = 60_000

// Shift says that the time which this boot was thought to have was wrong: everything that was stamped in it moves by By, and so keeps its
// distance from the present.
type Shift struct {
	Boot string
	By   int64 // milliseconds; true less shown
	From State // Unsynced: nobody had vouched for the time before
	To   State
}

// Kept is the shed's clock over the board's. Its wall time goes on with the time since boot, whatever is done to the board's clock, until
// somebody vouches for another one: a time server, a battery clock, a person. Even then it changes only in Turn, so that the loop can move
// what it has stamped before anything new is stamped. So no duration is ever measured by a wall clock that was set in between.
//
// Who has vouched once in a boot is believed for the rest of it: a server that is out of reach, or an administrator's hand on the clock, takes
// nothing back. A time server's word goes before a person's, and a person's before a battery's. Kept is safe for use by several goroutines.
type Kept struct {
	board Clock

	mu    sync.Mutex
	begun bool
	boot  string
	lead  int64 // wall less time since boot
	state State
	told  *int64 // lead that a person has given; nil for none
}

var _ Clock = (*Kept)(nil)

// NewKept starts with the board's clock as it stands. A Kept is not wrapped again.
func NewKept(board Clock) *Kept {
	if k, ok := board.(*Kept); ok {
		return k
	}
	k := &Kept{board: board}
	k.Turn()
	return k
}

// Board gives the clock beneath.
func (k *Kept) Board() Clock { return k.board }

// Resume takes up what an earlier run of the program in the same boot went by: its lead (wall less time since boot, ms) and who vouched for
// it. Another boot's is passed over.
func (k *Kept) Resume(boot string, lead int64, state State) {
	k.mu.Lock()
	defer k.mu.Unlock()
	if boot == k.boot && boot != "" && (state.rank() > k.state.rank() || !k.state.Trusted()) {
		k.lead, k.state = lead, state
	}
}

// rank orders who vouches: a higher rank is not overruled by a lower.
func (s State) rank() int64 {
	switch s {
	case RTC:
		return 1
	case Manual:
		return 2
	case Synced, Simulated:
		return 3
	}
	return 0
}

// Now gives the kept time.
func (k *Kept) Now() Stamp {
	k.mu.Lock()
	defer k.mu.Unlock()
	return k.stamp(k.board.Now())
}

func (k *Kept) stamp(b Stamp) Stamp {
	if b.Boot != k.boot { // only a test's board changes its boot under a running program
		k.boot, k.lead, k.state, k.told = b.Boot, b.Wall-b.Mono, b.State, nil
	}
	return Stamp{Wall: b.Mono + k.lead, Mono: b.Mono, Boot: b.Boot, State: k.state}
}

// Tell gives the present wall time (Unix ms) by a person's word. Turn takes it over.
func (k *Kept) Tell(wall int64) {
	k.mu.Lock()
	defer k.mu.Unlock()
	b := k.board.Now()
	lead := wall - b.Mono
	k.told = &lead
}

// Turn takes over a time that was vouched for since, and says by how much what was stamped in this boot has to move; false where nothing
// has. The loop calls it between its rounds.
func (k *Kept) Turn() (Shift, bool) {
	k.mu.Lock()
	defer k.mu.Unlock()
	b := k.board.Now()
	if !k.begun {
		k.begun = true
		k.stamp(b)
		return Shift{}, false
	}
	k.stamp(b)
	lead, state := b.Wall-b.Mono, b.State
	if k.told != nil {
		if state.rank() <= Manual.rank() {
			lead, state = *k.told, Manual
		}
		k.told = nil
	}
	if !state.Trusted() || state.rank() < k.state.rank() {
		return Shift{}, false
	}
	s := Shift{Boot: k.boot, By: lead - k.lead, From: k.state, To: state}
	k.lead, k.state = lead, state
	return s, !s.From.Trusted() || s.By >= shiftOver || s.By <= -shiftOver
}

// Wait waits by the board's clock, which may stand elsewhere.
func (k *Kept) Wait(ctx context.Context, until int64) error {
	k.mu.Lock()
	b := k.board.Now()
	ahead := until - k.stamp(b).Wall
	k.mu.Unlock()
	return k.board.Wait(ctx, b.Wall+ahead)
}
