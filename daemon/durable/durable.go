// Package durable writes small files so that a power cut leaves the old one or the new one, and never half of it or nothing. It tells where nothing
// that is written would last.
package durable

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"syscall"
)

// ErrReadOnly is wrapped by Writable.
var ErrReadOnly = errors.New("durable: the disk is read-only")

const readOnly = 1 // ST_RDONLY of statvfs(3)

// Writable tells whether the file system that holds a path takes what is written. Ask it before a file that has long been open is written: where the
// kernel has turned a disk read-only, ext4 (tried on 6.1) still takes writes to such a file into memory and says of fsync that it was done.
func Writable(path string) error {
	var st syscall.Statfs_t
	if err := syscall.Statfs(path, &st); err != nil {
		return fmt.Errorf("durable: the disk of %s: %w", path, err)
	}
	if st.Flags&readOnly != 0 {
		return fmt.Errorf("%w: it holds %s", ErrReadOnly, path)
	}
	return nil
}

// WriteFile writes a file beside its place, brings it to the disk, and only then gives it its name; then the name is brought to the disk too.
// An older file of that name is replaced. After an error the older file, or none, stands there.
func WriteFile(path string, data []byte, mode os.FileMode) (err error) {
	dir, name := filepath.Split(path)
	if dir == "" {
		dir = "."
	}
	f, err := os.CreateTemp(dir, "."+name+".new-*")
	if err != nil {
		return fmt.Errorf("durable: write %s: %w", path, err)
	}
	defer func() {
		if err != nil {
			err = fmt.Errorf("durable: write %s: %w", path, errors.Join(err, ignoreGone(os.Remove(f.Name()))))
		}
	}()
	_, err = f.Write(data)
	if err = errors.Join(err, f.Chmod(mode), f.Sync(), f.Close()); err != nil {
		return err
	}
	if err = os.Rename(f.Name(), path); err != nil {
		return err
	}
	return syncFolder(dir)
}

func syncFolder(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}

func ignoreGone(err error) error {
	if errors.Is(err, os.ErrNotExist) {
		return nil
	}
	return err
}
