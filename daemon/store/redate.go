package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
)

// redateStep is how many blocks are dated anew in one transaction.
const redateStep = 48

// Redate moves all readings of a boot that were stamped while its clock was not set by offsetMs: true time less the time they were given.
// Readings of that boot and clock that come later are moved as they come. The time as first written stays known (stretch.shift). It works
// in steps; if it is cut short, the next Open finishes it. Followers get the moved readings as new ones.
//
// It returns how many were moved, 0 where the boot has none. Offset 0 only marks them as trusted.
func (s *Store) Redate(ctx context.Context, boot string, offsetMs int64) (moved int64, err error) {
	return s.date(ctx, boot, offsetMs, false)
}

// RedateAll moves all readings that the board stamped in a boot, those of a clock that seemed set too: the clock was set again, and everything
// keeps its distance from the present. Readings whose time is their source's own stay. Else it is as Redate.
func (s *Store) RedateAll(ctx context.Context, boot string, offsetMs int64) (moved int64, err error) {
	return s.date(ctx, boot, offsetMs, true)
}

func (s *Store) date(ctx context.Context, boot string, offsetMs int64, all bool) (moved int64, err error) {
	s.writing.Lock()
	defer s.writing.Unlock()
	if err := s.commit(ctx, false); err != nil {
		return 0, err
	}
	moved, err = s.beginRedate(ctx, boot, offsetMs, all)
	if err != nil {
		return moved, fmt.Errorf("store: redate boot %s: %w", boot, err)
	}
	more, err := s.redateBlocks(ctx)
	if err != nil {
		return moved + more, fmt.Errorf("store: redate boot %s: %w", boot, err)
	}
	return moved + more, nil
}

// beginRedate makes the new stretches and moves what is not sealed yet, in one transaction.
func (s *Store) beginRedate(ctx context.Context, boot string, offsetMs int64, all bool) (moved int64, err error) {
	s.mem.Lock()
	defer s.mem.Unlock() // the tail must not change between its move on disk and in memory
	type move struct{ from, to int32 }
	var moves []move
	first := int64(-1) // hour of the earliest reading that moves and whose block is not marked
	for i, n := int32(0), int32(len(s.reg.stretch)); i < n; i++ {
		old := s.reg.stretch[i]
		if old.boot != boot || boot == "" || old.movedTo != 0 || old.lead == 0 || !all && old.clock != ClockUnsynced {
			continue
		}
		to := s.reg.addStretch(stretchInfo{stretchKey: stretchKey{boot, ClockRedated}, lead: old.lead, shift: old.shift + offsetMs})
		moves = append(moves, move{i + 1, to})
		if begun := max(0, floorDiv(old.lead+old.shift, hourMs)); all && (first < 0 || begun < first) {
			first = begun
		}
	}
	if len(moves) == 0 {
		return 0, nil
	}
	for _, m := range moves {
		s.reg.stretch[m.from-1].movedTo = m.to
	}
	touched, changed, remain := s.movedTail()
	u := s.reg.unsaved()
	err = s.inTx(ctx, func(tx *sql.Tx) error {
		if err := u.save(ctx, tx); err != nil {
			return err
		}
		if first >= 0 { // so that redateBlocks, or the next Open, finds the blocks
			if _, err := tx.ExecContext(ctx, `UPDATE block SET untrusted = 1 WHERE id >= ?`, blockID(first, 0)); err != nil {
				return err
			}
		}
		for _, m := range moves {
			if _, err := tx.ExecContext(ctx, `UPDATE stretch SET moved_to = ? WHERE id = ?`, m.to, m.from); err != nil {
				return err
			}
		}
		if len(changed) > 0 {
			sortSamples(changed)
			if _, err := tx.ExecContext(ctx, `INSERT INTO hot (seq, data) VALUES (?, ?)`, s.open, packHot(changed)); err != nil {
				return err
			}
		}
		return rewriteHot(ctx, tx, touched, remain)
	})
	if err != nil {
		for _, m := range moves { // the new stretches stay as names nobody uses
			s.reg.stretch[m.from-1].movedTo = 0
		}
		return 0, err
	}
	s.reg.saved(u)
	s.moveInMemory()
	return int64(len(changed)), nil
}

// movedTail splits the open rows that have moving samples: what changes, under the open number, and what remains. The caller holds mem.
func (s *Store) movedTail() (touched map[int64]bool, changed []sample, remain map[int64][]sample) {
	touched, remain = map[int64]bool{}, map[int64][]sample{}
	moving := func(x *sample) bool { return x.seq <= s.committed && s.reg.stretch[x.stretch-1].movedTo != 0 }
	for _, t := range s.tail {
		for i := range t {
			if moving(&t[i]) {
				touched[t[i].seq] = true
				x := t[i]
				s.reg.follow(&x)
				x.seq = s.open
				changed = append(changed, x)
			}
		}
	}
	for _, t := range s.tail {
		for i := range t {
			if touched[t[i].seq] && !moving(&t[i]) {
				remain[t[i].seq] = append(remain[t[i].seq], t[i])
			}
		}
	}
	return touched, changed, remain
}

// moveInMemory does to tail and newest what beginRedate did on disk. Readings not committed yet move too. The caller holds mem.
func (s *Store) moveInMemory() {
	seq := s.open
	for c, t := range s.tail {
		for i := range t {
			if s.reg.stretch[t[i].stretch-1].movedTo == 0 {
				continue
			}
			if t[i].seq <= s.committed {
				t[i].seq = seq
			} else {
				t[i].seq = seq + 1
			}
			s.reg.follow(&t[i])
		}
		sortSamples(t)
		s.tail[c] = t
	}
	for c, n := range s.latest {
		s.reg.follow(&n.any)
		if n.hasGood {
			s.reg.follow(&n.good)
		}
		s.latest[c] = n
		s.hour = max(s.hour, floorDiv(n.any.at, hourMs))
	}
	for _, t := range s.tail { // what is pending keeps a number above the one just written
		for i := range t {
			if t[i].seq > s.committed && t[i].seq != seq {
				t[i].seq = seq + 1
			}
		}
	}
	s.committed, s.open = seq, seq+1
}

// resumeRedate finishes what a power cut left.
func (s *Store) resumeRedate(ctx context.Context) error {
	s.writing.Lock()
	defer s.writing.Unlock()
	if _, err := s.redateBlocks(ctx); err != nil {
		return fmt.Errorf("store: finish dating anew: %w", err)
	}
	return nil
}

// redateBlocks moves the readings of moved stretches out of sealed hours, some blocks at a time. The caller holds writing.
func (s *Store) redateBlocks(ctx context.Context) (moved int64, err error) {
	s.mem.RLock()
	names := s.reg.copy()
	s.mem.RUnlock()
	moves := false
	for i := range names.stretch {
		moves = moves || names.stretch[i].movedTo != 0
	}
	if !moves {
		return 0, nil
	}
	after := int64(-1)
	for {
		var ids []int64
		err := query(ctx, s.writer, `SELECT id FROM block WHERE untrusted = 1 AND id > ? ORDER BY id LIMIT ?`, []any{after, redateStep},
			func(rows *sql.Rows) error {
				var id int64
				err := rows.Scan(&id)
				ids = append(ids, id)
				return err
			})
		if err != nil || len(ids) == 0 {
			return moved, errors.Join(err, s.boundWAL(ctx))
		}
		n, err := s.redateSome(ctx, names, ids)
		if err != nil {
			return moved, err
		}
		moved += n
		after = ids[len(ids)-1]
	}
}

func (s *Store) redateSome(ctx context.Context, names *names, ids []int64) (moved int64, err error) {
	s.mem.Lock()
	seq := s.open
	s.open++
	s.mem.Unlock()
	groups := map[int64][]sample{}
	var m merged
	err = s.inTx(ctx, func(tx *sql.Tx) error {
		st, err := prepare(ctx, tx)
		if err != nil {
			return err
		}
		defer st.close()
		for _, id := range ids {
			old, _, err := st.read(ctx, id, &m)
			if err != nil {
				return err
			}
			var stay []sample
			for i := range old {
				x := old[i]
				if names.stretch[x.stretch-1].movedTo == 0 {
					stay = append(stay, x)
					continue
				}
				names.follow(&x)
				x.seq = seq
				to := blockID(floorDiv(x.at, hourMs), x.channel)
				groups[to] = append(groups[to], x)
				moved++
			}
			if len(stay) == len(old) && !names.allTrusted(stay) {
				continue
			}
			if err := st.writeHour(ctx, names, id, stay); err != nil {
				return err
			}
		}
		if err := st.roll(ctx); err != nil {
			return err
		}
		for _, all := range groups {
			sortSamples(all)
		}
		m2, err := merge(ctx, tx, names, groups)
		m.spans, m.damaged = m2.spans, m.damaged+m2.damaged
		return err
	})
	if err != nil {
		return 0, err
	}
	s.mem.Lock()
	defer s.mem.Unlock()
	s.reg.extend(m.spans)
	s.state.Damaged += m.damaged
	return moved, nil
}

func (n *names) allTrusted(all []sample) bool {
	for i := range all {
		if !n.trusted(all[i].stretch) {
			return false
		}
	}
	return true
}

// Boot gives what the readings of a boot went by that were stamped last: the lead of the wall clock over the time since boot, in ms, and who
// vouched for it. ok is false where no reading of that boot was stamped by the board.
func (s *Store) Boot(boot string) (leadMs int64, clock Clock, ok bool) {
	s.mem.RLock()
	defer s.mem.RUnlock()
	for i := len(s.reg.stretch) - 1; i >= 0 && boot != ""; i-- {
		st := s.reg.stretch[i]
		if st.boot == boot && st.lead != 0 && st.movedTo == 0 {
			return st.lead + st.shift, st.clock, true
		}
	}
	return 0, 0, false
}
