package assess

import (
	"fmt"
	"time"

	"tackline/advisor"
	"tackline/advisor/batch"
	"tackline/advisor/units"
	"tackline/daemon/alert"
	"tackline/daemon/jobbook"
)

// batches gives the batches that stand mixed at a moment, with the vessels that they stood in until then.
func batches(facts *jobbook.State, s *advisor.Situation, now int64) error {
	for i := range facts.Batches {
		b := &facts.Batches[i]
		if b.Mixed.MS > now || b.Ended.MS > 0 && b.Ended.MS <= now {
			continue
		}
		system, err := systemOf(b.System)
		if err != nil {
			return err
		}
		out := advisor.Batch{ID: b.ID, System: system, Drum: facts.DrumOfBatch(b), Mixed: instant(b.Mixed.MS), MassG: b.MassG, Strokes: b.Strokes, ResinC: b.ResinC,
			Stays: []advisor.BatchStay{{From: instant(b.Mixed.MS), Vessel: vesselOf(b.Vessel, b.DiameterMM, b.TrayCM2)}}}
		for _, m := range b.Moves {
			if m.When.MS > now || m.When.MS < b.Mixed.MS {
				continue
			}
			k := len(out.Stays)
			for k > 1 && out.Stays[k-1].From > instant(m.When.MS) { // entered late: in its place by time
				k--
			}
			stay := advisor.BatchStay{From: instant(m.When.MS), Vessel: vesselOf(m.Vessel, m.DiameterMM, m.TrayCM2)}
			out.Stays = append(out.Stays[:k], append([]advisor.BatchStay{stay}, out.Stays[k:]...)...)
		}
		s.Batches = append(s.Batches, out)
	}
	return nil
}

func vesselOf(shape string, diameter, tray float64) batch.Vessel {
	return batch.Vessel{Shape: batch.Shape(shape), DiameterMM: diameter, AreaCM2: tray}
}

// batch tells of one batch: ending before its working time is over, past, a hazard where it stands and heats itself.
func (t *teller) batch(b *advisor.BatchAdvice) {
	key := fmt.Sprintf("batch/%d/", b.Batch)
	blind := b.CantSay != ""
	now := units.InstantOf(t.at)
	name := fmt.Sprintf("batch %d", b.Batch)
	ending := alert.Condition{Key: key + "ending", Severity: alert.Warning, Event: true, Unknown: blind, Link: "/", Active: b.Phase == advisor.BatchEnding,
		Title: fmt.Sprintf("Use up %s", name), Until: b.Working.Likely.Time()}
	past := alert.Condition{Key: key + "past", Severity: alert.Warning, Event: true, Unknown: blind, Link: "/",
		Active: (b.Phase == advisor.BatchPast || b.Phase == advisor.BatchHazard) && now < b.Working.Likely.Add(units.Second(eventFor.Seconds())),
		Title:  fmt.Sprintf("Past its time: %s", name), Since: b.Working.Likely.Time(), Until: b.Working.Likely.Add(units.Second(eventFor.Seconds())).Time()}
	severity := alert.Warning
	if b.MayRunAway || b.PeakC != nil && *b.PeakC >= advisor.HotToTouchC {
		severity = alert.Critical
	}
	hazard := alert.Condition{Key: key + "hazard", Cause: key + "heat", Severity: severity, Unknown: blind, Link: "/", Active: b.Phase == advisor.BatchHazard,
		Title: fmt.Sprintf("Heat and fume: %s", name), Cleared: fmt.Sprintf("Batch %d is no longer a hazard: it was used or ended, or has set and is cold again.", b.Batch)}
	if ending.Active {
		ending.Body = fmt.Sprintf("Batch %d (%.0f g of %s, in a %s): its working time may end from %s on, likely at %s. Spread it now or pour it out flat; left standing it heats itself.",
			b.Batch, b.MassG, b.System, b.Vessel, t.clock(b.Working.Early), t.clock(b.Working.Likely))
	}
	if past.Active {
		past.Body = fmt.Sprintf("Batch %d (%.0f g of %s, in a %s) was past its working time at %s: what still flows no longer wets out. Do not spread it; say in the job book what became of it.",
			b.Batch, b.MassG, b.System, b.Vessel, t.clock(b.Working.Likely))
	}
	if hazard.Active {
		hazard.Body = b.Text
		if b.HotAt.Known() && now < b.HotAt {
			hazard.Body += fmt.Sprintf(" Left as it is it passes 150 C about %s.", t.clock(b.HotAt))
		}
	}
	t.add(ending)
	t.add(past)
	t.add(hazard)
	t.add(alert.Condition{Key: key + "blind", Severity: alert.Warning, Link: "/", Active: blind, Hold: time.Minute, Title: fmt.Sprintf("Can't say: %s", name), Body: b.Text,
		Cleared: fmt.Sprintf("The times of %s are given again.", name)})
	cold := alert.Condition{Key: key + "cold", Severity: alert.Notice, Link: "/", Event: true, Title: fmt.Sprintf("Cold resin: %s", name)}
	for _, r := range b.Reasons {
		if r.Rule == "resin" {
			cold.Active, cold.Body = true, r.Text+" Limit: "+r.Source+"."
		}
	}
	t.add(cold)
}

// resin tells that the drums stand too cold.
func (t *teller) resin(a *advisor.Advice) {
	c := alert.Condition{Key: "resin/cold", Severity: alert.Notice, Link: "/", Unknown: a.Shed.ResinC.Value == nil, Title: "Resin too cold", Hold: 30 * time.Minute,
		ClearHold: 30 * time.Minute, Cleared: "The resin is warm enough again."}
	for _, r := range a.Notices {
		if r.Rule != "resin" {
			continue
		}
		c.Active, c.Body = true, r.Text+" Limit: "+r.Source+"."
		if r.Value != nil && r.Limit != nil {
			c.Level = &alert.Level{Value: *r.Value, Limit: *r.Limit, Hysteresis: 0.5, Below: true}
		}
	}
	if v := a.Shed.ResinC.Value; !c.Active && v != nil {
		limit := float64(t.limits.ResinLowestC)
		if limit == 0 {
			limit = advisor.DefaultResinLowestC
		}
		c.Level = &alert.Level{Value: *v, Limit: limit, Hysteresis: 0.5, Below: true}
	}
	t.add(c)
}
