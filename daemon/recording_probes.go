package daemon

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"tackline/daemon/config"
	"tackline/daemon/jobbook"
	"tackline/dashboard/record"
)

// channelsOf gives the courses of a coat, and those of the day before its first wetting (Unix ms).
func channelsOf(t jobbook.MinuteTrace, by map[string]string, started int64) (during, before []record.Channel) {
	for _, col := range columns {
		values, ok := t.Column(col.name)
		if col.quantity == "" || !ok {
			continue
		}
		u, _ := t.Column(uncertaintyOf(col.name))
		old, now := record.Channel{Quantity: col.quantity, Probe: by[col.quantity]}, record.Channel{Quantity: col.quantity, Probe: by[col.quantity]}
		sure := len(u) == len(values)
		for i, v := range values {
			if v == nil {
				continue
			}
			ms := t.From + int64(i)*minuteMs
			ch := &now
			if ms+minuteMs <= started {
				ch = &old
			}
			ch.At, ch.V = append(ch.At, ms/1000), append(ch.V, *v)
			switch {
			case sure && u[i] != nil:
				ch.U = append(ch.U, *u[i])
			case ch == &now:
				sure = false
			}
		}
		if !sure || len(now.U) != len(now.V) {
			now.U = nil
		}
		old.U = nil
		if len(now.At) > 0 {
			during = append(during, now)
		}
		if len(old.At) > 0 {
			before = append(before, old)
		}
	}
	return during, before
}

// uncertaintyOf names the column with the uncertainty of another, "" for none.
func uncertaintyOf(column string) string {
	switch column {
	case jobbook.ColSurfaceC:
		return jobbook.ColSurfaceU
	case jobbook.ColMarginK:
		return jobbook.ColMarginU
	}
	return ""
}

// probes gives the probes as they were while the coats of the job cured: as they were frozen, and those of the config beside.
func (r *recording) probes() {
	now := r.d.now().UnixMilli()
	from, to := now, int64(0)
	for _, c := range r.facts.CoatsOf(r.job) {
		from = min(from, c.Started.MS)
		if to = max(to, c.Ended.MS); c.Running() {
			to = now
		}
	}
	r.out.Probes = r.d.recordProbes(r.facts, from, max(from, to))
	for _, p := range r.frozen {
		if !slices.ContainsFunc(r.out.Probes, func(q record.Probe) bool { return q.Name == p.Name }) {
			p.Problem = joined(p.Problem, "It is no longer in the config")
			r.out.Probes = append(r.out.Probes, p)
		}
	}
}

// recordProbes gives the probes with the calibrations that were in force in a stretch of time, by date.
func (d *Daemon) recordProbes(facts *jobbook.State, from, to int64) []record.Probe {
	var out []record.Probe
	for _, p := range d.o.Config.Probes {
		r := record.Probe{Name: p.Name, Place: string(p.Place)}
		var texts []string
		for _, at := range calibrationDates(p, facts, from, to) {
			for _, c := range correctionsAt(p, facts, at) {
				text := fmt.Sprintf("from %s %s", time.UnixMilli(c.from).In(d.o.Config.Shed.Zone).Format("2006-01-02"), c.text)
				if !slices.Contains(texts, text) {
					texts = append(texts, text)
				}
				if t := time.UnixMilli(c.from).UTC(); t.After(r.Calibrated) {
					r.Calibrated = t
				}
			}
		}
		r.Calibration = strings.Join(texts, "; ")
		var places []string
		for _, pl := range facts.Placements {
			if pl.Probe == p.Name && pl.From.MS < to && (pl.Until == 0 || pl.Until > from) && pl.Piece != 0 {
				piece, _ := facts.Piece(pl.Piece)
				places = append(places, fmt.Sprintf("on %s from %s", piece.Name, time.UnixMilli(pl.From.MS).In(d.o.Config.Shed.Zone).Format("2 Jan 2006 15:04")))
			}
		}
		if len(places) > 0 {
			r.Place += ", " + strings.Join(places, ", ")
		}
		out = append(out, r)
	}
	return out
}

// calibrationDates lists the beginning of a stretch of time and the dates in it at which a probe was calibrated.
func calibrationDates(p config.Probe, facts *jobbook.State, from, to int64) []int64 {
	out := []int64{from}
	add := func(at int64) {
		if at > from && at <= to {
			out = append(out, at)
		}
	}
	for _, c := range p.Calibrations {
		add(c.From.UnixMilli())
	}
	for _, c := range facts.Calibrations {
		if c.Probe == p.Name {
			add(c.When.MS)
		}
	}
	slices.Sort(out)
	return out
}
