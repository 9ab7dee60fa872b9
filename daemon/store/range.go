package store

import (
	"context"
	"database/sql"
	"fmt"
	"slices"

	"tackline/sensors"
)

// Bucket is what a channel did in [Start, End). Count 0 is a gap: there was no usable reading, and Min, Max and Mean mean nothing.
type Bucket struct {
	Start, End     int64 // ms UTC
	Count          int64 // usable readings
	Min, Max, Mean float64
	Excluded       int64 // readings that may not be used
}

// Range gives a channel in [from, to) ms UTC as at most maxPoints buckets of one length without holes between them, the first and the last
// rounded out to whole buckets. Lengths are multiples of the finest kept unit that suffices (raw, 1 min, 15 min, 4 h, counted from 1970
// UTC), each bucket merged with the weight of its readings. It is empty where from is not before to, or maxPoints below 1.
func (s *Store) Range(ctx context.Context, probe string, q sensors.Quantity, from, to, maxPoints int64) ([]Bucket, error) {
	if from >= to || maxPoints < 1 {
		return nil, nil
	}
	unit, width := resolution(from, to, maxPoints)
	start, end := floorDiv(from, width), floorDiv(to-1, width)+1
	out := make([]Bucket, end-start)
	for i := range out {
		out[i].Start, out[i].End = (start+int64(i))*width, (start+int64(i)+1)*width
	}
	all, scale, err := s.tallies(ctx, probe, q, unit, start*width, end*width)
	if err != nil || len(all) == 0 {
		return out, err
	}
	for _, t := range tallyTallies(all, width/unit) {
		if i := t.start - start; i >= 0 && i < int64(len(out)) {
			fill(&out[i], t, scale)
		}
	}
	return out, nil
}

func fill(b *Bucket, t tally, scale float64) {
	b.Count, b.Excluded = t.n, t.excluded
	if t.n > 0 {
		b.Min, b.Max = float64(t.low)/scale, float64(t.high)/scale
		b.Mean = float64(t.sum) / float64(t.n) / scale
	}
}

// resolution gives the kept unit and the length of a bucket, both in ms.
func resolution(from, to, maxPoints int64) (unit, width int64) {
	need := (to - from + maxPoints - 1) / maxPoints
	for _, u := range []int64{watchMs, quarterMs, minuteMs, 1} {
		if need < u {
			continue
		}
		unit = u
		break
	}
	unit = max(unit, 1)
	step := unit
	if unit == 1 && need > 1000 {
		step = 1000
	}
	width = (need + step - 1) / step * step
	for floorDiv(to-1, width)-floorDiv(from, width)+1 > maxPoints {
		width += step
	}
	return unit, width
}

// Minutes gives the minutes of a channel in [from, to) ms UTC that have a usable reading, in order.
func (s *Store) Minutes(ctx context.Context, probe string, q sensors.Quantity, from, to int64) ([]Bucket, error) {
	all, scale, err := s.tallies(ctx, probe, q, minuteMs, floorDiv(from, minuteMs)*minuteMs, (floorDiv(to-1, minuteMs)+1)*minuteMs)
	if err != nil {
		return nil, err
	}
	out := make([]Bucket, 0, len(all))
	for _, t := range all {
		if t.n > 0 {
			b := Bucket{Start: t.start * minuteMs, End: (t.start + 1) * minuteMs}
			fill(&b, t, scale)
			out = append(out, b)
		}
	}
	return out, nil
}

func readError(probe string, q sensors.Quantity, err error) error {
	return fmt.Errorf("store: read %s of %s: %w", q, probe, err)
}

// tallies gives roll-ups of one unit over [from, to), both whole units, in order. Hours that are not sealed, or have readings waiting to be
// merged, are rolled up from raw readings; all others come as they are kept.
func (s *Store) tallies(ctx context.Context, probe string, q sensors.Quantity, unit, from, to int64) ([]tally, float64, error) {
	scale := scaleOf(q)
	low, high := floorDiv(from, watchMs)*watchMs, (floorDiv(to-1, watchMs)+1)*watchMs // so that a watch has all of its open hours
	v, err := s.look(probe, q, low, high)
	if err != nil || !v.some {
		return nil, scale, err
	}
	from, to = max(from, floorDiv(v.extent.first, unit)*unit), min(to, (floorDiv(v.extent.last, unit)+1)*unit)
	if from >= to {
		return nil, scale, nil
	}
	var all []tally
	switch unit {
	case watchMs:
		all, err = s.watches(ctx, v, from, to)
	case quarterMs:
		all, err = s.quarters(ctx, v, from, to)
	case minuteMs:
		all, err = s.minutes(ctx, v, from, to)
	default:
		all, err = s.moments(ctx, v, from, to)
	}
	if err != nil {
		return nil, scale, readError(probe, q, err)
	}
	return all, scale, nil
}

// moments gives raw readings as roll-ups of 1 ms, and minutes for hours whose raw readings were pruned.
func (s *Store) moments(ctx context.Context, v *view, from, to int64) ([]tally, error) {
	first, last := floorDiv(from, hourMs), floorDiv(to-1, hourMs)+1
	raw, damaged, err := v.rawHours(ctx, first, last)
	if err != nil {
		return nil, err
	}
	s.countDamaged(damaged)
	all := tallySamples(raw, 1)
	have := map[int64]bool{}
	for i := range raw {
		have[floorDiv(raw[i].at, hourMs)] = true
	}
	err = v.packed(ctx, "minute", first, last, func(hour int64, data []byte) error {
		if have[hour] {
			return nil
		}
		minutes, err := unpackMinutes(data)
		if err != nil {
			s.countDamaged(1)
			return nil
		}
		for _, m := range minutes {
			m.start *= minuteMs
			all = append(all, m)
		}
		return nil
	})
	sortTallies(all)
	return within(all, from, to), err
}

func (s *Store) minutes(ctx context.Context, v *view, from, to int64) ([]tally, error) {
	first, last := floorDiv(from, hourMs), floorDiv(to-1, hourMs)+1
	open := v.openHours()
	var all []tally
	err := v.packed(ctx, "minute", first, last, func(hour int64, data []byte) error {
		if open[hour] {
			return nil
		}
		minutes, err := unpackMinutes(data)
		if err != nil {
			s.countDamaged(1)
			return nil
		}
		all = append(all, minutes...)
		return nil
	})
	if err != nil {
		return nil, err
	}
	more, err := s.openTallies(ctx, v, open, first, last, minuteMs)
	all = append(all, more...)
	sortTallies(all)
	return within(all, floorDiv(from, minuteMs), floorDiv(to, minuteMs)), err
}

// openTallies rolls up the open hours in [first, last) from raw readings, and from minutes where the raw ones of the sealed part were pruned.
func (s *Store) openTallies(ctx context.Context, v *view, open map[int64]bool, first, last, unit int64) ([]tally, error) {
	var all []tally
	for hour := range open {
		if hour < first || hour >= last {
			continue
		}
		raw, damaged, err := v.rawHours(ctx, hour, hour+1)
		if err != nil {
			return nil, err
		}
		s.countDamaged(damaged)
		minutes := tallySamples(raw, minuteMs)
		sealed, err := v.hasBlock(ctx, hour)
		if err != nil {
			return nil, err
		}
		if !sealed { // the minutes may be all that is left of it
			if minutes, err = v.addKept(ctx, hour, minutes); err != nil {
				return nil, err
			}
		}
		all = append(all, tallyTallies(minutes, unit/minuteMs)...)
	}
	sortTallies(all)
	return all, nil
}

func (v *view) hasBlock(ctx context.Context, hour int64) (has bool, err error) {
	err = v.db.QueryRowContext(ctx, `SELECT EXISTS (SELECT 1 FROM block WHERE id = ?)`, blockID(hour, v.channel)).Scan(&has)
	return has, err
}

// addKept adds the kept minutes of an hour that raw readings do not cover.
func (v *view) addKept(ctx context.Context, hour int64, minutes []tally) ([]tally, error) {
	have := map[int64]bool{}
	var kept []tally
	err := v.packed(ctx, "minute", hour, hour+1, func(_ int64, data []byte) (err error) {
		kept, err = unpackMinutes(data)
		return err
	})
	if err != nil {
		return nil, err
	}
	for _, t := range kept {
		have[t.start] = true
	}
	for _, t := range minutes {
		if !have[t.start] {
			kept = append(kept, t)
		}
	}
	sortTallies(kept)
	return kept, nil
}

func (s *Store) quarters(ctx context.Context, v *view, from, to int64) ([]tally, error) {
	open := v.openHours()
	all, err := v.rows(ctx, "quarter", floorDiv(from, quarterMs), floorDiv(to, quarterMs))
	if err != nil {
		return nil, err
	}
	all = slices.DeleteFunc(all, func(t tally) bool { return open[floorDiv(t.start, hourMs/quarterMs)] })
	more, err := s.openTallies(ctx, v, open, floorDiv(from, hourMs), floorDiv(to-1, hourMs)+1, quarterMs)
	all = append(all, more...)
	sortTallies(all)
	return within(all, floorDiv(from, quarterMs), floorDiv(to, quarterMs)), err
}

func (s *Store) watches(ctx context.Context, v *view, from, to int64) ([]tally, error) {
	all, err := v.rows(ctx, "watch", floorDiv(from, watchMs), floorDiv(to, watchMs))
	if err != nil {
		return nil, err
	}
	open := map[int64]bool{}
	for hour := range v.openHours() {
		open[floorDiv(hour, watchMs/hourMs)] = true
	}
	all = slices.DeleteFunc(all, func(t tally) bool { return open[t.start] })
	for watch := range open {
		quarters, err := s.quarters(ctx, v, watch*watchMs, (watch+1)*watchMs)
		if err != nil {
			return nil, err
		}
		all = append(all, tallyTallies(quarters, watchMs/quarterMs)...)
	}
	sortTallies(all)
	return within(all, floorDiv(from, watchMs), floorDiv(to, watchMs)), nil
}

func (v *view) rows(ctx context.Context, table string, from, to int64) ([]tally, error) {
	var all []tally
	text := `SELECT start, n, low, high, total, excluded FROM ` + table + ` WHERE start >= ? AND start < ? AND channel = ? ORDER BY start`
	err := query(ctx, v.db, text, []any{from, to, v.channel}, func(rows *sql.Rows) error {
		var t tally
		if err := rows.Scan(&t.start, &t.n, &t.low, &t.high, &t.sum, &t.excluded); err != nil {
			return err
		}
		all = append(all, t)
		return nil
	})
	return all, err
}

func sortTallies(all []tally) {
	slices.SortStableFunc(all, func(a, b tally) int {
		switch {
		case a.start < b.start:
			return -1
		case a.start > b.start:
			return 1
		}
		return 0
	})
}

func within(all []tally, from, to int64) []tally {
	return slices.DeleteFunc(all, func(t tally) bool { return t.start < from || t.start >= to })
}
