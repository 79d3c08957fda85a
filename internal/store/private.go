package store

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
)

// keepPrivate lets nobody but the owner read the database: SQLite makes it as
// the umask says, and the folder may have been made by another. The files
// beside it take its mode when SQLite makes them anew.
func keepPrivate(path string) error {
	for _, name := range []string{path, path + "-wal", path + "-shm"} {
		info, err := os.Stat(name)
		if errors.Is(err, fs.ErrNotExist) || err == nil && info.Mode().Perm()&0o077 == 0 {
			continue
		}
		if err == nil {
			err = os.Chmod(name, 0o600)
		}
		if err != nil {
			return fmt.Errorf("cannot keep %s from being read by others: %w", name, err)
		}
	}
	return nil
}
