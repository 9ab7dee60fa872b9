// Package gpio sounds a buzzer or lights a lamp on a pin of the board: the one way out that needs no network.
//
// The pattern tells the severity: a notice is one short flash every ten seconds, a warning two every three seconds, critical half a second on
// and half a second off. A lamp shows the worst of what holds until it is over, acknowledged or snoozed; a buzzer sounds for a while at each
// message and stops early when somebody has acknowledged it. Windows and trials, which nobody acknowledges, are shown for a while by both.
//
// A pin of a board drives a few milliamperes: a buzzer or a lamp needs a transistor or a relay board of its own. Mains is a licensed person's.
package gpio

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"

	pin "periph.io/x/conn/v3/gpio"

	"tackline/daemon/alert"
)

const (
	name = "gpio"
	// DefaultFor is how long one message sounds. Ours.
	DefaultFor = 30 * time.Second
	trialFor   = 5 * time.Second
)

// Device is what hangs on the pin.
type Device string

// The devices.
const (
	Lamp   Device = "lamp"
	Buzzer Device = "buzzer"
)

// Config is what hangs where.
type Config struct {
	Pin       string                           // its name, such as GPIO17
	Open      func(string) (pin.PinOut, error) // opens it when it is first used, and again after an error
	Device    Device                           // "" is Lamp
	ActiveLow bool                             // it is on while the pin is low
	For       time.Duration                    // how long one message sounds or flashes; 0 is DefaultFor
}

// Way drives one pin. It does so while Run works.
type Way struct {
	c    Config
	wake chan struct{}

	pinMu sync.Mutex
	pin   pin.PinOut // nil before it is opened

	mu       sync.Mutex
	standing []alert.Standing // as last shown
	shown    bool             // Show was called
	once     alert.Message    // what plays for a while
	until    time.Time        // how long
}

var (
	_ alert.Way      = (*Way)(nil)
	_ alert.Answerer = (*Way)(nil)
	_ alert.Runner   = (*Way)(nil)
	_ alert.Shower   = (*Way)(nil)
)

// New checks the settings. The pin need not be there yet.
func New(c Config) (*Way, error) {
	if c.Pin == "" || c.Open == nil {
		return nil, errors.New("gpio: no pin: want its name, such as GPIO17")
	}
	if c.Device == "" {
		c.Device = Lamp
	}
	if c.Device != Lamp && c.Device != Buzzer {
		return nil, fmt.Errorf("gpio: device %q: want lamp or buzzer", c.Device)
	}
	if c.For < 0 {
		return nil, fmt.Errorf("gpio: a message for %v: want a time above 0", c.For)
	}
	if c.For == 0 {
		c.For = DefaultFor
	}
	return &Way{c: c, wake: make(chan struct{}, 1)}, nil
}

// set switches the device.
func (w *Way) set(on bool) error {
	w.pinMu.Lock()
	defer w.pinMu.Unlock()
	if w.pin == nil {
		p, err := w.c.Open(w.c.Pin)
		if err != nil {
			return &alert.SendError{Way: name, Temporary: true, Err: fmt.Errorf("pin %s: %w", w.c.Pin, err)}
		}
		w.pin = p
	}
	if err := w.pin.Out(pin.Level(on != w.c.ActiveLow)); err != nil {
		w.pin = nil
		return &alert.SendError{Way: name, Temporary: true, Err: fmt.Errorf("pin %s: %w", w.c.Pin, err)}
	}
	return nil
}

// Send does as alert.Way says: it is accepted when the pin has taken its level.
func (w *Way) Send(ctx context.Context, m alert.Message) error {
	_, err := w.Try(ctx, m)
	return err
}

// Try does as alert.Answerer says.
func (w *Way) Try(ctx context.Context, m alert.Message) (string, error) {
	if err := ctx.Err(); err != nil {
		return "", &alert.SendError{Way: name, Temporary: true, Err: err}
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	switch {
	case m.Kind == alert.Clear:
		if m.Key == w.once.Key {
			w.until = time.Time{}
		}
	case m.Pair != "" && w.shown && !w.stands(m.Key): // somebody was faster
	default:
		if err := w.set(true); err != nil {
			return "", err
		}
		length := w.c.For
		if m.Kind == alert.Test {
			length = trialFor
		}
		w.once, w.until = m, time.Now().Add(length)
	}
	w.nudge()
	return fmt.Sprintf("pin %s has taken it: %s, as %s", w.c.Pin, w.c.Device, m.Severity), nil
}

func (w *Way) stands(key string) bool {
	return slices.ContainsFunc(w.standing, func(s alert.Standing) bool { return s.Key == key })
}

// Show does as alert.Shower says.
func (w *Way) Show(standing []alert.Standing) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.standing, w.shown = standing, true
	if w.once.Pair != "" && !w.stands(w.once.Key) {
		w.until = time.Time{}
	}
	w.nudge()
}

func (w *Way) nudge() {
	select {
	case w.wake <- struct{}{}:
	default:
	}
}

// now gives what plays, 0 for nothing, and for how long at most; 0 is without end.
func (w *Way) now() (alert.Severity, time.Duration) {
	w.mu.Lock()
	defer w.mu.Unlock()
	var worst alert.Severity
	left := time.Until(w.until)
	if w.c.Device == Lamp {
		for _, s := range w.standing {
			worst = max(worst, s.Severity)
		}
	}
	if left > 0 && max(w.once.Severity, alert.Notice) > worst {
		return max(w.once.Severity, alert.Notice), left
	}
	return worst, 0
}

// beat is how long the device is on, then off.
type beat struct{ on, off time.Duration }

var patterns = map[alert.Severity][]beat{
	alert.Notice:   {{200 * time.Millisecond, 9800 * time.Millisecond}},
	alert.Warning:  {{200 * time.Millisecond, 200 * time.Millisecond}, {200 * time.Millisecond, 2400 * time.Millisecond}},
	alert.Critical: {{500 * time.Millisecond, 500 * time.Millisecond}},
}

// Run plays until ctx ends, and leaves the device off. What the pin says against it is told to whoever sends the next message.
func (w *Way) Run(ctx context.Context) {
	defer func() { _ = w.set(false) }()
	for ctx.Err() == nil {
		severity, left := w.now()
		if severity == 0 {
			_ = w.set(false)
			w.rest(ctx, time.Hour)
			continue
		}
		var end <-chan time.Time
		if left > 0 {
			end = time.After(left)
		}
		w.play(ctx, patterns[severity], end)
	}
}

// play repeats a pattern until something changes.
func (w *Way) play(ctx context.Context, pattern []beat, end <-chan time.Time) {
	for {
		for _, b := range pattern {
			_ = w.set(true)
			if !w.pause(ctx, b.on, end) {
				return
			}
			_ = w.set(false)
			if !w.pause(ctx, b.off, end) {
				return
			}
		}
	}
}

// pause tells whether the pattern goes on.
func (w *Way) pause(ctx context.Context, d time.Duration, end <-chan time.Time) bool {
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-timer.C:
		return true
	case <-end:
	case <-w.wake:
	case <-ctx.Done():
	}
	return false
}

func (w *Way) rest(ctx context.Context, d time.Duration) { _ = w.pause(ctx, d, nil) }
