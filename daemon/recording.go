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
	"tackline/daemon/config"
	"tackline/daemon/jobbook"
	"tackline/dashboard"
	"tackline/dashboard/record"
)

// dayBeforeMs is a day in ms. The trace that is frozen begins this long before a coat's first wetting, for limits that speak of the day before.
const dayBeforeMs = 24 * 60 * minuteMs

// Record gives what is kept of a job: ended coats from the job book alone, running ones from the readings. Workshop names a shipped rule set that the
// conditions are held against too; "" is that of the config, "none" is none.
func (d *Daemon) Record(ctx context.Context, job int64, workshop string) (record.Job, error) {
	facts, err := d.book.State(ctx)
	if err != nil {
		return record.Job{}, err
	}
	j, ok := facts.Job(job)
	if !ok {
		return record.Job{}, fmt.Errorf("daemon: job %d: %w", job, dashboard.ErrNotFound)
	}
	r := &recording{d: d, facts: facts, job: job, numbers: map[int64]int{}}
	r.out = record.Job{ID: j.ID, Name: j.Name, Boat: j.Boat, Note: j.Note, Customer: j.Owner, Shed: d.o.Config.Shed.Name, Zone: d.o.Config.Shed.Zone,
		AsOf: d.now().Truncate(time.Minute), Software: "tackline " + d.o.Version, Model: advisor.ModelVersion, Notice: d.o.Notice,
		Limits: shedLimits(r.limits(nil))}
	if !d.clock.Now().State.Trusted() {
		r.out.Remarks = append(r.out.Remarks, "The board's clock is not set: times since its last start may be wrong by any amount.")
	}
	for i, c := range facts.CoatsOf(job) {
		r.numbers[c.ID] = i + 1
	}
	for _, c := range facts.CoatsOf(job) {
		if err := r.coat(ctx, c); err != nil {
			return r.out, err
		}
	}
	r.followed()
	r.pieces()
	for _, step := range []func(context.Context) error{r.alerts, r.written, r.corrections} {
		if err := step(ctx); err != nil {
			return r.out, err
		}
	}
	r.probes()
	r.out.Workshop, err = d.workshop(workshop)
	return r.out, err
}

// workshop gives the rule set for a record.
func (d *Daemon) workshop(name string) (*record.Workshop, error) {
	var w config.Workshop
	var err error
	switch ok := true; name {
	case "none":
		return nil, nil
	case "":
		if w, ok, err = d.o.Config.LoadWorkshop(); err != nil || !ok {
			return nil, err
		}
	default:
		if w, err = config.ShippedWorkshop(name); err != nil {
			return nil, &dashboard.Refusal{Field: "workshop", Sentence: strings.TrimPrefix(err.Error(), "config: ")}
		}
	}
	out := &record.Workshop{Name: w.Name, Source: w.Source, Note: w.Note}
	for _, l := range w.Limits {
		out.Limits = append(out.Limits, record.WorkshopLimit{HoursBefore: l.HoursBefore,
			Limit: record.Limit{Quantity: l.Quantity, Above: l.AtLeast, Value: l.Value, LessU: l.LessU, Source: l.Source}})
	}
	return out, nil
}

// recording gathers a record.
type recording struct {
	d       *Daemon
	facts   *jobbook.State
	job     int64
	numbers map[int64]int // of a coat's id: its number in the record
	out     record.Job
	frozen  []record.Probe // that the frozen coats name
}

// kept is what a coat's figures rest on.
type kept struct {
	frozen bool
	model  string
	advice advisor.CoatAdvice
	trace  jobbook.MinuteTrace
	probes frozenProbes
	limits advisor.Limits
}

// figures gives what is kept of a coat; ok is false where nothing is known yet.
func (r *recording) figures(ctx context.Context, c *jobbook.Coat) (k kept, ok bool, err error) {
	f, err := r.d.book.Frozen(ctx, c.ID)
	switch {
	case err == nil:
		k = kept{frozen: true, model: f.Model}
		for _, part := range []struct {
			raw  json.RawMessage
			into any
		}{{f.Advice, &k.advice}, {f.Probes, &k.probes}, {f.Limits, &k.limits}} {
			if err := json.Unmarshal(part.raw, part.into); err != nil {
				return k, false, fmt.Errorf("daemon: record of coat %d: %w", c.ID, err)
			}
		}
		k.trace, err = jobbook.DecodeMinutes(f.MinuteTrace)
		return k, err == nil, err
	case !errors.Is(err, jobbook.ErrNotFound):
		return k, false, err
	}
	m := r.d.latest.Load()
	if m == nil {
		return k, false, nil
	}
	k = kept{model: m.Advice.Model, limits: m.Situation.Limits}
	for _, a := range m.Advice.Coats {
		if a.Coat == c.ID {
			k.advice = a
		}
	}
	samples, _ := advisor.Conditions(m.Situation, c.ID, instantOf(c.Started.MS-dayBeforeMs), m.Situation.At)
	k.trace, k.probes.By = minuteTrace(c.Started.MS-dayBeforeMs, samples), measuredBy(&m.Situation, c.ID)
	return k, true, nil
}

// limits gives the shed's limits: those that were frozen with a coat, else those in force now.
func (r *recording) limits(k *kept) advisor.Limits {
	if k != nil && k.limits.MarginK != 0 {
		return k.limits
	}
	if m := r.d.latest.Load(); m != nil {
		return m.Situation.Limits
	}
	l := r.d.o.Config.Limits
	return advisor.Limits{MarginK: l.MarginK, MarginSource: l.MarginSource}
}

func shedLimits(l advisor.Limits) []record.Limit {
	return []record.Limit{{Quantity: record.MarginK, Above: true, Value: float64(l.MarginK), LessU: true, Until: "recoat_closes", Source: l.MarginSource}}
}

func (r *recording) coat(ctx context.Context, c jobbook.Coat) error {
	piece, _ := r.facts.Piece(c.Piece)
	out := record.Coat{ID: c.ID, Piece: c.Piece, PieceName: piece.Name, Kind: c.Kind, System: c.SystemName, Who: c.Who, Started: at(c.Started.MS), Ended: at(c.Ended.MS),
		Fabric: c.Fabric, PeelPly: c.PeelPly, Prepared: c.Prepared, AmountG: c.AmountG, AreaM2: c.AreaM2, Model: advisor.ModelVersion, Note: joined(c.Note, c.EndNote)}
	if out.AreaM2 == 0 {
		out.AreaM2 = piece.AreaM2
	}
	for _, t := range r.facts.TouchesOn(c.ID) {
		out.Touches = append(out.Touches, record.Touch{At: at(t.When.MS), State: t.State, Witness: t.Witness, Who: t.Who})
		for _, m := range t.Means {
			out.Remarks = append(out.Remarks, fmt.Sprintf("Touch %q at %s: %s.", t.State, r.clock(at(t.When.MS)), m))
		}
	}
	r.batch(&out, &c)
	r.beneath(&out, &c, &piece)
	k, known, err := r.figures(ctx, &c)
	if err != nil {
		return err
	}
	out.Limits = shedLimits(r.limits(&k))
	if known {
		r.cured(&out, &c, &k)
	}
	r.system(&out, &c, &k)
	r.doubts(&out, &c)
	r.out.Coats = append(r.out.Coats, out)
	return nil
}

// cured fills in what the machine knows of a coat.
func (r *recording) cured(out *record.Coat, c *jobbook.Coat, k *kept) {
	a := &k.advice
	out.Frozen, out.Model = k.frozen, k.model
	out.SurfaceModel, out.State, out.Conversion, out.TgC = a.SurfaceModelled, a.State, a.Conversion, a.TgC
	out.Stalled, out.Blush, out.BlushWhy = a.Stalled, a.Blush, a.BlushWhy
	for _, m := range a.Marks {
		out.Marks = append(out.Marks, record.Mark{Mark: m.Mark, Early: m.When.Early.Time(), Likely: m.When.Likely.Time(), Late: m.When.Late.Time(), Passed: m.Passed})
	}
	for _, m := range a.Means {
		out.Means = append(out.Means, m.Text)
	}
	out.Channels, out.Before = channelsOf(k.trace, k.probes.By, c.Started.MS)
	for _, p := range k.probes.Probes {
		if !slices.ContainsFunc(r.frozen, func(q record.Probe) bool { return q.Name == p.Name }) {
			r.frozen = append(r.frozen, p)
		}
	}
}

// doubts says what a reader must know before trusting a coat's figures.
func (r *recording) doubts(out *record.Coat, c *jobbook.Coat) {
	if c.Started.MS != 0 && !c.Started.Sure() {
		out.Remarks = append(out.Remarks, "The clock was not set when this coat was started: the time of its start may be wrong by any amount.")
	}
	if c.Ended.MS != 0 && !c.Ended.Sure() {
		out.Remarks = append(out.Remarks, "The clock was not set when its end was said.")
	}
	if c.Started.Said != 0 && c.Started.Said != c.Started.MS {
		out.Remarks = append(out.Remarks, fmt.Sprintf("Its start was said as %s by a clock that was wrong, and was moved when the clock was set.", r.clock(at(c.Started.Said))))
	}
	for _, f := range r.facts.Frozen {
		if f.Coat == c.ID && f.Reason != "" {
			out.Remarks = append(out.Remarks, fmt.Sprintf("Corrected on %s: %s What was kept before stays in the journal.", r.clock(at(f.Entered)), f.Reason))
		}
	}
	if !c.Running() && !out.Frozen {
		out.Remarks = append(out.Remarks, "Its trace is not in the job book.")
	}
}

// batch fills in the pot that a coat came from.
func (r *recording) batch(out *record.Coat, c *jobbook.Coat) {
	b, ok := r.facts.Batch(c.Batch)
	if !ok {
		if c.ResinC != nil {
			out.Batches = append(out.Batches, record.Batch{At: at(c.Started.MS), ResinC: c.ResinC})
		}
		return
	}
	one := record.Batch{At: at(b.Mixed.MS), ResinC: b.ResinC, Vessel: b.Vessel, How: b.How}
	if b.MassG > 0 {
		one.AmountG = &b.MassG
	}
	var lots []string
	for _, id := range b.Lots {
		s, ok := r.facts.StockItem(id)
		if !ok {
			continue
		}
		text := s.Name
		if s.Lot != "" {
			text += " (" + s.Lot + ")"
		}
		if s.Expiry != 0 && s.Expiry < b.Mixed.MS {
			text += ", past its shelf life of " + r.day(at(s.Expiry))
			out.Remarks = append(out.Remarks, fmt.Sprintf("%s was past its shelf life, %s, when it was mixed.", s.Name, r.day(at(s.Expiry))))
		}
		lots = append(lots, text)
	}
	one.Lot = strings.Join(lots, "; ")
	for _, m := range b.Moves {
		one.Moves = append(one.Moves, fmt.Sprintf("into a %s at %s", m.Vessel, r.clock(at(m.When.MS))))
	}
	out.Batches = append(out.Batches, one)
}

// beneath says what a coat lies on, and how that had been prepared.
func (r *recording) beneath(out *record.Coat, c *jobbook.Coat, piece *jobbook.Piece) {
	var under *jobbook.Coat
	on := r.facts.CoatsOn(c.Piece)
	for i := range on {
		if on[i].Started.MS < c.Started.MS && on[i].ID != c.ID || on[i].ID == c.Over {
			under = &on[i]
		}
		if on[i].ID == c.Over && c.Over != 0 {
			break
		}
	}
	since := int64(0)
	switch {
	case under != nil:
		out.Over = fmt.Sprintf("coat %d, %s", r.numbers[under.ID], under.Kind)
		since = under.Started.MS
	case piece.Bare:
		out.Over = "bare timber"
	default:
		out.Over = "a surface that is not in the book"
	}
	var did []string
	for _, d := range r.facts.DeedsOn(c.Piece) {
		if d.When.MS > since && d.When.MS <= c.Started.MS {
			did = append(did, fmt.Sprintf("%s %s", d.Work.Past(), r.clock(at(d.When.MS))))
		}
	}
	if c.Prepared != "" {
		did = append([]string{c.Prepared}, did...)
	}
	out.Prepared = strings.Join(did, ", ")
	if under == nil {
		for _, m := range r.facts.Moisture {
			if m.Piece == c.Piece && m.When.MS <= c.Started.MS {
				pct := m.MoisturePct
				out.MoisturePct, out.MoistureFrom = &pct, "meter"
				if m.Instrument != "" {
					out.MoistureFrom = m.Instrument
				}
				out.MoistureFrom += ", " + r.day(at(m.When.MS))
			}
		}
	}
}

func (r *recording) clock(t time.Time) string {
	if t.IsZero() {
		return "an unknown time"
	}
	return t.In(r.d.o.Config.Shed.Zone).Format("Mon 2 Jan 2006 15:04")
}

func (r *recording) day(t time.Time) string { return t.In(r.d.o.Config.Shed.Zone).Format("2 Jan 2006") }

// joined puts texts together, each a sentence.
func joined(texts ...string) string {
	var out []string
	for _, t := range texts {
		if t = strings.TrimSpace(t); t != "" {
			out = append(out, strings.TrimSuffix(t, ".")+".")
		}
	}
	return strings.Join(out, " ")
}
