package store

import (
	"context"
	"database/sql"
	"fmt"
	"iter"
	"slices"
)

// Imported says what Import did.
type Imported struct {
	Read     int64 // rows that the source gave
	Added    int64
	Repeated int64 // were there already
}

const (
	importBatch  = 200_000 // samples held before they are written
	importWrites = 4_096   // hours of a channel in one transaction, so that the WAL stays short
)

// Import brings many readings in at once, past the buffer and straight into sealed hours; they are durable when it returns. Rows may come
// in any order; in order of time is fastest. A row that cannot be kept, or an error of the source, ends it with an error that names the row
// by its number (from 1); what was read before that is kept, and a second Import of the same rows adds only what is missing.
func (s *Store) Import(ctx context.Context, rows iter.Seq2[Row, error]) (Imported, error) {
	var done Imported
	groups := map[int64][]sample{}
	var held, newest int64
	var failed error
	for r, err := range rows {
		done.Read++
		if err == nil {
			err = checkRow(&r)
		}
		if err != nil {
			failed = fmt.Errorf("store: import, row %d: %w", done.Read, err)
			break
		}
		s.mem.Lock()
		x := s.sampleOf(&r)
		if n := s.latest[x.channel]; n.hasAny && x.at >= n.any.at || !n.hasAny {
			s.noteNewest(&x)
		}
		s.mem.Unlock()
		hour := floorDiv(x.at, hourMs)
		newest = max(newest, hour)
		id := blockID(hour, x.channel)
		groups[id] = append(groups[id], x)
		if held++; held >= importBatch {
			n, err := s.importGroups(ctx, groups, newest, &done)
			if err != nil {
				return done, err
			}
			held -= n
		}
	}
	_, err := s.importGroups(ctx, groups, newest+1, &done)
	return done, firstOf(failed, err)
}

// importGroups writes all hours before the given one, which may still grow; all of them where that would be nothing.
func (s *Store) importGroups(ctx context.Context, groups map[int64][]sample, before int64, done *Imported) (written int64, err error) {
	s.writing.Lock()
	defer s.writing.Unlock()
	ids := make([]int64, 0, len(groups))
	for id := range groups {
		if hour, _ := blockKey(id); hour < before {
			ids = append(ids, id)
		}
	}
	if len(ids) == 0 {
		for id := range groups {
			ids = append(ids, id)
		}
	}
	slices.Sort(ids)
	for part := range slices.Chunk(ids, importWrites) {
		batch := map[int64][]sample{}
		for _, id := range part {
			batch[id] = groups[id]
			written += int64(len(groups[id]))
			delete(groups, id)
		}
		if err := s.importBatch(ctx, batch, done); err != nil {
			return written, fmt.Errorf("store: import: %w", err)
		}
	}
	return written, s.boundWAL(ctx)
}

func (s *Store) importBatch(ctx context.Context, batch map[int64][]sample, done *Imported) error {
	s.mem.Lock()
	if err := s.checkOpen(); err != nil {
		s.mem.Unlock()
		return err
	}
	// The open number is taken, and the buffer moves on to the next: a follower must see both.
	seq := s.open
	s.open++
	u := s.reg.unsaved()
	names := u.all
	for id, all := range batch {
		for i := range all {
			all[i].seq = seq
		}
		sortSamples(all)
		all, repeated := names.without(all, s.tail[all[0].channel])
		done.Repeated += repeated
		if len(all) == 0 {
			delete(batch, id)
			continue
		}
		batch[id] = all
	}
	s.mem.Unlock()
	var m merged
	err := s.inTx(ctx, func(tx *sql.Tx) (err error) {
		if err := u.save(ctx, tx); err != nil {
			return err
		}
		m, err = merge(ctx, tx, names, batch)
		return err
	})
	if err != nil {
		return err
	}
	done.Added += m.added
	done.Repeated += m.repeated
	s.mem.Lock()
	defer s.mem.Unlock()
	s.reg.saved(u)
	s.reg.extend(m.spans)
	s.state.Damaged += m.damaged
	return nil
}

// without drops samples that are in other; both in order of time.
func (n *names) without(all, other []sample) (kept []sample, repeated int64) {
	for i := range all {
		for len(other) > 0 && other[0].at < all[i].at {
			other = other[1:]
		}
		same := false
		for k := 0; k < len(other) && other[k].at == all[i].at && !same; k++ {
			same = n.same(&other[k], &all[i])
		}
		if same {
			repeated++
			continue
		}
		kept = append(kept, all[i])
	}
	return kept, repeated
}
