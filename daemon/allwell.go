package daemon

import (
	"context"
	"fmt"
	"strings"
	"time"

	"tackline/daemon/alert"
	"tackline/daemon/clock"
)

// allWellFor is how long, from the hour that is set for it, the daily word is worth a message: a board that was dark then says it late, not never.
const allWellFor = 3 * time.Hour

// allWell says once a day, from the hour that is set for it, that all is well and what was looked at for that, or what is not. Nothing where it is not wanted, or
// the clock is not set: who waits for it notices that it does not come.
func (d *Daemon) allWell(ctx context.Context, stamp clock.Stamp) []alert.Condition {
	c := d.o.Config.AllWell
	if c == nil || !stamp.State.Trusted() {
		return nil
	}
	zone := d.o.Config.Shed.Zone
	now := time.UnixMilli(stamp.Wall).In(zone)
	from := time.Date(now.Year(), now.Month(), now.Day(), 0, int(c.AtMin), 0, 0, zone)
	if now.Before(from) || !now.Before(from.Add(allWellFor)) {
		return nil
	}
	title, body := d.wellness(ctx, stamp)
	return []alert.Condition{{Key: "all_well/" + now.Format(time.DateOnly), Severity: alert.Notice, Title: title, Body: body, Link: "/", Active: true, Event: true,
		Since: from, Until: from.Add(allWellFor)}}
}

// wellness looks at everything that can fail in silence.
func (d *Daemon) wellness(ctx context.Context, stamp clock.Stamp) (title, body string) {
	var wrong, fine []string
	probes, last := 0, int64(0)
	states := d.poller.States()
	for i, s := range states {
		if presence(s, stamp.Wall, d.o.Config.Probes[i].StaleAfter) == "" {
			probes++
		}
		last = max(last, s.LastOK)
	}
	text := fmt.Sprintf("%d of %d probes answer", probes, len(states))
	if last > 0 {
		text += ", the newest reading is of " + time.UnixMilli(last).In(d.o.Config.Shed.Zone).Format("15:04")
	}
	if probes < len(states) || last == 0 {
		wrong = append(wrong, text)
	} else {
		fine = append(fine, text)
	}
	if err := d.errs.get("store"); err != nil {
		wrong = append(wrong, "readings are not written")
	} else {
		fine = append(fine, "readings are written")
	}
	if free, _, err := d.disk(); err == nil {
		fine = append(fine, fmt.Sprintf("%.1f GB are free", float64(free)/1e9))
	}
	if facts, err := d.book.State(ctx); err == nil {
		running := 0
		for i := range facts.Coats {
			if facts.Coats[i].Running() {
				running++
			}
		}
		fine = append(fine, fmt.Sprintf("the job book opens, %d coats run", running))
	} else {
		wrong = append(wrong, "the job book does not open")
	}
	for _, s := range d.alerts.outbox.Status() {
		if s.Failing > 0 {
			wrong = append(wrong, s.Name+" does not get through")
		}
	}
	if d.mirror != nil {
		if s := d.mirror.m.Status(); s.LastError != "" {
			wrong = append(wrong, "the mirror lags")
		} else {
			fine = append(fine, "the mirror follows")
		}
	}
	for _, s := range d.alerts.standing() {
		if s.Severity >= alert.Warning {
			wrong = append(wrong, s.Title)
		}
	}
	name := d.o.Config.Shed.Name
	checked := "Looked at: " + strings.Join(fine, "; ") + "."
	if len(wrong) == 0 {
		return "All well: " + name, checked
	}
	return "Not all well: " + name, "See to: " + strings.Join(wrong, "; ") + ". " + checked
}
