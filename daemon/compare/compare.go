// Package compare makes a calibration of a probe that hangs beside something known: ice water, a saturated salt, a reference. It judges by the log
// whether the probe has settled there, and works out the correction. Page and command line keep what it gives as one command of the job book.
package compare

import (
	"context"
	"fmt"
	"math"
	"strings"
	"time"

	"tackline/advisor/air"
	"tackline/advisor/units"
	"tackline/daemon/jobbook"
	"tackline/daemon/poll"
	"tackline/sensors"
)

// Log is what a comparison is judged by. Stretch gives the newest span of a probe's corrected readings; Past the calibrations of the job book,
// oldest first.
type Log interface {
	Stretch(ctx context.Context, probe string, q sensors.Quantity, span time.Duration) ([]poll.Point, error)
	Past(ctx context.Context) ([]Past, error)
}

// Past is a calibration that was kept.
type Past struct {
	jobbook.CalibrationData
	At time.Time
}

// Probe is what is compared, with the correction that is in force.
type Probe struct {
	Name        string
	Calibration poll.Calibration
	Since       map[string]time.Time // from when on that of a quantity holds
	Last        time.Time            // its newest reading
}

// Method says what the probe is beside: one of Ice, Salt and Reference.
type Method struct {
	Ice       bool
	Salt      string
	Reference *float64 // in the unit of Quantity
	Quantity  string   // of the reference
	U         float64  // standard uncertainty of the reference, in its unit; 0 is what is usual
	DueDays   int64    // days until it is due again, 1 to 3650
	Since     time.Time
}

// Wrong is a method that can't be meant: which of its fields, and why.
type Wrong struct{ Field, Why string }

func (e *Wrong) Error() string { return e.Field + ": " + e.Why }

// NotYet says why nothing can be told from the log yet.
type NotYet struct{ Why error }

func (e *NotYet) Error() string { return e.Why.Error() }
func (e *NotYet) Unwrap() error { return e.Why }

// Result is the calibration to be kept, and what it was made of.
type Result struct {
	jobbook.Calibrate
	Gain    float64
	Settled poll.Settling
}

// comparison is a probe beside something known.
type comparison struct {
	quantity sensors.Quantity
	name     string // of the method, as it is kept
	true_    float64
	u        float64 // of what is known
	window   time.Duration
	perHour  float64 // most that it may drift, unit an hour
	sd       float64
	near     float64 // most that a probe can be off, else it does not hang there
}

// Make takes a comparison from the log and works out the correction. Errors are *Wrong, *NotYet or those of the log.
func Make(ctx context.Context, l Log, p Probe, m Method, now time.Time) (Result, error) {
	c, err := m.comparison(ctx, l, p)
	if err != nil {
		return Result{}, err
	}
	if err := m.sinceFits(p, c, now); err != nil {
		return Result{}, err
	}
	shown, err := settled(ctx, l, p, c)
	if err != nil {
		return Result{}, err
	}
	k := jobbook.Calibrate{CalibrationData: jobbook.CalibrationData{Probe: p.Name, Quantity: c.quantity.String(), Method: c.name, True: c.true_, Before: shown.Mean}}
	bare := p.Calibration.Undo(c.quantity, shown.Mean)
	k.Offset, k.U = c.true_-bare, math.Hypot(c.u, shown.SD)
	gain := 1.0
	if m.Salt != "" {
		first, found, err := firstJar(ctx, l, p, c)
		if err != nil {
			return Result{}, err
		}
		if found {
			if gain, k.Offset, k.U, err = poll.TwoPoint(first, poll.Jar{Shown: bare, True: c.true_, U: k.U}); err != nil {
				return Result{}, err
			}
			k.Gain = &gain
			k.Note = fmt.Sprintf("line through two jars: %.2f shown as %.2f, and %.2f shown as %.2f", first.True, first.Shown, c.true_, bare)
		}
	}
	k.After = gain*bare + k.Offset
	if err := (poll.Calibration{}).Set(c.quantity, gain, k.Offset).Check(); err != nil {
		return Result{}, err
	}
	k.Due = now.Add(time.Duration(m.DueDays) * 24 * time.Hour).UnixMilli()
	if !m.Since.IsZero() {
		k.When = m.Since.UnixMilli()
	}
	return Result{Calibrate: k, Gain: gain, Settled: shown}, nil
}

// sinceFits tells whether the correction may hold from a past time on: a newer calibration of the same quantity would hide it.
func (m Method) sinceFits(p Probe, c comparison, now time.Time) error {
	if m.Since.IsZero() {
		return nil
	}
	if m.Since.After(now) {
		return &Wrong{"since", "want a time that is past"}
	}
	if from := p.Since[c.quantity.String()]; from.After(m.Since) {
		return &Wrong{"since", fmt.Sprintf("%s was calibrated on %s, which holds from then on: take a later time, or undo that one first", c.quantity, from.In(now.Location()).Format("2 Jan 2006 15:04"))}
	}
	return nil
}

// comparison says what the probe is beside.
func (m Method) comparison(ctx context.Context, l Log, p Probe) (comparison, error) {
	n := 0
	for _, yes := range []bool{m.Ice, m.Salt != "", m.Reference != nil} {
		if yes {
			n++
		}
	}
	switch {
	case n != 1:
		return comparison{}, &Wrong{"method", "want one of ice water, a salt and a reference"}
	case m.DueDays < 1 || m.DueDays > 3650:
		return comparison{}, &Wrong{"due_days", fmt.Sprintf("%d is no number of days from 1 to 3650", m.DueDays)}
	case !(m.U >= 0 && m.U <= 100):
		return comparison{}, &Wrong{"u", fmt.Sprintf("%g is no uncertainty from 0 to 100", m.U)}
	case m.Ice:
		// A flask in a shop is good to 0.1 K (common practice, no source; a well-made ice point is good to 0.002 K, ASTM E563, from memory).
		return comparison{sensors.Temperature, "ice water", 0, 0.1, 5 * time.Minute, 0.5, 0.15, 4}, nil
	case m.Salt != "":
		return m.overSalt(ctx, l, p)
	}
	q, err := sensors.ParseQuantity(m.Quantity)
	if err != nil {
		return comparison{}, &Wrong{"quantity", fmt.Sprintf("%q: want temp_c, rh_pct, pressure_hpa or moisture_pct", m.Quantity)}
	}
	c := map[sensors.Quantity]comparison{
		sensors.Temperature: {u: 0.3, perHour: 2, sd: 0.3, near: 10}, sensors.Humidity: {u: 2, perHour: 4, sd: 1.5, near: 30},
		sensors.Pressure: {u: 1, perHour: 2, sd: 0.5, near: 50}, sensors.Moisture: {u: 1.5, perHour: 1, sd: 0.5, near: 10}}[q]
	c.quantity, c.name, c.true_, c.window = q, "beside a reference", *m.Reference, 15*time.Minute
	if m.U > 0 {
		c.u = m.U
	}
	return c, nil
}

// overSalt reads the jar's temperature from the probe itself, corrected, and the humidity from the table of salts.
func (m Method) overSalt(ctx context.Context, l Log, p Probe) (comparison, error) {
	c := comparison{quantity: sensors.Humidity, name: "saturated salt " + m.Salt, window: 30 * time.Minute, perHour: 0.5, sd: 0.4, near: 20}
	points, err := l.Stretch(ctx, p.Name, sensors.Temperature, c.window)
	if err != nil {
		return c, err
	}
	t := poll.Settle(points)
	if err := t.Still(c.window, 0.6, 0.2, "K"); err != nil {
		return c, &NotYet{fmt.Errorf("the temperature in the jar is not even yet, and the salt follows it: %w", err)}
	}
	rh, u, err := air.SaltHumidity(air.Salt(m.Salt), units.Celsius(t.Mean))
	if err != nil {
		return c, &Wrong{"salt", err.Error()}
	}
	c.true_ = float64(rh)
	// The table's own doubt, and what a jar in a shop adds to it (0.7 %; common practice is 0.5 to 1 %).
	c.u = math.Hypot(float64(u), 0.7)
	return c, nil
}

// settled gives what the probe showed, once it is still, hangs where it is said to hang, and was not corrected anew meanwhile.
func settled(ctx context.Context, l Log, p Probe, c comparison) (poll.Settling, error) {
	for q, from := range p.Since {
		if p.Last.Sub(from) < c.window {
			return poll.Settling{}, &NotYet{fmt.Errorf("%s was corrected within the last %v: wait until the log is of one piece", q, c.window)}
		}
	}
	points, err := l.Stretch(ctx, p.Name, c.quantity, c.window)
	if err != nil {
		return poll.Settling{}, err
	}
	s := poll.Settle(points)
	if err := s.Still(c.window, c.perHour, c.sd, c.quantity.String()); err != nil {
		return s, &NotYet{err}
	}
	if math.Abs(s.Mean-c.true_) > c.near {
		return s, &NotYet{fmt.Errorf("it shows %.2f where %.2f is true: a probe is not that far off; does it hang there?", s.Mean, c.true_)}
	}
	return s, nil
}

// firstJar finds the jar of another salt within the last 30 days, kept with an offset alone, in the job book.
func firstJar(ctx context.Context, l Log, p Probe, c comparison) (poll.Jar, bool, error) {
	all, err := l.Past(ctx)
	if err != nil {
		return poll.Jar{}, false, err
	}
	for i := len(all) - 1; i >= 0; i-- {
		k := all[i]
		if k.Probe != p.Name || k.Quantity != c.quantity.String() || p.Last.Sub(k.At) > 30*24*time.Hour {
			continue
		}
		if k.Gain == nil && k.Method != c.name && math.Abs(k.True-c.true_) >= 20 && strings.HasPrefix(k.Method, "saturated salt ") {
			return poll.Jar{Shown: k.True - k.Offset, True: k.True, U: k.U}, true, nil
		}
	}
	return poll.Jar{}, false, nil
}
