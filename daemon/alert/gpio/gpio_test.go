package gpio_test

import (
	"context"
	"errors"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
	pin "periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/gpio/gpiotest"

	"tackline/daemon/alert"
	"tackline/daemon/alert/alerttest"
	"tackline/daemon/alert/gpio"
)

// meter is a pin that counts how often it was switched on, and for how long.
type meter struct {
	gpiotest.Pin
	on    int64
	since time.Time
	spent time.Duration
	sick  error
}

func (m *meter) Out(l pin.Level) error {
	m.Lock()
	sick, was := m.sick, m.L
	if sick == nil && was != l {
		if l {
			m.on, m.since = m.on+1, time.Now()
		} else {
			m.spent += time.Since(m.since)
		}
	}
	m.Unlock()
	if sick != nil {
		return sick
	}
	return m.Pin.Out(l)
}

// over counts flashes in a time, and gives the share of it that the pin was high.
func (m *meter) over(d time.Duration) (flashes int64, share float64) {
	m.Lock()
	m.on, m.spent = 0, 0
	if m.L {
		m.since = time.Now()
	}
	m.Unlock()
	time.Sleep(d)
	synctest.Wait()
	m.Lock()
	defer m.Unlock()
	if m.L {
		m.spent += time.Since(m.since)
	}
	return m.on, m.spent.Seconds() / d.Seconds()
}

func hang(t *testing.T, c gpio.Config) (*gpio.Way, *meter) {
	t.Helper()
	m := &meter{Pin: gpiotest.Pin{N: "GPIO17", Num: 17}}
	c.Pin = "GPIO17"
	c.Open = func(string) (pin.PinOut, error) { return m, nil }
	w, err := gpio.New(c)
	require.NoError(t, err)
	return w, m
}

func run(t *testing.T, w *gpio.Way) (stop func()) {
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan struct{})
	go func() { defer close(done); w.Run(ctx) }()
	synctest.Wait()
	return func() { cancel(); <-done }
}

func holds(key string, s alert.Severity) alert.Standing {
	return alert.Standing{Key: key, Severity: s, Told: true}
}

// TestALampShowsTheWorstThatHolds: the pattern tells the severity, and is dark when nothing holds or somebody has acknowledged it.
func TestALampShowsTheWorstThatHolds(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w, m := hang(t, gpio.Config{})
		defer run(t, w)()
		n, share := m.over(time.Minute)
		require.Zero(t, n)
		require.Zero(t, share)
		w.Show([]alert.Standing{holds("probe/a", alert.Notice)})
		n, _ = m.over(time.Minute)
		require.InDelta(t, 6, n, 1, "once in ten seconds")
		w.Show([]alert.Standing{holds("coat/1/margin", alert.Warning), holds("probe/a", alert.Notice)})
		n, _ = m.over(time.Minute)
		require.InDelta(t, 40, n, 2, "twice in three seconds")
		w.Show([]alert.Standing{holds("coat/1/margin", alert.Critical)})
		n, share = m.over(time.Minute)
		require.InDelta(t, 60, n, 1)
		require.InDelta(t, 0.5, share, 0.02)
		w.Show(nil) // acknowledged, or over
		n, share = m.over(time.Hour)
		require.Zero(t, n)
		require.InDelta(t, 0, share, 1e-3)
	})
}

// TestAWindowFlashesForAWhile: what nobody can acknowledge ends by itself, on a lamp too, and gives way to what is worse.
func TestAWindowFlashesForAWhile(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w, m := hang(t, gpio.Config{For: 30 * time.Second})
		defer run(t, w)()
		w.Show(nil)
		require.NoError(t, w.Send(t.Context(), alert.Message{Key: "coat/1/tack_open", Kind: alert.Raise, Severity: alert.Warning}))
		n, _ := m.over(30 * time.Second)
		require.InDelta(t, 20, n, 2)
		n, _ = m.over(time.Minute)
		require.Zero(t, n)
		require.NoError(t, w.Send(t.Context(), alert.Message{Key: "coat/1/tack_open", Kind: alert.Raise, Severity: alert.Warning}))
		w.Show([]alert.Standing{holds("coat/2/margin", alert.Critical)})
		n, _ = m.over(30 * time.Second)
		require.InDelta(t, 30, n, 1)
	})
}

// TestABuzzerStopsWhenSomebodyHasHeardIt: it sounds for a while at each message and not in between; an acknowledgement ends it, and one that came
// before the message keeps it silent.
func TestABuzzerStopsWhenSomebodyHasHeardIt(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w, m := hang(t, gpio.Config{Device: gpio.Buzzer, For: time.Minute})
		defer run(t, w)()
		raise := alert.Message{Key: "coat/1/margin", Pair: "coat/1/margin@1-0", Kind: alert.Raise, Severity: alert.Critical}
		w.Show([]alert.Standing{holds(raise.Key, alert.Critical)})
		n, _ := m.over(time.Minute)
		require.Zero(t, n, "it sounds for messages alone")
		require.NoError(t, w.Send(t.Context(), raise))
		n, _ = m.over(10 * time.Second)
		require.InDelta(t, 10, n, 1)
		w.Show(nil)
		n, _ = m.over(time.Minute)
		require.Zero(t, n, "acknowledged")
		require.NoError(t, w.Send(t.Context(), raise))
		n, _ = m.over(time.Minute)
		require.Zero(t, n, "acknowledged before it came")
		w.Show([]alert.Standing{holds(raise.Key, alert.Critical)})
		require.NoError(t, w.Send(t.Context(), raise))
		n, _ = m.over(10 * time.Second)
		require.InDelta(t, 10, n, 1)
		clear := raise
		clear.Kind = alert.Clear
		require.NoError(t, w.Send(t.Context(), clear))
		n, _ = m.over(time.Minute)
		require.Zero(t, n, "over")
	})
}

func TestActiveLowRestsHigh(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w, m := hang(t, gpio.Config{ActiveLow: true})
		stop := run(t, w)
		_, share := m.over(time.Minute)
		require.InDelta(t, 1, share, 1e-9)
		w.Show([]alert.Standing{holds("x", alert.Critical)})
		_, share = m.over(time.Minute)
		require.InDelta(t, 0.5, share, 0.02)
		stop()
		require.Equal(t, pin.High, m.Read(), "left dark")
	})
}

// TestASickPinIsSaid: a pin that is not there, or fails, is told to whoever sends; it is opened again.
func TestASickPinIsSaid(t *testing.T) {
	for name, m := range alerttest.Messages() {
		w, _ := hang(t, gpio.Config{})
		require.NoError(t, w.Send(t.Context(), m), name)
	}
	opens := 0
	m := &meter{Pin: gpiotest.Pin{N: "GPIO17"}}
	w, err := gpio.New(gpio.Config{Pin: "GPIO17", Open: func(string) (pin.PinOut, error) {
		if opens++; opens == 1 {
			return nil, errors.New("no such line")
		}
		return m, nil
	}})
	require.NoError(t, err)
	require.ErrorContains(t, alerttest.Fails(t, w.Send(t.Context(), alerttest.Message()), true, alerttest.Canary), "no such line")
	answer, err := w.Try(t.Context(), alerttest.Message())
	require.NoError(t, err)
	require.Contains(t, answer, "pin GPIO17 has taken it")
	m.sick = errors.New("line is gone")
	require.ErrorContains(t, alerttest.Fails(t, w.Send(t.Context(), alerttest.Message()), true, alerttest.Canary), "line is gone")
	m.sick = nil
	require.NoError(t, w.Send(t.Context(), alerttest.Message()))
	require.Equal(t, 3, opens)
	ended, cancel := context.WithCancel(t.Context())
	cancel()
	alerttest.Fails(t, w.Send(ended, alerttest.Message()), true, alerttest.Canary)
}

func TestMistakes(t *testing.T) {
	open := func(string) (pin.PinOut, error) { return nil, nil }
	for want, c := range map[string]gpio.Config{"want its name": {Open: open}, "want lamp or buzzer": {Pin: "x", Open: open, Device: "siren"},
		"above 0": {Pin: "x", Open: open, For: -1}} {
		_, err := gpio.New(c)
		require.ErrorContains(t, err, want)
	}
}
