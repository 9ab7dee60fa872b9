package jobbook

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
)

// OutboxRow is a message on its way out.
type OutboxRow struct {
	ID       int64  // given by the book
	Way      string // by which it goes out
	AlertKey string // of the alert that it tells of; "" for none
	Dedup    string // a second row with the same Way and Dedup is not stored; "" for none
	Body     []byte // as the sender wants it
	MadeMS   int64  // Unix ms
	DueMS    int64  // Unix ms: not before
	Tries    int64  // so far
	Error    string // of the last try
}

// Told is one thing that an alert said, kept for the record of the coat that it was about. It is never pruned.
type Told struct {
	AtMS     int64  `json:"at_ms"` // Unix ms
	AlertKey string `json:"alert_key"`
	Coat     int64  `json:"coat"`  // 0 for none
	Event    string `json:"event"` // raised, cleared, repeated ...
	Severity string `json:"severity"`
	Title    string `json:"title"`
	Body     string `json:"body"`
}

// AlertUpdate is what one decision on alerts leads to.
type AlertUpdate struct {
	States map[string][]byte // by alert key; nil deletes
	Outbox []OutboxRow
	Told   []Told
}

// OutboxCount is how many rows of a way are in each state.
type OutboxCount struct{ Waiting, Sent, GivenUp, Dropped int64 }

// WayHealth is how a way out last fared; 0 for never.
type WayHealth struct {
	OKMS     int64  // Unix ms of the last success
	FailedMS int64  // Unix ms of the last failure
	Error    string // of the last failure
}

// LoadAlerts gives the stored state of every alert, by key.
func (b *Book) LoadAlerts(ctx context.Context) (map[string][]byte, error) {
	rows, err := b.read.QueryContext(ctx, "SELECT key, state FROM alert_state")
	if err != nil {
		return nil, fmt.Errorf("jobbook: read alert states: %w", err)
	}
	defer rows.Close()
	all := map[string][]byte{}
	for rows.Next() {
		var key string
		var state []byte
		if err := rows.Scan(&key, &state); err != nil {
			return nil, fmt.Errorf("jobbook: read alert states: %w", err)
		}
		all[key] = state
	}
	if err := rows.Err(); err != nil {
		return nil, fmt.Errorf("jobbook: read alert states: %w", err)
	}
	return all, nil
}

// SaveAlerts stores states, puts messages out and notes what was told in one transaction, so that a crash in between can neither lose nor
// repeat one.
func (b *Book) SaveAlerts(ctx context.Context, u AlertUpdate) error {
	return b.inTx(ctx, func(tx *sql.Tx) error {
		for _, key := range sortedKeys(u.States) {
			query, args := "INSERT INTO alert_state (key, state) VALUES (?,?) ON CONFLICT (key) DO UPDATE SET state = excluded.state", []any{key, u.States[key]}
			if u.States[key] == nil {
				query, args = "DELETE FROM alert_state WHERE key = ?", []any{key}
			}
			if _, err := tx.ExecContext(ctx, query, args...); err != nil {
				return fmt.Errorf("jobbook: store the state of alert %q: %w", key, err)
			}
		}
		for _, t := range u.Told {
			_, err := tx.ExecContext(ctx, "INSERT INTO told (at_ms, alert, coat, event, severity, title, body) VALUES (?,?,?,?,?,?,?)",
				t.AtMS, t.AlertKey, t.Coat, t.Event, t.Severity, t.Title, t.Body)
			if err != nil {
				return fmt.Errorf("jobbook: note what alert %q told: %w", t.AlertKey, err)
			}
		}
		return putOutbox(ctx, tx, u.Outbox)
	})
}

// Told gives what was told in [from, to), Unix ms, in order of time; of one coat only where coat is not 0.
func (b *Book) Told(ctx context.Context, coat, from, to int64) ([]Told, error) {
	rows, err := b.read.QueryContext(ctx, "SELECT at_ms, alert, coat, event, severity, title, body FROM told WHERE at_ms >= ? AND at_ms < ? AND (? = 0 OR coat = ?) "+
		"ORDER BY at_ms, id", from, to, coat, coat)
	if err != nil {
		return nil, fmt.Errorf("jobbook: read what was told: %w", err)
	}
	defer rows.Close()
	var all []Told
	for rows.Next() {
		var t Told
		if err := rows.Scan(&t.AtMS, &t.AlertKey, &t.Coat, &t.Event, &t.Severity, &t.Title, &t.Body); err != nil {
			return nil, fmt.Errorf("jobbook: read what was told: %w", err)
		}
		all = append(all, t)
	}
	if err := rows.Err(); err != nil {
		return nil, fmt.Errorf("jobbook: read what was told: %w", err)
	}
	return all, nil
}

// SaveAlert stores the state of one alert; nil deletes it.
func (b *Book) SaveAlert(ctx context.Context, key string, state []byte) error {
	return b.SaveAlerts(ctx, AlertUpdate{States: map[string][]byte{key: state}})
}

// PutOutbox stores messages to be sent.
func (b *Book) PutOutbox(ctx context.Context, rows []OutboxRow) error {
	return b.SaveAlerts(ctx, AlertUpdate{Outbox: rows})
}

func putOutbox(ctx context.Context, tx *sql.Tx, rows []OutboxRow) error {
	for _, r := range rows {
		if r.Way == "" {
			return fmt.Errorf("jobbook: a message of alert %q names no way out", r.AlertKey)
		}
		body := r.Body
		if body == nil {
			body = []byte{}
		}
		_, err := tx.ExecContext(ctx, "INSERT INTO outbox (way, alert, dedup, body, made_ms, due_ms) VALUES (?,?,?,?,?,?) ON CONFLICT (way, dedup) WHERE dedup <> '' DO NOTHING",
			r.Way, r.AlertKey, r.Dedup, body, r.MadeMS, r.DueMS)
		if err != nil {
			return fmt.Errorf("jobbook: put a message of alert %q out by %s: %w", r.AlertKey, r.Way, err)
		}
	}
	return nil
}

// DueOutbox gives up to limit waiting messages that are due at now (Unix ms), those due longest first.
func (b *Book) DueOutbox(ctx context.Context, now, limit int64) ([]OutboxRow, error) {
	return b.outbox(ctx, "state = 'waiting' AND due_ms <= ? ORDER BY due_ms, id LIMIT ?", now, limit)
}

// WaitingOutbox gives up to limit waiting messages whether due or not, in the order in which they were put.
func (b *Book) WaitingOutbox(ctx context.Context, limit int64) ([]OutboxRow, error) {
	return b.outbox(ctx, "state = 'waiting' ORDER BY id LIMIT ?", limit)
}

func (b *Book) outbox(ctx context.Context, where string, args ...any) ([]OutboxRow, error) {
	rows, err := b.read.QueryContext(ctx, "SELECT id, way, alert, dedup, body, made_ms, due_ms, tries, error FROM outbox WHERE "+where, args...)
	if err != nil {
		return nil, fmt.Errorf("jobbook: read the outbox: %w", err)
	}
	defer rows.Close()
	var all []OutboxRow
	for rows.Next() {
		var r OutboxRow
		if err := rows.Scan(&r.ID, &r.Way, &r.AlertKey, &r.Dedup, &r.Body, &r.MadeMS, &r.DueMS, &r.Tries, &r.Error); err != nil {
			return nil, fmt.Errorf("jobbook: read the outbox: %w", err)
		}
		all = append(all, r)
	}
	if err := rows.Err(); err != nil {
		return nil, fmt.Errorf("jobbook: read the outbox: %w", err)
	}
	return all, nil
}

// MarkSent says that a message went out at a time in Unix ms.
func (b *Book) MarkSent(ctx context.Context, id, at int64) error {
	return b.inTx(ctx, func(tx *sql.Tx) error {
		way, err := step(ctx, tx, id, "UPDATE outbox SET state = 'sent', tries = tries + 1, done_ms = ?, error = '' WHERE id = ? RETURNING way", at, id)
		if err != nil {
			return err
		}
		_, err = tx.ExecContext(ctx, "INSERT INTO way (way, ok_ms, failed_ms, error) VALUES (?,?,0,'') ON CONFLICT (way) DO UPDATE SET ok_ms = excluded.ok_ms", way, at)
		if err != nil {
			return fmt.Errorf("jobbook: note a success of %s: %w", way, err)
		}
		return nil
	})
}

// MarkFailed says that a try failed at a time, why, and when the next is due (Unix ms); next 0 gives it up. The text must hold no secret.
func (b *Book) MarkFailed(ctx context.Context, id, at, next int64, text string) error {
	return b.inTx(ctx, func(tx *sql.Tx) error {
		query, args := "UPDATE outbox SET tries = tries + 1, due_ms = ?, error = ? WHERE id = ? RETURNING way", []any{next, text, id}
		if next == 0 {
			query, args = "UPDATE outbox SET tries = tries + 1, state = 'given_up', done_ms = ?, error = ? WHERE id = ? RETURNING way", []any{at, text, id}
		}
		way, err := step(ctx, tx, id, query, args...)
		if err != nil {
			return err
		}
		_, err = tx.ExecContext(ctx, "INSERT INTO way (way, ok_ms, failed_ms, error) VALUES (?,0,?,?) ON CONFLICT (way) DO UPDATE SET failed_ms = excluded.failed_ms, "+
			"error = excluded.error", way, at, text)
		if err != nil {
			return fmt.Errorf("jobbook: note a failure of %s: %w", way, err)
		}
		return nil
	})
}

// DropOutbox takes waiting messages out without sending them, such as a raise and its clear that both still wait. Why is kept.
func (b *Book) DropOutbox(ctx context.Context, ids []int64, at int64, why string) error {
	return b.inTx(ctx, func(tx *sql.Tx) error {
		for _, id := range ids {
			_, err := tx.ExecContext(ctx, "UPDATE outbox SET state = 'dropped', done_ms = ?, error = ? WHERE id = ? AND state = 'waiting'", at, why, id)
			if err != nil {
				return fmt.Errorf("jobbook: drop message %d: %w", id, err)
			}
		}
		return nil
	})
}

func step(ctx context.Context, tx *sql.Tx, id int64, query string, args ...any) (string, error) {
	var way string
	err := tx.QueryRowContext(ctx, query, args...).Scan(&way)
	if errors.Is(err, sql.ErrNoRows) {
		return "", fmt.Errorf("jobbook: message %d: %w", id, ErrNotFound)
	}
	if err != nil {
		return "", fmt.Errorf("jobbook: message %d: %w", id, err)
	}
	return way, nil
}

// PruneOutbox deletes messages that were done with before a time (Unix ms). Waiting ones are never deleted.
func (b *Book) PruneOutbox(ctx context.Context, before int64) error {
	return b.inTx(ctx, func(tx *sql.Tx) error {
		if _, err := tx.ExecContext(ctx, "DELETE FROM outbox WHERE state <> 'waiting' AND done_ms < ?", before); err != nil {
			return fmt.Errorf("jobbook: prune the outbox: %w", err)
		}
		return nil
	})
}

// OutboxCounts gives how many messages of each way are in each state.
func (b *Book) OutboxCounts(ctx context.Context) (map[string]OutboxCount, error) {
	rows, err := b.read.QueryContext(ctx, "SELECT way, state, count(*) FROM outbox GROUP BY way, state")
	if err != nil {
		return nil, fmt.Errorf("jobbook: count the outbox: %w", err)
	}
	defer rows.Close()
	all := map[string]OutboxCount{}
	for rows.Next() {
		var way, state string
		var n int64
		if err := rows.Scan(&way, &state, &n); err != nil {
			return nil, fmt.Errorf("jobbook: count the outbox: %w", err)
		}
		c := all[way]
		switch state {
		case "waiting":
			c.Waiting = n
		case "sent":
			c.Sent = n
		case "given_up":
			c.GivenUp = n
		case "dropped":
			c.Dropped = n
		}
		all[way] = c
	}
	if err := rows.Err(); err != nil {
		return nil, fmt.Errorf("jobbook: count the outbox: %w", err)
	}
	return all, nil
}

// Ways gives how each way out last fared.
func (b *Book) Ways(ctx context.Context) (map[string]WayHealth, error) {
	rows, err := b.read.QueryContext(ctx, "SELECT way, ok_ms, failed_ms, error FROM way")
	if err != nil {
		return nil, fmt.Errorf("jobbook: read the ways out: %w", err)
	}
	defer rows.Close()
	all := map[string]WayHealth{}
	for rows.Next() {
		var way string
		var h WayHealth
		if err := rows.Scan(&way, &h.OKMS, &h.FailedMS, &h.Error); err != nil {
			return nil, fmt.Errorf("jobbook: read the ways out: %w", err)
		}
		all[way] = h
	}
	if err := rows.Err(); err != nil {
		return nil, fmt.Errorf("jobbook: read the ways out: %w", err)
	}
	return all, nil
}

// SetMeta keeps a small value of the machine's own under a key; nil deletes it.
func (b *Book) SetMeta(ctx context.Context, key string, value []byte) error {
	return b.inTx(ctx, func(tx *sql.Tx) error {
		query, args := "INSERT INTO meta (key, value) VALUES (?,?) ON CONFLICT (key) DO UPDATE SET value = excluded.value", []any{key, value}
		if value == nil {
			query, args = "DELETE FROM meta WHERE key = ?", []any{key}
		}
		if _, err := tx.ExecContext(ctx, query, args...); err != nil {
			return fmt.Errorf("jobbook: keep %q: %w", key, err)
		}
		return nil
	})
}

// GetMeta gives a value kept by SetMeta; nil where there is none.
func (b *Book) GetMeta(ctx context.Context, key string) ([]byte, error) {
	var value []byte
	err := b.read.QueryRowContext(ctx, "SELECT value FROM meta WHERE key = ?", key).Scan(&value)
	if errors.Is(err, sql.ErrNoRows) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("jobbook: read %q: %w", key, err)
	}
	return value, nil
}
