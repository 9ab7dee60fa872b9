package daemon

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"tackline/daemon/alert"
	"tackline/daemon/clock"
	"tackline/daemon/config"
	"tackline/daemon/jobbook"
	"tackline/daemon/poll"
	"tackline/sensors"
)

// calibrationLasts is how long a calibration is good for where nothing says when it is due again, by quantity: humidity sensors drift by a
// quarter to half a per cent a year, and faster in the vapours of a shop. Ours.
var calibrationLasts = map[sensors.Quantity]time.Duration{sensors.Temperature: 2 * 365 * 24 * time.Hour, sensors.Humidity: 365 * 24 * time.Hour,
	sensors.Pressure: 2 * 365 * 24 * time.Hour, sensors.Moisture: 365 * 24 * time.Hour}

// correction is what is known of one quantity of a probe at a time.
type correction struct {
	q            sensors.Quantity
	from         int64 // Unix ms
	gain, offset float64
	u            float64 // 0: not stated
	due          int64   // Unix ms
	text         string
}

// correctionsAt gives the corrections in force at a time: of each quantity the newest, whether it stands in the config or in the job book.
func correctionsAt(p config.Probe, facts *jobbook.State, now int64) []correction {
	by := map[sensors.Quantity]correction{}
	for _, c := range p.Calibrations {
		if c.From.UnixMilli() > now {
			break
		}
		clear(by) // an entry of the config holds for the whole probe
		for q, offset := range c.Offset {
			by[q] = correction{q: q, from: c.From.UnixMilli(), gain: 1, offset: offset, text: c.By}
		}
	}
	for i := range facts.Calibrations {
		c := &facts.Calibrations[i]
		q, err := sensors.ParseQuantity(c.Quantity)
		if err != nil || c.Probe != p.Name || c.When.MS > now || c.When.MS < by[q].from {
			continue
		}
		gain := 1.0
		if c.Gain != nil {
			gain = *c.Gain
		}
		by[q] = correction{q: q, from: c.When.MS, gain: gain, offset: c.Offset, u: c.U, due: c.Due,
			text: fmt.Sprintf("%s: %.2f %s before, %.2f %[3]s after, true %.2[5]f %[3]s", c.Method, c.Before, unitOf(q), c.After, c.True)}
	}
	var out []correction
	for _, q := range sensors.Quantities() {
		c, ok := by[q]
		if !ok {
			continue
		}
		if c.due == 0 {
			c.due = c.from + calibrationLasts[q].Milliseconds()
		}
		out = append(out, c)
	}
	return out
}

// unitOf names the unit of a quantity as the pages have it.
func unitOf(q sensors.Quantity) string {
	return map[sensors.Quantity]string{sensors.Temperature: "C", sensors.Humidity: "%", sensors.Pressure: "hPa", sensors.Moisture: "%"}[q]
}

// calibrated tells whether a probe has a calibration that is not due again.
func calibrated(p config.Probe, facts *jobbook.State, now int64) bool {
	list := correctionsAt(p, facts, now)
	return len(list) > 0 && !slices.ContainsFunc(list, func(c correction) bool { return c.due < now })
}

// calibrationOf puts corrections together for the poller.
func calibrationOf(list []correction) poll.Calibration {
	var out poll.Calibration
	for _, c := range list {
		out = out.Set(c.q, c.gain, c.offset)
	}
	return out
}

// calibrationConditions reminds of calibrations by age: those that were made once and are due again. A probe that was never calibrated is marked where
// it is shown, and rings nobody.
func (d *Daemon) calibrationConditions(ctx context.Context, stamp clock.Stamp) []alert.Condition {
	facts, err := d.book.State(ctx)
	if err != nil {
		return nil
	}
	var out []alert.Condition
	for _, p := range d.o.Config.Probes {
		var due []string
		for _, c := range correctionsAt(p, facts, stamp.Wall) {
			if c.due < stamp.Wall {
				due = append(due, fmt.Sprintf("%s of %s", c.q, time.UnixMilli(c.from).In(d.o.Config.Shed.Zone).Format("2 Jan 2006")))
			}
		}
		out = append(out, alert.Condition{Key: "calibration/" + p.Name, Severity: alert.Notice, Active: len(due) > 0, Unknown: !stamp.State.Trusted(), Link: "/",
			Hold: time.Hour, Title: "Calibration due: " + p.Name,
			Body: fmt.Sprintf("Probe %s: %s. Until it is done again the probe counts as uncalibrated, and the margin is reckoned with more doubt: tackline probe calibrate says how.",
				p.Name, strings.Join(due, ", ")),
			Cleared: "Probe " + p.Name + " is calibrated again."})
	}
	return out
}
