// Package backup copies the two databases of a shed to a folder while the daemon runs, and brings such a copy back while it does not.
//
// A backup is one folder: readings.db, jobbook.db, the small files beside them, and contents.json with the length and the SHA-256 of each. It gets
// its name only when all of it is on the disk and was read back, so that a folder of that name is always whole.
package backup

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"tackline/daemon/jobbook"
	"tackline/daemon/store"
)

const (
	readings = "readings.db"
	book     = "jobbook.db"
	contents = "contents.json"
	prefix   = "tackline-"
	form     = 1
)

// beside are the small files that are copied as they are, where they are there.
var beside = [...]string{"seen.key", "record.key"}

// Contents says what is in a backup.
type Contents struct {
	Form  int64     `json:"form"`
	Made  time.Time `json:"made"`
	Files []File    `json:"files"`
}

// File is one file of a backup.
type File struct {
	Name   string `json:"name"`
	Bytes  int64  `json:"bytes"`
	SHA256 string `json:"sha256"`
}

// Make copies the databases in the folder data to a new folder within to, and gives its path. What the daemon has committed before the call is in
// it; readings of the last commit interval may not be. A shed that has no job book yet is an error; one without readings is not.
func Make(ctx context.Context, data, to string, at time.Time) (folder string, err error) {
	if err := os.MkdirAll(to, 0o750); err != nil {
		return "", fmt.Errorf("backup: %w", err)
	}
	folder = filepath.Join(to, prefix+at.UTC().Format("20060102T150405Z"))
	if _, err := os.Lstat(folder); err == nil {
		return "", fmt.Errorf("backup: %s is there already: one a second is enough", folder)
	}
	part := folder + ".part"
	if err := os.RemoveAll(part); err != nil {
		return "", fmt.Errorf("backup: %w", err)
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, os.RemoveAll(part))
		}
	}()
	if err := os.Mkdir(part, 0o750); err != nil {
		return "", fmt.Errorf("backup: %w", err)
	}
	if err := jobbook.Copy(ctx, filepath.Join(data, book), filepath.Join(part, book)); err != nil {
		return "", fmt.Errorf("backup: %w", err)
	}
	if err := store.Copy(ctx, filepath.Join(data, readings), filepath.Join(part, readings)); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return "", fmt.Errorf("backup: %w", err)
	}
	for _, name := range beside {
		if err := copyFile(filepath.Join(data, name), filepath.Join(part, name)); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return "", fmt.Errorf("backup: %w", err)
		}
	}
	if err := list(part, at); err != nil {
		return "", fmt.Errorf("backup: %w", err)
	}
	if err := errors.Join(sync(part), os.Rename(part, folder), sync(to)); err != nil {
		return "", fmt.Errorf("backup: %w", err)
	}
	return folder, nil
}

// list writes what is in a backup.
func list(folder string, at time.Time) error {
	c := Contents{Form: form, Made: at.UTC()}
	entries, err := os.ReadDir(folder)
	if err != nil {
		return err
	}
	for _, e := range entries {
		f, err := digest(filepath.Join(folder, e.Name()))
		if err != nil {
			return err
		}
		c.Files = append(c.Files, f)
	}
	b, err := json.MarshalIndent(c, "", "\t")
	if err != nil {
		return err
	}
	path := filepath.Join(folder, contents)
	return errors.Join(os.WriteFile(path, append(b, '\n'), 0o640), sync(path))
}

func digest(path string) (File, error) {
	f, err := os.Open(path)
	if err != nil {
		return File{}, err
	}
	defer f.Close()
	h := sha256.New()
	n, err := io.Copy(h, f)
	return File{Name: filepath.Base(path), Bytes: n, SHA256: hex.EncodeToString(h.Sum(nil))}, err
}

// Prune removes the oldest backups in a folder until keep are left, and gives what it removed. Only whole backups count and go, and what an
// interrupted one left.
func Prune(to string, keep int64) (removed []string, err error) {
	if keep < 1 {
		return nil, fmt.Errorf("backup: keep %d: want 1 or more", keep)
	}
	entries, err := os.ReadDir(to)
	if err != nil {
		return nil, fmt.Errorf("backup: %w", err)
	}
	var all, broken []string
	for _, e := range entries {
		switch name := e.Name(); {
		case !e.IsDir() || !strings.HasPrefix(name, prefix):
		case strings.HasSuffix(name, ".part"):
			broken = append(broken, name)
		default:
			if _, err := os.Stat(filepath.Join(to, name, contents)); err == nil {
				all = append(all, name)
			}
		}
	}
	slices.Sort(all) // their names are their times
	gone := append(broken, all[:max(0, len(all)-int(keep))]...)
	for _, name := range gone {
		path := filepath.Join(to, name)
		if err := os.RemoveAll(path); err != nil {
			return removed, fmt.Errorf("backup: %w", err)
		}
		removed = append(removed, path)
	}
	return removed, nil
}

// Check reads a backup through: every file as long and with the sum that contents.json says, and both databases whole.
func Check(ctx context.Context, folder string) (Contents, error) {
	var c Contents
	b, err := os.ReadFile(filepath.Join(folder, contents))
	if err != nil {
		return c, fmt.Errorf("backup: %s is no whole backup: %w", folder, err)
	}
	if err := json.Unmarshal(b, &c); err != nil {
		return c, fmt.Errorf("backup: %s: %w", filepath.Join(folder, contents), err)
	}
	if c.Form != form {
		return c, fmt.Errorf("backup: %s has form %d, this program knows %d: use the newer program", folder, c.Form, form)
	}
	named := map[string]bool{}
	for _, f := range c.Files {
		if f.Name != filepath.Base(f.Name) || f.Name == "." || f.Name == ".." {
			return c, fmt.Errorf("backup: %s names %q, which is no plain file name", contents, f.Name)
		}
		named[f.Name] = true
		got, err := digest(filepath.Join(folder, f.Name))
		if err != nil {
			return c, fmt.Errorf("backup: %w", err)
		}
		if got != f {
			return c, fmt.Errorf("backup: %s is not as it was written: %d bytes with sum %.12s, want %d with %.12s", f.Name, got.Bytes, got.SHA256, f.Bytes, f.SHA256)
		}
	}
	if !named[book] {
		return c, fmt.Errorf("backup: %s has no job book", folder)
	}
	if err := jobbook.CheckFile(ctx, filepath.Join(folder, book)); err != nil {
		return c, fmt.Errorf("backup: %w", err)
	}
	if named[readings] {
		if err := store.CheckFile(ctx, filepath.Join(folder, readings)); err != nil {
			return c, fmt.Errorf("backup: %w", err)
		}
	}
	return c, nil
}

// Restore puts a backup in place of what is in the folder data, which no daemon may have open (the error wraps store.ErrLocked then). What was
// there is moved to a folder beside, whose path it gives; "" where there was nothing. A backup that is not whole changes nothing.
func Restore(ctx context.Context, folder, data string, at time.Time) (aside string, err error) {
	c, err := Check(ctx, folder)
	if err != nil {
		return "", err
	}
	if err := os.MkdirAll(data, 0o750); err != nil {
		return "", fmt.Errorf("backup: restore: %w", err)
	}
	release, err := store.Hold(filepath.Join(data, readings))
	if err != nil {
		return "", fmt.Errorf("backup: restore: %w", err)
	}
	defer func() { err = errors.Join(err, release()) }()
	for _, f := range c.Files { // first all that can fail for want of space
		if err := copyFile(filepath.Join(folder, f.Name), filepath.Join(data, f.Name+".restored")); err != nil {
			return "", fmt.Errorf("backup: restore: %w", err)
		}
	}
	if aside, err = putAside(data, at); err != nil {
		return aside, fmt.Errorf("backup: restore: %w", err)
	}
	for _, f := range c.Files {
		path := filepath.Join(data, f.Name)
		if err := os.Rename(path+".restored", path); err != nil {
			return aside, fmt.Errorf("backup: restore: %w", err)
		}
	}
	return aside, sync(data)
}

// putAside moves the databases and what SQLite keeps beside them to a folder of their own: a new file under an old -wal would be a blend of both.
func putAside(data string, at time.Time) (string, error) {
	aside := filepath.Join(data, "before-restore-"+at.UTC().Format("20060102T150405Z"))
	moved := ""
	for _, name := range append([]string{readings, readings + "-wal", readings + "-shm", book, book + "-wal", book + "-shm"}, beside[:]...) {
		if _, err := os.Lstat(filepath.Join(data, name)); errors.Is(err, fs.ErrNotExist) {
			continue
		}
		if moved == "" {
			if err := os.Mkdir(aside, 0o750); err != nil {
				return "", err
			}
			moved = aside
		}
		if err := os.Rename(filepath.Join(data, name), filepath.Join(aside, name)); err != nil {
			return moved, err
		}
	}
	return moved, nil
}

func copyFile(from, to string) error {
	in, err := os.Open(from)
	if err != nil {
		return err
	}
	defer in.Close()
	out, err := os.OpenFile(to, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o600)
	if err != nil {
		return err
	}
	_, err = io.Copy(out, in)
	return errors.Join(err, out.Sync(), out.Close())
}

// sync brings a file, or the names in a folder, to the disk.
func sync(path string) error {
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	return errors.Join(f.Sync(), f.Close())
}
