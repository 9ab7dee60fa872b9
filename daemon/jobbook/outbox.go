package jobbook

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
)

// What alerts keep here is the machine's own, not people's facts: it is not in the journal. The outbox is a package of its own; this file
// only gives it a place that survives a power cut.

// QueueRow is one message on one way. Way and ID together name it.
type QueueRow struct {
	ID, Way, AlertKey string
	Body              []byte
	MadeMS, DueMS     int64 // Unix ms
	Tries             int64
	State             string // waiting, or how it ended: sent, merged, dropped, given_up
	DoneMS            int64  // Unix ms when it left waiting; 0 before
	Error             string
}

// Told is one thing that an alert said, kept for the record of the coat that it was about. It is never pruned.
type Told struct {
	AtMS     int64  `json:"at_ms"` // Unix ms
	AlertKey string `json:"alert_key"`
	Coat     int64  `json:"coat"`  // 0 for none
	Event    string `json:"event"` // raise, clear, repeat ...
	Severity string `json:"severity"`
	Title    string `json:"title"`
	Body     string `json:"body"`
}

// AlertState gives the state of the decision that KeepAlerts stored last; nil where there is none.
func (b *Book) AlertState(ctx context.Context) ([]byte, error) {
	var state []byte
	err := b.read.QueryRowContext(ctx, "SELECT state FROM alert_state WHERE one = 1").Scan(&state)
	if errors.Is(err, sql.ErrNoRows) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("jobbook: read the alerts' state: %w", err)
	}
	return state, nil
}

// KeepAlerts stores the state of a decision, its messages and what it told in one transaction, so that a crash in between can neither lose nor
// repeat one. A row whose Way and ID are known is left as it is; a nil state leaves the stored one.
func (b *Book) KeepAlerts(ctx context.Context, state []byte, rows []QueueRow, told []Told) error {
	return b.inTx(ctx, func(tx *sql.Tx) error {
		if state != nil {
			_, err := tx.ExecContext(ctx, "INSERT INTO alert_state (one, state) VALUES (1,?) ON CONFLICT (one) DO UPDATE SET state = excluded.state", state)
			if err != nil {
				return fmt.Errorf("jobbook: store the alerts' state: %w", err)
			}
		}
		for _, t := range told {
			_, err := tx.ExecContext(ctx, "INSERT INTO told (at_ms, alert, coat, event, severity, title, body) VALUES (?,?,?,?,?,?,?)",
				t.AtMS, t.AlertKey, t.Coat, t.Event, t.Severity, t.Title, t.Body)
			if err != nil {
				return fmt.Errorf("jobbook: note what alert %q told: %w", t.AlertKey, err)
			}
		}
		for _, r := range rows {
			if r.Way == "" || r.ID == "" {
				return fmt.Errorf("jobbook: a message of alert %q names no way out or has no ID", r.AlertKey)
			}
			_, err := tx.ExecContext(ctx, "INSERT INTO outbox (way, id, alert, body, made_ms, due_ms) VALUES (?,?,?,?,?,?) ON CONFLICT (way, id) DO NOTHING",
				r.Way, r.ID, r.AlertKey, notNil(r.Body), r.MadeMS, r.DueMS)
			if err != nil {
				return fmt.Errorf("jobbook: put a message of alert %q out by %s: %w", r.AlertKey, r.Way, err)
			}
		}
		return nil
	})
}

func notNil(b []byte) []byte {
	if b == nil {
		return []byte{}
	}
	return b
}

// Told gives what was told in [from, to), Unix ms, in order of time; of one coat only where coat is not 0.
func (b *Book) Told(ctx context.Context, coat, from, to int64) ([]Told, error) {
	return list(ctx, b.read, "what was told", func(rows *sql.Rows, t *Told) error {
		return rows.Scan(&t.AtMS, &t.AlertKey, &t.Coat, &t.Event, &t.Severity, &t.Title, &t.Body)
	}, "SELECT at_ms, alert, coat, event, severity, title, body FROM told WHERE at_ms >= ? AND at_ms < ? AND (? = 0 OR coat = ?) ORDER BY at_ms, id", from, to, coat, coat)
}

// WaitingOn gives the first waiting messages of a way, at most limit, in the order in which they were put.
func (b *Book) WaitingOn(ctx context.Context, way string, limit int64) ([]QueueRow, error) {
	return list(ctx, b.read, "the outbox", func(rows *sql.Rows, r *QueueRow) error {
		return rows.Scan(&r.ID, &r.Way, &r.AlertKey, &r.Body, &r.MadeMS, &r.DueMS, &r.Tries, &r.State, &r.DoneMS, &r.Error)
	}, "SELECT id, way, alert, body, made_ms, due_ms, tries, state, done_ms, error FROM outbox WHERE way = ? AND state = 'waiting' ORDER BY seq LIMIT ?", way, limit)
}

// list reads all rows of a query.
func list[T any](ctx context.Context, db *sql.DB, what string, scan func(*sql.Rows, *T) error, query string, args ...any) ([]T, error) {
	rows, err := db.QueryContext(ctx, query, args...)
	if err != nil {
		return nil, fmt.Errorf("jobbook: read %s: %w", what, err)
	}
	defer rows.Close()
	var all []T
	for rows.Next() {
		var one T
		if err := scan(rows, &one); err != nil {
			return nil, fmt.Errorf("jobbook: read %s: %w", what, err)
		}
		all = append(all, one)
	}
	if err := rows.Err(); err != nil {
		return nil, fmt.Errorf("jobbook: read %s: %w", what, err)
	}
	return all, nil
}

// ReplaceQueued replaces messages that are known by Way and ID, in one transaction.
func (b *Book) ReplaceQueued(ctx context.Context, rows []QueueRow) error {
	return b.inTx(ctx, func(tx *sql.Tx) error {
		for _, r := range rows {
			_, err := tx.ExecContext(ctx, "UPDATE outbox SET body = ?, due_ms = ?, tries = ?, state = ?, done_ms = ?, error = ? WHERE way = ? AND id = ?",
				notNil(r.Body), r.DueMS, r.Tries, r.State, r.DoneMS, r.Error, r.Way, r.ID)
			if err != nil {
				return fmt.Errorf("jobbook: mark message %s of %s: %w", r.ID, r.Way, err)
			}
		}
		return nil
	})
}

// SentOn counts the messages of a way that were sent in [from, to], Unix ms.
func (b *Book) SentOn(ctx context.Context, way string, from, to int64) (n int64, err error) {
	err = b.read.QueryRowContext(ctx, "SELECT count(*) FROM outbox WHERE way = ? AND state = 'sent' AND done_ms BETWEEN ? AND ?", way, from, to).Scan(&n)
	if err != nil {
		return 0, fmt.Errorf("jobbook: count what %s sent: %w", way, err)
	}
	return n, nil
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
