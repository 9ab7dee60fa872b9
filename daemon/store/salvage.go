package store

import (
	"context"
	"database/sql"
	"fmt"
	"maps"
	"slices"

	"tackline/sensors"
)

// Salvaged says what Salvage found.
type Salvaged struct {
	Readings int64 // brought in
	Repeated int64 // were there already
	Hours    int64 // of a channel, of which only the minutes were left
	Lost     int64 // readings whose channel nothing tells any more
}

// salvageChunk is how many readings are held at a time.
const salvageChunk = 20_000

// Salvage brings in what can be read of a file that was set aside, page by page and whatever is broken around it: packed readings and minutes
// carry their own sums, so nothing comes in that was damaged. Recording goes on meanwhile. It may be ended and called again: what is there is
// passed over. Advice is left: it can be made again.
func (s *Store) Salvage(ctx context.Context, aside string) (Salvaged, error) {
	var done Salvaged
	p, err := openPages(aside)
	if err != nil {
		return done, fmt.Errorf("store: salvage %s: %w", aside, err)
	}
	defer p.close()
	w := wreck{weights: map[int64]int64{}}
	if err := p.each(ctx, w.learn); err != nil {
		return done, fmt.Errorf("store: salvage %s: %w", aside, err)
	}
	var rows []Row
	bring := func() error {
		n, err := s.Import(ctx, func(yield func(Row, error) bool) {
			for i := range rows {
				if !yield(rows[i], nil) {
					return
				}
			}
		})
		done.Readings, done.Repeated, rows = done.Readings+n.Added, done.Repeated+n.Repeated, rows[:0]
		return err
	}
	err = p.each(ctx, func(c cell) error {
		all, lost := w.readings(c)
		done.Lost += lost
		if rows = append(rows, all...); len(rows) < salvageChunk {
			return nil
		}
		return bring()
	})
	if err == nil {
		err = bring()
	}
	if err == nil {
		done.Hours, err = s.importMinutes(ctx, p, &w)
	}
	if err != nil {
		return done, fmt.Errorf("store: salvage %s: %w", aside, err)
	}
	return done, nil
}

// wreck is what the pages of a damaged file tell of its names, and how many readings the fullest minutes of an hour hold.
type wreck struct {
	names
	weights map[int64]int64 // by block id of the old file
}

// learn takes what is not a reading: names, and minutes. A page may be an older state of another, which a file leaves in its free room.
func (w *wreck) learn(c cell) error {
	id := c.id
	switch v := c.values; {
	case len(v) == 0 || !v[0].null: // the number of a row of ours stands outside of it; so this is the schema, or nothing of ours
	case len(v) == 5 && v[1].text && c.fits(1<<15):
		w.channel = grown(w.channel, id)
		w.channel[id-1].channelKey = channelKey{string(v[1].bytes), sensors.Quantity(v[2].number)}
	case len(v) == 2 && v[1].text && c.fits(1<<31-1):
		w.place = grown(w.place, id)
		w.place[id-1] = string(v[1].bytes)
	case len(v) == 6 && v[1].text && c.fits(1<<20):
		w.stretch = grown(w.stretch, id)
		if st := &w.stretch[id-1]; st.movedTo == 0 {
			*st = stretchInfo{stretchKey{string(v[1].bytes), Clock(v[2].number)}, v[3].number, v[4].number, int32(v[5].number)}
		}
	case len(v) == 2 && v[1].blob:
		if minutes, err := unpackTallies(v[1].bytes, kindMinute); err == nil {
			w.weights[id] = max(w.weights[id], weight(minutes))
		}
	}
	return nil
}

func grown[T any](list []T, id int64) []T {
	for int64(len(list)) < id {
		list = append(list, *new(T))
	}
	return list
}

func weight(minutes []tally) (n int64) {
	for _, m := range minutes {
		n += m.n + m.excluded
	}
	return n
}

// readings gives those of a cell: a commit, or an hour of a channel. A time that was found later, or whose clock nothing tells, is told as its
// source's own.
func (w *wreck) readings(c cell) (rows []Row, lost int64) {
	v := c.values
	if len(v) != 2 && len(v) != 4 || !v[len(v)-1].blob {
		return nil, 0
	}
	data := v[len(v)-1].bytes
	all, err := unpackHot(data, 0)
	if err != nil {
		if all, err = unpackBlock(data, 0); err != nil {
			return nil, 0
		}
	}
	for i := range all {
		x := &all[i]
		if x.channel <= 0 || int64(x.channel) > int64(len(w.channel)) || w.channel[x.channel-1].probe == "" {
			lost++
			continue
		}
		q := w.channel[x.channel-1].quantity
		r := Row{Probe: w.channel[x.channel-1].probe, Quantity: q, Status: sensors.Status(x.status)}
		if x.place > 0 && int64(x.place) <= int64(len(w.place)) {
			r.Place = w.place[x.place-1]
		}
		if x.stretch > 0 && int64(x.stretch) <= int64(len(w.stretch)) {
			w.followFound(x)
			st := &w.stretch[x.stretch-1]
			if r.Clock = st.clock; r.Clock != ClockRedated && st.boot != "" {
				r.Boot, r.Mono = st.boot, w.mono(x)
			} else {
				r.Clock = ClockSource
			}
		}
		r.At, r.Raw, r.Value = x.at, float64(x.raw)/scaleOf(q), float64(x.val)/scaleOf(q)
		if checkRow(&r) != nil {
			lost++
			continue
		}
		rows = append(rows, r)
	}
	return rows, lost
}

// followFound follows as far as the stretches that were found lead.
func (w *wreck) followFound(x *sample) {
	for range w.stretch {
		to := w.stretch[x.stretch-1].movedTo
		if to <= 0 || int64(to) > int64(len(w.stretch)) {
			return
		}
		x.at += w.stretch[to-1].shift - w.stretch[x.stretch-1].shift
		x.stretch = to
	}
}

// importMinutes brings in the minutes of hours that have neither readings nor minutes yet: those whose raw readings were let go.
func (s *Store) importMinutes(ctx context.Context, p *pages, w *wreck) (hours int64, err error) {
	some := map[int64][]tally{}
	bring := func() error {
		n, err := s.importSomeMinutes(ctx, w, some)
		hours += n
		clear(some)
		return err
	}
	err = p.each(ctx, func(c cell) error {
		if len(c.values) != 2 || !c.values[1].blob {
			return nil
		}
		minutes, err := unpackTallies(c.values[1].bytes, kindMinute)
		if err != nil || len(minutes) == 0 || weight(minutes) < w.weights[c.id] {
			return nil
		}
		if some[c.id] = minutes; len(some) < pruneStep {
			return nil
		}
		return bring()
	})
	return hours, firstOf(err, bring())
}

func (s *Store) importSomeMinutes(ctx context.Context, w *wreck, some map[int64][]tally) (hours int64, err error) {
	s.writing.Lock()
	defer s.writing.Unlock()
	s.mem.Lock()
	if err := s.checkOpen(); err != nil {
		s.mem.Unlock()
		return 0, err
	}
	to := map[int64]int64{}
	for id := range some {
		hour, channel := blockKey(id)
		if channel > 0 && int64(channel) <= int64(len(w.channel)) && w.channel[channel-1].probe != "" && hour >= 0 && hour < maxAt/hourMs {
			k := w.channel[channel-1]
			to[id] = blockID(hour, s.reg.channelOf(k.probe, k.quantity))
		}
	}
	u := s.reg.unsaved()
	s.mem.Unlock()
	m := merged{spans: map[int32]span{}}
	err = s.inTx(ctx, func(tx *sql.Tx) error {
		if err := u.save(ctx, tx); err != nil {
			return err
		}
		st, err := prepare(ctx, tx)
		if err != nil {
			return err
		}
		defer st.close()
		for _, id := range slices.Sorted(maps.Keys(to)) {
			now, minutes := to[id], some[id]
			old, pruned, err := st.read(ctx, now, &m)
			if err != nil {
				return err
			}
			if old != nil || pruned != nil {
				continue
			}
			if err := st.writeMinutes(ctx, now, minutes); err != nil {
				return err
			}
			_, channel := blockKey(now)
			m.note([]sample{{at: minutes[0].start * minuteMs, channel: channel}, {at: minutes[len(minutes)-1].start * minuteMs, channel: channel}})
			hours++
		}
		if err := st.roll(ctx); err != nil {
			return err
		}
		return st.extend(ctx, m.spans)
	})
	if err != nil {
		return 0, err
	}
	s.mem.Lock()
	defer s.mem.Unlock()
	s.reg.saved(u)
	s.reg.extend(m.spans)
	s.state.Damaged += m.damaged
	return hours, s.boundWAL(ctx)
}
