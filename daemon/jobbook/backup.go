package jobbook

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"os"
	"path/filepath"
)

// Backup writes a copy of the book to a new file: everything acknowledged before the call is in it.
func (b *Book) Backup(ctx context.Context, to string) error { return Copy(ctx, b.path, to) }

// Copy writes all that was acknowledged in the book at a path to a new file, while another process may go on writing it. The copy is checked and
// synced before it gets its name, so that one that was interrupted leaves no file of that name. An existing file is not overwritten.
func Copy(ctx context.Context, from, to string) error {
	if _, err := os.Stat(from); err != nil { // SQLite would make an empty one
		return fmt.Errorf("jobbook: backup: %w", err)
	}
	if _, err := os.Lstat(to); err == nil {
		return fmt.Errorf("jobbook: backup: %s exists already: name a new file", to)
	}
	part := to + ".part"
	if err := os.Remove(part); err != nil && !os.IsNotExist(err) {
		return fmt.Errorf("jobbook: backup: %w", err)
	}
	err := copyInto(ctx, from, part)
	if err == nil {
		err = checkCopy(ctx, part)
	}
	if err == nil {
		err = syncPath(part)
	}
	if err == nil {
		err = os.Rename(part, to)
	}
	if err != nil {
		return errors.Join(fmt.Errorf("jobbook: backup to %s: %w", to, err), removeIfThere(part))
	}
	return syncPath(filepath.Dir(to))
}

// copyInto copies by VACUUM INTO over a connection of its own, so that commands go on meanwhile.
func copyInto(ctx context.Context, from, to string) error {
	db, err := sql.Open("sqlite", dsn(from, false))
	if err != nil {
		return err
	}
	db.SetMaxOpenConns(1)
	_, err = db.ExecContext(ctx, "VACUUM INTO ?", to)
	return errors.Join(err, db.Close())
}

// CheckFile reads a closed book through and tells what is wrong with it: no job book, damaged, or with a chain that does not hold.
func CheckFile(ctx context.Context, path string) error {
	if _, err := os.Stat(path); err != nil {
		return fmt.Errorf("jobbook: check: %w", err)
	}
	if err := checkCopy(ctx, path); err != nil {
		return fmt.Errorf("jobbook: check %s: %w", path, err)
	}
	return nil
}

func checkCopy(ctx context.Context, path string) error {
	db, err := sql.Open("sqlite", dsn(path, true))
	if err != nil {
		return err
	}
	return errors.Join(integrity(ctx, db, path), db.Close())
}

func syncPath(path string) error {
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	return errors.Join(f.Sync(), f.Close())
}

func removeIfThere(path string) error {
	if err := os.Remove(path); err != nil && !os.IsNotExist(err) {
		return err
	}
	return nil
}
