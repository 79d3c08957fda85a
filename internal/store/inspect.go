package store

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"syscall"
	"time"
)

// Inspection is what can be seen of a data directory from outside.
type Inspection struct {
	// Found is false where there is no database yet.
	Found bool
	// Faults are what the quick check of the database found wrong.
	Faults []string
}

// Inspect looks at the database of a data directory without changing it, beside
// a daemon that runs or without one. The quick check reads every page, and the
// readings in none.
func Inspect(ctx context.Context, dir string) (Inspection, error) {
	path := filepath.Join(dir, File)
	touched, err := Touched(dir)
	if err != nil {
		return Inspection{}, err
	}
	in := Inspection{Found: !touched.IsZero()}
	switch {
	case exists(filepath.Join(dir, restoring)):
		in.Found, in.Faults = true, []string{"a restore was broken off"}
	case !in.Found:
	case !exists(path):
		in.Faults = []string{"it is missing or empty"}
	default:
		faults, err := check(ctx, path, "quick_check")
		if err != nil {
			return in, fmt.Errorf("cannot check %s: %w", path, err)
		}
		in.Faults = faults
	}
	return in, nil
}

// Touched is when the database of a data directory was written last, by the
// clock of then; zero where there is none.
func Touched(dir string) (last time.Time, err error) {
	path := filepath.Join(dir, File)
	for _, name := range []string{path, path + "-wal"} {
		info, err := os.Stat(name)
		switch {
		case errors.Is(err, fs.ErrNotExist):
		case err != nil:
			return last, fmt.Errorf("cannot look at the database: %w", err)
		case info.ModTime().After(last):
			last = info.ModTime()
		}
	}
	return last, nil
}

// InUse reports whether a daemon has a data directory. It is for when none
// answers: one that starts in the very instant of the look is refused.
func InUse(dir string) (bool, error) {
	f, err := os.Open(filepath.Join(dir, "lock"))
	if errors.Is(err, fs.ErrNotExist) {
		return false, nil
	}
	if err != nil {
		return false, fmt.Errorf("cannot look at the lock of the data directory: %w", err)
	}
	defer f.Close()
	err = syscall.Flock(int(f.Fd()), syscall.LOCK_SH|syscall.LOCK_NB)
	if errors.Is(err, syscall.EWOULDBLOCK) {
		return true, nil
	}
	return false, err
}
