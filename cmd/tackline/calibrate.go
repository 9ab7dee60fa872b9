package main

import (
	"context"
	"fmt"
	"math"
	"net/url"
	"strconv"
	"time"

	"github.com/spf13/cobra"

	"tackline/advisor/air"
	"tackline/advisor/units"
	"tackline/daemon"
	"tackline/daemon/jobbook"
	"tackline/daemon/poll"
	"tackline/sensors"
)

const calibrateGuide = `Three ways, each judged by the log and kept in the job book with what the probe showed before and shows after:

Ice water (temperature; waterproof probes only). Fill a vacuum flask with crushed ice of clean water, top up with cold water until it is a slush, stir, and
wait ten minutes. Hang the probe in the middle, not touching glass or bottom, for ten minutes more. Then: --ice

Beside a reference (any quantity). Tie the probe and a thermometer, hygrometer or barometer that you trust together, out of sun and draught, for half
an hour. Then: --reference 18.2 --quantity temp_c --u 0.3, where u is what the reference may be off.

Over salt (humidity). Stir a little water into clean salt until it is a wet paste, not a solution, in a jar that just holds the probe; hang the
probe above it, close the jar, keep it at an even temperature from 5 to 30 C, in the dark, for at least three hours for each jar. Then: --salt MgCl2, and
after the second jar --salt NaCl: the second gives the slope. Magnesium chloride is about 33 %, table salt about 75 %. Salts for a whole winter:
mark the jars, keep them from children and off metal; wash hands; do not let the paste touch the probe.

Calibrate temperature before humidity: a thermometer that reads high makes the humidity read low.

A correction holds from now on, or with --since from a time that is past: then the readings stored since are corrected too, with history, advice and the
records of coats, which say so. What the chip gave is always kept, and job undo takes a calibration back with all that it did.`

// method is one way of calibrating, as it was asked for.
type method struct {
	ice       bool
	salt      string
	reference string
	quantity  string
	u         float64
	dueDays   int64
	who       string
	since     string
	dry       bool
}

func newProbeCalibrateCmd(e env, cl *client) *cobra.Command {
	var m method
	c := &cobra.Command{Use: "calibrate NAME --ice | --salt NaCl | --reference VALUE", Short: "Compare a probe with something known, and correct it from now on",
		Long: calibrateGuide, Args: cobra.ExactArgs(1), RunE: func(c *cobra.Command, args []string) error {
			return calibrate(c.Context(), e, cl, args[0], m)
		}}
	c.Flags().BoolVar(&m.ice, "ice", false, "the probe hangs in ice water")
	c.Flags().StringVar(&m.salt, "salt", "", fmt.Sprintf("the probe hangs over this salt: one of %v", air.Salts()))
	c.Flags().StringVar(&m.reference, "reference", "", "what a reference beside the probe shows, in the unit of the quantity")
	c.Flags().StringVar(&m.quantity, "quantity", "temp_c", "of the reference: temp_c, rh_pct, pressure_hpa or moisture_pct")
	c.Flags().Float64Var(&m.u, "u", 0, "standard uncertainty of the reference, in the unit of the quantity")
	c.Flags().Int64Var(&m.dueDays, "due-days", 365, "days until it is due again")
	c.Flags().StringVar(&m.who, "who", "", "who did it")
	c.Flags().StringVar(&m.since, "since", "", "a past time, RFC 3339, from which on the correction holds: 2026-01-14T07:30:00Z (default now)")
	c.Flags().BoolVar(&m.dry, "dry-run", false, "show what would be kept, and keep nothing")
	return c
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

// calibrate takes a comparison from the log, works out the correction, and keeps it.
func calibrate(ctx context.Context, e env, cl *client, name string, m method) error {
	p, err := probeOf(ctx, cl, name)
	if err != nil {
		return err
	}
	c, err := m.comparison(ctx, cl, p)
	if err != nil {
		return err
	}
	since, err := m.from(p, c, e.now())
	if err != nil {
		return err
	}
	shown, err := settled(ctx, cl, p, c)
	if err != nil {
		fmt.Fprintf(e.out, "Not yet: %v. Nothing was kept.\n", err)
		return errWanting
	}
	k := jobbook.Calibrate{CalibrationData: jobbook.CalibrationData{Probe: name, Quantity: c.quantity.String(), Method: c.name, True: c.true_, Before: shown.Mean}}
	bare := p.Calibration.Undo(c.quantity, shown.Mean)
	k.Offset, k.U = c.true_-bare, math.Hypot(c.u, shown.SD)
	gain := 1.0
	if m.salt != "" {
		var first poll.Jar
		var found bool
		if first, found, err = firstJar(ctx, cl, name, c); err != nil {
			return err
		}
		if found {
			if gain, k.Offset, k.U, err = poll.TwoPoint(first, poll.Jar{Shown: bare, True: c.true_, U: k.U}); err != nil {
				return err
			}
			k.Gain = &gain
			k.Note = fmt.Sprintf("line through two jars: %.2f shown as %.2f, and %.2f shown as %.2f", first.True, first.Shown, c.true_, bare)
		}
	}
	k.After = gain*bare + k.Offset
	if err := (poll.Calibration{}).Set(c.quantity, gain, k.Offset).Check(); err != nil {
		return err
	}
	k.Due = e.now().Add(time.Duration(m.dueDays) * 24 * time.Hour).UnixMilli()
	fmt.Fprintf(e.out, "%s, %s: true %.2f, shows %.2f (drift %+.2f an hour, scatter %.2f over %v)\n", name, c.name, c.true_, shown.Mean, shown.PerHour, shown.SD, shown.Span.Round(time.Minute))
	from := "now"
	if !since.IsZero() {
		from = since.Local().Format("2 Jan 2006 15:04")
	}
	fmt.Fprintf(e.out, "From %s on: %.4f x shown %+.3f, u %.2f %s\n", from, gain, k.Offset, k.U, c.quantity)
	if m.dry {
		return nil
	}
	payload := map[string]any{"probe": k.Probe, "quantity": k.Quantity, "method": k.Method, "true_value": k.True,
		"before": k.Before, "after": k.After, "offset": k.Offset, "gain": k.Gain, "u": k.U, "due": time.UnixMilli(k.Due).UTC().Format(time.RFC3339), "note": k.Note}
	if !since.IsZero() {
		payload["when"] = since.UTC().Format(time.RFC3339)
	}
	id, err := cl.keep(ctx, "calibrate", m.who, payload)
	if err != nil {
		return err
	}
	fmt.Fprintf(e.out, "Kept: calibration %d.\n", id)
	if m.salt != "" && k.Gain == nil {
		fmt.Fprintln(e.out, "One jar gives an offset. A second salt, 20 % or more apart, within 30 days gives the slope too.")
	}
	return nil
}

// from reads the time from which on the correction holds; zero is now. A newer calibration of the same quantity would hide it.
func (m method) from(p daemon.ProbeReport, c comparison, now time.Time) (time.Time, error) {
	if m.since == "" {
		return time.Time{}, nil
	}
	t, err := time.Parse(time.RFC3339, m.since)
	if err != nil || t.After(now) {
		return t, usagef("--since %q: want a time that is past, such as 2026-01-14T07:30:00Z", m.since)
	}
	for _, k := range p.Calibrations {
		if k.Quantity == c.quantity.String() && k.From.After(t) {
			return t, usagef("--since %s: %s was calibrated on %s, which holds from then on: take a later time, or undo that one first",
				m.since, k.Quantity, k.From.Local().Format("2 Jan 2006 15:04"))
		}
	}
	return t, nil
}

// comparison says what the probe is beside.
func (m method) comparison(ctx context.Context, cl *client, p daemon.ProbeReport) (comparison, error) {
	n := 0
	for _, yes := range []bool{m.ice, m.salt != "", m.reference != ""} {
		if yes {
			n++
		}
	}
	if n != 1 || m.dueDays < 1 || m.dueDays > 3650 || m.u < 0 {
		return comparison{}, usagef("want one of --ice, --salt and --reference; see tackline probe calibrate --help, which is the guide")
	}
	switch {
	case m.ice:
		// A flask in a shop is good to 0.1 K (common practice, no source; a well-made ice point is good to 0.002 K, ASTM E563, from memory).
		return comparison{sensors.Temperature, "ice water", 0, 0.1, 5 * time.Minute, 0.5, 0.15, 4}, nil
	case m.salt != "":
		return m.overSalt(ctx, cl, p)
	}
	q, err := sensors.ParseQuantity(m.quantity)
	if err != nil {
		return comparison{}, usagef("--quantity %q: want temp_c, rh_pct, pressure_hpa or moisture_pct", m.quantity)
	}
	v, err := strconv.ParseFloat(m.reference, 64)
	if err != nil || math.IsNaN(v) || math.IsInf(v, 0) {
		return comparison{}, usagef("--reference %q: want a number, in the unit of %s", m.reference, q)
	}
	c := map[sensors.Quantity]comparison{
		sensors.Temperature: {u: 0.3, perHour: 2, sd: 0.3, near: 10}, sensors.Humidity: {u: 2, perHour: 4, sd: 1.5, near: 30},
		sensors.Pressure: {u: 1, perHour: 2, sd: 0.5, near: 50}, sensors.Moisture: {u: 1.5, perHour: 1, sd: 0.5, near: 10}}[q]
	c.quantity, c.name, c.true_, c.window = q, "beside a reference", v, 15*time.Minute
	if m.u > 0 {
		c.u = m.u
	}
	return c, nil
}

// overSalt reads the jar's temperature from the probe itself, corrected, and the humidity from the table of salts.
func (m method) overSalt(ctx context.Context, cl *client, p daemon.ProbeReport) (comparison, error) {
	c := comparison{quantity: sensors.Humidity, name: "saturated salt " + m.salt, window: 30 * time.Minute, perHour: 0.5, sd: 0.4, near: 20}
	t, err := window(ctx, cl, p.Name, sensors.Temperature, c.window)
	if err != nil {
		return c, err
	}
	if err := t.Still(c.window, 0.6, 0.2, "K"); err != nil {
		return c, fmt.Errorf("the temperature in the jar is not even yet, and the salt follows it: %w", err)
	}
	rh, u, err := air.SaltHumidity(air.Salt(m.salt), units.Celsius(t.Mean))
	if err != nil {
		return c, usageError{err}
	}
	c.true_ = float64(rh)
	// The table's own doubt, and what a jar in a shop adds to it (0.7 %; common practice is 0.5 to 1 %).
	c.u = math.Hypot(float64(u), 0.7)
	return c, nil
}

// window gives the newest stretch of a probe's log.
func window(ctx context.Context, cl *client, probe string, q sensors.Quantity, span time.Duration) (poll.Settling, error) {
	var now daemon.ProbesReport
	if err := cl.get(ctx, "/api/v1/probes", &now); err != nil {
		return poll.Settling{}, err
	}
	v := url.Values{"probe": {probe}, "quantity": {q.String()}, "from": {now.At.Add(-span).Format(time.RFC3339)}, "to": {now.At.Format(time.RFC3339)}, "points": {"600"}}
	var got struct {
		Points []struct {
			At   time.Time `json:"at"`
			Mean float64   `json:"mean"`
		} `json:"points"`
	}
	if err := cl.get(ctx, "/api/v1/readings?"+v.Encode(), &got); err != nil {
		return poll.Settling{}, err
	}
	var points []poll.Point
	for _, p := range got.Points {
		points = append(points, poll.Point{At: float64(p.At.UnixMilli()) / 1000, V: p.Mean})
	}
	return poll.Settle(points), nil
}

// settled gives what the probe showed, once it is still, hangs where it is said to hang, and was not corrected anew meanwhile.
func settled(ctx context.Context, cl *client, p daemon.ProbeReport, c comparison) (poll.Settling, error) {
	for _, k := range p.Calibrations {
		last := time.Time{}
		for _, l := range p.Latest {
			if l.At != nil && l.At.After(last) {
				last = *l.At
			}
		}
		if last.Sub(k.From) < c.window {
			return poll.Settling{}, fmt.Errorf("%s was corrected within the last %v: wait until the log is of one piece", k.Quantity, c.window)
		}
	}
	s, err := window(ctx, cl, p.Name, c.quantity, c.window)
	if err != nil {
		return s, err
	}
	if err := s.Still(c.window, c.perHour, c.sd, c.quantity.String()); err != nil {
		return s, err
	}
	if math.Abs(s.Mean-c.true_) > c.near {
		return s, fmt.Errorf("it shows %.2f where %.2f is true: a probe is not that far off; does it hang there?", s.Mean, c.true_)
	}
	return s, nil
}

// firstJar finds the jar of another salt within the last 30 days, kept with an offset alone, in the job book.
func firstJar(ctx context.Context, cl *client, probe string, c comparison) (poll.Jar, bool, error) {
	var b struct {
		Calibrations []struct {
			jobbook.CalibrationData
			When struct {
				MS int64 `json:"ms"`
			} `json:"when"`
		}
	}
	if err := cl.get(ctx, "/api/v1/book", &b); err != nil {
		return poll.Jar{}, false, err
	}
	var now daemon.ProbesReport
	if err := cl.get(ctx, "/api/v1/probes", &now); err != nil {
		return poll.Jar{}, false, err
	}
	for i := len(b.Calibrations) - 1; i >= 0; i-- {
		k := b.Calibrations[i]
		if k.Probe != probe || k.Quantity != c.quantity.String() || now.At.UnixMilli()-k.When.MS > 30*86_400_000 {
			continue
		}
		if k.Gain == nil && k.Method != c.name && math.Abs(k.True-c.true_) >= 20 && len(k.Method) > len("saturated salt ") && k.Method[:14] == "saturated salt" {
			return poll.Jar{Shown: k.True - k.Offset, True: k.True, U: k.U}, true, nil
		}
	}
	return poll.Jar{}, false, nil
}
