package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"
)

// Health is the state of the store, for the status page and for alarms.
type Health struct {
	Err         error // of the last commit; nil when it went well
	LastCommit  int64 // ms UTC by the wall clock, 0 before the first
	Commits     int64
	Pending     int64 // readings not on disk yet
	Dropped     int64 // readings lost because commits failed for longer than the buffer holds
	Damaged     int64 // packed data put aside because its sum did not fit
	DamagedSeen int64 // packed data passed over by readers for the same reason
	Pruned      int64 // hours of a channel since the start whose raw readings were let go
	FileBytes   int64
	WALBytes    int64
}

// Health gives the present state.
func (s *Store) Health() Health {
	s.mem.RLock()
	h := s.state
	s.mem.RUnlock()
	h.FileBytes, h.WALBytes = size(s.path), size(s.path+"-wal")
	return h
}

func size(name string) int64 {
	info, err := os.Stat(name)
	if err != nil {
		return 0
	}
	return info.Size()
}

// WriteBytes gives how many bytes this process has caused to be written to disk, all files together, as the kernel counts them.
func WriteBytes() (int64, error) {
	b, err := os.ReadFile("/proc/self/io")
	if err != nil {
		return 0, fmt.Errorf("store: count writes: %w", err)
	}
	for line := range strings.Lines(string(b)) {
		if text, ok := strings.CutPrefix(line, "write_bytes: "); ok {
			n, err := strconv.ParseInt(strings.TrimSpace(text), 10, 64)
			if err != nil {
				return 0, fmt.Errorf("store: count writes: %w", err)
			}
			return n, nil
		}
	}
	return 0, errors.New("store: count writes: the kernel does not say")
}

// boundWAL empties a WAL that grew because a reader held it or a batch was large. SQLite starts it over by itself otherwise. A reader in
// the way is no error: the next commit tries again. The caller holds writing.
func (s *Store) boundWAL(ctx context.Context) error {
	if size(s.path+"-wal") < walTooLong {
		return nil
	}
	c, err := s.writer.Conn(ctx)
	if err != nil {
		return fmt.Errorf("store: checkpoint: %w", err)
	}
	defer c.Close()
	if _, err := c.ExecContext(ctx, `PRAGMA busy_timeout = 100`); err != nil {
		return fmt.Errorf("store: checkpoint: %w", err)
	}
	var busy, pages, moved int64
	err = c.QueryRowContext(ctx, `PRAGMA wal_checkpoint(TRUNCATE)`).Scan(&busy, &pages, &moved)
	_, err2 := c.ExecContext(ctx, `PRAGMA busy_timeout = 10000`)
	if err := errors.Join(err, err2); err != nil {
		return fmt.Errorf("store: checkpoint: %w", err)
	}
	return nil
}

// Integrity has SQLite check the whole file and checks the sums of all packed data. It reads everything, so it takes its time; it blocks
// nobody. nil means that nothing was found.
func (s *Store) Integrity(ctx context.Context) error {
	s.mem.RLock()
	err, db := s.checkOpen(), s.reader
	s.mem.RUnlock()
	if err != nil {
		return err
	}
	if err := integrity(ctx, db); err != nil {
		return fmt.Errorf("store: %s: %w", s.path, err)
	}
	bad, err := badSums(ctx, db)
	if err != nil {
		return fmt.Errorf("store: %s: %w", s.path, err)
	}
	if bad > 0 {
		return fmt.Errorf("store: %s: %d packed rows are damaged: %w", s.path, bad, errDamaged)
	}
	return nil
}

func integrity(ctx context.Context, db *sql.DB) error {
	var found []string
	err := query(ctx, db, `PRAGMA integrity_check(20)`, nil, func(rows *sql.Rows) error {
		var text string
		if err := rows.Scan(&text); err != nil {
			return err
		}
		found = append(found, text)
		return nil
	})
	if err != nil {
		return err
	}
	if len(found) != 1 || found[0] != "ok" {
		return fmt.Errorf("integrity check found: %s", strings.Join(found, "; "))
	}
	return nil
}

func badSums(ctx context.Context, db *sql.DB) (bad int64, err error) {
	for _, t := range append([]level{{table: "block", kind: kindBlock}}, levels[:]...) {
		for after, more := int64(-1), true; more; {
			more = false
			err := query(ctx, db, `SELECT id, data FROM `+t.table+` WHERE id > ? ORDER BY id LIMIT 500`, []any{after}, func(rows *sql.Rows) error {
				var data sql.RawBytes
				if err := rows.Scan(&after, &data); err != nil {
					return err
				}
				more = true
				if _, _, err := unseal(data, t.kind); err != nil {
					bad++
				}
				return nil
			})
			if err != nil {
				return bad, err
			}
		}
	}
	return bad, nil
}

// Backup commits, and writes a whole, checked copy to a new file; it never shows a half one under that name. An existing file is replaced.
func (s *Store) Backup(ctx context.Context, path string) error {
	if err := s.Commit(ctx); err != nil {
		return err
	}
	return Copy(ctx, s.path, path)
}

// Copy writes all that is committed in a file to a new one, while another process may go on writing it. The copy is checked and synced before it
// gets its name, so that one that was interrupted leaves no file of that name.
func Copy(ctx context.Context, from, to string) error {
	if _, err := os.Stat(from); err != nil { // SQLite would make an empty one
		return fmt.Errorf("store: copy: %w", err)
	}
	db, err := sql.Open("sqlite", dsn(from, "busy_timeout(10000)"))
	if err != nil {
		return fmt.Errorf("store: copy: %w", err)
	}
	err = vacuumInto(ctx, db, to)
	if err = errors.Join(err, db.Close()); err != nil {
		return fmt.Errorf("store: copy %s to %s: %w", from, to, err)
	}
	return nil
}

// CheckFile reads a closed file through and tells what is wrong with it: no database of readings, damaged, or of a newer program.
func CheckFile(ctx context.Context, path string) error {
	if _, err := os.Stat(path); err != nil {
		return fmt.Errorf("store: check: %w", err)
	}
	if err := checkLength(path); err != nil {
		return fmt.Errorf("store: check %s: %w", path, err)
	}
	if err := checkCopy(ctx, path); err != nil {
		return fmt.Errorf("store: check %s: %w", path, err)
	}
	return nil
}

// Hold keeps every other process from opening the file at a path, as an open store does. Its error wraps ErrLocked where one has it open.
func Hold(path string) (release func() error, err error) {
	lock, err := lockFile(path + ".lock")
	if err != nil {
		return nil, err
	}
	return lock.Close, nil
}

// vacuumInto copies by way of a name of its own, checks, syncs and renames.
func vacuumInto(ctx context.Context, db *sql.DB, path string) (err error) {
	part := path + ".part"
	if err := remove(part); err != nil {
		return err
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, remove(part))
		}
	}()
	if _, err := db.ExecContext(ctx, `VACUUM INTO `+quoted(part)); err != nil {
		return err
	}
	if err := checkCopy(ctx, part); err != nil {
		return err
	}
	if err := syncFile(part); err != nil {
		return err
	}
	if err := os.Rename(part, path); err != nil {
		return err
	}
	return syncFile(filepath.Dir(path))
}

func checkCopy(ctx context.Context, path string) error {
	db, err := sql.Open("sqlite", dsn(path, "query_only(1)"))
	if err != nil {
		return err
	}
	return errors.Join(integrity(ctx, db), db.Close())
}

func remove(name string) error {
	if err := os.Remove(name); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	return nil
}

func syncFile(name string) error {
	f, err := os.Open(name)
	if err != nil {
		return err
	}
	return errors.Join(f.Sync(), f.Close())
}
