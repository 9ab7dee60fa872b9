package jobbook

import (
	"context"
	"fmt"
	"io/fs"
	"os"
	"sort"
	"strconv"
	"strings"
)

// applicationID marks the file as a job book of tackline in SQLite's header: "tkjb".
const applicationID = 0x746b6a62

type migration struct {
	version int64
	name    string
	sql     string
}

// loadMigrations reads files named NNNN_what.sql, which must count up from 1 without a gap.
func loadMigrations(files fs.FS) ([]migration, error) {
	names, err := fs.Glob(files, "*.sql")
	if err != nil {
		return nil, fmt.Errorf("jobbook: migrations: %w", err)
	}
	sort.Strings(names)
	var all []migration
	for i, name := range names {
		number, _, _ := strings.Cut(name, "_")
		version, err := strconv.ParseInt(number, 10, 64)
		if err != nil || version != int64(i)+1 {
			return nil, fmt.Errorf("jobbook: migration %s: want number %04d", name, i+1)
		}
		text, err := fs.ReadFile(files, name)
		if err != nil {
			return nil, fmt.Errorf("jobbook: migration %s: %w", name, err)
		}
		all = append(all, migration{version: version, name: name, sql: string(text)})
	}
	return all, nil
}

// migrate brings the file to the newest schema. Whatever it refuses it leaves as it found it.
func (b *Book) migrate(ctx context.Context, files fs.FS) error {
	all, err := loadMigrations(files)
	if err != nil {
		return err
	}
	have, err := b.schema(ctx)
	if err != nil {
		return err
	}
	newest := int64(len(all))
	if have > newest {
		return fmt.Errorf("jobbook: %s has schema %d, written by a newer tackline; this one knows schemas up to %d: install the newer version again, "+
			"or restore the backup that it made before it changed the file", b.path, have, newest)
	}
	if _, err := b.write.ExecContext(ctx, "PRAGMA journal_mode = WAL"); err != nil {
		return fmt.Errorf("jobbook: set WAL on %s: %w", b.path, err)
	}
	if have == newest {
		return nil
	}
	if have > 0 {
		aside := fmt.Sprintf("%s.before-schema-%d", b.path, newest)
		if err := os.Remove(aside); err != nil && !os.IsNotExist(err) { // of an upgrade that did not come to its end
			return fmt.Errorf("jobbook: %w", err)
		}
		if err := b.Backup(ctx, aside); err != nil {
			return fmt.Errorf("jobbook: back up before the change to schema %d: %w", newest, err)
		}
	}
	for _, m := range all[have:] {
		if err := b.step(ctx, m); err != nil {
			return err
		}
	}
	return nil
}

// step runs one migration and sets the version in the same transaction.
func (b *Book) step(ctx context.Context, m migration) error {
	tx, err := b.write.BeginTx(ctx, nil)
	if err != nil {
		return fmt.Errorf("jobbook: migration %s: %w", m.name, err)
	}
	defer tx.Rollback() //nolint:errcheck // after a commit it has nothing to do
	for _, text := range []string{m.sql, fmt.Sprintf("PRAGMA application_id = %d", applicationID), fmt.Sprintf("PRAGMA user_version = %d", m.version)} {
		if _, err := tx.ExecContext(ctx, text); err != nil {
			return fmt.Errorf("jobbook: migration %s: %w", m.name, err)
		}
	}
	if err := tx.Commit(); err != nil {
		return fmt.Errorf("jobbook: migration %s: %w", m.name, err)
	}
	return nil
}

// schema gives the version of the file, 0 for a new one. A file that is no job book is an error.
func (b *Book) schema(ctx context.Context) (int64, error) {
	var version, app, tables int64
	row := b.write.QueryRowContext(ctx, "SELECT (SELECT user_version FROM pragma_user_version), (SELECT application_id FROM pragma_application_id), "+
		"(SELECT count(*) FROM sqlite_master)")
	if err := row.Scan(&version, &app, &tables); err != nil {
		return 0, fmt.Errorf("jobbook: %s cannot be read as a job book (%w): restore a backup, or move the file away to begin a new book", b.path, err)
	}
	if app != applicationID && (app != 0 || version != 0 || tables != 0) {
		return 0, fmt.Errorf("jobbook: %s is a database of something else: name another file", b.path)
	}
	return version, nil
}
