package alert

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"
)

// Report counts what came of one Deliver.
type Report struct {
	Sent    int64     // messages accepted
	Failed  int64     // attempts that failed
	Dropped int64     // rows that a later message says too
	Next    time.Time // when the next attempt is due; zero where nothing waits
}

// Deliver makes one pass over every way, side by side: what is due is tried, in order, until a way fails. The error is of the queue; the ways'
// errors are in Status.
func (o *Outbox) Deliver(ctx context.Context, now time.Time) (Report, error) {
	var (
		total Report
		errs  []error
		mu    sync.Mutex
		all   sync.WaitGroup
	)
	for _, r := range o.routes {
		all.Go(func() {
			one, next, err := o.pass(ctx, r, now)
			mu.Lock()
			defer mu.Unlock()
			total.Sent, total.Failed, total.Dropped = total.Sent+one.Sent, total.Failed+one.Failed, total.Dropped+one.Dropped
			if !next.IsZero() && (total.Next.IsZero() || next.Before(total.Next)) {
				total.Next = next
			}
			errs = append(errs, err)
		})
	}
	all.Wait()
	return total, errors.Join(errs...)
}

// pass delivers by one way. next is when to come again; zero where nothing waits.
func (o *Outbox) pass(ctx context.Context, r *route, now time.Time) (report Report, next time.Time, err error) {
	r.busy.Lock()
	defer r.busy.Unlock()
	if err := o.remark(ctx, r); err != nil {
		return report, now.Add(firstWait), err
	}
	if until := r.resting(now); !until.IsZero() {
		return report, until, nil
	}
	rows, err := o.queue.Waiting(ctx, r.Name, atOnce)
	if err != nil {
		return report, now.Add(longestWait), fmt.Errorf("alert: waiting for %q: %w", r.Name, err)
	}
	items, changed := o.collapse(rows, now)
	if len(changed) > 0 {
		if err := o.queue.Mark(ctx, changed); err != nil {
			return report, now.Add(firstWait), fmt.Errorf("alert: mark for %q: %w", r.Name, err)
		}
	}
	for _, row := range changed {
		if row.State == RowDropped {
			report.Dropped++
		}
	}
	sent, err := o.queue.Sent(ctx, r.Name, now.Add(-24*time.Hour), now)
	if err != nil {
		return report, now.Add(longestWait), fmt.Errorf("alert: sent by %q: %w", r.Name, err)
	}
	defer func() { r.settle(items, sent+report.Sent, next) }()
	due, wait := r.due(items, now)
	next = wait
	ready, short := o.budget(due, r.Budget-sent, 2*r.Budget-sent, now)
	if again := now.Add(longestWait); short && (next.IsZero() || again.Before(next)) {
		next = again
	}
	failedBefore := false
	for _, it := range ready {
		again, err := o.deliver(ctx, r, it, now, &report)
		switch {
		case err != nil:
			return report, now.Add(firstWait), err
		case ctx.Err() != nil:
			return report, next, nil
		case again.IsZero():
			continue
		}
		if next.IsZero() || again.Before(next) {
			next = again
		}
		// One message that a server chokes on must not stop the others for ever: after a few tries the next is tried, too.
		// A server that asked for silence is left alone at once.
		if failedBefore || it.rows[0].Tries < 4 || r.silent(now) {
			break
		}
		failedBefore = true
	}
	if int64(len(rows)) == atOnce && next.IsZero() {
		next = now.Add(firstWait)
	}
	return report, next, nil
}

// silent tells whether the server asked for silence.
func (r *route) silent(now time.Time) bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.asked.After(now)
}

// settle keeps what the page shows.
func (r *route) settle(items []item, sent int64, next time.Time) {
	var waiting int64
	for _, it := range items {
		for _, row := range it.rows {
			if row.State == RowWaiting {
				waiting++
			}
		}
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	r.status.Waiting, r.status.SentToday, r.status.Spent, r.status.Next = waiting, sent, sent >= r.Budget, next
	r.rest = next
}

// due gives the items that may be tried now, and when the first of the others may be; zero where there is none. While a way fails, all of
// its rows wait for the latest of them, so that it is not hammered with the next message. Something critical that was never tried does not
// wait, unless the server asked for silence. A time further ahead than any wait of ours is of a wall clock that was set back since.
func (r *route) due(items []item, now time.Time) (ready []item, next time.Time) {
	r.mu.Lock()
	defer r.mu.Unlock()
	var latest time.Time
	urgent := false
	for _, it := range items {
		due := it.rows[0].Due
		ahead := due.After(now) && due.Sub(now) <= longestAfter
		if ahead && due.After(latest) {
			latest = due
		}
		if ahead && (next.IsZero() || due.Before(next)) {
			next = due
		}
		if !ahead {
			ready = append(ready, it)
		}
		urgent = urgent || it.rows[0].Tries == 0 && it.message.Severity >= Critical && it.message.Kind != Clear
	}
	silence := r.asked.After(now) && r.asked.Sub(now) <= longestAfter
	switch {
	case silence && r.asked.After(latest):
		return nil, r.asked
	case silence || r.status.Failing > 0 && !latest.IsZero() && !urgent:
		return nil, latest
	}
	return ready, next
}

// deliver tries one item. again is when to try it once more; zero where it is done with.
func (o *Outbox) deliver(ctx context.Context, r *route, it item, now time.Time, report *Report) (again time.Time, err error) {
	_, failure := r.attempt(ctx, it.message, now, o.opts.Timeout)
	if failure != nil && ctx.Err() != nil {
		return time.Time{}, nil
	}
	rows := it.rows
	var typed *SendError
	switch {
	case failure == nil:
		report.Sent++
		for i := range rows {
			rows[i].State, rows[i].Done, rows[i].Error = RowMerged, now.UTC(), "told within "+rows[0].ID
		}
		rows[0].State, rows[0].Error = RowSent, ""
		rows[0].Tries++
	case errors.As(failure, &typed) && !typed.Temporary:
		report.Failed++
		for i := range rows {
			rows[i].State, rows[i].Done, rows[i].Error = RowGivenUp, now.UTC(), Clip(failure.Error(), 500)
		}
		rows[0].Tries++
	default:
		report.Failed++
		again = now.Add(backOff(rows[0].Tries))
		if typed != nil && typed.RetryAfter > 0 {
			asked := now.Add(min(typed.RetryAfter, longestAfter))
			r.mu.Lock()
			r.asked = asked
			r.mu.Unlock()
			if asked.After(again) {
				again = asked
			}
		}
		for i := range rows {
			rows[i].Tries++
			rows[i].Due, rows[i].Error = again.UTC(), Clip(failure.Error(), 500)
		}
	}
	if err := o.queue.Mark(ctx, rows); err != nil {
		if failure == nil {
			r.unmarks = append(r.unmarks, rows...) // never sent again while this program runs
		}
		return again, fmt.Errorf("alert: mark for %q: %w", r.Name, err)
	}
	return again, nil
}

// remark stores what could not be stored before, so that a sick disk does not make the phone ring twice.
func (o *Outbox) remark(ctx context.Context, r *route) error {
	if len(r.unmarks) == 0 {
		return nil
	}
	if err := o.queue.Mark(ctx, r.unmarks); err != nil {
		return fmt.Errorf("alert: mark for %q: %w", r.Name, err)
	}
	r.unmarks = nil
	return nil
}

// backOff doubles from 1 s to 15 min. It has no random part: there is one client, and a wait that can be told in advance can be shown and tested.
func backOff(tries int64) time.Duration {
	if tries >= 10 {
		return longestWait
	}
	return min(firstWait<<tries, longestWait)
}

// item is one message to send, and the rows that are done with when it has arrived.
type item struct {
	message Message
	rows    []Row
}

// collapse makes of all that waits for a way what is worth sending: of one raise and all that follows it only the last is; where it is over
// already, one line says from when to when it held. changed are the rows to store for it.
func (o *Outbox) collapse(rows []Row, now time.Time) (items []item, changed []Row) {
	last := map[string]int{} // by pair: index in items
	rewritten := map[string]bool{}
	for _, row := range rows {
		var m Message
		if err := json.Unmarshal(row.Body, &m); err != nil {
			row.State, row.Done, row.Error = RowGivenUp, now.UTC(), "unreadable: "+err.Error()
			changed = append(changed, row)
			continue
		}
		i, before := last[m.Pair]
		if m.Pair == "" || !before {
			last[m.Pair] = len(items)
			items = append(items, item{message: m, rows: []Row{row}})
			continue
		}
		old := items[i]
		gone := old.rows[0]
		gone.State, gone.Done, gone.Error = RowDropped, now.UTC(), "told by "+row.ID
		changed = append(changed, gone)
		m = follow(old.message, m)
		body, err := json.Marshal(m)
		if err == nil {
			row.Body = body
		}
		row.Tries, row.Due = max(row.Tries, gone.Tries), later(row.Due, gone.Due)
		rewritten[row.ID] = true
		items[i] = item{message: m, rows: []Row{row}}
	}
	for _, it := range items {
		if rewritten[it.rows[0].ID] {
			changed = append(changed, it.rows[0])
		}
	}
	slices.SortStableFunc(items, func(a, b item) int { return a.message.At.Compare(b.message.At) })
	for i := range items {
		items[i].message = o.late(items[i].message, items[i].rows[0].Made, now)
	}
	return items, changed
}

func later(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}

// follow makes one message of one that was not delivered and the next of its pair.
func follow(old, next Message) Message {
	begun := old.Kind == Raise && old.Since.IsZero() // nobody was told by this way
	if !begun {
		return next
	}
	if next.Kind != Clear {
		next.Kind, next.At, next.Since, next.Title = Raise, old.At, time.Time{}, strings.TrimPrefix(next.Title, still)
		return next
	}
	next.Title = "Came and went: " + old.Title
	next.At = old.At
	return next
}
