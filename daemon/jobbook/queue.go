package jobbook

import (
	"context"
	"database/sql"
	"fmt"
)

// decisions is the key under which the state of the alerts' decision is kept.
const decisions = "decisions"

// QueueRow is one message on one way, as the outbox of alerts wants it kept. Way and ID together name it.
type QueueRow struct {
	ID, Way, AlertKey string
	Body              []byte
	MadeMS, DueMS     int64 // Unix ms
	Tries             int64
	State             string // waiting, or how it ended
	DoneMS            int64  // Unix ms when it left waiting; 0 before
	Error             string
}

// AlertState gives the state that KeepAlerts stored last; nil where there is none.
func (b *Book) AlertState(ctx context.Context) ([]byte, error) {
	all, err := b.LoadAlerts(ctx)
	return all[decisions], err
}

// KeepAlerts stores the state of a decision, its messages and what it told in one transaction. A row whose Way and ID are known is left as it
// is; a nil state leaves the stored one.
func (b *Book) KeepAlerts(ctx context.Context, state []byte, rows []QueueRow, told []Told) error {
	u := AlertUpdate{Told: told}
	if state != nil {
		u.States = map[string][]byte{decisions: state}
	}
	for _, r := range rows {
		u.Outbox = append(u.Outbox, OutboxRow{Way: r.Way, AlertKey: r.AlertKey, Dedup: r.ID, Body: r.Body, MadeMS: r.MadeMS, DueMS: r.DueMS})
	}
	return b.SaveAlerts(ctx, u)
}

// WaitingOn gives the first waiting messages of a way, at most limit, in the order in which they were put.
func (b *Book) WaitingOn(ctx context.Context, way string, limit int64) ([]QueueRow, error) {
	rows, err := b.read.QueryContext(ctx, "SELECT dedup, way, alert, body, made_ms, due_ms, tries, state, done_ms, error FROM outbox "+
		"WHERE way = ? AND state = 'waiting' ORDER BY id LIMIT ?", way, limit)
	if err != nil {
		return nil, fmt.Errorf("jobbook: read the outbox of %s: %w", way, err)
	}
	defer rows.Close()
	var all []QueueRow
	for rows.Next() {
		var r QueueRow
		if err := rows.Scan(&r.ID, &r.Way, &r.AlertKey, &r.Body, &r.MadeMS, &r.DueMS, &r.Tries, &r.State, &r.DoneMS, &r.Error); err != nil {
			return nil, fmt.Errorf("jobbook: read the outbox of %s: %w", way, err)
		}
		all = append(all, r)
	}
	if err := rows.Err(); err != nil {
		return nil, fmt.Errorf("jobbook: read the outbox of %s: %w", way, err)
	}
	return all, nil
}

// ReplaceQueued replaces messages that are known by Way and ID, in one transaction.
func (b *Book) ReplaceQueued(ctx context.Context, rows []QueueRow) error {
	return b.inTx(ctx, func(tx *sql.Tx) error {
		for _, r := range rows {
			if r.Body == nil {
				r.Body = []byte{}
			}
			_, err := tx.ExecContext(ctx, "UPDATE outbox SET body = ?, due_ms = ?, tries = ?, state = ?, done_ms = ?, error = ? WHERE way = ? AND dedup = ?",
				r.Body, r.DueMS, r.Tries, r.State, r.DoneMS, r.Error, r.Way, r.ID)
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
