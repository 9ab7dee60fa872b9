package store

import (
	"context"
	"database/sql"
	"embed"
	"errors"
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"time"

	"modernc.org/sqlite"
	lib "modernc.org/sqlite/lib"
)

//go:embed migrations/*.sql
var migrations embed.FS

const (
	pageSize      = 1024
	defaultBuffer = 250_000
	// checkpointEvery is how many pages the WAL gathers before they are moved into the file.
	checkpointEvery = 2000
	walLimit        = 4 << 20  // the WAL is cut back to this when it starts over
	walTooLong      = 12 << 20 // above this the writer asks for a checkpoint that empties it
)

// Open opens or makes the file. A file that cannot be read as a database is renamed to name.corrupt-<time> and a fresh one begun, so that
// recording goes on: SetAside tells. Errors wrap ErrLocked where another has it open and ErrNewerSchema where a newer program wrote it.
func Open(ctx context.Context, path string, opt Options) (*Store, error) {
	if opt.Now == nil {
		opt.Now = time.Now
	}
	if opt.Buffer <= 0 {
		opt.Buffer = defaultBuffer
	}
	if opt.AdviceEvery == 0 {
		opt.AdviceEvery = 10 * time.Minute
	}
	if opt.Disk == nil {
		opt.Disk = func() (int64, int64, error) { return Disk(filepath.Dir(path)) }
	}
	lock, err := lockFile(path + ".lock")
	if err != nil {
		return nil, err
	}
	s := &Store{path: path, opt: opt, lock: lock, reg: newRegistry(), tail: map[int32][]sample{}, latest: map[int32]newest{},
		followers: map[string]follower{}}
	if err := s.start(ctx); err != nil {
		return nil, errors.Join(err, lock.Close())
	}
	return s, nil
}

// start connects and loads, once more on a fresh file where the first is damaged.
func (s *Store) start(ctx context.Context) error {
	err := s.connect(ctx)
	if err == nil {
		if err = s.load(ctx); err == nil {
			return s.resumeRedate(ctx)
		}
		err = errors.Join(err, s.disconnect())
	}
	if !isDamaged(err) {
		return err
	}
	if err := s.putAside(); err != nil {
		return err
	}
	s.reg, s.tail, s.inTail, s.latest = newRegistry(), map[int32][]sample{}, 0, map[int32]newest{}
	s.followers, s.advice = map[string]follower{}, adviceState{}
	if err := s.connect(ctx); err != nil {
		return err
	}
	return s.load(ctx)
}

// lockFile keeps a second writer out. The lock ends with the process, however it ends.
func lockFile(name string) (*os.File, error) {
	f, err := os.OpenFile(name, os.O_RDWR|os.O_CREATE, 0o640)
	if err != nil {
		return nil, fmt.Errorf("store: open lock: %w", err)
	}
	if err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB); err != nil {
		err = fmt.Errorf("%w: %s is held by another process; stop that one first", ErrLocked, name)
		return nil, errors.Join(err, f.Close())
	}
	return f, nil
}

// putAside renames the file and what SQLite keeps beside it.
func (s *Store) putAside() error {
	aside := s.path + ".corrupt-" + s.opt.Now().UTC().Format("20060102T150405.000Z")
	if err := os.Rename(s.path, aside); err != nil {
		return fmt.Errorf("store: put damaged file aside: %w", err)
	}
	for _, tail := range []string{"-wal", "-shm"} {
		if err := os.Rename(s.path+tail, aside+tail); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return fmt.Errorf("store: put damaged file aside: %w", err)
		}
	}
	s.mem.Lock()
	s.setAside = aside
	s.mem.Unlock()
	return nil
}

func isDamaged(err error) bool {
	var e *sqlite.Error
	if errors.As(err, &e) {
		code := e.Code() & 0xff
		return code == lib.SQLITE_CORRUPT || code == lib.SQLITE_NOTADB
	}
	return errors.Is(err, errTruncated)
}

var errTruncated = errors.New("store: file is shorter than it says")

func dsn(path string, pragmas ...string) string {
	v := url.Values{"_pragma": pragmas, "_txlock": {"immediate"}}
	return "file:" + (&url.URL{Path: path}).EscapedPath() + "?" + v.Encode()
}

func (s *Store) connect(ctx context.Context) error {
	if err := checkLength(s.path); err != nil {
		return err
	}
	if err := s.make(ctx); err != nil {
		return err
	}
	w, err := sql.Open("sqlite", dsn(s.path, "busy_timeout(10000)", "journal_mode(WAL)", "synchronous(FULL)", "foreign_keys(1)",
		fmt.Sprintf("journal_size_limit(%d)", walLimit), "cache_size(-1024)", fmt.Sprintf("wal_autocheckpoint(%d)", checkpointEvery)))
	if err != nil {
		return fmt.Errorf("store: open: %w", err)
	}
	w.SetMaxOpenConns(1)
	if err := s.migrate(ctx, w); err != nil {
		return errors.Join(err, w.Close())
	}
	r, err := sql.Open("sqlite", dsn(s.path, "busy_timeout(10000)", "query_only(1)", "cache_size(-512)"))
	if err != nil {
		return errors.Join(fmt.Errorf("store: open: %w", err), w.Close())
	}
	r.SetMaxOpenConns(4)
	r.SetMaxIdleConns(2)
	s.writer, s.reader = w, r
	if err := r.QueryRowContext(ctx, `SELECT coalesce(max(down_to), 0) FROM rolled`).Scan(&s.rolled); err != nil {
		return errors.Join(fmt.Errorf("store: open %s: %w", s.path, err), s.disconnect())
	}
	return nil
}

// make begins a new file. The page size can only be chosen before the WAL is, and the driver sorts pragmas by name.
func (s *Store) make(ctx context.Context) error {
	if size(s.path) > 0 {
		return nil
	}
	db, err := sql.Open("sqlite", dsn(s.path, fmt.Sprintf("page_size(%d)", pageSize)))
	if err != nil {
		return fmt.Errorf("store: make %s: %w", s.path, err)
	}
	if _, err = db.ExecContext(ctx, `PRAGMA journal_mode(WAL)`); err != nil {
		err = fmt.Errorf("store: make %s: %w", s.path, err)
	}
	return errors.Join(err, db.Close())
}

func (s *Store) disconnect() error { return errors.Join(s.reader.Close(), s.writer.Close()) }

// checkLength finds a file that was cut off. SQLite would notice only when it gets there.
func checkLength(path string) error {
	f, err := os.Open(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return fmt.Errorf("store: open: %w", err)
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return fmt.Errorf("store: open: %w", err)
	}
	if wal, err := os.Stat(path + "-wal"); err == nil && wal.Size() > 0 || info.Size() == 0 {
		return nil // what is missing may stand in the WAL
	}
	var head [32]byte
	if _, err := f.ReadAt(head[:], 0); err != nil {
		return fmt.Errorf("%w: %s", errTruncated, path)
	}
	// https://www.sqlite.org/fileformat2.html section 1.3: page size at 16 (1 means 65536), pages of the file at 28
	page := int64(head[16])<<8 | int64(head[17])
	if page == 1 {
		page = 65536
	}
	pages := int64(head[28])<<24 | int64(head[29])<<16 | int64(head[30])<<8 | int64(head[31])
	if string(head[:15]) == "SQLite format 3" && pages*page > info.Size() {
		return fmt.Errorf("%w: %s has %d bytes of %d", errTruncated, path, info.Size(), pages*page)
	}
	return nil
}

// migrate brings the schema up to date, one transaction a file, after a copy of the old one was made.
func (s *Store) migrate(ctx context.Context, db *sql.DB) error {
	names, err := fs.Glob(migrations, "migrations/*.sql")
	if err != nil {
		return fmt.Errorf("store: migrations: %w", err)
	}
	slices.Sort(names)
	var have int64
	if err := db.QueryRowContext(ctx, `PRAGMA user_version`).Scan(&have); err != nil {
		return fmt.Errorf("store: open %s: %w", s.path, err)
	}
	want := int64(len(names))
	if have > want {
		return fmt.Errorf("%w: %s has version %d, this program knows up to %d; use the newer program, or move the file away to start afresh",
			ErrNewerSchema, s.path, have, want)
	}
	if have > 0 && have < want {
		if err := vacuumInto(ctx, db, fmt.Sprintf("%s.before-version-%d", s.path, want)); err != nil {
			return fmt.Errorf("store: copy before migration: %w", err)
		}
	}
	for i := have; i < want; i++ {
		text, err := fs.ReadFile(migrations, names[i])
		if err != nil {
			return fmt.Errorf("store: migrations: %w", err)
		}
		err = s.migrateOne(ctx, db, string(text), i+1)
		if err != nil {
			return fmt.Errorf("store: migrate by %s: %w", filepath.Base(names[i]), err)
		}
	}
	return nil
}

func (s *Store) migrateOne(ctx context.Context, db *sql.DB, text string, version int64) error {
	tx, err := db.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	if _, err := tx.ExecContext(ctx, text); err != nil {
		return errors.Join(err, tx.Rollback())
	}
	if _, err := tx.ExecContext(ctx, fmt.Sprintf(`PRAGMA user_version = %d`, version)); err != nil {
		return errors.Join(err, tx.Rollback())
	}
	return tx.Commit()
}

// load fills the memory: names, the open hour, the newest of each channel.
func (s *Store) load(ctx context.Context) error {
	if err := s.reg.load(ctx, s.reader); err != nil {
		return fmt.Errorf("store: load names: %w", err)
	}
	if err := s.loadFollowers(ctx); err != nil {
		return fmt.Errorf("store: load followers: %w", err)
	}
	if err := s.loadLatest(ctx); err != nil {
		return fmt.Errorf("store: load newest: %w", err)
	}
	if err := s.loadHot(ctx); err != nil {
		return fmt.Errorf("store: load open hour: %w", err)
	}
	var top int64
	if err := s.reader.QueryRowContext(ctx, `SELECT max(coalesce((SELECT max(seq) FROM hot), 0), coalesce((SELECT max(seq) FROM block), 0))`).
		Scan(&top); err != nil {
		return fmt.Errorf("store: load: %w", err)
	}
	for _, f := range s.followers {
		top = max(top, f.at.Seq)
	}
	s.committed, s.open = top, top+1
	s.sealed = s.hour
	return s.loadAdvice(ctx)
}

func (s *Store) loadHot(ctx context.Context) error {
	var bad []int64
	err := query(ctx, s.reader, `SELECT seq, data FROM hot ORDER BY seq`, nil, func(rows *sql.Rows) error {
		var seq int64
		var data []byte
		if err := rows.Scan(&seq, &data); err != nil {
			return err
		}
		all, err := unpackHot(data, seq)
		if err != nil {
			bad = append(bad, seq)
			return nil
		}
		for i := range all {
			if s.reg.known(&all[i]) {
				s.insert(all[i])
			}
		}
		return nil
	})
	if err != nil {
		return err
	}
	for _, seq := range bad {
		s.state.Damaged++
		if err := s.moveDamaged(ctx, "hot", "seq", seq); err != nil {
			return err
		}
	}
	return nil
}

// moveDamaged keeps packed data whose sum does not fit where nothing trips over it.
func (s *Store) moveDamaged(ctx context.Context, table, key string, id int64) error {
	return s.inTx(ctx, func(tx *sql.Tx) error {
		if _, err := tx.ExecContext(ctx, `INSERT INTO damaged (id, kind, data) SELECT `+key+`, ?, data FROM `+table+` WHERE `+key+` = ?`,
			table, id); err != nil {
			return err
		}
		_, err := tx.ExecContext(ctx, `DELETE FROM `+table+` WHERE `+key+` = ?`, id)
		return err
	})
}

// loadLatest reads the last block of every channel; loadHot then puts newer ones on top.
func (s *Store) loadLatest(ctx context.Context) error {
	for i, c := range s.reg.channel {
		if !c.has {
			continue
		}
		var data []byte
		err := s.reader.QueryRowContext(ctx, `SELECT data FROM block WHERE id = ?`, blockID(floorDiv(c.last, hourMs), int32(i+1))).Scan(&data)
		if errors.Is(err, sql.ErrNoRows) {
			continue // pruned
		}
		if err != nil {
			return err
		}
		all, err := unpackBlock(data, 0)
		if err != nil {
			continue // found and counted by whoever reads that hour
		}
		for i := range all {
			if s.reg.known(&all[i]) {
				s.noteNewest(&all[i])
			}
		}
	}
	return nil
}

func blockID(hour int64, channel int32) int64 { return hour<<16 | int64(channel) }

func blockKey(id int64) (hour int64, channel int32) { return id >> 16, int32(id & 0xffff) }

// quoted makes an SQL string of a file name; VACUUM INTO takes no parameter through every driver.
func quoted(name string) string { return "'" + strings.ReplaceAll(name, "'", "''") + "'" }
