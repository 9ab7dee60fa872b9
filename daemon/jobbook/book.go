package jobbook

import (
	"context"
	"crypto/rand"
	"database/sql"
	"embed"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"
	"sync/atomic"
	"time"

	_ "modernc.org/sqlite" // the driver "sqlite"

	"tackline/daemon/durable"
)

//go:embed migrations/*.sql
var migrationFiles embed.FS

// Options of Open. The zero value is right for a daemon.
type Options struct {
	BookID string           // of a new book; "" makes a random one. Tests and the demo set it to get the same hashes twice
	Now    func() time.Time // for the first row of a new book; nil is time.Now
	Boot   string           // boot id for the first row of a new book
	Clock  string           // clock state for the first row of a new book; "" is unsynced
}

// Book is an open job book. Its methods may be called from many goroutines.
type Book struct {
	path   string
	write  *sql.DB // one connection; every transaction is BEGIN IMMEDIATE
	read   *sql.DB // a few connections that cannot write
	cached atomic.Pointer[cache]
}

// Open opens the book at path, makes it where there is none, and brings an older one to the present schema (after a backup beside it).
// A book of a newer schema, or a file that is something else, is refused and left as it is.
func Open(ctx context.Context, path string, opts Options) (*Book, error) {
	migrations, err := fs.Sub(migrationFiles, "migrations")
	if err != nil {
		return nil, fmt.Errorf("jobbook: %w", err)
	}
	return open(ctx, path, opts, migrations)
}

func open(ctx context.Context, path string, opts Options, migrations fs.FS) (*Book, error) {
	abs, err := filepath.Abs(path)
	if err != nil {
		return nil, fmt.Errorf("jobbook: %w", err)
	}
	if _, err := os.Stat(filepath.Dir(abs)); err != nil {
		return nil, fmt.Errorf("jobbook: the folder for %s: %w", abs, err)
	}
	if f, err := os.OpenFile(abs, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600); err == nil { // what people say is not for every account to read
		if err := f.Close(); err != nil {
			return nil, fmt.Errorf("jobbook: create %s: %w", abs, err)
		}
	} else if !errors.Is(err, fs.ErrExist) {
		return nil, fmt.Errorf("jobbook: create %s: %w", abs, err)
	}
	b := &Book{path: abs}
	if b.write, err = sql.Open("sqlite", dsn(abs, false)); err != nil {
		return nil, fmt.Errorf("jobbook: open %s: %w", abs, err)
	}
	b.write.SetMaxOpenConns(1)
	if b.read, err = sql.Open("sqlite", dsn(abs, true)); err != nil {
		return nil, errors.Join(fmt.Errorf("jobbook: open %s: %w", abs, err), b.write.Close())
	}
	b.read.SetMaxOpenConns(3)
	if err := b.prepare(ctx, opts, migrations); err != nil {
		return nil, errors.Join(err, b.Close())
	}
	return b, nil
}

// dsn gives the data source name. The journal mode is set by prepare, after it is known that the file is ours.
func dsn(path string, readOnly bool) string {
	q := url.Values{}
	for _, p := range []string{"synchronous(FULL)", "busy_timeout(10000)", "foreign_keys(1)", "journal_size_limit(4194304)"} {
		q.Add("_pragma", p)
	}
	if readOnly {
		q.Add("_pragma", "query_only(1)")
	} else {
		q.Set("_txlock", "immediate")
	}
	return (&url.URL{Scheme: "file", Path: path, RawQuery: q.Encode()}).String()
}

func (b *Book) prepare(ctx context.Context, opts Options, migrations fs.FS) error {
	if err := b.migrate(ctx, migrations); err != nil {
		return err
	}
	if err := b.begin(ctx, opts); err != nil {
		return err
	}
	return b.catchUp(ctx)
}

// begin writes the first row of a new book: its id, so that the chains of two books never look alike.
func (b *Book) begin(ctx context.Context, opts Options) error {
	return b.inTx(ctx, func(tx *sql.Tx) error {
		seq, _, err := head(ctx, tx)
		if err != nil || seq > 0 {
			return err
		}
		id, now, clock := opts.BookID, time.Now, opts.Clock
		if id == "" {
			raw := make([]byte, 16)
			if _, err := rand.Read(raw); err != nil {
				return fmt.Errorf("jobbook: make an id for the book: %w", err)
			}
			id = hex.EncodeToString(raw)
		}
		if opts.Now != nil {
			now = opts.Now
		}
		if clock == "" {
			clock = ClockUnsynced
		}
		e := Entry{At: Stamp{Wall: now().UnixMilli(), Boot: opts.Boot, Clock: clock}, Who: machine, Key: ""}
		_, err = record(ctx, tx, &e, BeginBook{Book: id})
		return err
	})
}

// Close ends the use of the book. A second Close returns nil.
func (b *Book) Close() error {
	var errs []error
	for _, db := range []*sql.DB{b.read, b.write} {
		if db != nil {
			errs = append(errs, db.Close())
		}
	}
	return errors.Join(errs...)
}

// Path gives the absolute path of the file.
func (b *Book) Path() string { return b.path }

// inTx runs f in one write transaction.
func (b *Book) inTx(ctx context.Context, f func(*sql.Tx) error) error {
	folder := filepath.Dir(b.path)
	if err := durable.Writable(folder); err != nil {
		return fmt.Errorf("%w: %w", ErrNotKept, err)
	}
	tx, err := b.write.BeginTx(ctx, nil)
	if err != nil {
		return fmt.Errorf("jobbook: begin: %w", notKept(err))
	}
	if err := f(tx); err != nil {
		if back := tx.Rollback(); back != nil && !errors.Is(back, sql.ErrTxDone) {
			err = errors.Join(err, fmt.Errorf("jobbook: roll back: %w", back))
		}
		return notKept(err)
	}
	if err := tx.Commit(); err != nil {
		return fmt.Errorf("jobbook: commit: %w", notKept(err))
	}
	return durable.Writable(folder) // else it may stand in memory alone: nobody is told that it was kept
}

// Integrity asks SQLite to check every page and index. It reads the whole file: seconds for a large book on a small board.
func (b *Book) Integrity(ctx context.Context) error { return integrity(ctx, b.read, b.path) }

func integrity(ctx context.Context, db *sql.DB, path string) error {
	rows, err := db.QueryContext(ctx, "PRAGMA integrity_check(10)")
	if err != nil {
		return fmt.Errorf("jobbook: check %s: %w", path, err)
	}
	defer rows.Close()
	var bad []error
	for rows.Next() {
		var line string
		if err := rows.Scan(&line); err != nil {
			return fmt.Errorf("jobbook: check %s: %w", path, err)
		}
		if line != "ok" {
			bad = append(bad, fmt.Errorf("jobbook: %s is damaged: %s", path, line))
		}
	}
	if err := rows.Err(); err != nil {
		return fmt.Errorf("jobbook: check %s: %w", path, err)
	}
	return errors.Join(bad...)
}
