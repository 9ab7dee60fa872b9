package clock

import (
	"context"
	"testing"

	"github.com/stretchr/testify/require"
)

// board is a board's clock that a test sets: wall and monotonic hand apart.
type board struct{ s Stamp }

func (b *board) Now() Stamp { return b.s }

func (b *board) Wait(_ context.Context, until int64) error {
	b.pass(until - b.s.Wall)
	return nil
}

func (b *board) pass(ms int64) { b.s.Wall += ms; b.s.Mono += ms }

const day = int64(86_400_000)

func TestKeptIgnoresWhatNobodyVouchesFor(t *testing.T) {
	b := &board{Stamp{Wall: 1_790_000_000_000, Mono: 60_000, Boot: "b1"}}
	k := NewKept(b)
	at := k.Now().Wall
	for _, step := range []int64{-2 * 3_600_000, 3 * day, -365 * day, 365 * day, 7200_000} {
		b.pass(10_000)
		b.s.Wall += step
		_, moved := k.Turn()
		require.False(t, moved)
		at += 10_000
		require.Equal(t, Stamp{Wall: at, Mono: b.s.Mono, Boot: "b1"}, k.Now(), "after a step of %d ms", step)
	}
	require.NoError(t, k.Wait(t.Context(), at+30_000))
	require.Equal(t, at+30_000, k.Now().Wall, "a wait is by elapsed time, wherever the board's clock stands")
	require.Same(t, k, NewKept(k))
}

func TestKeptTakesOverInTurn(t *testing.T) {
	b := &board{Stamp{Wall: 1_790_000_000_000, Mono: 60_000, Boot: "b1"}}
	k := NewKept(b)
	b.s.Wall += 40 * day
	b.s.State = Synced
	require.Equal(t, Unsynced, k.Now().State, "not before what was stamped can be moved")
	s, moved := k.Turn()
	require.True(t, moved)
	require.Equal(t, Shift{Boot: "b1", By: 40 * day, From: Unsynced, To: Synced}, s)
	require.Equal(t, b.s, k.Now())
	_, moved = k.Turn()
	require.False(t, moved)

	b.s.State = Unsynced
	b.pass(9 * day)
	b.s.Wall -= 365 * day
	_, moved = k.Turn()
	require.False(t, moved)
	require.Equal(t, b.s.Wall+365*day, k.Now().Wall, "who has vouched once is believed: the server is only out of reach")
	require.Equal(t, Synced, k.Now().State)

	b.s.State = Synced
	s, moved = k.Turn()
	require.True(t, moved)
	require.Equal(t, Shift{Boot: "b1", By: -365 * day, From: Synced, To: Synced}, s)
	b.s.Wall += 59_000
	_, moved = k.Turn()
	require.False(t, moved, "less than a minute moves nothing")
	require.Equal(t, b.s, k.Now())
}

// A server's word goes before a person's, a person's before a battery's.
func TestKeptRanksWhoVouches(t *testing.T) {
	b := &board{Stamp{Wall: 1_790_000_000_000, Mono: 60_000, Boot: "b1", State: RTC}}
	k := NewKept(b)
	k.Tell(b.s.Wall + 3_600_000)
	s, moved := k.Turn()
	require.True(t, moved)
	require.Equal(t, Shift{Boot: "b1", By: 3_600_000, From: RTC, To: Manual}, s)
	_, moved = k.Turn()
	require.False(t, moved, "the battery clock still shows its own time")
	require.Equal(t, b.s.Wall+3_600_000, k.Now().Wall)
	b.s.State = Synced
	s, moved = k.Turn()
	require.True(t, moved)
	require.Equal(t, Shift{Boot: "b1", By: -3_600_000, From: Manual, To: Synced}, s)
	k.Tell(b.s.Wall + day)
	s, moved = k.Turn()
	require.False(t, moved, "against a server's word")
	require.Zero(t, s.By)
}

// The program ends and starts again in one boot, while the board's clock stands where nobody has vouched for it.
func TestKeptResumes(t *testing.T) {
	b := &board{Stamp{Wall: 1_790_000_000_000, Mono: 60_000, Boot: "b2"}}
	k := NewKept(b)
	k.Resume("b1", 5, Synced)
	require.Equal(t, b.s, k.Now(), "another boot's lead means nothing here")
	k.Resume("b2", b.s.Wall-b.s.Mono+day, Manual)
	require.Equal(t, Stamp{Wall: b.s.Wall + day, Mono: b.s.Mono, Boot: "b2", State: Manual}, k.Now())
	b.s.State = Synced
	k = NewKept(b)
	k.Resume("b2", 17, RTC)
	require.Equal(t, b.s, k.Now(), "a server's word stands")
}
