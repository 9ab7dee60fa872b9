package main

import (
	"context"
	"errors"
	"fmt"
	"math"
	"net/url"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"tackline/advisor/air"
	"tackline/daemon"
	"tackline/daemon/compare"
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

// calibrate takes a comparison from the log, works out the correction, and keeps it.
func calibrate(ctx context.Context, e env, cl *client, name string, m method) error {
	p, err := probeOf(ctx, cl, name)
	if err != nil {
		return err
	}
	way, err := m.read()
	if err != nil {
		return err
	}
	l := &calibrationLog{cl: cl}
	at := compare.Probe{Name: p.Name, Calibration: p.Calibration, Since: map[string]time.Time{}}
	for _, k := range p.Calibrations {
		at.Since[k.Quantity] = k.From
	}
	for _, x := range p.Latest {
		if x.At != nil && x.At.After(at.Last) {
			at.Last = *x.At
		}
	}
	k, err := compare.Make(ctx, l, at, way, e.now())
	var wrong *compare.Wrong
	var notYet *compare.NotYet
	switch {
	case errors.As(err, &wrong) && wrong.Field == "method":
		return usagef("want one of --ice, --salt and --reference; see tackline probe calibrate --help, which is the guide")
	case errors.As(err, &wrong):
		return usagef("--%s: %s", strings.ReplaceAll(wrong.Field, "_", "-"), wrong.Why)
	case errors.As(err, &notYet):
		fmt.Fprintf(e.out, "Not yet: %v. Nothing was kept.\n", err)
		return errWanting
	case err != nil:
		return err
	}
	shown := k.Settled
	fmt.Fprintf(e.out, "%s, %s: true %.2f, shows %.2f (drift %+.2f an hour, scatter %.2f over %v)\n", name, k.Method, k.True, shown.Mean, shown.PerHour, shown.SD, shown.Span.Round(time.Minute))
	from := "now"
	if !way.Since.IsZero() {
		from = way.Since.Local().Format("2 Jan 2006 15:04")
	}
	fmt.Fprintf(e.out, "From %s on: %.4f x shown %+.3f, u %.2f %s\n", from, k.Gain, k.Offset, k.U, k.Quantity)
	if m.dry {
		return nil
	}
	payload := map[string]any{"probe": k.Probe, "quantity": k.Quantity, "method": k.Method, "true_value": k.True,
		"before": k.Before, "after": k.After, "offset": k.Offset, "gain": k.CalibrationData.Gain, "u": k.U, "due": time.UnixMilli(k.Due).UTC().Format(time.RFC3339), "note": k.Note}
	if !way.Since.IsZero() {
		payload["when"] = way.Since.UTC().Format(time.RFC3339)
	}
	id, err := cl.keep(ctx, "calibrate", m.who, payload)
	if err != nil {
		return err
	}
	fmt.Fprintf(e.out, "Kept: calibration %d.\n", id)
	if m.salt != "" && k.CalibrationData.Gain == nil {
		fmt.Fprintln(e.out, "One jar gives an offset. A second salt, 20 % or more apart, within 30 days gives the slope too.")
	}
	return nil
}

// read gives the method that the flags ask for.
func (m method) read() (compare.Method, error) {
	out := compare.Method{Ice: m.ice, Salt: m.salt, Quantity: m.quantity, U: m.u, DueDays: m.dueDays}
	if m.reference != "" {
		v, err := strconv.ParseFloat(m.reference, 64)
		if err != nil || math.IsNaN(v) || math.IsInf(v, 0) {
			return out, usagef("--reference %q: want a number, in the unit of %s", m.reference, m.quantity)
		}
		out.Reference = &v
	}
	if m.since != "" {
		var err error
		if out.Since, err = time.Parse(time.RFC3339, m.since); err != nil {
			return out, usagef("--since %q: want a time that is past, such as 2026-01-14T07:30:00Z", m.since)
		}
	}
	return out, nil
}

// calibrationLog is the log of a daemon elsewhere.
type calibrationLog struct{ cl *client }

// Stretch does as compare.Log says.
func (l *calibrationLog) Stretch(ctx context.Context, probe string, q sensors.Quantity, span time.Duration) ([]poll.Point, error) {
	var now daemon.ProbesReport
	if err := l.cl.get(ctx, "/api/v1/probes", &now); err != nil {
		return nil, err
	}
	v := url.Values{"probe": {probe}, "quantity": {q.String()}, "from": {now.At.Add(-span).Format(time.RFC3339)}, "to": {now.At.Format(time.RFC3339)}, "points": {"600"}}
	var got struct {
		Points []struct {
			At   time.Time `json:"at"`
			Mean float64   `json:"mean"`
		} `json:"points"`
	}
	if err := l.cl.get(ctx, "/api/v1/readings?"+v.Encode(), &got); err != nil {
		return nil, err
	}
	var points []poll.Point
	for _, p := range got.Points {
		points = append(points, poll.Point{At: float64(p.At.UnixMilli()) / 1000, V: p.Mean})
	}
	return points, nil
}

// Past does as compare.Log says.
func (l *calibrationLog) Past(ctx context.Context) ([]compare.Past, error) {
	var b struct {
		Calibrations []struct {
			jobbook.CalibrationData
			When struct {
				MS int64 `json:"ms"`
			} `json:"when"`
		}
	}
	if err := l.cl.get(ctx, "/api/v1/book", &b); err != nil {
		return nil, err
	}
	var out []compare.Past
	for _, k := range b.Calibrations {
		out = append(out, compare.Past{CalibrationData: k.CalibrationData, At: time.UnixMilli(k.When.MS)})
	}
	return out, nil
}
