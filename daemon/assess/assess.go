// Package assess is the one translator between what is stored and what the advisor may know: it joins readings and people's facts to an
// advisor.Situation, has it advised on, and says which conditions a phone should hear of. It reads and calls nobody else.
//
// A Situation rests on whole minutes only: the minute that is running is left out, so that the same moment assessed again later, from the
// same readings and facts, gives the same bytes.
package assess

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"sync"
	"time"

	"tackline/advisor"
	"tackline/advisor/cure"
	"tackline/advisor/trace"
	"tackline/advisor/units"
	"tackline/daemon/jobbook"
	"tackline/sensors"
)

const (
	minuteMs = 60_000
	// reach is how much of the log a situation holds: what the forecast learns from, and the days that it falls back by.
	reach = 18 * 86400 * 1000
	// lateness is how far back a minute may still change without a word: readings of a wireless node, of a bus that was slow.
	lateness = 10 * minuteMs
	// uncalibrated is what the standard uncertainty of a probe without a calibration is multiplied by: half as much again. Ours.
	uncalibrated = 1.5
)

// Minute is the mean of a channel's usable readings in one minute.
type Minute struct {
	Start    int64 // Unix ms
	Mean     float64
	Excluded int64 // flagged readings of the same minute
}

// Newest is the newest reading of a channel, usable or not.
type Newest struct {
	At     int64 // Unix ms, 0 where there is none
	Status sensors.Status
}

// Readings is what assess needs of the store.
type Readings interface {
	Minutes(ctx context.Context, probe string, q sensors.Quantity, from, to int64) ([]Minute, error)
	Newest(ctx context.Context, probe string, q sensors.Quantity) (Newest, error)
}

// Facts is what assess needs of the job book.
type Facts interface {
	State(ctx context.Context) (*jobbook.State, error)
	Frozen(ctx context.Context, coat int64) (jobbook.Frozen, error)
}

// Probe is a configured probe as far as assess needs to know it.
type Probe struct {
	Name       string
	Place      sensors.Place
	Piece      string // fixed by the config; "" where the job book has its placements
	Quantities []sensors.Quantity
	U          map[sensors.Quantity]float64 // standard uncertainty when calibrated, unit of the quantity
	Calibrated bool                         // by the config; the job book may know of a later calibration
	StaleAfter time.Duration
}

// Options of New.
type Options struct {
	Readings Readings
	Facts    Facts
	Probes   []Probe // in the order in which they are preferred
	Zone     *time.Location
	Hours    advisor.Hours
	Limits   advisor.Limits
	Next     *cure.System                           // for a piece that has no coat yet; nil where none is configured
	System   func(name string) (cure.System, error) // by the name that a step of a plan gives; nil where none are known
	// HandFresh is how long a reading taken by hand stands in for a probe; 0 is an hour.
	HandFresh time.Duration
}

// Assessor builds situations. It keeps the log that it has read in memory, and reads only what is new. Its methods may be called from many
// goroutines.
type Assessor struct {
	o     Options
	mu    sync.Mutex
	cache map[channel]*memory
	films map[int64]film // by the entry that froze them
}

type channel struct {
	probe string
	q     sensors.Quantity
}

// memory is what has been read of a channel.
type memory struct {
	at, v    []float64 // middle of the minute in Unix seconds, and its mean
	excluded []int64
	upTo     int64 // Unix ms: minutes before are read
}

// New gives an assessor; it reads nothing yet.
func New(o Options) *Assessor {
	return &Assessor{o: o, cache: map[channel]*memory{}, films: map[int64]film{}}
}

// Forget drops what was read, after readings have changed behind the last minutes: an import, a re-dating, a backlog.
func (a *Assessor) Forget() {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.cache = map[channel]*memory{}
}

// Advise gives the advice of a moment (Unix ms), and the situation that it rests on.
func (a *Assessor) Advise(ctx context.Context, now int64, clockSet bool) (advisor.Situation, advisor.Advice, error) {
	s, err := a.Situation(ctx, now, clockSet)
	if err != nil {
		return s, advisor.Advice{}, err
	}
	return s, advisor.Advise(s), nil
}

// Situation joins readings and facts at a moment (Unix ms).
func (a *Assessor) Situation(ctx context.Context, now int64, clockSet bool) (advisor.Situation, error) {
	return a.situation(ctx, now, clockSet, 0)
}

// SituationOfCoat is a Situation that has the piece of a coat in it, though its job is closed since or it was entered later.
func (a *Assessor) SituationOfCoat(ctx context.Context, now int64, clockSet bool, c *jobbook.Coat) (advisor.Situation, error) {
	return a.situation(ctx, now, clockSet, c.Piece)
}

func (a *Assessor) situation(ctx context.Context, now int64, clockSet bool, keep int64) (advisor.Situation, error) {
	facts, err := a.o.Facts.State(ctx)
	if err != nil {
		return advisor.Situation{}, fmt.Errorf("assess: facts: %w", err)
	}
	s := advisor.Situation{At: instant(now), Zone: a.o.Zone, ClockSet: clockSet, Hours: a.o.Hours, Limits: limits(a.o.Limits, facts, now)}
	a.mu.Lock()
	defer a.mu.Unlock()
	for _, c := range []struct {
		to    *advisor.Channel
		place sensors.Place
		q     sensors.Quantity
	}{
		{&s.Climate.AirC, sensors.Air, sensors.Temperature}, {&s.Climate.RHPct, sensors.Air, sensors.Humidity},
		{&s.Climate.PressureHPa, "", sensors.Pressure}, {&s.Climate.OutdoorC, sensors.Outdoors, sensors.Temperature},
		{&s.Climate.OutdoorRH, sensors.Outdoors, sensors.Humidity}, {&s.Climate.ResinC, sensors.Resin, sensors.Temperature},
	} {
		if *c.to, err = a.place(ctx, facts, c.place, c.q, now); err != nil {
			return s, err
		}
	}
	s.Limits.StaleAfter = units.Second(s.Climate.AirC.Trace.MaxGap)
	widen(&s)
	if err := a.pieces(ctx, facts, &s, now, keep); err != nil {
		return s, err
	}
	return s, nil
}

// place gives the first of the probes of a place (any where "") that tells the present, else the first that there is.
func (a *Assessor) place(ctx context.Context, facts *jobbook.State, place sensors.Place, q sensors.Quantity, now int64) (advisor.Channel, error) {
	var first, newest *advisor.Channel
	for _, p := range a.o.Probes {
		if place != "" && p.Place != place || !has(p.Quantities, q) {
			continue
		}
		c, err := a.channel(ctx, facts, p, q, now, 0, now)
		if err != nil {
			return advisor.Channel{}, err
		}
		if c.Problem == "" {
			return c, nil
		}
		if first == nil {
			first = &c
		}
		if newest == nil || c.LastSeen > newest.LastSeen {
			newest = &c
		}
	}
	if first == nil {
		first = &advisor.Channel{Problem: "no probe is configured"}
		newest = first
	}
	if c := a.hand(facts, *newest, place, 0, q, now); c.ByHand {
		return c, nil
	}
	return *first, nil
}

func has(list []sensors.Quantity, q sensors.Quantity) bool {
	for _, x := range list {
		if x == q {
			return true
		}
	}
	return false
}

// channel gives a channel with its log of [from, to) and what can be said of its present.
func (a *Assessor) channel(ctx context.Context, facts *jobbook.State, p Probe, q sensors.Quantity, now, from, to int64) (advisor.Channel, error) {
	m, err := a.read(ctx, channel{p.Name, q}, now)
	if err != nil {
		return advisor.Channel{}, fmt.Errorf("assess: %s of %s: %w", q, p.Name, err)
	}
	c := advisor.Channel{Probe: p.Name, U: p.U[q]}
	switch k := calibrationOf(facts, p.Name, q, now); {
	case k != nil && k.Due != 0 && k.Due < now:
		c.U *= uncalibrated // it has grown too old to count
	case k != nil && k.U > 0:
		c.U = k.U
	case k == nil && !p.Calibrated:
		c.U *= uncalibrated
	}
	full := trace.Trace{At: m.at, V: m.v, MaxGap: p.StaleAfter.Seconds()}
	c.Trace = full.Slice(float64(from)/1000, float64(to)/1000)
	for _, n := range m.excluded {
		c.Excluded += n
	}
	at, _, ok := c.Trace.Last()
	newest, err := a.o.Readings.Newest(ctx, p.Name, q)
	if err != nil {
		return advisor.Channel{}, fmt.Errorf("assess: newest %s of %s: %w", q, p.Name, err)
	}
	if ok {
		c.LastSeen = units.Instant(at + 30) // the minute's end: no reading in it is younger
	}
	c.Problem = problem(c.LastSeen, newest, now, p.StaleAfter)
	return c, nil
}

// problem says why a channel does not tell the present; "" where it does.
func problem(seen units.Instant, newest Newest, now int64, stale time.Duration) string {
	fresh := newest.At > 0 && newest.At <= now && now-newest.At <= stale.Milliseconds()
	switch {
	case !seen.Known() && newest.At == 0:
		return "never seen"
	case fresh && !newest.Status.Usable() && (!seen.Known() || newest.At > int64(seen)*1000):
		return "its newest reading is flagged " + newest.Status.String()
	case !seen.Known():
		return "no reading that may be used"
	case float64(now)/1000-float64(seen) > stale.Seconds():
		return fmt.Sprintf("stale, last seen %s ago", ago(float64(now)/1000-float64(seen)))
	}
	return ""
}

func ago(seconds float64) string {
	switch {
	case seconds < 120:
		return fmt.Sprintf("%.0f s", seconds)
	case seconds < 2*3600:
		return fmt.Sprintf("%.0f min", seconds/60)
	case seconds < 48*3600:
		return fmt.Sprintf("%.0f h", seconds/3600)
	}
	return fmt.Sprintf("%.0f days", seconds/86400)
}

// read brings the memory of a channel up to the last whole minute before now. The newest minutes are read again, since late readings may
// have changed them; what is older than the reach is dropped.
func (a *Assessor) read(ctx context.Context, c channel, now int64) (*memory, error) {
	whole := now / minuteMs * minuteMs
	m := a.cache[c]
	if m == nil || whole < m.upTo {
		m = &memory{upTo: whole - reach}
		a.cache[c] = m
	}
	from := max(m.upTo-lateness, whole-reach)
	minutes, err := a.o.Readings.Minutes(ctx, c.probe, c.q, from, whole)
	if err != nil {
		return nil, err
	}
	keep := len(m.at)
	for keep > 0 && m.at[keep-1] >= float64(from)/1000 {
		keep--
	}
	for _, x := range minutes {
		if x.Start >= whole || math.IsNaN(x.Mean) || math.IsInf(x.Mean, 0) {
			continue
		}
		at := float64(x.Start+minuteMs/2) / 1000
		if keep < len(m.at) && (m.at[keep] != at || m.v[keep] != x.Mean || m.excluded[keep] != x.Excluded) {
			m.cut(keep)
		}
		if keep == len(m.at) {
			m.at, m.v, m.excluded = append(m.at, at), append(m.v, x.Mean), append(m.excluded, x.Excluded)
		}
		keep++
	}
	if keep < len(m.at) {
		m.cut(keep)
	}
	drop := 0
	for drop < len(m.at) && m.at[drop] < float64(whole-reach)/1000 {
		drop++
	}
	m.at, m.v, m.excluded = m.at[drop:], m.v[drop:], m.excluded[drop:]
	m.upTo = whole
	return m, nil
}

// cut forgets all but the first n minutes. What follows is written elsewhere, for situations that were given out still look at what was here.
func (m *memory) cut(n int) {
	m.at, m.v, m.excluded = slices.Clip(m.at[:n]), slices.Clip(m.v[:n]), slices.Clip(m.excluded[:n])
}

// calibrationOf gives the newest calibration of a channel that the job book knows of at a moment; nil for none.
func calibrationOf(facts *jobbook.State, probe string, q sensors.Quantity, now int64) *jobbook.Calibration {
	var newest *jobbook.Calibration
	for i := range facts.Calibrations {
		c := &facts.Calibrations[i]
		if c.Probe == probe && c.Quantity == q.String() && c.When.MS <= now && (newest == nil || c.When.MS >= newest.When.MS) {
			newest = c
		}
	}
	return newest
}

// limits gives the shed's limits with those that the job book has changed since.
func limits(l advisor.Limits, facts *jobbook.State, now int64) advisor.Limits {
	for _, c := range facts.Limits {
		if c.When.MS > now {
			continue
		}
		source := fmt.Sprintf("%s, set by %s", c.Source, c.Who)
		switch c.Name {
		case "margin_k":
			l.MarginK, l.MarginSource = units.Diff(c.Value), source
		case "moisture_good_pct":
			l.MoistureGoodPct, l.MoistureSource = units.Percent(c.Value), source
		case "moisture_stop_pct":
			l.MoistureStopPct, l.MoistureSource = units.Percent(c.Value), source
		case "resin_lowest_c":
			l.ResinLowestC, l.ResinSource = units.Celsius(c.Value), source
		case "gas_growth":
			l.GasGrowth = c.Value
		case "unvented_burner":
			l.UnventedBurner = c.Value != 0
		}
	}
	return l
}

func instant(ms int64) units.Instant { return units.Instant(float64(ms) / 1000) }

// systemOf decodes the system that a coat was made with, as it was in force.
func systemOf(raw json.RawMessage) (cure.System, error) {
	var s cure.System
	if err := json.Unmarshal(raw, &s); err != nil {
		return s, fmt.Errorf("assess: system of a coat: %w", err)
	}
	return s, nil
}
