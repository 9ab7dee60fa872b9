package jobbook

import (
	"bytes"
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/binary"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"hash"
)

// Entry is one row of the journal.
type Entry struct {
	Seq     int64           `json:"seq"`
	At      Stamp           `json:"at"`
	Who     string          `json:"who"`
	Kind    string          `json:"kind"`
	Key     string          `json:"key,omitempty"`
	Payload json.RawMessage `json:"payload"`
	Prev    []byte          `json:"prev"` // hash of the row before, 32 zero bytes in the first
	Hash    []byte          `json:"hash"`
}

// Sum gives the SHA-256 over the row: a fixed line that names the form, then seq, wall, mono as 8 bytes big-endian, then boot, clock, who,
// kind, key, payload and prev, each as 8 bytes of length and its bytes.
func (e Entry) Sum() []byte {
	h := sha256.New()
	h.Write([]byte("tackline journal row 1\n"))
	for _, n := range []int64{e.Seq, e.At.Wall, e.At.Mono} {
		writeNumber(h, uint64(n))
	}
	for _, b := range [][]byte{[]byte(e.At.Boot), []byte(e.At.Clock), []byte(e.Who), []byte(e.Kind), []byte(e.Key), e.Payload, e.Prev} {
		writeNumber(h, uint64(len(b)))
		h.Write(b)
	}
	return h.Sum(nil)
}

func writeNumber(h hash.Hash, n uint64) {
	var b [8]byte
	binary.BigEndian.PutUint64(b[:], n)
	h.Write(b[:])
}

type querier interface {
	QueryRowContext(ctx context.Context, query string, args ...any) *sql.Row
	QueryContext(ctx context.Context, query string, args ...any) (*sql.Rows, error)
}

func head(ctx context.Context, q querier) (seq int64, sum []byte, err error) {
	err = q.QueryRowContext(ctx, "SELECT seq, hash FROM journal ORDER BY seq DESC LIMIT 1").Scan(&seq, &sum)
	if errors.Is(err, sql.ErrNoRows) {
		return 0, make([]byte, sha256.Size), nil
	}
	if err != nil {
		return 0, nil, fmt.Errorf("jobbook: read the end of the journal: %w", err)
	}
	return seq, sum, nil
}

// Head gives the number and hash of the last row: sent outside, it witnesses everything before it.
func (b *Book) Head(ctx context.Context) (seq int64, hash []byte, err error) {
	return head(ctx, b.read)
}

// ID gives the id of the book, made with it: it tells two books apart.
func (b *Book) ID(ctx context.Context) (string, error) {
	first, err := b.Journal(ctx, 0, 1)
	if err != nil {
		return "", err
	}
	if len(first) == 0 {
		return "", fmt.Errorf("jobbook: first row: %w", ErrNotFound)
	}
	var p BeginBook
	if err := json.Unmarshal(first[0].Payload, &p); err != nil {
		return "", fmt.Errorf("jobbook: first row: %w", err)
	}
	return p.Book, nil
}

// HashAt gives the hash of a row, to compare with a head that was sent outside. The error wraps ErrNotFound where there is no such row.
func (b *Book) HashAt(ctx context.Context, seq int64) ([]byte, error) {
	var sum []byte
	err := b.read.QueryRowContext(ctx, "SELECT hash FROM journal WHERE seq = ?", seq).Scan(&sum)
	if errors.Is(err, sql.ErrNoRows) {
		return nil, fmt.Errorf("jobbook: journal row %d: %w", seq, ErrNotFound)
	}
	if err != nil {
		return nil, fmt.Errorf("jobbook: journal row %d: %w", seq, err)
	}
	return sum, nil
}

const journalColumns = "seq, wall_ms, mono_ms, boot, clock, who, kind, key, payload, prev, hash"

func scanEntry(scan func(...any) error) (Entry, error) {
	var e Entry
	var payload []byte
	err := scan(&e.Seq, &e.At.Wall, &e.At.Mono, &e.At.Boot, &e.At.Clock, &e.Who, &e.Kind, &e.Key, &payload, &e.Prev, &e.Hash)
	e.Payload = payload
	return e, err
}

// Journal gives up to limit rows after a number, oldest first. Read a long journal in pages: no reader is kept open between them.
func (b *Book) Journal(ctx context.Context, after, limit int64) ([]Entry, error) {
	return journal(ctx, b.read, after, limit)
}

func journal(ctx context.Context, q querier, after, limit int64) ([]Entry, error) {
	rows, err := q.QueryContext(ctx, "SELECT "+journalColumns+" FROM journal WHERE seq > ? ORDER BY seq LIMIT ?", after, limit)
	if err != nil {
		return nil, fmt.Errorf("jobbook: read the journal after row %d: %w", after, err)
	}
	defer rows.Close()
	var all []Entry
	for rows.Next() {
		e, err := scanEntry(rows.Scan)
		if err != nil {
			return nil, fmt.Errorf("jobbook: read the journal after row %d: %w", after+int64(len(all)), err)
		}
		all = append(all, e)
	}
	if err := rows.Err(); err != nil {
		return nil, fmt.Errorf("jobbook: read the journal after row %d: %w", after, err)
	}
	return all, nil
}

// walk calls f with every row, in pages.
func walk(ctx context.Context, q querier, f func(Entry) error) error {
	for after := int64(-1); ; {
		page, err := journal(ctx, q, after, 500)
		if err != nil {
			return err
		}
		if len(page) == 0 {
			return nil
		}
		for _, e := range page {
			if err := f(e); err != nil {
				return err
			}
		}
		after = page[len(page)-1].Seq
	}
}

// Verification is what Verify found.
type Verification struct {
	Rows   int64  `json:"rows"`    // that were found good
	Head   []byte `json:"head"`    // hash of the last good one
	BadRow int64  `json:"bad_row"` // first bad row, 0 where all are good
	Why    string `json:"why"`     // "" where all are good
}

var errBadRow = errors.New("bad row")

// Verify walks the chain from the first row and checks each row's number, hash and link, and the bytes of photos and frozen traces against
// the digests in the journal. It says the first bad row. That a whole tail is missing shows only against a head that was sent outside
// (HashAt). The error is of the reading itself.
func (b *Book) Verify(ctx context.Context) (Verification, error) {
	v := Verification{Head: make([]byte, sha256.Size)}
	err := walk(ctx, b.read, func(e Entry) error {
		why := ""
		switch {
		case e.Seq != v.Rows+1:
			why = fmt.Sprintf("row %d follows row %d: rows are missing or were numbered anew", e.Seq, v.Rows)
		case !bytes.Equal(e.Prev, v.Head):
			why = fmt.Sprintf("row %d does not follow from row %d as it is now", e.Seq, v.Rows)
		case !bytes.Equal(e.Sum(), e.Hash):
			why = fmt.Sprintf("row %d does not match its own hash: it was altered", e.Seq)
		default:
			var err error
			if why, err = b.verifyContent(ctx, e); err != nil {
				return err
			}
		}
		if why != "" {
			v.BadRow, v.Why = e.Seq, why
			return errBadRow
		}
		v.Rows, v.Head = e.Seq, e.Hash
		return nil
	})
	if errors.Is(err, errBadRow) {
		err = nil
	}
	return v, err
}

// verifyContent gives why the content that a row names is not what it was; "" where it is.
func (b *Book) verifyContent(ctx context.Context, e Entry) (string, error) {
	var digests []string
	switch e.Kind {
	case AddPhoto{}.Kind(), freeze{}.Kind():
		p, err := decode(e.Kind, e.Payload, false)
		if err != nil {
			return fmt.Sprintf("row %d cannot be read: %v", e.Seq, err), nil
		}
		switch v := p.(type) {
		case AddPhoto:
			digests = []string{v.SHA256}
		case freeze:
			digests = v.digests()
		}
	}
	for _, d := range digests {
		plain, err := loadContent(ctx, b.read, d)
		if errors.Is(err, ErrNotFound) || errors.Is(err, errPacked) {
			return fmt.Sprintf("content %s of row %d: %v", d, e.Seq, err), nil
		}
		if err != nil {
			return "", err
		}
		if sum := sha256.Sum256(plain); hex.EncodeToString(sum[:]) != d {
			return fmt.Sprintf("content %s of row %d was altered", d, e.Seq), nil
		}
	}
	return "", nil
}
