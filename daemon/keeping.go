package daemon

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"

	"tackline/advisor"
	"tackline/advisor/units"
	"tackline/daemon/clock"
	"tackline/daemon/jobbook"
	"tackline/dashboard/record"
)

// freezeEnded keeps the trace and the last advice of every coat that has ended and has none yet: from then on its record needs no readings.
func (d *Daemon) freezeEnded(ctx context.Context, s advisor.Situation, stamp clock.Stamp) error {
	facts, err := d.book.State(ctx)
	if err != nil {
		return err
	}
	frozen := map[int64]int64{}
	for _, f := range facts.Frozen {
		frozen[f.Coat] = f.To
	}
	var errs []error
	for i := range facts.Coats {
		c := &facts.Coats[i]
		if c.Running() || frozen[c.ID] == c.Ended.MS || c.Ended.MS <= c.Started.MS {
			continue
		}
		errs = append(errs, d.freeze(ctx, s, facts, c, stamp))
	}
	return errors.Join(errs...)
}

func (d *Daemon) freeze(ctx context.Context, s advisor.Situation, facts *jobbook.State, c *jobbook.Coat, stamp clock.Stamp) error {
	f, err := d.frozenOf(ctx, s, facts, c, stamp.State.Trusted())
	if err != nil {
		return err
	}
	_, err = d.book.FreezeCoat(ctx, bookStamp(stamp), c.ID, f)
	return err
}

// frozenOf gives what is kept of a coat that has ended, by the readings as they stand.
func (d *Daemon) frozenOf(ctx context.Context, s advisor.Situation, facts *jobbook.State, c *jobbook.Coat, trusted bool) (jobbook.Frozen, error) {
	none := jobbook.Frozen{}
	samples, _ := advisor.Conditions(s, c.ID, instantOf(c.Started.MS-dayBeforeMs), instantOf(c.Ended.MS))
	trace, err := minuteTrace(c.Started.MS-dayBeforeMs, samples).Encode()
	if err != nil {
		return none, err
	}
	before, err := d.assess.SituationOfCoat(ctx, c.Ended.MS-1, trusted, c)
	if err != nil {
		return none, err
	}
	var last json.RawMessage = []byte("null")
	for _, a := range advisor.Advise(before).Coats {
		if a.Coat == c.ID {
			if last, err = json.Marshal(a); err != nil {
				return none, fmt.Errorf("daemon: freeze coat %d: %w", c.ID, err)
			}
		}
	}
	probes, err := json.Marshal(frozenProbes{Probes: d.recordProbes(facts, c.Started.MS, c.Ended.MS), By: measuredBy(&s, c.ID)})
	if err != nil {
		return none, fmt.Errorf("daemon: freeze coat %d: %w", c.ID, err)
	}
	limits, err := json.Marshal(s.Limits)
	if err != nil {
		return none, fmt.Errorf("daemon: freeze coat %d: %w", c.ID, err)
	}
	return jobbook.Frozen{From: c.Started.MS, To: c.Ended.MS, MinuteTrace: trace, Advice: last, Probes: probes, Limits: limits, Model: advisor.ModelVersion}, nil
}

// frozenProbes is what is kept of the probes of a coat.
type frozenProbes struct {
	Probes []record.Probe    `json:"probes"`
	By     map[string]string `json:"by"` // quantity of the record -> name of the probe; those that are computed are not in it
}

// measuredBy says which probe gave which quantity of a coat.
func measuredBy(s *advisor.Situation, coat int64) map[string]string {
	by := map[string]string{record.AirC: s.Climate.AirC.Probe, record.RHPct: s.Climate.RHPct.Probe, record.PressureHPa: s.Climate.PressureHPa.Probe}
	for _, c := range s.Coats {
		for _, p := range s.Pieces {
			if c.ID == coat && p.ID == c.Piece {
				by[record.SurfaceC] = p.SurfaceC.Probe
			}
		}
	}
	return by
}

func instantOf(ms int64) units.Instant { return units.Instant(float64(ms) / 1000) }

// columns ties the samples of a coat to the columns of a minute trace and to the quantities of a record.
var columns = []struct {
	name, quantity string
	of             func(*advisor.Sample) *float64
}{
	{jobbook.ColAirC, record.AirC, func(s *advisor.Sample) *float64 { return s.AirC }},
	{jobbook.ColRHPct, record.RHPct, func(s *advisor.Sample) *float64 { return s.RHPct }},
	{jobbook.ColPressureHPa, record.PressureHPa, func(s *advisor.Sample) *float64 { return s.PressureHPa }},
	{jobbook.ColSurfaceC, record.SurfaceC, func(s *advisor.Sample) *float64 { return s.SurfaceC }},
	{jobbook.ColDewPointC, record.DewPointC, func(s *advisor.Sample) *float64 { return s.DewPointC }},
	{jobbook.ColMarginK, record.MarginK, func(s *advisor.Sample) *float64 { return s.MarginK }},
	{jobbook.ColSurfaceRH, record.SurfaceRH, func(s *advisor.Sample) *float64 { return s.SurfaceRHPct }},
	{jobbook.ColSurfaceU, "", func(s *advisor.Sample) *float64 { return s.SurfaceU }},
	{jobbook.ColMarginU, "", func(s *advisor.Sample) *float64 { return s.MarginU }},
	{jobbook.ColConversion, "", func(s *advisor.Sample) *float64 { return s.Conversion }},
}

func minuteTrace(from int64, samples []advisor.Sample) jobbook.MinuteTrace {
	t := jobbook.MinuteTrace{From: (from + minuteMs - 1) / minuteMs * minuteMs}
	for _, c := range columns {
		v := make([]*float64, len(samples))
		for i := range samples {
			v[i] = c.of(&samples[i])
		}
		t.Columns = append(t.Columns, jobbook.Column{Name: c.name, Values: v})
	}
	return t
}
