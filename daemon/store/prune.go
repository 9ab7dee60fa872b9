package store

import (
	"context"
	"database/sql"
	"fmt"
	"math"
)

// Span is a stretch of time [From, To) in ms UTC.
type Span struct{ From, To int64 }

// Keep says what Prune leaves. Roll-ups of 1 min, 15 min and 4 h always stay.
type Keep struct {
	RawFrom    int64  // raw readings of hours that end at or before this time, ms UTC, go; 0 keeps all
	AdviceFrom int64  // advice before this time goes; 0 keeps all
	Pinned     []Span // raw readings in hours that touch one of these stay: the time of a job
	Unfollowed bool   // let go even of readings that a follower has not had
	Room       int64  // raw readings go, oldest first, only until so many bytes within the file are free; 0 goes on to RawFrom
	Steps      int64  // transactions at most that remove raw readings; 0 sets no bound
}

// Pruned says what Prune removed.
type Pruned struct {
	Blocks  int64 // hours of a channel
	Advice  int64
	Waiting int64 // hours of a channel that stayed for a follower
	More    bool  // Steps ended it: there is more to remove
}

// pruneStep is how many rows go in one transaction: a few ms on a fast disk, far below 200 ms on a slow card.
const pruneStep = 64

// Prune removes old raw readings and advice in small transactions, so that recording never waits for it. The room is used again by what
// comes; the file does not shrink. It can be ended by ctx and called again.
func (s *Store) Prune(ctx context.Context, keep Keep) (Pruned, error) {
	var done Pruned
	followed := int64(math.MaxInt64)
	s.mem.RLock()
	if !keep.Unfollowed {
		for _, f := range s.followers {
			followed = min(followed, f.at.Seq)
		}
	}
	s.mem.RUnlock()
	after, steps := int64(math.MinInt64), int64(0)
	for more := true; more && keep.RawFrom > 0; {
		if enough, err := s.hasRoom(ctx, keep.Room); err != nil || enough {
			if err != nil {
				return done, fmt.Errorf("store: prune: %w", err)
			}
			break
		}
		if keep.Steps > 0 && steps >= keep.Steps {
			done.More = true
			break
		}
		var err error
		before := done.Blocks
		if after, more, err = s.pruneBlocks(ctx, keep, followed, after, &done); err != nil {
			return done, fmt.Errorf("store: prune: %w", err)
		}
		if done.Blocks > before {
			steps++
		}
	}
	if keep.AdviceFrom > 0 {
		if err := s.pruneAdvice(ctx, keep.AdviceFrom, &done); err != nil {
			return done, fmt.Errorf("store: prune advice: %w", err)
		}
	}
	return done, nil
}

func (s *Store) pruneBlocks(ctx context.Context, keep Keep, followed, after int64, done *Pruned) (next int64, more bool, err error) {
	s.writing.Lock()
	defer s.writing.Unlock()
	s.mem.RLock()
	err = s.checkOpen()
	s.mem.RUnlock()
	if err != nil {
		return after, false, err
	}
	next = after
	var gone int64
	err = s.inTx(ctx, func(tx *sql.Tx) error {
		rows, err := tx.QueryContext(ctx, `SELECT id, seq FROM block WHERE id > ? AND id < ? ORDER BY id LIMIT ?`,
			after, blockID(floorDiv(keep.RawFrom, hourMs), 0), 4*pruneStep)
		if err != nil {
			return err
		}
		defer rows.Close()
		var ids []int64
		for rows.Next() && int64(len(ids)) < pruneStep {
			var id, seq int64
			if err := rows.Scan(&id, &seq); err != nil {
				return err
			}
			next, more = id, true
			hour, _ := blockKey(id)
			switch {
			case pinned(keep.Pinned, hour):
			case seq > followed:
				done.Waiting++
			default:
				ids = append(ids, id)
			}
		}
		if err := firstOf(rows.Err(), rows.Close()); err != nil {
			return err
		}
		gone = int64(len(ids))
		for _, id := range ids {
			if _, err := tx.ExecContext(ctx, `DELETE FROM block WHERE id = ?`, id); err != nil {
				return err
			}
		}
		return nil
	})
	if err == nil {
		done.Blocks += gone
		s.mem.Lock()
		s.state.Pruned += gone
		s.mem.Unlock()
	}
	return next, more, err
}

// hasRoom tells whether so many bytes within the file are free. Rows that come use them before the file grows.
func (s *Store) hasRoom(ctx context.Context, want int64) (bool, error) {
	if want <= 0 {
		return false, nil
	}
	room, err := s.Room(ctx)
	return room >= want, err
}

// Room gives the bytes within the file that are free: what was pruned, and not yet used again.
func (s *Store) Room(ctx context.Context) (int64, error) {
	s.mem.RLock()
	err, db := s.checkOpen(), s.reader
	s.mem.RUnlock()
	if err != nil {
		return 0, err
	}
	var pages int64
	if err := db.QueryRowContext(ctx, `PRAGMA freelist_count`).Scan(&pages); err != nil {
		return 0, fmt.Errorf("store: free pages: %w", err)
	}
	return pages * pageSize, nil
}

func pinned(pins []Span, hour int64) bool {
	for _, p := range pins {
		if p.From < (hour+1)*hourMs && p.To > hour*hourMs {
			return true
		}
	}
	return false
}

// pruneAdvice goes up to the whole advice on which the first kept one stands.
func (s *Store) pruneAdvice(ctx context.Context, from int64, done *Pruned) error {
	for {
		n, err := s.pruneSomeAdvice(ctx, from)
		done.Advice += n
		if err != nil || n < pruneStep {
			return err
		}
	}
}

func (s *Store) pruneSomeAdvice(ctx context.Context, from int64) (n int64, err error) {
	s.writing.Lock()
	defer s.writing.Unlock()
	s.mem.RLock()
	whole := s.advice.wholeID
	err = s.checkOpen()
	s.mem.RUnlock()
	if err != nil {
		return 0, err
	}
	if whole == 0 {
		whole = math.MaxInt64
	}
	err = s.inTx(ctx, func(tx *sql.Tx) error {
		r, err := tx.ExecContext(ctx, `DELETE FROM advice WHERE id IN (SELECT id FROM advice WHERE id < ?1 AND
			id < coalesce((SELECT min(whole) FROM advice WHERE at >= ?2), ?1) ORDER BY id LIMIT ?3)`, whole, from, pruneStep)
		if err != nil {
			return err
		}
		n, err = r.RowsAffected()
		return err
	})
	return n, err
}
