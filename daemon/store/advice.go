package store

import (
	"bytes"
	"compress/flate"
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"slices"
)

// wholeEvery is how many advices stand on one that was saved whole. Advice changes little from minute to minute, so most are a few
// hundred bytes of difference.
const wholeEvery = 60

// SavedAdvice is one advice as it was given.
type SavedAdvice struct {
	At   int64 // ms UTC
	JSON []byte
}

type adviceState struct {
	last    *SavedAdvice
	lastSum map[string]string // members of last but "at"
	shape   string            // of the one saved last, see shapeOf
	savedAt int64
	unsaved bool // last is newer than the one saved last
	nextID  int64
	wholeID int64 // 0: the next one is saved whole
	whole   []byte
	since   int64
	pending []pendingAdvice
}

type pendingAdvice struct {
	id, whole int64
	data      []byte
	saved     SavedAdvice
}

func (p *pendingAdvice) insert(ctx context.Context, tx *sql.Tx) error {
	_, err := tx.ExecContext(ctx, `INSERT INTO advice (id, at, whole, data) VALUES (?, ?, ?, ?)`, p.id, p.saved.At, p.whole, p.data)
	return err
}

// SaveAdvice keeps an advice, a JSON object, given at a time in ms UTC. It goes to disk with the next Commit, at once where a word or a null
// of it has changed (a verdict, a state, a rule), else every Options.AdviceEvery and at Close; LastAdvice always has the newest. One that
// differs from the last in nothing but its member "at" is not saved again.
func (s *Store) SaveAdvice(_ context.Context, at int64, advice []byte) error {
	sum, err := members(advice)
	if err != nil {
		return err
	}
	s.mem.Lock()
	defer s.mem.Unlock()
	if err := s.checkOpen(); err != nil {
		return err
	}
	a := &s.advice
	if a.last != nil && maps.Equal(sum, a.lastSum) {
		return nil
	}
	saved := SavedAdvice{At: at, JSON: slices.Clone(advice)}
	shape := shapeOf(advice)
	if age := at - a.savedAt; a.last != nil && shape == a.shape && age >= 0 && age < s.opt.AdviceEvery.Milliseconds() {
		a.last, a.lastSum, a.unsaved = &saved, sum, true
		return nil
	}
	a.shape = shape
	return a.add(saved, sum)
}

// shapeOf is an advice without its numbers: equal shapes say the same in other figures.
func shapeOf(advice []byte) string {
	out := make([]byte, 0, len(advice))
	for _, c := range advice {
		if c >= '0' && c <= '9' || c == '.' || c == '-' || c == '+' {
			c = '#'
		}
		if c != '#' || len(out) == 0 || out[len(out)-1] != '#' {
			out = append(out, c)
		}
	}
	return string(out)
}

// saveLast puts the newest advice among what the coming commit writes.
func (a *adviceState) saveLast() {
	if a.unsaved {
		_ = a.add(*a.last, a.lastSum) // compression into memory does not fail
	}
}

func (a *adviceState) add(saved SavedAdvice, sum map[string]string) error {
	p := pendingAdvice{id: a.nextID, saved: saved}
	var dictionary []byte
	if a.wholeID == 0 || a.since >= wholeEvery {
		a.wholeID, a.whole, a.since = p.id, saved.JSON, 0
	} else {
		dictionary = a.whole
	}
	a.since++
	p.whole = a.wholeID
	var err error
	if p.data, err = deflate(saved.JSON, dictionary); err != nil {
		return err
	}
	a.nextID++
	a.pending = append(slices.Clone(a.pending), p)
	if int64(len(a.pending)) > 2*wholeEvery { // commits fail: advice is derived, the newest is what counts
		a.pending = nil
		a.wholeID = 0
		a.nextID++
	}
	a.last, a.lastSum, a.savedAt, a.unsaved = &saved, sum, saved.At, false
	return nil
}

// forget readies for a fresh file.
func (a *adviceState) forget() {
	last, sum := a.last, a.lastSum
	*a = adviceState{nextID: a.nextID, shape: a.shape}
	if last != nil {
		_ = a.add(*last, sum) // compression into memory does not fail
	}
}

func members(advice []byte) (map[string]string, error) {
	var all map[string]json.RawMessage
	if err := json.Unmarshal(advice, &all); err != nil {
		return nil, fmt.Errorf("store: advice is not a JSON object: %w", err)
	}
	out := make(map[string]string, len(all))
	for k, v := range all {
		if k != "at" {
			out[k] = string(v)
		}
	}
	return out, nil
}

// LastAdvice gives the newest advice, on disk or not; nil where there is none.
func (s *Store) LastAdvice(context.Context) (*SavedAdvice, error) {
	s.mem.RLock()
	defer s.mem.RUnlock()
	return s.advice.last, s.checkOpen()
}

// AdviceAt gives the advice that stood at a time in ms UTC: the newest not after it; nil where there is none.
func (s *Store) AdviceAt(ctx context.Context, at int64) (*SavedAdvice, error) {
	s.mem.RLock()
	err := s.checkOpen()
	pending, db, last := s.advice.pending, s.reader, s.advice.last
	s.mem.RUnlock()
	if err != nil {
		return nil, err
	}
	var best *SavedAdvice
	if last != nil && last.At <= at {
		return last, nil
	}
	for i := range pending {
		if p := &pending[i].saved; p.At <= at && (best == nil || p.At >= best.At) {
			best = p
		}
	}
	stored, err := adviceWhere(ctx, db, `at <= ? ORDER BY at DESC, id DESC LIMIT 1`, at)
	if err != nil {
		return nil, fmt.Errorf("store: read advice: %w", err)
	}
	if len(stored) > 0 && (best == nil || stored[0].At > best.At) {
		best = &stored[0].SavedAdvice
	}
	return best, nil
}

type storedAdvice struct {
	SavedAdvice
	id, whole int64
}

func adviceWhere(ctx context.Context, db *sql.DB, where string, args ...any) ([]storedAdvice, error) {
	var all []storedAdvice
	err := query(ctx, db, `SELECT id, at, whole, data FROM advice WHERE `+where, args, func(rows *sql.Rows) error {
		var a storedAdvice
		if err := rows.Scan(&a.id, &a.At, &a.whole, &a.JSON); err != nil {
			return err
		}
		all = append(all, a)
		return nil
	})
	if err != nil {
		return nil, err
	}
	wholes := map[int64][]byte{}
	for i := range all {
		a := &all[i]
		if a.whole != a.id && wholes[a.whole] == nil {
			var data []byte
			if err := db.QueryRowContext(ctx, `SELECT data FROM advice WHERE id = ?`, a.whole).Scan(&data); err != nil {
				return nil, fmt.Errorf("advice %d stands on %d: %w", a.id, a.whole, err)
			}
			if wholes[a.whole], err = inflate(data, nil); err != nil {
				return nil, err
			}
		}
		if a.JSON, err = inflate(a.JSON, wholes[a.whole]); err != nil {
			return nil, fmt.Errorf("advice %d: %w", a.id, err)
		}
		if a.whole == a.id {
			wholes[a.id] = a.JSON
		}
	}
	return all, nil
}

// DeleteAdvice removes all advice. It is derived: it can be computed again from the facts.
func (s *Store) DeleteAdvice(ctx context.Context) error {
	s.writing.Lock()
	defer s.writing.Unlock()
	s.mem.RLock()
	err := s.checkOpen()
	s.mem.RUnlock()
	if err != nil {
		return err
	}
	if err := s.inTx(ctx, func(tx *sql.Tx) error {
		_, err := tx.ExecContext(ctx, `DELETE FROM advice`)
		return err
	}); err != nil {
		return fmt.Errorf("store: delete advice: %w", err)
	}
	s.mem.Lock()
	defer s.mem.Unlock()
	s.advice = adviceState{nextID: s.advice.nextID}
	return nil
}

func (s *Store) loadAdvice(ctx context.Context) error {
	all, err := adviceWhere(ctx, s.reader, `id = (SELECT max(id) FROM advice)`)
	if err != nil {
		if isDamaged(err) {
			return err
		}
		s.state.DamagedSeen++ // derived: no reason not to start
		all = nil
	}
	var top sql.NullInt64
	if err := s.reader.QueryRowContext(ctx, `SELECT seq FROM sqlite_sequence WHERE name = 'advice'`).Scan(&top); err != nil &&
		!errors.Is(err, sql.ErrNoRows) {
		return fmt.Errorf("store: load advice: %w", err)
	}
	s.advice = adviceState{nextID: top.Int64 + 1}
	if len(all) > 0 {
		s.advice.last, s.advice.savedAt, s.advice.shape = &all[0].SavedAdvice, all[0].At, shapeOf(all[0].JSON)
		s.advice.lastSum, _ = members(all[0].JSON) // was checked when it was saved
	}
	return nil
}

func deflate(b, dictionary []byte) ([]byte, error) {
	var out bytes.Buffer
	w, err := flate.NewWriterDict(&out, flate.DefaultCompression, dictionary)
	if err != nil {
		return nil, fmt.Errorf("store: compress advice: %w", err)
	}
	if _, err := w.Write(b); err != nil {
		return nil, fmt.Errorf("store: compress advice: %w", err)
	}
	if err := w.Close(); err != nil {
		return nil, fmt.Errorf("store: compress advice: %w", err)
	}
	return seal(out.Bytes()), nil
}

const maxAdvice = 8 << 20

func inflate(b, dictionary []byte) ([]byte, error) {
	if len(b) < sumLen {
		return nil, errDamaged
	}
	body := b[:len(b)-sumLen]
	if !bytes.Equal(seal(slices.Clone(body)), b) {
		return nil, errDamaged
	}
	out, err := io.ReadAll(io.LimitReader(flate.NewReaderDict(bytes.NewReader(body), dictionary), maxAdvice))
	if err != nil {
		return nil, fmt.Errorf("%w: %w", errDamaged, err)
	}
	return out, nil
}
