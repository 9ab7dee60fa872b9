package jobbook

import (
	"bytes"
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
)

// mostPayload is the longest payload of a journal row in bytes.
const mostPayload = 256 << 10

// Do carries out a command. It returns nil only after the row is on the disk. Errors: *Invalid where the command cannot be what was meant,
// *Conflict where someone changed the entity since; both leave the book as it was. After any other error (disk full, ctx ended in the
// commit) it is not known whether the row was stored: send the same command with the same key again.
func (b *Book) Do(ctx context.Context, cmd Command) (Result, error) {
	if cmd.Payload == nil {
		return Result{}, &Invalid{Kind: "command", Fields: []FieldError{{Field: "payload", Problem: "is missing"}}}
	}
	payload, contents := cmd.Payload, []content(nil)
	if p, ok := payload.(carries); ok {
		var err error
		if payload, contents, err = p.unload(); err != nil {
			return Result{}, err
		}
	}
	var res Result
	err := b.inTx(ctx, func(tx *sql.Tx) error {
		var err error
		res, err = do(ctx, tx, cmd, payload, contents)
		return err
	})
	if err != nil {
		return Result{}, err
	}
	if res.Notes, err = b.notes(ctx, payload, res); err != nil {
		res.Notes = []string{"stored; what it means could not be worked out: " + err.Error()}
	}
	return res, nil
}

func do(ctx context.Context, tx *sql.Tx, cmd Command, payload Payload, contents []content) (Result, error) {
	body, err := canonical(payload)
	if err != nil {
		return Result{}, &Invalid{Kind: payload.Kind(), Fields: []FieldError{{Field: "payload", Problem: err.Error()}}}
	}
	if res, known, err := repeated(ctx, tx, cmd, payload.Kind(), body); known || err != nil {
		return res, err
	}
	seq, _, err := head(ctx, tx)
	if err != nil {
		return Result{}, err
	}
	c := &checker{l: tableLedger(ctx, tx, seq+1), at: cmd.At}
	checkCommand(c, cmd, len(body))
	payload.check(c)
	if err := c.result(payload.Kind()); err != nil {
		return Result{}, err
	}
	if p, ok := payload.(changes); ok {
		r, saw := p.target()
		if err := unchanged(ctx, tx, c.l, r, saw); err != nil {
			return Result{}, err
		}
	}
	for _, one := range contents {
		if err := storeContent(ctx, tx, one); err != nil {
			return Result{}, err
		}
	}
	e := Entry{At: cmd.At, Who: cmd.Who, Key: cmd.Key}
	effects, err := record(ctx, tx, &e, payload)
	if err != nil {
		return Result{}, err
	}
	return result(e, payload, effects), nil
}

func checkCommand(c *checker, cmd Command, size int) {
	c.name("who", cmd.Who)
	c.optionalName("key", cmd.Key)
	c.oneOf("at.clock", cmd.At.Clock, ClockSynced, ClockRTC, ClockManual, ClockUnsynced)
	c.optionalName("at.boot", cmd.At.Boot)
	if cmd.At.Wall <= 0 {
		c.fail("at.wall_ms", "is missing: want Unix milliseconds")
	}
	if cmd.At.Mono < 0 {
		c.fail("at.mono_ms", "%d is negative", cmd.At.Mono)
	}
	if cmd.At.Clock == ClockUnsynced && cmd.At.Boot == "" {
		c.fail("at.boot", "is missing: while the clock is unset the boot must be known")
	}
	if size > mostPayload {
		c.fail("payload", "has %d bytes: at most %d", size, mostPayload)
	}
}

// record appends the row and works it into the tables.
func record(ctx context.Context, tx *sql.Tx, e *Entry, payload Payload) ([]effect, error) {
	seq, prev, err := head(ctx, tx)
	if err != nil {
		return nil, err
	}
	e.Seq, e.Prev, e.Kind = seq+1, prev, payload.Kind()
	if e.Payload, err = canonical(payload); err != nil {
		return nil, fmt.Errorf("jobbook: %s: %w", e.Kind, err)
	}
	e.Hash = e.Sum()
	_, err = tx.ExecContext(ctx, "INSERT INTO journal ("+journalColumns+") VALUES (?,?,?,?,?,?,?,?,?,?,?)", e.Seq, e.At.Wall, e.At.Mono, e.At.Boot,
		e.At.Clock, e.Who, e.Kind, e.Key, string(e.Payload), e.Prev, e.Hash)
	if err != nil {
		return nil, fmt.Errorf("jobbook: append row %d: %w", e.Seq, err)
	}
	l := tableLedger(ctx, tx, e.Seq)
	if err := payload.apply(&applier{l: l, e: e}); err != nil {
		return nil, err
	}
	effects, err := l.effects()
	if err != nil {
		return nil, err
	}
	if err := storeEntities(ctx, tx, l.put); err != nil {
		return nil, err
	}
	if err := storeEffects(ctx, tx, effects); err != nil {
		return nil, err
	}
	return effects, setProjected(ctx, tx, e.Seq)
}

// result names the entity that the command was about: the one that it changed, else one that it made, else the first that it touched.
func result(e Entry, payload Payload, effects []effect) Result {
	res := Result{Seq: e.Seq, Hash: e.Hash}
	if p, ok := payload.(changes); ok {
		r, _ := p.target()
		for _, f := range effects {
			if f.ref == r {
				res.ID, res.Rev = r.id, f.rev
			}
		}
		return res
	}
	for _, f := range effects {
		if f.made && (res.ID == 0 || f.ref.class == classCoat) {
			res.ID, res.Rev = f.ref.id, f.rev
		}
	}
	if res.ID == 0 && len(effects) > 0 {
		res.ID, res.Rev = effects[0].ref.id, effects[0].rev
	}
	return res
}

// repeated finds the row of a key that is known. The same key with another command is an error: the client made a key twice.
func repeated(ctx context.Context, tx *sql.Tx, cmd Command, kind string, body []byte) (Result, bool, error) {
	if cmd.Key == "" {
		return Result{}, false, nil
	}
	e, err := scanEntry(tx.QueryRowContext(ctx, "SELECT "+journalColumns+" FROM journal WHERE key = ? AND key <> ''", cmd.Key).Scan)
	if errors.Is(err, sql.ErrNoRows) {
		return Result{}, false, nil
	}
	if err != nil {
		return Result{}, false, fmt.Errorf("jobbook: look for key %q: %w", cmd.Key, err)
	}
	if e.Kind != kind || e.Who != cmd.Who || !bytes.Equal(e.Payload, body) {
		return Result{}, false, &Invalid{Kind: kind, Fields: []FieldError{{Field: "key",
			Problem: fmt.Sprintf("%q was used by entry %d (%s by %s) for something else: make a new key for each command", cmd.Key, e.Seq, e.Kind, e.Who)}}}
	}
	effects, err := loadEffects(ctx, tx, "seq = ?", e.Seq)
	if err != nil {
		return Result{}, false, err
	}
	payload, err := decode(e.Kind, e.Payload, false)
	if err != nil {
		return Result{}, false, fmt.Errorf("jobbook: entry %d: %w", e.Seq, err)
	}
	res := result(e, payload, effects)
	res.Repeat = true
	return res, true, nil
}

// unchanged compares the revision that was seen with the present one.
func unchanged(ctx context.Context, q querier, l *ledger, r ref, saw int64) error {
	e := newEntity(r.class)
	if _, err := l.get(r, e); err != nil {
		return err
	}
	now := e.head().Rev
	if now == saw {
		return nil
	}
	if saw > now {
		return &Invalid{Kind: r.class, Fields: []FieldError{{Field: "saw_rev", Problem: fmt.Sprintf("%d is ahead of the present revision, %d", saw, now)}}}
	}
	all, err := history(ctx, q, r, saw)
	if err != nil {
		return err
	}
	return &Conflict{Class: r.class, ID: r.id, Saw: saw, Now: now, Changes: all}
}

// History gives everything that was done to an entity, oldest first: how it was made, corrections, undos. Class is the word that Change and
// Conflict use: job, piece, coat ...
func (b *Book) History(ctx context.Context, class string, id int64) ([]Change, error) {
	return history(ctx, b.read, ref{class, id}, 0)
}

func history(ctx context.Context, q querier, r ref, after int64) ([]Change, error) {
	rows, err := q.QueryContext(ctx, "SELECT e.seq, e.rev, e.made, e.undone, e.changes, j.who, j.kind, j.wall_ms, j.mono_ms, j.boot, j.clock "+
		"FROM effect e JOIN journal j USING (seq) WHERE e.class = ? AND e.id = ? AND e.rev > ? ORDER BY e.rev", r.class, r.id, after)
	if err != nil {
		return nil, fmt.Errorf("jobbook: history of %s %d: %w", r.class, r.id, err)
	}
	defer rows.Close()
	var all []Change
	for rows.Next() {
		var c Change
		var made int64
		var text []byte
		if err := rows.Scan(&c.Seq, &c.Rev, &made, &c.Undone, &text, &c.Who, &c.Kind, &c.At.Wall, &c.At.Mono, &c.At.Boot, &c.At.Clock); err != nil {
			return nil, fmt.Errorf("jobbook: history of %s %d: %w", r.class, r.id, err)
		}
		changed := map[string][2]json.RawMessage{}
		if err := json.Unmarshal(text, &changed); err != nil {
			return nil, fmt.Errorf("jobbook: history of %s %d: %w", r.class, r.id, err)
		}
		c.Made = made == 1
		for _, name := range sortedKeys(changed) {
			c.Fields = append(c.Fields, FieldChange{Field: name, Before: changed[name][0], After: changed[name][1]})
		}
		all = append(all, c)
	}
	if err := rows.Err(); err != nil {
		return nil, fmt.Errorf("jobbook: history of %s %d: %w", r.class, r.id, err)
	}
	return all, nil
}
