package daemon

import (
	"context"
	"fmt"
	"math"
	"path/filepath"
	"time"

	"tackline/advisor"
	"tackline/advisor/air"
	"tackline/advisor/trace"
	"tackline/advisor/units"
	"tackline/daemon/alert"
	"tackline/daemon/outlook"
)

// outdoors keeps an outdoor forecast, for plans alone. Whatever goes wrong with it, plans are made of the shed's own log.
type outdoors struct {
	d      *Daemon
	source *outlook.Source
	every  time.Duration
	stale  time.Duration
}

const (
	// outdoorGap is the longest step between two hours of an outdoor forecast, s: a straight line over more says little of a day.
	outdoorGap = 6 * 3600.0
	// outdoorRetry is how soon a forecast that could not be got is tried again, and outdoorClock how often it is looked whether the clock is set.
	outdoorRetry = 15 * time.Minute
	outdoorClock = 10 * time.Second
)

// newOutdoors makes the source of the config; nil where there is none.
func newOutdoors(d *Daemon) (*outdoors, error) {
	c := d.o.Config.Outdoor
	if c == nil {
		return nil, nil
	}
	token, err := d.o.Config.Token(c.TokenFile)
	if err != nil {
		return nil, err
	}
	s, err := outlook.New(outlook.Config{URL: c.URL, File: d.o.Config.Path(c.File), Token: token, Times: c.Times, Air: c.Air, RH: c.RH, Unit: c.Unit, Zone: c.Zone,
		Cache: filepath.Join(d.o.Config.Shed.Data, "outdoor-forecast.json"), Now: d.now})
	if err != nil {
		return nil, err
	}
	return &outdoors{d: d, source: s, every: c.Every, stale: c.Stale}, nil
}

// run gets the forecast at its times until the context ends. It waits for the clock: without one nobody knows how old an answer is.
func (o *outdoors) run(ctx context.Context) {
	for {
		wait := outdoorClock
		if o.d.clock.Now().State.Trusted() {
			err := o.source.Refresh(ctx)
			if ctx.Err() != nil {
				return
			}
			if o.d.errs.set("outdoor forecast", err) && err != nil {
				o.d.log.Warn("no outdoor forecast; plans are made of the shed's own log, and it is tried again", "error", err)
			}
			if wait = o.every; err != nil {
				wait = min(o.every, outdoorRetry)
			}
		}
		select {
		case <-ctx.Done():
			return
		case <-time.After(wait):
		}
	}
}

// into puts the forecast into a plan's request, where it is fresh; else why it is not. The key tells requests with different forecasts apart.
func (o *outdoors) into(req *advisor.PlanRequest) (key string) {
	f, ok := o.source.Latest()
	switch {
	case !ok:
		req.NoOutdoor = "there is none yet" + o.because()
	case !f.Fresh(o.d.now(), o.stale):
		req.NoOutdoor = fmt.Sprintf("it is of %s", f.Fetched.In(o.d.o.Config.Shed.Zone).Format("2 January 15:04")) + o.because()
	default:
		req.OutdoorC, req.OutdoorPa = outdoorTraces(f)
	}
	return req.NoOutdoor + f.Fetched.Format(time.RFC3339Nano)
}

// because gives the newest error, in brackets.
func (o *outdoors) because() string {
	if err := o.d.errs.get("outdoor forecast"); err != nil {
		return " (" + alert.OneLine(err.Error(), 200) + ")"
	}
	return ""
}

// outdoorTraces gives temperature in C and vapour pressure in Pa of a forecast.
func outdoorTraces(f outlook.Forecast) (airC, vapourPa trace.Trace) {
	airC = trace.Trace{At: f.At, V: f.AirC, MaxGap: outdoorGap}
	vapourPa.MaxGap = outdoorGap
	for i, rh := range f.RHPct {
		if math.IsNaN(rh) {
			continue
		}
		if e, err := air.VapourPressure(units.Celsius(f.AirC[i]), units.Percent(rh)); err == nil {
			vapourPa.At, vapourPa.V = append(vapourPa.At, f.At[i]), append(vapourPa.V, float64(e))
		}
	}
	return airC, vapourPa
}
