package alert

import (
	"context"
	"slices"
	"sync"
	"time"
)

// Row is one message on one way. Way and ID together name it.
type Row struct {
	ID, Way, Key string
	Body         []byte    // the Message as JSON
	Made         time.Time // when it was put
	Due          time.Time // not to be tried before
	Tries        int64
	State        string    // one of the Row... constants
	Done         time.Time // when it left RowWaiting; zero before
	Error        string    // last error, or where it went
}

// The states of a Row.
const (
	RowWaiting = "waiting"
	RowSent    = "sent"     // accepted by the other side
	RowMerged  = "merged"   // told within another message that was accepted; Error names it
	RowDropped = "dropped"  // a later message says it too; Error names it
	RowGivenUp = "given_up" // refused by the other side, for good
)

// Queue is where the rows live: the job book, or Memory. It is safe for use by several goroutines.
type Queue interface {
	// Keep stores the state of Decide and new rows in one transaction, in this order. A row whose Way and ID are known is left as it is.
	// A nil state leaves the stored one.
	Keep(ctx context.Context, state []byte, rows []Row) error
	// Waiting gives the first waiting rows of a way, at most limit, in the order in which they were kept.
	Waiting(ctx context.Context, way string, limit int64) ([]Row, error)
	// Mark replaces rows that are known by Way and ID, in one transaction.
	Mark(ctx context.Context, rows []Row) error
	// Sent counts the rows of a way that are RowSent with from <= Done <= to.
	Sent(ctx context.Context, way string, from, to time.Time) (int64, error)
}

// Memory is a Queue that forgets when the program ends: for tests, and for trying things out.
type Memory struct {
	mu    sync.Mutex
	state []byte
	rows  []Row
}

var _ Queue = (*Memory)(nil)

// Keep does as Queue says.
func (q *Memory) Keep(_ context.Context, state []byte, rows []Row) error {
	q.mu.Lock()
	defer q.mu.Unlock()
	if state != nil {
		q.state = slices.Clone(state)
	}
	for _, r := range rows {
		if q.index(r) < 0 {
			q.rows = append(q.rows, r)
		}
	}
	return nil
}

func (q *Memory) index(r Row) int {
	return slices.IndexFunc(q.rows, func(o Row) bool { return o.Way == r.Way && o.ID == r.ID })
}

// Waiting does as Queue says.
func (q *Memory) Waiting(_ context.Context, way string, limit int64) ([]Row, error) {
	q.mu.Lock()
	defer q.mu.Unlock()
	var list []Row
	for _, r := range q.rows {
		if r.Way == way && r.State == RowWaiting && int64(len(list)) < limit {
			list = append(list, r)
		}
	}
	return list, nil
}

// Mark does as Queue says.
func (q *Memory) Mark(_ context.Context, rows []Row) error {
	q.mu.Lock()
	defer q.mu.Unlock()
	for _, r := range rows {
		if i := q.index(r); i >= 0 {
			q.rows[i] = r
		}
	}
	return nil
}

// Sent does as Queue says.
func (q *Memory) Sent(_ context.Context, way string, from, to time.Time) (int64, error) {
	q.mu.Lock()
	defer q.mu.Unlock()
	var n int64
	for _, r := range q.rows {
		if r.Way == way && r.State == RowSent && !r.Done.Before(from) && !r.Done.After(to) {
			n++
		}
	}
	return n, nil
}

// State gives the stored state of Decide.
func (q *Memory) State() []byte {
	q.mu.Lock()
	defer q.mu.Unlock()
	return slices.Clone(q.state)
}

// Rows gives all rows in the order in which they were kept.
func (q *Memory) Rows() []Row {
	q.mu.Lock()
	defer q.mu.Unlock()
	return slices.Clone(q.rows)
}
