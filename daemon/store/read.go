package store

import (
	"context"
	"database/sql"
	"slices"
	"sort"

	"tackline/sensors"
)

// Channel is one quantity of one probe.
type Channel struct {
	Probe       string
	Quantity    sensors.Quantity
	Place       string // of its newest reading
	First, Last int64  // ms UTC of its oldest and newest reading, of any status
}

// Newest has the newest reading of a channel, in order of arrival, and the newest that may be used; nil where there is none. Late readings
// are never the newest. How old they are is the caller's to judge.
type Newest struct{ Any, Usable *Row }

// Channels lists all channels in the order in which they were first seen.
func (s *Store) Channels(context.Context) ([]Channel, error) {
	s.mem.RLock()
	defer s.mem.RUnlock()
	if err := s.checkOpen(); err != nil {
		return nil, err
	}
	out := make([]Channel, 0, len(s.reg.channel))
	for i := range s.reg.channel {
		id := int32(i + 1)
		c := Channel{Probe: s.reg.channel[i].probe, Quantity: s.reg.channel[i].quantity}
		sp, ok := s.extent(id)
		if !ok {
			continue
		}
		c.First, c.Last = sp.first, sp.last
		if n := s.latest[id]; n.hasAny {
			c.Place = s.reg.place[n.any.place-1]
		}
		out = append(out, c)
	}
	return out, nil
}

// extent gives the times of the oldest and newest reading.
func (s *Store) extent(id int32) (span, bool) {
	info := s.reg.channel[id-1]
	sp, ok := span{info.first, info.last}, info.has
	if t := s.tail[id]; len(t) > 0 {
		if !ok {
			sp = span{t[0].at, t[len(t)-1].at}
		}
		sp, ok = span{min(sp.first, t[0].at), max(sp.last, t[len(t)-1].at)}, true
	}
	return sp, ok
}

// Latest gives the newest readings of one channel; both nil for a channel that never had one.
func (s *Store) Latest(_ context.Context, probe string, q sensors.Quantity) (Newest, error) {
	s.mem.RLock()
	defer s.mem.RUnlock()
	if err := s.checkOpen(); err != nil {
		return Newest{}, err
	}
	return s.newestOf(s.reg.channels[channelKey{probe, q}]), nil
}

func (s *Store) newestOf(id int32) Newest {
	n := s.latest[id]
	var out Newest
	if n.hasAny {
		r := s.reg.row(&n.any)
		out.Any = &r
	}
	if n.hasGood {
		r := s.reg.row(&n.good)
		out.Usable = &r
	}
	return out
}

// view is what a reader takes from memory before it asks the file: what is sealed in between is then seen twice, and told apart, rather
// than not at all.
type view struct {
	store   *Store
	db      *sql.DB
	names   *names
	channel int32
	scale   float64
	tail    []sample // the not yet sealed hours that touch the span, whole
	extent  span
	some    bool
	sealed  int64 // time of the newest sealed reading
	rolled  int64 // as Store.rolled
}

// look gives the view of a channel over [from, to); some is false where it has nothing there.
func (s *Store) look(probe string, q sensors.Quantity, from, to int64) (*view, error) {
	s.mem.RLock()
	defer s.mem.RUnlock()
	if err := s.checkOpen(); err != nil {
		return nil, err
	}
	v := &view{store: s, db: s.reader, scale: scaleOf(q), channel: s.reg.channels[channelKey{probe, q}]}
	if v.channel == 0 {
		return v, nil
	}
	v.extent, v.some = s.extent(v.channel)
	v.sealed, v.rolled = s.reg.channel[v.channel-1].last, s.rolled
	v.some = v.some && from < to && from <= v.extent.last && to > v.extent.first
	t := s.tail[v.channel]
	low, high := floorDiv(from, hourMs)*hourMs, (floorDiv(to-1, hourMs)+1)*hourMs
	i := sort.Search(len(t), func(k int) bool { return t[k].at >= low })
	j := sort.Search(len(t), func(k int) bool { return t[k].at >= high })
	if i < j {
		v.tail = slices.Clone(t[i:j])
	}
	v.names = s.reg.copy()
	return v, nil
}

// namesFor gives names that have all that samples read from disk name. Names are in memory before they are on disk, so a newer copy has
// what an older one lacks.
func (s *Store) namesFor(n *names, all []sample) *names {
	for i := range all {
		if !n.known(&all[i]) {
			s.mem.RLock()
			defer s.mem.RUnlock()
			return s.reg.copy()
		}
	}
	return n
}

func (v *view) tailOf(hour int64) []sample {
	i := sort.Search(len(v.tail), func(k int) bool { return v.tail[k].at >= hour*hourMs })
	j := sort.Search(len(v.tail), func(k int) bool { return v.tail[k].at >= (hour+1)*hourMs })
	return v.tail[i:j]
}

// packed calls f with every row of packed data in [from, to), both whole spans of ms, in order. number counts spans from 1970.
func (v *view) packed(ctx context.Context, table string, span, from, to int64, f func(number int64, data []byte) error) error {
	to = min(to, v.sealed/span*span+span)
	if from >= to {
		return nil
	}
	return query(ctx, v.db, packs(table), []any{blockID(from/span, v.channel), blockID(to/span, v.channel)}, func(rows *sql.Rows) error {
		var id int64
		var data sql.RawBytes
		if err := rows.Scan(&id, &data); err != nil {
			return err
		}
		number, _ := blockKey(id)
		return f(number, data)
	})
}

// rawHours gives the samples of all hours in [from, to), sealed and open together, in order of time. A block whose sum does not fit is
// left out and counted: the next merge or check puts it aside.
func (v *view) rawHours(ctx context.Context, from, to int64) (all []sample, damaged int64, err error) {
	next := from
	upTo := func(hour int64) { // open hours without a sealed part
		for ; next < hour; next++ {
			all = append(all, v.tailOf(next)...)
		}
	}
	err = v.packed(ctx, "block", hourMs, from*hourMs, to*hourMs, func(hour int64, data []byte) error {
		upTo(hour)
		old, err := unpackBlock(data, 0)
		if err != nil {
			damaged++
			return nil // upTo takes the open part later
		}
		v.names = v.store.namesFor(v.names, old)
		both, _ := v.names.union(old, v.tailOf(hour))
		all = append(all, both...)
		next = hour + 1
		return nil
	})
	if err == nil {
		upTo(to)
	}
	return all, damaged, err
}

func (s *Store) countDamaged(n int64) {
	if n > 0 {
		s.mem.Lock()
		s.state.DamagedSeen += n
		s.mem.Unlock()
	}
}

// rawPage is how many hours Raw holds at a time.
const rawPage = 12

// Raw calls f with every reading of a channel in [from, to) ms UTC, of any status, in order of time; f's error ends it and is returned. It
// reads a few hours at a time and holds no cursor while f runs, so a slow reader never keeps the WAL from being cut.
func (s *Store) Raw(ctx context.Context, probe string, q sensors.Quantity, from, to int64, f func(Row) error) error {
	whole, err := s.look(probe, q, from, to)
	if err != nil || !whole.some {
		return err
	}
	from, to = max(from, whole.extent.first), min(to, whole.extent.last+1)
	last := floorDiv(to-1, hourMs) + 1
	for hour := floorDiv(from, hourMs); hour < last; hour += rawPage {
		end := min(hour+rawPage, last)
		v, err := s.look(probe, q, hour*hourMs, end*hourMs)
		if err != nil {
			return err
		}
		all, damaged, err := v.rawHours(ctx, hour, end)
		if err != nil {
			return readError(probe, q, err)
		}
		s.countDamaged(damaged)
		for i := range all {
			if all[i].at < from || all[i].at >= to {
				continue
			}
			if err := f(v.names.row(&all[i])); err != nil {
				return err
			}
		}
	}
	return nil
}
