package daemon

import (
	"fmt"
	"slices"
	"time"

	"tackline/daemon/assess"
	"tackline/daemon/config"
	"tackline/daemon/poll"
	"tackline/sensors"
	"tackline/sensors/drivers"
)

// open opens the probes of the config. A chip that does not answer is no error; a setting that cannot be is, and names its line.
func (d *Daemon) open() ([]poll.Entry, error) {
	c := &d.o.Config
	d.drivers = drivers.New(drivers.Env{Now: func() int64 { return d.clock.Now().Wall }, ShedNow: d.o.ShedNow, Sys: c.Shed.Sys, Zone: c.Shed.Zone, Dir: c.Dir(),
		Shed: d.o.Shed, Resume: d.resume, Nodes: d.wireless.hub,
		Note: func(text string) { d.log.Info(text) }})
	facts, err := d.book.State(d.life)
	if err != nil {
		return nil, err
	}
	var entries []poll.Entry
	var wrong config.Errors
	for i, p := range c.Probes {
		o, err := d.drivers.Open(drivers.Spec{Kind: p.Kind, Name: p.Name, Place: p.Place, Options: p.Options})
		if err != nil {
			wrong = append(wrong, c.ProbeError(i, err))
			continue
		}
		every := p.Interval
		if p.Wireless() {
			every = min(every, askNodes)
		}
		calibrated, err := calibrationsOf(p, facts)
		if err != nil {
			d.log.Error("a calibration is not used", "probe", p.Name, "error", err)
		}
		entries = append(entries, poll.Entry{Name: p.Name, Place: p.Place, Bus: o.Bus, Probe: o.Probe, Interval: every, Steady: p.Wireless(), WarmUp: o.WarmUp,
			Calibrated: calibrated})
	}
	if len(wrong) > 0 {
		for _, e := range entries {
			_ = e.Probe.Close() // nothing was read from it
		}
		return nil, wrong
	}
	return entries, nil
}

// resume gives the time of the newest reading that is stored of a replayed probe.
func (d *Daemon) resume(probe string) int64 {
	channels, err := d.store.Channels(d.life)
	if err != nil {
		return 0
	}
	newest := int64(0)
	for _, ch := range channels {
		if ch.Probe == probe {
			newest = max(newest, ch.Last)
		}
	}
	return newest
}

// assessed says of the probes what the assessor needs.
func assessed(c *config.Config, now int64) []assess.Probe {
	var out []assess.Probe
	for _, p := range c.Probes {
		a := assess.Probe{Name: p.Name, Place: p.Place, Piece: p.Piece, U: p.U, StaleAfter: p.StaleAfter}
		for _, q := range sensors.Quantities() {
			if _, ok := p.U[q]; ok {
				a.Quantities = append(a.Quantities, q)
			}
		}
		a.Calibrated = slices.ContainsFunc(p.Calibrations, func(k config.Calibration) bool { return k.From.UnixMilli() <= now })
		out = append(out, a)
	}
	return out
}

// presence says in words what is wrong with a probe; "" where nothing is.
func presence(s poll.State, now int64, stale time.Duration) string {
	switch s.Presence {
	case poll.NeverSeen:
		return "never seen"
	case poll.Missing:
		return "does not answer"
	case poll.Hung:
		return "hangs; its bus is left alone"
	}
	if s.LastOK > 0 && now-s.LastOK > stale.Milliseconds() && s.Presence != poll.Done {
		return fmt.Sprintf("no reading that may be used for %v", (time.Duration(now-s.LastOK) * time.Millisecond).Round(time.Minute))
	}
	return ""
}
