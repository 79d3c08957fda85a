package store

import (
	"fmt"
	"os"
	"path/filepath"
	"syscall"
)

// lockDir takes a data directory for this process until the file is closed or
// the process ends, in whatever way.
func lockDir(dir string) (*os.File, error) {
	f, err := os.OpenFile(filepath.Join(dir, "lock"), os.O_CREATE|os.O_RDWR, 0o600)
	if err != nil {
		return nil, fmt.Errorf("cannot lock data directory: %w", err)
	}
	if err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB); err != nil {
		_ = f.Close()
		return nil, fmt.Errorf("data directory %s is in use by another dryhold: stop it, or give another --data: %w", dir, err)
	}
	return f, nil
}
