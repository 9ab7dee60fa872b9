package daemon

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"tackline/advisor"
	"tackline/advisor/units"
	"tackline/daemon/clock"
	"tackline/daemon/config"
	"tackline/daemon/jobbook"
	"tackline/dashboard"
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
	samples, _ := advisor.Conditions(s, c.ID, instantOf(c.Started.MS), instantOf(c.Ended.MS))
	trace, err := minuteTrace(c.Started.MS, samples).Encode()
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

// Record gives what is kept of a job: ended coats from the job book alone, running ones from the readings.
func (d *Daemon) Record(ctx context.Context, job int64) (record.Job, error) {
	facts, err := d.book.State(ctx)
	if err != nil {
		return record.Job{}, err
	}
	j, ok := facts.Job(job)
	if !ok {
		return record.Job{}, fmt.Errorf("daemon: job %d: %w", job, dashboard.ErrNotFound)
	}
	l := d.o.Config.Limits
	out := record.Job{ID: j.ID, Name: j.Name, Customer: j.Owner, Shed: d.o.Config.Shed.Name, Zone: d.o.Config.Shed.Zone, AsOf: d.now().Truncate(time.Minute),
		Software: "tackline " + d.o.Version, Model: advisor.ModelVersion, Notice: d.o.Notice, Probes: d.jobProbes(facts, job),
		Limits: []record.Limit{{Quantity: record.MarginK, Above: true, Value: float64(l.MarginK), LessU: true, Until: "recoat_closes", Source: l.MarginSource}}}
	for _, p := range facts.Pieces {
		if p.Job == job {
			out.Pieces = append(out.Pieces, record.Piece{ID: p.ID, Name: p.Name, Lie: p.Lie, ThicknessMM: p.ThicknessMM, AreaM2: p.AreaM2, SubstrateNote: p.Timber})
		}
	}
	for i := range facts.Coats {
		c := &facts.Coats[i]
		if p, ok := facts.Piece(c.Piece); ok && p.Job == job {
			rc, err := d.recordCoat(ctx, facts, c, p.Name)
			if err != nil {
				return out, err
			}
			out.Coats = append(out.Coats, rc)
			told, err := d.book.Told(ctx, c.ID, 0, 1<<60)
			if err != nil {
				return out, err
			}
			for _, t := range told {
				out.Alerts = append(out.Alerts, record.Alert{At: at(t.AtMS), Coat: c.ID, Text: t.Title})
			}
		}
	}
	return out, nil
}

func (d *Daemon) recordCoat(ctx context.Context, facts *jobbook.State, c *jobbook.Coat, piece string) (record.Coat, error) {
	out := record.Coat{ID: c.ID, Piece: c.Piece, PieceName: piece, Kind: c.Kind, System: c.SystemName, Who: c.Who, Started: at(c.Started.MS), Ended: at(c.Ended.MS)}
	for _, t := range facts.Touches {
		if t.Coat == c.ID {
			out.Touches = append(out.Touches, record.Touch{At: at(t.When.MS), State: t.State, Witness: t.Witness, Who: t.Who})
		}
	}
	if b, ok := facts.Batch(c.Batch); ok {
		g := b.MassG
		out.Batches = append(out.Batches, record.Batch{At: at(b.Mixed.MS), AmountG: &g, ResinC: b.ResinC, Vessel: b.Vessel})
	}
	var advice advisor.CoatAdvice
	var trace jobbook.MinuteTrace
	var probes frozenProbes
	f, err := d.book.Frozen(ctx, c.ID)
	switch {
	case err == nil:
		out.Frozen = true
		if err := json.Unmarshal(f.Advice, &advice); err != nil {
			return out, fmt.Errorf("daemon: record of coat %d: %w", c.ID, err)
		}
		if err := json.Unmarshal(f.Probes, &probes); err != nil {
			return out, fmt.Errorf("daemon: record of coat %d: %w", c.ID, err)
		}
		if trace, err = jobbook.DecodeMinutes(f.MinuteTrace); err != nil {
			return out, err
		}
	case errors.Is(err, jobbook.ErrNotFound):
		m := d.latest.Load()
		if m == nil {
			return out, nil
		}
		for _, a := range m.Advice.Coats {
			if a.Coat == c.ID {
				advice = a
			}
		}
		samples, _ := advisor.Conditions(m.Situation, c.ID, instantOf(c.Started.MS), m.Situation.At)
		trace, probes.By = minuteTrace(c.Started.MS, samples), measuredBy(&m.Situation, c.ID)
	default:
		return out, err
	}
	for _, f := range facts.Frozen {
		if f.Coat == c.ID && f.Reason != "" {
			out.Remarks = append(out.Remarks, fmt.Sprintf("Corrected on %s: %s What was kept before stays in the journal.", at(f.Entered).In(d.o.Config.Shed.Zone).Format("2006-01-02 15:04"), f.Reason))
		}
	}
	out.SurfaceModel, out.State, out.Conversion, out.TgC = advice.SurfaceModelled, advice.State, advice.Conversion, advice.TgC
	out.Stalled, out.Blush, out.BlushWhy = advice.Stalled, advice.Blush, advice.BlushWhy
	for _, m := range advice.Marks {
		out.Marks = append(out.Marks, record.Mark{Mark: m.Mark, Early: m.When.Early.Time(), Likely: m.When.Likely.Time(), Late: m.When.Late.Time(), Passed: m.Passed})
	}
	out.Channels = channelsOf(trace, probes.By)
	return out, nil
}

func channelsOf(t jobbook.MinuteTrace, by map[string]string) []record.Channel {
	var out []record.Channel
	for _, col := range columns {
		values, ok := t.Column(col.name)
		if col.quantity == "" || !ok {
			continue
		}
		ch := record.Channel{Quantity: col.quantity, Probe: by[col.quantity]}
		for i, v := range values {
			if v != nil {
				ch.At, ch.V = append(ch.At, t.From/1000+int64(i)*60), append(ch.V, *v)
			}
		}
		if len(ch.At) > 0 {
			out = append(out, ch)
		}
	}
	return out
}

// jobProbes gives the probes as they were while the coats of a job were laid and cured.
func (d *Daemon) jobProbes(facts *jobbook.State, job int64) []record.Probe {
	now := d.now().UnixMilli()
	from, to := now, int64(0)
	for i := range facts.Coats {
		c := &facts.Coats[i]
		if p, ok := facts.Piece(c.Piece); !ok || p.Job != job {
			continue
		}
		from = min(from, c.Started.MS)
		if to = max(to, c.Ended.MS); c.Running() {
			to = now
		}
	}
	return d.recordProbes(facts, from, max(from, to))
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
