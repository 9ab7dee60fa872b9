package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"maps"
	"slices"
)

// maxTail is how many committed readings may wait for their hour to end; more are sealed at once.
const maxTail = 100_000

// sealHours repacks every hour but the open one: raw readings into blocks, roll-ups beside them. Readings that come for a sealed hour wait
// in the open rows and are merged in at the next sealing. The caller holds writing.
func (s *Store) sealHours(ctx context.Context) error {
	s.mem.RLock()
	hour, committed, names := s.hour, s.committed, s.reg.copy()
	whole := s.inTail-s.state.Pending > maxTail
	groups := map[int64][]sample{}
	sealing := func(x *sample) bool { return x.seq <= committed && (whole || floorDiv(x.at, hourMs) != hour) }
	touched := map[int64]bool{}
	for _, t := range s.tail {
		for i := range t {
			if sealing(&t[i]) {
				id := blockID(floorDiv(t[i].at, hourMs), t[i].channel)
				groups[id] = append(groups[id], t[i])
				touched[t[i].seq] = true
			}
		}
	}
	remain := map[int64][]sample{}
	for _, t := range s.tail {
		for i := range t {
			if !sealing(&t[i]) && touched[t[i].seq] {
				remain[t[i].seq] = append(remain[t[i].seq], t[i])
			}
		}
	}
	s.mem.RUnlock()
	var done merged
	if len(groups) == 0 {
		s.mem.Lock()
		defer s.mem.Unlock()
		s.sealed = hour
		return nil
	}
	err := s.inTx(ctx, func(tx *sql.Tx) (err error) {
		if done, err = merge(ctx, tx, names, groups); err != nil {
			return err
		}
		return rewriteHot(ctx, tx, touched, remain)
	})
	if err != nil {
		return err
	}
	s.mem.Lock()
	defer s.mem.Unlock()
	for c, t := range s.tail {
		kept := slices.DeleteFunc(t, func(x sample) bool { return sealing(&x) })
		s.inTail -= int64(len(t) - len(kept))
		s.tail[c] = slices.Clone(kept) // gives the room of a full hour back
	}
	s.reg.extend(done.spans)
	s.state.Damaged += done.damaged
	s.sealed = hour
	return nil
}

func rewriteHot(ctx context.Context, tx *sql.Tx, touched map[int64]bool, remain map[int64][]sample) error {
	for _, seq := range slices.Sorted(maps.Keys(touched)) {
		if left := remain[seq]; len(left) > 0 {
			sortSamples(left)
			if _, err := tx.ExecContext(ctx, `UPDATE hot SET data = ? WHERE seq = ?`, packHot(left), seq); err != nil {
				return err
			}
		} else if _, err := tx.ExecContext(ctx, `DELETE FROM hot WHERE seq = ?`, seq); err != nil {
			return err
		}
	}
	return nil
}

// merged is what a merge did.
type merged struct {
	added, repeated, damaged int64
	spans                    map[int32]span
}

type span struct{ first, last int64 }

func (m *merged) note(all []sample) {
	c := all[0].channel
	sp, ok := m.spans[c]
	if !ok {
		sp = span{all[0].at, all[len(all)-1].at}
	}
	m.spans[c] = span{min(sp.first, all[0].at), max(sp.last, all[len(all)-1].at)}
}

// merge brings samples, grouped by block and in order of time, into the sealed hours, and computes the roll-ups of every hour touched anew.
func merge(ctx context.Context, tx *sql.Tx, names *names, groups map[int64][]sample) (merged, error) {
	m := merged{spans: map[int32]span{}}
	st, err := prepare(ctx, tx)
	if err != nil {
		return m, err
	}
	defer st.close()
	for _, id := range slices.Sorted(maps.Keys(groups)) {
		fresh := groups[id]
		old, pruned, err := st.read(ctx, id, &m)
		if err != nil {
			return m, err
		}
		m.note(fresh)
		if pruned != nil {
			if err := st.addToPruned(ctx, id, pruned, fresh, &m); err != nil {
				return m, err
			}
			continue
		}
		all, added := names.union(old, fresh)
		m.added += added
		m.repeated += int64(len(fresh)) - added
		if added == 0 {
			continue
		}
		if err := st.writeHour(ctx, names, id, all); err != nil {
			return m, err
		}
	}
	if err := st.roll(ctx); err != nil {
		return m, err
	}
	return m, st.extend(ctx, m.spans)
}

// union merges two runs of samples of one channel, both in order of time, and drops from the second what the first has.
func (n *names) union(old, fresh []sample) (all []sample, added int64) {
	if len(old) == 0 || len(fresh) > 0 && old[len(old)-1].at < fresh[0].at {
		all = append(make([]sample, 0, len(old)+len(fresh)), old...)
		old = nil
	} else {
		all = make([]sample, 0, len(old)+len(fresh))
	}
	for i := range fresh {
		for len(old) > 0 && old[0].at <= fresh[i].at {
			all, old = append(all, old[0]), old[1:]
		}
		repeated := false
		for k := len(all) - 1; k >= 0 && all[k].at == fresh[i].at && !repeated; k-- {
			repeated = n.same(&all[k], &fresh[i])
		}
		if !repeated {
			all = append(all, fresh[i])
			added++
		}
	}
	return append(all, old...), added
}

// statements of one transaction that changes sealed hours. Whoever wrote some ends it with roll.
type statements struct {
	tx                                   *sql.Tx
	readBlock, putBlock, dropBlock, span *sql.Stmt
	readOne, readSome, put, drop         [len(levels)]*sql.Stmt // of the packed roll-ups of each level
	all                                  []*sql.Stmt
	days                                 map[int64]bool // ids of quarter whose minutes were changed
}

func prepare(ctx context.Context, tx *sql.Tx) (*statements, error) {
	st := &statements{tx: tx, days: map[int64]bool{}}
	type text struct {
		to   **sql.Stmt
		text string
	}
	texts := []text{
		{&st.readBlock, `SELECT seq, data FROM block WHERE id = ?`},
		{&st.putBlock, `INSERT OR REPLACE INTO block (id, seq, untrusted, data) VALUES (?, ?, ?, ?)`},
		{&st.dropBlock, `DELETE FROM block WHERE id = ?`},
		{&st.span, `UPDATE channel SET first_at = min(coalesce(first_at, ?1), ?1), last_at = max(coalesce(last_at, ?2), ?2) WHERE id = ?3`},
	}
	for i, l := range levels {
		texts = append(texts,
			text{&st.readOne[i], `SELECT data FROM ` + l.table + ` WHERE id = ?`},
			text{&st.readSome[i], packs(l.table)},
			text{&st.put[i], `INSERT OR REPLACE INTO ` + l.table + ` (id, data) VALUES (?, ?)`},
			text{&st.drop[i], `DELETE FROM ` + l.table + ` WHERE id = ?`})
	}
	for _, p := range texts {
		s, err := tx.PrepareContext(ctx, p.text)
		if err != nil {
			st.close()
			return nil, fmt.Errorf("prepare: %w", err)
		}
		*p.to = s
		st.all = append(st.all, s)
	}
	return st, nil
}

func (st *statements) close() {
	for _, s := range st.all {
		_ = s.Close() // it ends with the transaction anyway
	}
}

// read gives the samples of a sealed hour, or the minutes that are left of one whose raw readings were pruned.
func (st *statements) read(ctx context.Context, id int64, m *merged) (old []sample, pruned []tally, err error) {
	var seq int64
	var data []byte
	err = st.readBlock.QueryRowContext(ctx, id).Scan(&seq, &data)
	if err == nil {
		if old, err = unpackBlock(data, seq); err == nil {
			return old, nil, nil
		}
		m.damaged++
		_, err = st.tx.ExecContext(ctx, `INSERT INTO damaged (id, kind, data) VALUES (?, 'block', ?)`, id, data)
		if err != nil {
			return nil, nil, err
		}
		if _, err := st.dropBlock.ExecContext(ctx, id); err != nil {
			return nil, nil, err
		}
	} else if !errors.Is(err, sql.ErrNoRows) {
		return nil, nil, err
	}
	err = st.readOne[0].QueryRowContext(ctx, id).Scan(&data)
	if errors.Is(err, sql.ErrNoRows) {
		return nil, nil, nil
	}
	if err != nil {
		return nil, nil, err
	}
	pruned, err = unpackTallies(data, kindMinute)
	if err != nil {
		m.damaged++
		_, err = st.tx.ExecContext(ctx, `INSERT INTO damaged (id, kind, data) VALUES (?, 'minute', ?)`, id, data)
		return nil, nil, err
	}
	return nil, pruned, nil
}

// addToPruned fills minutes that had no reading. Where there is one, nobody can tell any more whether this one is in it.
func (st *statements) addToPruned(ctx context.Context, id int64, minutes []tally, fresh []sample, m *merged) error {
	have := map[int64]bool{}
	for _, t := range minutes {
		have[t.start] = true
	}
	var added int64
	for _, t := range tallySamples(fresh, minuteMs) {
		if !have[t.start] {
			minutes = append(minutes, t)
			added += t.n + t.excluded
		}
	}
	m.added += added
	m.repeated += int64(len(fresh)) - added
	if added == 0 {
		return nil
	}
	slices.SortFunc(minutes, func(a, b tally) int { return int(a.start - b.start) })
	return st.writeMinutes(ctx, id, minutes)
}

// writeHour replaces an hour of a channel, readings and minutes; without samples it removes both.
func (st *statements) writeHour(ctx context.Context, names *names, id int64, all []sample) error {
	if len(all) == 0 {
		if _, err := st.dropBlock.ExecContext(ctx, id); err != nil {
			return err
		}
		return st.writeMinutes(ctx, id, nil)
	}
	var seq, untrusted int64
	for i := range all {
		seq = max(seq, all[i].seq)
		if !names.trusted(all[i].stretch) {
			untrusted = 1
		}
	}
	if _, err := st.putBlock.ExecContext(ctx, id, seq, untrusted, packBlock(all)); err != nil {
		return err
	}
	return st.writeMinutes(ctx, id, tallySamples(all, minuteMs))
}

// writeMinutes replaces the minutes of an hour of a channel. What is rolled up of them follows with roll.
func (st *statements) writeMinutes(ctx context.Context, id int64, minutes []tally) error {
	hour, channel := blockKey(id)
	st.days[blockID(floorDiv(hour, dayMs/hourMs), channel)] = true
	return st.write(ctx, 0, id, minutes)
}

func (st *statements) extend(ctx context.Context, spans map[int32]span) error {
	for _, c := range slices.Sorted(maps.Keys(spans)) {
		if _, err := st.span.ExecContext(ctx, spans[c].first, spans[c].last, c); err != nil {
			return err
		}
	}
	return nil
}

func (r *registry) extend(spans map[int32]span) {
	for c, sp := range spans {
		info := &r.channel[c-1]
		if info.has {
			sp = span{min(sp.first, info.first), max(sp.last, info.last)}
		}
		info.first, info.last, info.has = sp.first, sp.last, true
	}
}
