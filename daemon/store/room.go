package store

import (
	"context"
	"errors"
	"fmt"
	"syscall"

	"modernc.org/sqlite"
	lib "modernc.org/sqlite/lib"
)

// Disk gives how many bytes of the file system that holds a folder are free to us, and how many it has.
func Disk(folder string) (free, size int64, err error) {
	var st syscall.Statfs_t
	if err := syscall.Statfs(folder, &st); err != nil {
		return 0, 0, fmt.Errorf("store: free space of %s: %w", folder, err)
	}
	return int64(st.Bavail) * int64(st.Bsize), int64(st.Blocks) * int64(st.Bsize), nil
}

// IsFull tells whether an error of Commit, Prune or Import says that there is no room, on the disk or under the reserve.
func IsFull(err error) bool {
	var e *sqlite.Error
	return errors.As(err, &e) && e.Code()&0xff == lib.SQLITE_FULL || errors.Is(err, syscall.ENOSPC)
}

// unbounded is as many pages as SQLite can have: its limit is off.
const unbounded = 4_294_967_294

// capSize keeps the reserve: the file may grow by what is free beyond it and no more, and what stands in the WAL is moved into the file while
// there is room for that. Where the disk cannot be asked nothing is held back. The caller holds writing.
func (s *Store) capSize(ctx context.Context) error {
	if s.opt.Reserve <= 0 {
		return nil
	}
	free, _, err := s.opt.Disk()
	near := err == nil && free < 4*s.opt.Reserve
	if !near && !s.capped {
		return nil
	}
	pages := int64(unbounded)
	if near {
		if err := s.writer.QueryRowContext(ctx, `PRAGMA page_count`).Scan(&pages); err != nil {
			return fmt.Errorf("store: count pages: %w", err)
		}
		pages += max(0, free-s.opt.Reserve) / pageSize
	}
	if _, err := s.writer.ExecContext(ctx, fmt.Sprintf(`PRAGMA max_page_count = %d`, pages)); err != nil {
		return fmt.Errorf("store: bound the file: %w", err)
	}
	if near != s.capped {
		every := int64(checkpointEvery)
		if near {
			s.reuseWAL(ctx)
			every /= 10
		}
		if _, err := s.writer.ExecContext(ctx, fmt.Sprintf(`PRAGMA wal_autocheckpoint = %d`, every)); err != nil {
			return fmt.Errorf("store: bound the WAL: %w", err)
		}
	}
	s.capped = near
	return nil
}

// reuseWAL moves what stands in the WAL into the file, so that what comes next is written over it: where a disk is full the WAL cannot grow,
// though the file has room within. It tells whether all was moved. The caller holds writing.
func (s *Store) reuseWAL(ctx context.Context) bool {
	var busy, pages, moved int64
	err := s.writer.QueryRowContext(ctx, `PRAGMA wal_checkpoint(RESTART)`).Scan(&busy, &pages, &moved)
	return err == nil && busy == 0
}
