package daemon

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"tackline/daemon/clock"
	"tackline/daemon/config"
	"tackline/daemon/jobbook"
	"tackline/daemon/poll"
	"tackline/daemon/store"
)

const (
	recorrectStep = 24 * 60 * minuteMs     // readings corrected anew at a time, the newest first
	recorrectTurn = 150 * time.Millisecond // what a turn of the loop may spend on it, so that the probes are read meanwhile
)

// corrections is what the stored readings of a probe are corrected by, as it is written down beside them. Outside of the spans of what is still to be
// done it is true of every reading.
type corrections struct {
	By     poll.Calibrations `json:"by"`
	Redo   span              `json:"redo"`   // readings to be corrected anew
	Freeze span              `json:"freeze"` // coats whose frozen traces are to be made anew after that
}

// span is a stretch [From, To) of Unix ms; empty where To is not after From.
type span struct {
	From int64 `json:"from_ms"`
	To   int64 `json:"to_ms"`
}

func (s span) empty() bool { return s.To <= s.From }

func (s span) with(o span) span {
	switch {
	case s.empty():
		return o
	case o.empty():
		return s
	}
	return span{min(s.From, o.From), max(s.To, o.To)}
}

// calibrationsOf gives the calibrations of a probe by date, as config and job book have them. One that cannot be is left out and named in the error.
func calibrationsOf(p config.Probe, facts *jobbook.State) (poll.Calibrations, error) {
	var out poll.Calibrations
	var wrong []error
	dates := calibrationDates(p, facts, math.MinInt64, math.MaxInt64)[1:]
	for _, at := range slices.Compact(dates) {
		c := calibrationOf(correctionsAt(p, facts, at))
		if err := c.Check(); err != nil {
			wrong = append(wrong, fmt.Errorf("daemon: the calibration of %s of %s: %w", p.Name, time.UnixMilli(at).UTC().Format("2006-01-02"), err))
			continue
		}
		if len(out) > 0 && out[len(out)-1].Calibration == c {
			continue
		}
		out = append(out, poll.Dated{From: at, Calibration: c})
	}
	return out, errors.Join(wrong...)
}

// differs gives the stretch in which two courses of calibrations are not the same.
func differs(a, b poll.Calibrations) span {
	var dates []int64
	for _, d := range append(slices.Clone(a), b...) {
		dates = append(dates, d.From)
	}
	slices.Sort(dates)
	var out span
	for i, from := range dates {
		to := int64(math.MaxInt64)
		if i+1 < len(dates) {
			to = dates[i+1]
		}
		if from < to && a.At(from) != b.At(from) {
			out = out.with(span{from, to})
		}
	}
	return out
}

// recalibrate gives the poller the calibrations that config and job book have, and has readings corrected anew that were stored under others.
func (d *Daemon) recalibrate(ctx context.Context, stamp clock.Stamp) {
	facts, err := d.book.State(ctx)
	if err != nil {
		return // said by those who need it
	}
	for _, p := range d.o.Config.Probes {
		want, err := calibrationsOf(p, facts)
		if d.errs.set("calibration "+p.Name, err) && err != nil {
			d.log.Error("a calibration is not used", "probe", p.Name, "error", err)
		}
		c, err := d.correctedBy(ctx, p.Name)
		if err != nil {
			d.log.Error("what readings are corrected by could not be read", "probe", p.Name, "error", err)
			continue
		}
		if slices.Equal(c.By, want) {
			continue
		}
		changed := differs(c.By, want)
		c.By, c.Redo, c.Freeze = want, c.Redo.with(changed), c.Freeze.with(changed)
		if err := d.writeCorrectedBy(ctx, p.Name, c); err != nil {
			d.log.Error("a calibration waits: it could not be written down; tried again", "probe", p.Name, "error", err)
			continue
		}
		if err := d.poller.SetCalibrations(p.Name, want); err != nil {
			d.log.Error("a calibration is not used", "probe", p.Name, "error", err)
		}
	}
	d.recorrect(ctx)
}

// correctedBy gives what a probe's readings are corrected by.
func (d *Daemon) correctedBy(ctx context.Context, probe string) (corrections, error) {
	if c, ok := d.loop.corrected[probe]; ok {
		return c, nil
	}
	var c corrections
	text, err := d.store.CorrectedBy(ctx, probe)
	if err != nil {
		return c, err
	}
	if text != "" {
		if err := json.Unmarshal([]byte(text), &c); err != nil {
			return c, fmt.Errorf("daemon: what %s is corrected by: %w", probe, err)
		}
	}
	d.keepCorrectedBy(probe, c)
	return c, nil
}

func (d *Daemon) keepCorrectedBy(probe string, c corrections) {
	if d.loop.corrected == nil {
		d.loop.corrected = map[string]corrections{}
	}
	d.loop.corrected[probe] = c
}

func (d *Daemon) writeCorrectedBy(ctx context.Context, probe string, c corrections) error {
	b, err := json.Marshal(c)
	if err != nil {
		return fmt.Errorf("daemon: what %s is corrected by: %w", probe, err)
	}
	if err := d.store.SetCorrectedBy(ctx, probe, string(b)); err != nil {
		return err
	}
	d.keepCorrectedBy(probe, c)
	return nil
}

// recorrecting tells whether readings are still to be corrected anew.
func (d *Daemon) recorrecting() bool {
	for _, c := range d.loop.corrected {
		if !c.Redo.empty() {
			return true
		}
	}
	return false
}

// recorrect corrects stored readings anew, from what the chip gave, for as long as a turn of the loop may spend, the newest day first. A power cut in
// between costs nothing: what is left is written down, and doing it twice is the same as once. It tells whether the loop should turn again at once.
func (d *Daemon) recorrect(ctx context.Context) (again bool) {
	if !d.recorrecting() {
		return false
	}
	begun := time.Now()
	for _, p := range d.o.Config.Probes {
		c := d.loop.corrected[p.Name]
		if c.Redo.empty() {
			continue
		}
		var changed int64
		var err error
		for !c.Redo.empty() && err == nil && time.Since(begun) < recorrectTurn {
			changed, err = d.recorrectStep(ctx, p.Name, &c, changed)
		}
		if err == nil {
			err = d.writeCorrectedBy(ctx, p.Name, c)
		}
		if err != nil && ctx.Err() == nil {
			if d.errs.set("correct "+p.Name, err) {
				d.log.Error("stored readings could not be corrected anew; tried again", "probe", p.Name, "error", err)
			}
			return false
		}
		d.errs.set("correct "+p.Name, nil)
		again = again || !c.Redo.empty()
		if changed > 0 {
			again = true
			d.assess.Forget()
			d.loopNudge()
			d.log.Info("stored readings were corrected anew", "probe", p.Name, "readings", changed, "done", c.Redo.empty())
		}
	}
	return again
}

func (d *Daemon) recorrectStep(ctx context.Context, probe string, c *corrections, before int64) (int64, error) {
	first, last, ok := d.store.Extent(probe)
	redo := span{max(c.Redo.From, first), min(c.Redo.To, last+1)}
	if !ok || redo.empty() {
		c.Redo = span{}
		return before, nil
	}
	from := max(redo.From, redo.To-recorrectStep)
	done, err := d.store.Correct(ctx, probe, from, redo.To, poll.BesideMs, func(r *store.Row, beside *float64) float64 {
		return c.By.Correct(r.Quantity, r.Raw, beside, r.At, r.Clock.Trusted())
	})
	if err != nil {
		return before, err
	}
	if done.Pruned > 0 {
		d.log.Warn("some hours have no raw readings any more and stay as they were corrected before", "probe", probe, "hours", done.Pruned)
	}
	if c.Redo.To = from; from <= redo.From {
		c.Redo = span{}
	}
	return before + done.Changed, nil
}

// redateCorrections has the readings of every probe looked at again after they were dated anew: another day may have another calibration.
func (d *Daemon) redateCorrections(ctx context.Context, from int64) error {
	var errs []error
	for _, p := range d.o.Config.Probes {
		c, err := d.correctedBy(ctx, p.Name)
		if err == nil && len(c.By) > 0 {
			c.Redo = c.Redo.with(span{from, math.MaxInt64})
			err = d.writeCorrectedBy(ctx, p.Name, c)
		}
		errs = append(errs, err)
	}
	return errors.Join(errs...)
}

// refreeze makes the frozen traces anew of coats that ended before a calibration of their time was entered, changed or withdrawn. What was kept before stays
// in the journal, and the new one says why it is there.
func (d *Daemon) refreeze(ctx context.Context, stamp clock.Stamp) error {
	if d.recorrecting() {
		return nil
	}
	var errs []error
	for _, p := range d.o.Config.Probes {
		c := d.loop.corrected[p.Name]
		if c.Freeze.empty() {
			continue
		}
		facts, err := d.book.State(ctx)
		if err == nil {
			err = d.refreezeProbe(ctx, facts, p, c, stamp)
		}
		if err == nil {
			c.Freeze = span{}
			err = d.writeCorrectedBy(ctx, p.Name, c)
		}
		errs = append(errs, err)
	}
	return errors.Join(errs...)
}

func (d *Daemon) refreezeProbe(ctx context.Context, facts *jobbook.State, p config.Probe, c corrections, stamp clock.Stamp) error {
	frozen := map[int64]bool{}
	for _, f := range facts.Frozen {
		frozen[f.Coat] = true
	}
	var errs []error
	for i := range facts.Coats {
		k := &facts.Coats[i]
		if k.Running() || !frozen[k.ID] || k.Started.MS >= c.Freeze.To || k.Ended.MS <= c.Freeze.From {
			continue
		}
		errs = append(errs, d.refreezeCoat(ctx, facts, k, p, c.Freeze, stamp))
	}
	return errors.Join(errs...)
}

func (d *Daemon) refreezeCoat(ctx context.Context, facts *jobbook.State, c *jobbook.Coat, p config.Probe, changed span, stamp clock.Stamp) error {
	old, err := d.book.Frozen(ctx, c.ID)
	if err != nil {
		return err
	}
	var probes frozenProbes
	if err := json.Unmarshal(old.Probes, &probes); err != nil {
		return fmt.Errorf("daemon: correct the trace of coat %d: %w", c.ID, err)
	}
	var columnsOf []string
	for _, col := range columns {
		if col.quantity != "" && probes.By[col.quantity] == p.Name {
			columnsOf = append(columnsOf, col.name)
		}
	}
	if len(columnsOf) == 0 {
		return nil // it was not measured by this probe
	}
	// The minute in which it ended must be whole.
	s, err := d.assess.SituationOfCoat(ctx, (c.Ended.MS/minuteMs+1)*minuteMs, true, c)
	if err != nil {
		return err
	}
	anew, err := d.frozenOf(ctx, s, facts, c, true)
	if err != nil {
		return err
	}
	if bytes.Equal(anew.MinuteTrace, old.MinuteTrace) {
		return nil
	}
	was, err := jobbook.DecodeMinutes(old.MinuteTrace)
	if err != nil {
		return err
	}
	is, err := jobbook.DecodeMinutes(anew.MinuteTrace)
	if err != nil {
		return err
	}
	var means []string
	for _, name := range columnsOf {
		a, n := meanOf(was, name)
		b, m := meanOf(is, name)
		if m < n {
			d.log.Warn("a coat's frozen trace stays as it was kept: its readings are not all there any more", "coat", c.ID, "probe", p.Name)
			return nil
		}
		if n > 0 && math.Abs(a-b) >= 0.005 {
			means = append(means, fmt.Sprintf("%s %.2f, before %.2f", columnWords[name], b, a))
		}
	}
	if len(means) == 0 {
		return nil
	}
	anew.Reason = d.correctionText(facts, p, c, changed, means)
	_, err = d.book.FreezeCoat(ctx, bookStamp(stamp), c.ID, anew)
	return err
}

// columnWords says what a column of a trace holds, for people.
var columnWords = map[string]string{jobbook.ColAirC: "mean air temperature (C)", jobbook.ColRHPct: "mean relative humidity (%)", jobbook.ColPressureHPa: "mean pressure (hPa)",
	jobbook.ColSurfaceC: "mean surface temperature (C)"}

func (d *Daemon) correctionText(facts *jobbook.State, p config.Probe, c *jobbook.Coat, changed span, means []string) string {
	from, zone := max(changed.From, c.Started.MS), d.o.Config.Shed.Zone
	var now []string
	for _, k := range correctionsAt(p, facts, from) {
		now = append(now, k.text)
	}
	text := "no calibration"
	if len(now) > 0 {
		text = strings.Join(now, "; ")
	}
	return fmt.Sprintf("the readings of %s from %s on were corrected anew after the coat had ended, by: %s. %s.", p.Name,
		time.UnixMilli(from).In(zone).Format("2006-01-02 15:04"), text, strings.Join(means, "; "))
}

func meanOf(t jobbook.MinuteTrace, column string) (mean float64, n int) {
	values, _ := t.Column(column)
	sum := 0.0
	for _, v := range values {
		if v != nil {
			sum, n = sum+*v, n+1
		}
	}
	if n == 0 {
		return 0, 0
	}
	return sum / float64(n), n
}
