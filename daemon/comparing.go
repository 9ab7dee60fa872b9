package daemon

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"time"

	"tackline/daemon/compare"
	"tackline/daemon/poll"
	"tackline/dashboard"
	"tackline/sensors"
)

// comparing is the daemon's own log, for comparisons that are asked for on the page.
type comparing struct{ d *Daemon }

var _ compare.Log = comparing{}

// Stretch does as compare.Log says.
func (c comparing) Stretch(ctx context.Context, probe string, q sensors.Quantity, span time.Duration) ([]poll.Point, error) {
	now := c.d.clock.Now().Wall
	buckets, err := c.d.store.Range(ctx, probe, q, now-span.Milliseconds(), now, 600)
	if err != nil {
		return nil, err
	}
	var points []poll.Point
	for _, b := range buckets {
		if b.Count > 0 {
			points = append(points, poll.Point{At: float64(b.Start) / 1000, V: b.Mean})
		}
	}
	return points, nil
}

// Past does as compare.Log says.
func (c comparing) Past(ctx context.Context) ([]compare.Past, error) {
	facts, err := c.d.book.State(ctx)
	if err != nil {
		return nil, err
	}
	var out []compare.Past
	for _, k := range facts.Calibrations {
		out = append(out, compare.Past{CalibrationData: k.CalibrationData, At: at(k.When.MS)})
	}
	return out, nil
}

// Calibrate does as dashboard.Bench says.
func (b probeBench) Calibrate(ctx context.Context, req dashboard.Calibration) (dashboard.Receipt, error) {
	facts, err := b.d.book.State(ctx)
	if err != nil {
		return dashboard.Receipt{}, err
	}
	at := compare.Probe{Since: map[string]time.Time{}}
	now := time.UnixMilli(b.d.clock.Now().Wall).In(b.d.o.Config.Shed.Zone)
	for _, p := range b.d.probesReport(facts).Probes {
		if p.Name != req.Probe {
			continue
		}
		at.Name, at.Calibration = p.Name, p.Calibration
		for _, k := range p.Calibrations {
			at.Since[k.Quantity] = k.From
		}
		for _, l := range p.Latest {
			if l.At.After(at.Last) {
				at.Last = *l.At
			}
		}
	}
	if at.Name == "" {
		return dashboard.Receipt{}, fmt.Errorf("daemon: probe %q: %w", req.Probe, dashboard.ErrNotFound)
	}
	k, err := compare.Make(ctx, comparing(b), at, compare.Method{Ice: req.Ice, Salt: req.Salt, Reference: req.Reference, Quantity: req.Quantity, U: req.U, DueDays: 365, Since: req.Since}, now)
	var wrong *compare.Wrong
	var notYet *compare.NotYet
	switch {
	case errors.As(err, &wrong):
		field := map[string]string{"since": "at"}[wrong.Field]
		return dashboard.Receipt{}, &dashboard.Refusal{Field: cmp.Or(field, wrong.Field), Sentence: wrong.Why}
	case errors.As(err, &notYet):
		return dashboard.Receipt{}, &dashboard.Refusal{Sentence: "not yet: " + notYet.Error()}
	case err != nil:
		return dashboard.Receipt{}, err
	}
	out, err := commands(b).do(ctx, req.Key, req.Who, k.Calibrate)
	if err == nil {
		q, _ := sensors.ParseQuantity(k.Quantity)
		unit := unitOf(q)
		out.Notes = []string{fmt.Sprintf("It showed %.2f %s where %.2f %[2]s is true, and shows %.2[4]f %[2]s now.", k.Before, unit, k.True, k.After)}
	}
	return out, err
}
