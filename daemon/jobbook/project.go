package jobbook

import (
	"bytes"
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"sort"
)

// projectionVersion rises whenever a payload's apply changes: Open then works the entities out afresh.
const projectionVersion = 3

// tableLedger reads entities from the tables.
func tableLedger(ctx context.Context, tx *sql.Tx, seq int64) *ledger {
	return &ledger{
		load: func(r ref) ([]byte, error) {
			var body []byte
			err := tx.QueryRowContext(ctx, "SELECT body FROM entity WHERE class = ? AND id = ?", r.class, r.id).Scan(&body)
			if errors.Is(err, sql.ErrNoRows) {
				return nil, nil
			}
			if err != nil {
				return nil, fmt.Errorf("jobbook: read %s %d: %w", r.class, r.id, err)
			}
			return body, nil
		},
		scan: func() (map[ref][]byte, error) { return loadEntities(ctx, tx, "1") },
		past: func(s int64) ([]effect, error) { return loadEffects(ctx, tx, "seq = ?", s) },
		mark: func(s, by int64) error {
			if _, err := tx.ExecContext(ctx, "UPDATE effect SET undone = ? WHERE seq = ?", by, s); err != nil {
				return fmt.Errorf("jobbook: mark row %d as undone: %w", s, err)
			}
			return nil
		},
		put: map[ref][]byte{}, was: map[ref][]byte{}, seq: seq,
	}
}

func loadEntities(ctx context.Context, q querier, where string, args ...any) (map[ref][]byte, error) {
	rows, err := q.QueryContext(ctx, "SELECT class, id, body FROM entity WHERE "+where, args...)
	if err != nil {
		return nil, fmt.Errorf("jobbook: read the entities: %w", err)
	}
	defer rows.Close()
	m := map[ref][]byte{}
	for rows.Next() {
		var r ref
		var body []byte
		if err := rows.Scan(&r.class, &r.id, &body); err != nil {
			return nil, fmt.Errorf("jobbook: read the entities: %w", err)
		}
		m[r] = body
	}
	if err := rows.Err(); err != nil {
		return nil, fmt.Errorf("jobbook: read the entities: %w", err)
	}
	return m, nil
}

func loadEffects(ctx context.Context, q querier, where string, args ...any) ([]effect, error) {
	rows, err := q.QueryContext(ctx, "SELECT seq, class, id, rev, made, changes, undone, undoes FROM effect WHERE "+where+" ORDER BY seq, class, id", args...)
	if err != nil {
		return nil, fmt.Errorf("jobbook: read effects: %w", err)
	}
	defer rows.Close()
	var all []effect
	for rows.Next() {
		var e effect
		var made int64
		var text []byte
		if err := rows.Scan(&e.seq, &e.ref.class, &e.ref.id, &e.rev, &made, &text, &e.undone, &e.undoes); err != nil {
			return nil, fmt.Errorf("jobbook: read effects: %w", err)
		}
		e.made = made == 1
		if err := json.Unmarshal(text, &e.changes); err != nil {
			return nil, fmt.Errorf("jobbook: effects of row %d: %w", e.seq, err)
		}
		all = append(all, e)
	}
	if err := rows.Err(); err != nil {
		return nil, fmt.Errorf("jobbook: read effects: %w", err)
	}
	return all, nil
}

func storeEntities(ctx context.Context, tx *sql.Tx, put map[ref][]byte) error {
	for _, r := range sortedRefs(put) {
		_, err := tx.ExecContext(ctx, "INSERT INTO entity (class, id, body) VALUES (?,?,?) ON CONFLICT (class, id) DO UPDATE SET body = excluded.body",
			r.class, r.id, string(put[r]))
		if err != nil {
			return fmt.Errorf("jobbook: store %s %d: %w", r.class, r.id, err)
		}
	}
	return nil
}

func storeEffects(ctx context.Context, tx *sql.Tx, effects []effect) error {
	for _, e := range effects {
		text, err := canonical(e.changes)
		if err != nil {
			return fmt.Errorf("jobbook: effects of row %d: %w", e.seq, err)
		}
		made := int64(0)
		if e.made {
			made = 1
		}
		_, err = tx.ExecContext(ctx, "INSERT INTO effect (seq, class, id, rev, made, changes, undone, undoes) VALUES (?,?,?,?,?,?,?,?)",
			e.seq, e.ref.class, e.ref.id, e.rev, made, string(text), e.undone, e.undoes)
		if err != nil {
			return fmt.Errorf("jobbook: store effects of row %d: %w", e.seq, err)
		}
	}
	return nil
}

func setProjected(ctx context.Context, tx *sql.Tx, seq int64) error {
	_, err := tx.ExecContext(ctx, "INSERT INTO projection (one, version, seq) VALUES (1,?,?) ON CONFLICT (one) DO UPDATE SET version = excluded.version, "+
		"seq = excluded.seq", projectionVersion, seq)
	if err != nil {
		return fmt.Errorf("jobbook: note that row %d is worked in: %w", seq, err)
	}
	return nil
}

// memory holds entities and effects while a journal is replayed.
type memory struct {
	entities map[ref][]byte
	effects  map[int64][]effect
}

func (m *memory) ledger(seq int64) *ledger {
	return &ledger{
		load: func(r ref) ([]byte, error) { return m.entities[r], nil },
		scan: func() (map[ref][]byte, error) {
			all := make(map[ref][]byte, len(m.entities))
			for r, b := range m.entities {
				all[r] = b
			}
			return all, nil
		},
		past: func(s int64) ([]effect, error) { return m.effects[s], nil },
		mark: func(s, by int64) error {
			for i := range m.effects[s] {
				m.effects[s][i].undone = by
			}
			return nil
		},
		put: map[ref][]byte{}, was: map[ref][]byte{}, seq: seq,
	}
}

// replay works everything out from the journal.
func replay(ctx context.Context, q querier) (*memory, int64, error) {
	m := &memory{entities: map[ref][]byte{}, effects: map[int64][]effect{}}
	last := int64(0)
	err := walk(ctx, q, func(e Entry) error {
		p, err := decode(e.Kind, e.Payload, false)
		if err != nil {
			return fmt.Errorf("jobbook: journal row %d: %w (was it written by a newer tackline?)", e.Seq, err)
		}
		l := m.ledger(e.Seq)
		if err := p.apply(&applier{l: l, e: &e}); err != nil {
			return err
		}
		effects, err := l.effects()
		if err != nil {
			return err
		}
		for r, b := range l.put {
			m.entities[r] = b
		}
		m.effects[e.Seq], last = effects, e.Seq
		return nil
	})
	return m, last, err
}

// catchUp works the tables out afresh where they are of another version or do not reach to the end of the journal.
func (b *Book) catchUp(ctx context.Context) error {
	return b.inTx(ctx, func(tx *sql.Tx) error {
		var version, seq int64
		err := tx.QueryRowContext(ctx, "SELECT version, seq FROM projection WHERE one = 1").Scan(&version, &seq)
		if err != nil && !errors.Is(err, sql.ErrNoRows) {
			return fmt.Errorf("jobbook: read how far the journal is worked in: %w", err)
		}
		last, _, err := head(ctx, tx)
		if err != nil || (version == projectionVersion && seq == last) {
			return err
		}
		return rebuild(ctx, tx)
	})
}

func rebuild(ctx context.Context, tx *sql.Tx) error {
	m, last, err := replay(ctx, tx)
	if err != nil {
		return err
	}
	for _, table := range []string{"entity", "effect"} {
		if _, err := tx.ExecContext(ctx, "DELETE FROM "+table); err != nil {
			return fmt.Errorf("jobbook: empty table %s: %w", table, err)
		}
	}
	if err := storeEntities(ctx, tx, m.entities); err != nil {
		return err
	}
	for seq := int64(1); seq <= last; seq++ {
		if err := storeEffects(ctx, tx, m.effects[seq]); err != nil {
			return err
		}
	}
	return setProjected(ctx, tx, last)
}

// Rebuild throws away what was worked out from the journal and works it out afresh. Journal, contents, alerts and outbox are not touched.
func (b *Book) Rebuild(ctx context.Context) error {
	b.cached.Store(nil)
	return b.inTx(ctx, func(tx *sql.Tx) error { return rebuild(ctx, tx) })
}

// CheckState works everything out from the journal and compares it, byte by byte, with the tables. The error names the first difference.
func (b *Book) CheckState(ctx context.Context) error {
	tx, err := b.read.BeginTx(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return fmt.Errorf("jobbook: begin: %w", err)
	}
	defer tx.Rollback() //nolint:errcheck // nothing was written
	m, _, err := replay(ctx, tx)
	if err != nil {
		return err
	}
	stored, err := loadEntities(ctx, tx, "1")
	if err != nil {
		return err
	}
	for _, r := range sortedRefs(stored) {
		if !bytes.Equal(m.entities[r], stored[r]) {
			return fmt.Errorf("jobbook: %s %d is stored as %s, but the journal makes it %s", r.class, r.id, stored[r], m.entities[r])
		}
	}
	if len(m.entities) != len(stored) {
		return fmt.Errorf("jobbook: %d entities are stored, but the journal makes %d", len(stored), len(m.entities))
	}
	return compareEffects(ctx, tx, m)
}

func compareEffects(ctx context.Context, q querier, m *memory) error {
	stored, err := loadEffects(ctx, q, "1")
	if err != nil {
		return err
	}
	made := 0
	for _, list := range m.effects {
		made += len(list)
	}
	if made != len(stored) {
		return fmt.Errorf("jobbook: %d effects are stored, but the journal makes %d", len(stored), made)
	}
	next := map[int64]int{}
	for _, s := range stored {
		i := next[s.seq]
		next[s.seq]++
		if i >= len(m.effects[s.seq]) {
			return fmt.Errorf("jobbook: row %d has more effects stored than the journal makes", s.seq)
		}
		w := m.effects[s.seq][i]
		a, err := canonical(s.changes)
		if err != nil {
			return fmt.Errorf("jobbook: effects of row %d: %w", s.seq, err)
		}
		b, err := canonical(w.changes)
		if err != nil {
			return fmt.Errorf("jobbook: effects of row %d: %w", s.seq, err)
		}
		if s.ref != w.ref || s.rev != w.rev || s.made != w.made || s.undone != w.undone || s.undoes != w.undoes || !bytes.Equal(a, b) {
			return fmt.Errorf("jobbook: row %d did %s to %s %d as stored, %s to %s %d by the journal", s.seq, a, s.ref.class, s.ref.id, b, w.ref.class, w.ref.id)
		}
	}
	return nil
}

func sortedKeys[V any](m map[string]V) []string {
	keys := make([]string, 0, len(m))
	for k := range m {
		keys = append(keys, k)
	}
	sort.Strings(keys)
	return keys
}
