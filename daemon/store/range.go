package store

import (
	"cmp"
	"context"
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
	if i := slices.IndexFunc(levels[:], func(l level) bool { return l.unit == unit }); i >= 0 {
		all, err = s.kept(ctx, v, i, from, to)
	} else {
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
	err = v.packed(ctx, "minute", hourMs, first*hourMs, last*hourMs, func(hour int64, data []byte) error {
		if have[hour] {
			return nil
		}
		minutes, err := unpackTallies(data, kindMinute)
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

// fewKept is how many roll-ups room is made for before they are read: most that a page asks for, though between two readings there may be half a century.
const fewKept = 4096

// kept gives the roll-ups of a level over [from, to), both whole units, in order. What an open hour is in, what is damaged and what is not made yet
// is rolled up from the level below.
func (s *Store) kept(ctx context.Context, v *view, i int, from, to int64) (all []tally, err error) {
	l := levels[i]
	begin := from
	if made := v.made(i); from < made {
		if all, err = s.below(ctx, v, i, from, min(to, made)); err != nil {
			return nil, err
		}
		if from = made; from >= to {
			return within(all, floorDiv(begin, l.unit), floorDiv(to, l.unit)), nil
		}
	}
	all = slices.Grow(all, int(min((to-from)/l.unit, fewKept)))
	width := max(l.unit, hourMs)
	open, openRows := v.openUnits(width), v.openUnits(l.span)
	inOpen := func(t tally) bool { return open[floorDiv(t.start*l.unit, width)] }
	var damaged []int64
	err = v.packed(ctx, l.table, l.span, floorDiv(from, l.span)*l.span, (floorDiv(to-1, l.span)+1)*l.span, func(number int64, data []byte) error {
		have := len(all)
		var err error
		if all, err = appendTallies(all, data, l.kind); err != nil {
			damaged = append(damaged, number)
		} else if openRows[number] {
			all = all[:have+len(slices.DeleteFunc(all[have:], inOpen))]
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	s.countDamaged(int64(len(damaged)))
	for _, number := range damaged {
		if i == 0 {
			break // readings that are still there can be had as such
		}
		some, err := s.below(ctx, v, i, max(from, number*l.span), min(to, (number+1)*l.span))
		if err != nil {
			return nil, err
		}
		all = append(all, slices.DeleteFunc(some, inOpen)...)
	}
	for unit := range open {
		if unit*width < to && (unit+1)*width > from {
			some, err := s.below(ctx, v, i, unit*width, (unit+1)*width)
			if err != nil {
				return nil, err
			}
			all = append(all, some...)
		}
	}
	sortTallies(all)
	return within(all, floorDiv(begin, l.unit), floorDiv(to, l.unit)), nil
}

// below makes the roll-ups of a level over [from, to) of those of the level below. Minutes, of one hour at a time, it makes of readings.
func (s *Store) below(ctx context.Context, v *view, i int, from, to int64) ([]tally, error) {
	if i == 0 {
		return s.openMinutes(ctx, v, from/hourMs)
	}
	fine, err := s.kept(ctx, v, i-1, from, to)
	return tallyTallies(fine, levels[i].unit/levels[i-1].unit), err
}

// made gives the time from which on the rows of a level are made.
func (v *view) made(i int) int64 {
	if i == 0 {
		return 0
	}
	fortnight, channel := blockKey(v.rolled)
	if v.channel < channel {
		fortnight++
	}
	return fortnight * fortnightMs
}

// openUnits gives the stretches of a length, counted from 1970, that have an open hour.
func (v *view) openUnits(length int64) map[int64]bool {
	open := map[int64]bool{}
	for i := range v.tail {
		open[floorDiv(v.tail[i].at, length)] = true
	}
	return open
}

// openMinutes gives the minutes of an hour that is not sealed or has readings waiting to be merged, from raw readings, and from minutes where the
// raw ones of the sealed part were pruned.
func (s *Store) openMinutes(ctx context.Context, v *view, hour int64) ([]tally, error) {
	raw, damaged, err := v.rawHours(ctx, hour, hour+1)
	if err != nil {
		return nil, err
	}
	s.countDamaged(damaged)
	minutes := tallySamples(raw, minuteMs)
	if hour*hourMs > v.sealed {
		return minutes, nil
	}
	sealed, err := v.hasBlock(ctx, hour)
	if err != nil || sealed {
		return minutes, err
	}
	return v.addKept(ctx, hour, minutes) // the minutes may be all that is left of it
}

func (v *view) hasBlock(ctx context.Context, hour int64) (has bool, err error) {
	err = v.db.QueryRowContext(ctx, `SELECT EXISTS (SELECT 1 FROM block WHERE id = ?)`, blockID(hour, v.channel)).Scan(&has)
	return has, err
}

// addKept adds the kept minutes of an hour that raw readings do not cover.
func (v *view) addKept(ctx context.Context, hour int64, minutes []tally) ([]tally, error) {
	have := map[int64]bool{}
	var kept []tally
	err := v.packed(ctx, "minute", hourMs, hour*hourMs, (hour+1)*hourMs, func(_ int64, data []byte) (err error) {
		kept, err = unpackTallies(data, kindMinute)
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

// sortTallies puts roll-ups in order. Nearly always they are already, and a stable sort takes its time to find that out.
func sortTallies(all []tally) {
	byStart := func(a, b tally) int { return cmp.Compare(a.start, b.start) }
	if !slices.IsSortedFunc(all, byStart) {
		slices.SortStableFunc(all, byStart)
	}
}

func within(all []tally, from, to int64) []tally {
	return slices.DeleteFunc(all, func(t tally) bool { return t.start < from || t.start >= to })
}
