package clock

import (
	"context"
	"os"
	"path/filepath"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
)

// hand is a clock with two hands that a test moves.
type hand struct {
	wall, mono int64
	synced     bool
}

func handClock(t *testing.T) (*System, *hand) {
	t.Helper()
	h := &hand{wall: 1_790_000_000_000, mono: 60_000}
	return &System{wall: func() int64 { return h.wall }, mono: func() int64 { return h.mono },
		kernel: func() (bool, bool) { return h.synced, true }, run: t.TempDir(), sys: t.TempDir(), boot: "b1"}, h
}

func (h *hand) pass(ms int64) { h.wall += ms; h.mono += ms }

func TestStateNamesRoundTrip(t *testing.T) {
	for _, s := range []State{Unsynced, Synced, RTC, Manual, Simulated} {
		back, err := ParseState(s.String())
		require.NoError(t, err)
		require.Equal(t, s, back)
		require.Equal(t, s != Unsynced, s.Trusted())
	}
	_, err := ParseState("sync")
	require.ErrorContains(t, err, `"sync"`)
	require.Equal(t, "clock_state_9", State(9).String())
}

func TestSystemSeesJumpsNotSlews(t *testing.T) {
	c, h := handClock(t)
	first := c.Now()
	require.Equal(t, Stamp{Wall: h.wall, Mono: 60_000, Boot: "b1", State: Unsynced}, first)
	for range 100 {
		h.pass(10_000)
		h.wall += 5 // 500 ppm, the fastest slew of a time server
		c.Now()
	}
	n, _ := c.Jumps()
	require.Zero(t, n)

	const day = 86_400_000
	for i, by := range []int64{-2 * 3_600_000, 3 * day, -365 * day} {
		h.pass(1000)
		h.wall += by
		s := c.Now()
		n, last := c.Jumps()
		require.Equal(t, int64(i+1), n)
		require.Equal(t, Jump{At: s, By: by}, last)
	}
	require.Equal(t, int64(60_000+100*10_000+3*1000), c.Now().Mono, "the time since boot does not jump")
}

func TestSystemState(t *testing.T) {
	c, h := handClock(t)
	require.Equal(t, Unsynced, c.Now().State)
	later := func() State { h.pass(stateAge); return c.Now().State }

	write := func(root, name, text string) {
		path := filepath.Join(root, name)
		require.NoError(t, os.MkdirAll(filepath.Dir(path), 0o755))
		require.NoError(t, os.WriteFile(path, []byte(text), 0o644))
	}
	write(c.sys, "class/rtc/rtc0/hctosys", "0\n")
	require.Equal(t, Unsynced, later(), "a hardware clock that the kernel did not use")
	write(c.sys, "class/rtc/rtc1/hctosys", "1\n")
	require.Equal(t, RTC, later())

	c.Confirm()
	require.Equal(t, Manual, c.Now().State)
	h.wall += 5000
	require.Equal(t, RTC, c.Now().State, "a jump ends what a person vouched for")

	h.wall = 1_000_000_000_000
	require.Equal(t, Unsynced, c.Now().State, "a battery clock of 2001 has lost its battery")

	h.synced = true
	require.Equal(t, Synced, later())
	h.synced = false
	write(c.run, "systemd/timesync/synchronized", "")
	require.Equal(t, Synced, later(), "the time service's file is enough")
}

func TestRealSystemClock(t *testing.T) {
	c := NewSystem()
	a, b := c.Now(), c.Now()
	require.NotEmpty(t, a.Boot)
	require.Equal(t, a.Boot, b.Boot)
	require.Positive(t, a.Mono)
	require.GreaterOrEqual(t, b.Mono, a.Mono)
	require.NoError(t, c.Wait(t.Context(), a.Wall-1000), "a time that has passed needs no wait")
	require.NotEqual(t, bootID(filepath.Join(t.TempDir(), "none")), "")
}

func TestWaitIsByElapsedTime(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := &System{wall: func() int64 { return time.Now().UnixMilli() }}
		begun := time.Now()
		require.NoError(t, c.Wait(t.Context(), begun.UnixMilli()+2500))
		require.Equal(t, 2500*time.Millisecond, time.Since(begun))
		require.NoError(t, c.Wait(t.Context(), begun.UnixMilli()+365*86_400_000))
		require.Equal(t, 62500*time.Millisecond, time.Since(begun), "never longer than a minute at a stretch")

		ctx, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		require.ErrorIs(t, c.Wait(ctx, time.Now().UnixMilli()+30_000), context.DeadlineExceeded)
	})
}

func TestScaled(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c, err := NewScaled(1_000_000, 60)
		require.NoError(t, err)
		require.Equal(t, Stamp{Wall: 1_000_000, Boot: "simulated", State: Simulated}, c.Now())
		time.Sleep(time.Second)
		require.Equal(t, int64(1_060_000), c.Now().Wall)
		require.Equal(t, int64(60_000), c.Now().Mono)
		require.NoError(t, c.Wait(t.Context(), 1_180_000))
		require.GreaterOrEqual(t, c.Now().Wall, int64(1_180_000))
		require.Less(t, c.Now().Wall, int64(1_180_010))
	})
	for _, bad := range []float64{0, -1, 1e7} {
		_, err := NewScaled(0, bad)
		require.Error(t, err)
	}
}

func TestFree(t *testing.T) {
	c := NewFree(5000)
	require.NoError(t, c.Wait(t.Context(), 5000+86_400_000))
	require.Equal(t, Stamp{Wall: 86_405_000, Mono: 86_400_000, Boot: "simulated", State: Simulated}, c.Now())
	require.NoError(t, c.Wait(t.Context(), 17), "never back")
	require.Equal(t, int64(86_405_000), c.Now().Wall)
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	require.ErrorIs(t, c.Wait(ctx, 1e15), context.Canceled)
	require.Equal(t, int64(86_405_000), c.Now().Wall)
}
