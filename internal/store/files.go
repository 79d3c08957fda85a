package store

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
)

// exists reports whether there is a file that is not empty.
func exists(path string) bool {
	info, err := os.Stat(path)
	return err == nil && info.Size() > 0
}

// beside are the endings of the files that SQLite keeps beside a database.
func beside() []string { return []string{"-wal", "-shm", "-journal"} }

// removeDatabase removes a database with all that is beside it.
func removeDatabase(path string) error {
	var errs []error
	for _, end := range append(beside(), "") {
		if err := os.Remove(path + end); !errors.Is(err, os.ErrNotExist) {
			errs = append(errs, err)
		}
	}
	return errors.Join(errs...)
}

// settle syncs a complete file and gives it its name for good.
func settle(temp, path string) error {
	if err := syncFile(temp); err != nil {
		return fmt.Errorf("cannot sync %s: %w", temp, err)
	}
	if err := os.Rename(temp, path); err != nil {
		return fmt.Errorf("cannot give a complete file its name: %w", err)
	}
	return syncFile(filepath.Dir(path))
}

// syncFile brings a file, or a directory, to disk.
func syncFile(path string) error {
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	return errors.Join(f.Sync(), f.Close())
}

// copyFile copies a file over another, for its owner alone.
func copyFile(from, to string) error {
	in, err := os.Open(from)
	if err != nil {
		return err
	}
	defer func() { _ = in.Close() }()
	out, err := os.OpenFile(to, os.O_CREATE|os.O_WRONLY|os.O_TRUNC, 0o600)
	if err != nil {
		return err
	}
	_, err = io.Copy(out, in)
	return errors.Join(err, out.Sync(), out.Close())
}
