package daemon

import (
	"context"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"tackline/daemon/alert"
	"tackline/daemon/jobbook"
)

// mostHeld is how many messages are held that the card does not take. Ours.
const mostHeld = 1000

// queue is the outbox's place in the job book. What the loop decides and the card does not take, since it is full or has turned read-only, is held in
// memory, so that phones ring all the same, and is kept with the next thing that is. A power cut before then costs its mention in the record. What
// a person does to an alert is never held: it is kept or refused.
type queue struct {
	book *jobbook.Book
	told []jobbook.Told // of the next Keep; the caller holds alerting.mu
	loop bool           // the next Keep is the loop's own; as told

	mu   sync.Mutex
	held struct {
		state []byte
		told  []jobbook.Told
		rows  []alert.Row // newer than the book's, in the order in which they were put
	}
	why error // of the last try to keep them; nil: all is kept
}

var _ alert.Queue = (*queue)(nil)

// tell notes messages for the coats' records; they are kept with the next Keep. What several audiences are told at once stands there once.
func (q *queue) tell(messages []alert.Message) {
	q.told, q.loop = q.told[:0], true
	type what struct {
		key  string
		kind alert.Kind
		at   int64
	}
	noted := map[what]bool{}
	for _, m := range messages {
		w := what{m.Key, m.Kind, m.At.UnixMilli()}
		if noted[w] {
			continue
		}
		noted[w] = true
		q.told = append(q.told, jobbook.Told{AtMS: m.At.UnixMilli(), AlertKey: m.Key, Coat: coatOfKey(m.Key), Event: string(m.Kind),
			Severity: m.Severity.String(), Title: m.Title, Body: m.Body})
	}
}

// coatOfKey gives the coat of a key such as coat/12/tack_open, 0 where there is none.
func coatOfKey(key string) int64 {
	rest, ok := strings.CutPrefix(key, "coat/")
	if !ok {
		return 0
	}
	id, _, _ := strings.Cut(rest, "/")
	n, err := strconv.ParseInt(id, 10, 64)
	if err != nil {
		return 0
	}
	return n
}

// Keep does as alert.Queue says, and keeps what was told in the same transaction.
func (q *queue) Keep(ctx context.Context, state []byte, rows []alert.Row) error {
	told, loop := q.told, q.loop
	q.told, q.loop = nil, false
	q.mu.Lock()
	defer q.mu.Unlock()
	if state == nil {
		state = q.held.state
	}
	told, rows = append(slices.Clone(q.held.told), told...), merged(q.held.rows, rows)
	err := q.book.KeepAlerts(ctx, state, bookRows(rows), told)
	if err == nil {
		told = nil
		if len(q.held.rows) > 0 {
			err = q.book.ReplaceQueued(ctx, bookRows(q.held.rows))
		}
	}
	if err != nil && (!loop || ctx.Err() != nil || len(rows) > mostHeld) {
		return err
	}
	if q.why = err; err == nil {
		state, rows = nil, nil
	}
	q.held.state, q.held.told, q.held.rows = state, told, rows
	return nil
}

// merged gives rows with those of more in their places, and new ones at the end.
func merged(rows, more []alert.Row) []alert.Row {
	out := slices.Clone(rows)
	for _, r := range more {
		if i := rowAt(out, r); i >= 0 {
			out[i] = r
		} else {
			out = append(out, r)
		}
	}
	return out
}

func rowAt(rows []alert.Row, r alert.Row) int {
	return slices.IndexFunc(rows, func(o alert.Row) bool { return o.Way == r.Way && o.ID == r.ID })
}

// unkept gives why messages are held in memory alone; nil where none is.
func (q *queue) unkept() error {
	q.mu.Lock()
	defer q.mu.Unlock()
	if q.why == nil {
		return nil
	}
	return fmt.Errorf("%d messages are held in memory: %w", len(q.held.rows), q.why)
}

// Waiting does as alert.Queue says. Held rows take the place of the book's.
func (q *queue) Waiting(ctx context.Context, way string, limit int64) ([]alert.Row, error) {
	q.mu.Lock()
	defer q.mu.Unlock()
	kept, err := q.book.WaitingOn(ctx, way, limit)
	if err != nil {
		if len(q.held.rows) == 0 {
			return nil, err
		}
		kept = nil
	}
	out := make([]alert.Row, 0, len(kept))
	for _, r := range kept {
		row := alert.Row{ID: r.ID, Way: r.Way, Key: r.AlertKey, Body: r.Body, Made: time.UnixMilli(r.MadeMS).UTC(), Due: time.UnixMilli(r.DueMS).UTC(),
			Tries: r.Tries, State: r.State, Error: r.Error}
		if r.DoneMS != 0 {
			row.Done = time.UnixMilli(r.DoneMS).UTC()
		}
		out = append(out, row)
	}
	out = slices.DeleteFunc(merged(out, q.held.rows), func(r alert.Row) bool { return r.Way != way || r.State != alert.RowWaiting })
	return out[:min(int64(len(out)), limit)], nil
}

// Mark does as alert.Queue says.
func (q *queue) Mark(ctx context.Context, rows []alert.Row) error {
	q.mu.Lock()
	defer q.mu.Unlock()
	if q.why == nil {
		err := q.book.ReplaceQueued(ctx, bookRows(rows))
		if err == nil || ctx.Err() != nil {
			return err
		}
		q.why = err
	}
	rows = merged(q.held.rows, rows)
	if len(rows) > mostHeld {
		return q.why
	}
	q.held.rows = rows
	return nil
}

// Sent does as alert.Queue says.
func (q *queue) Sent(ctx context.Context, way string, from, to time.Time) (int64, error) {
	q.mu.Lock()
	defer q.mu.Unlock()
	n, err := q.book.SentOn(ctx, way, from.UnixMilli(), to.UnixMilli())
	if err != nil && len(q.held.rows) == 0 {
		return 0, err
	}
	for _, r := range q.held.rows {
		if r.Way == way && r.State == alert.RowSent && !r.Done.Before(from) && !r.Done.After(to) {
			n++
		}
	}
	return n, nil
}

func bookRows(rows []alert.Row) []jobbook.QueueRow {
	out := make([]jobbook.QueueRow, len(rows))
	for i, r := range rows {
		out[i] = jobbook.QueueRow{ID: r.ID, Way: r.Way, AlertKey: r.Key, Body: r.Body, MadeMS: r.Made.UnixMilli(), DueMS: r.Due.UnixMilli(),
			Tries: r.Tries, State: r.State, Error: r.Error}
		if !r.Done.IsZero() {
			out[i].DoneMS = r.Done.UnixMilli()
		}
	}
	return out
}
