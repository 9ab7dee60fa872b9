package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"math"
)

// Cursor is a place in the order in which readings and advice reached the disk. The zero Cursor asks to go on where the follower was.
type Cursor struct {
	Seq    int64 // commit
	Block  int64 // within the commit: sealed hours first, by their id, then the open rows
	Advice int64 // id of the last advice
}

func (c Cursor) String() string { return fmt.Sprintf("%d.%d.%d", c.Seq, c.Block, c.Advice) }

// ParseCursor is the inverse of String.
func ParseCursor(text string) (Cursor, error) {
	var c Cursor
	if _, err := fmt.Sscanf(text, "%d.%d.%d", &c.Seq, &c.Block, &c.Advice); err != nil {
		return Cursor{}, fmt.Errorf("store: cursor %q: want three numbers between dots", text)
	}
	return c, nil
}

type follower struct {
	at      Cursor
	dirty   bool
	commits int64 // since it was last written
}

// cursorEvery is how many commits a follower's place waits to be written: a place that is a little old costs a repeat, and a repeat changes
// nothing; every write costs a page.
const cursorEvery = 10

// Page is what Follow gives.
type Page struct {
	Rows   []Row
	Advice []SavedAdvice
	Next   Cursor // to be passed as done once all of this is delivered
	Behind int64  // commits after Next; at least 1 where the page is full
}

// Follow gives the next committed readings and advice after done, at least one packed piece of them (so it may pass limit by an hour of one
// channel), none where it has caught up. done says that everything before it was delivered; it is remembered under the follower's name,
// written with a later commit. The zero done goes on from what was remembered.
//
// After an outage readings may be given again, never left out: a sealed hour is given whole. Readings under a clock that was not set are
// passed over; once dated anew they come as new ones.
func (s *Store) Follow(ctx context.Context, name string, done Cursor, limit int64) (Page, error) {
	s.mem.Lock()
	if err := s.checkOpen(); err != nil {
		s.mem.Unlock()
		return Page{}, err
	}
	f, known := s.followers[name]
	if done != (Cursor{}) && done != f.at || !known {
		f.at, f.dirty = done, true
		s.followers[name] = f
	}
	p := Page{Next: f.at}
	db, names, committed := s.reader, s.reg.copy(), s.committed
	s.mem.Unlock()
	for int64(len(p.Rows)) < limit {
		more, err := p.step(ctx, s, db, &names)
		if err != nil {
			return Page{}, fmt.Errorf("store: follow: %w", err)
		}
		if !more {
			break
		}
	}
	if err := p.stepAdvice(ctx, db, limit); err != nil {
		return Page{}, fmt.Errorf("store: follow: %w", err)
	}
	p.Behind = max(0, committed-p.Next.Seq)
	if p.Behind == 0 && int64(len(p.Rows)) >= limit { // a commit of many readings, such as an import, comes in more than one page
		p.Behind = 1
	}
	return p, nil
}

const afterBlocks = math.MaxInt64 // Cursor.Block of an open row

const nextPiece = `SELECT seq, id, data FROM (SELECT seq, id, data FROM block WHERE (seq, id) > (?1, ?2) ORDER BY seq, id LIMIT 1)
	UNION ALL SELECT seq, ?3, data FROM (SELECT seq, data FROM hot WHERE seq >= ?1 AND (seq > ?1 OR ?2 < ?3) ORDER BY seq LIMIT 1)
	ORDER BY 1, 2 LIMIT 1`

// step adds the next block or open row. Blocks of a commit come before the open row that is left of it.
func (p *Page) step(ctx context.Context, s *Store, db *sql.DB, n **names) (bool, error) {
	var seq, id int64
	var data []byte
	err := db.QueryRowContext(ctx, nextPiece, p.Next.Seq, p.Next.Block, int64(afterBlocks)).Scan(&seq, &id, &data)
	if errors.Is(err, sql.ErrNoRows) {
		return false, nil
	}
	if err != nil {
		return false, err
	}
	kind := byte(kindBlock)
	if id == afterBlocks {
		kind = kindHot
	}
	p.Next.Seq, p.Next.Block = seq, id
	all, err := unpackSamples(data, kind, seq)
	if err != nil {
		return true, nil // counted by whoever merges or checks that hour; nothing is gained by stopping here
	}
	*n = s.namesFor(*n, all)
	names := *n
	for i := range all {
		if names.known(&all[i]) && names.trusted(all[i].stretch) {
			p.Rows = append(p.Rows, names.row(&all[i]))
		}
	}
	return true, nil
}

func (p *Page) stepAdvice(ctx context.Context, db *sql.DB, limit int64) error {
	all, err := adviceWhere(ctx, db, `id > ? ORDER BY id LIMIT ?`, p.Next.Advice, min(max(limit, 1), 200))
	if err != nil {
		return err
	}
	for _, a := range all {
		p.Advice = append(p.Advice, a.SavedAdvice)
		p.Next.Advice = a.id
	}
	return nil
}

// DropFollower forgets a follower, so that pruning no longer waits for it.
func (s *Store) DropFollower(ctx context.Context, name string) error {
	s.writing.Lock()
	defer s.writing.Unlock()
	s.mem.Lock()
	err := s.checkOpen()
	delete(s.followers, name)
	s.mem.Unlock()
	if err != nil {
		return err
	}
	if err := s.inTx(ctx, func(tx *sql.Tx) error {
		_, err := tx.ExecContext(ctx, `DELETE FROM follower WHERE name = ?`, name)
		return err
	}); err != nil {
		return fmt.Errorf("store: drop follower: %w", err)
	}
	return nil
}

// dueCursors gives the places to be written with the coming commit.
func (s *Store) dueCursors(closing bool) map[string]Cursor {
	due := map[string]Cursor{}
	for name, f := range s.followers {
		if f.commits++; f.dirty && (closing || f.commits >= cursorEvery) {
			due[name] = f.at
		}
		s.followers[name] = f
	}
	return due
}

func (s *Store) wroteCursors(due map[string]Cursor) {
	for name, at := range due {
		if f, ok := s.followers[name]; ok {
			f.commits, f.dirty = 0, f.at != at
			s.followers[name] = f
		}
	}
}

func saveCursor(ctx context.Context, tx *sql.Tx, name string, c Cursor) error {
	_, err := tx.ExecContext(ctx, `INSERT OR REPLACE INTO follower (name, cursor) VALUES (?, ?)`, name, c.String())
	return err
}

func (s *Store) loadFollowers(ctx context.Context) error {
	return query(ctx, s.reader, `SELECT name, cursor FROM follower`, nil, func(rows *sql.Rows) error {
		var name, text string
		if err := rows.Scan(&name, &text); err != nil {
			return err
		}
		c, err := ParseCursor(text)
		if err != nil {
			return nil // start again from the beginning: a repeat changes nothing
		}
		s.followers[name] = follower{at: c}
		return nil
	})
}
