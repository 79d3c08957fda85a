package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"syscall"
	"time"
)

// Timed is what is known of the backups that the daemon makes by itself.
type Timed struct {
	// Folder is where the newest one was put; empty before the first.
	Folder   string    `json:"folder"`
	At       time.Time `json:"at"`   // when it was made
	File     string    `json:"file"` // its name in the folder
	Bytes    int64     `json:"bytes"`
	Readings int64     `json:"readings"`
	// Damaged is how many packed days could not be read in what was copied.
	Damaged int `json:"damaged,omitempty"`

	// ReadAt and ReadFile say which backup was last read back, and ReadFault
	// what was wrong with it; empty when it was whole.
	ReadAt    time.Time `json:"read_at"`
	ReadFile  string    `json:"read_file,omitempty"`
	ReadFault string    `json:"read_fault,omitempty"`
}

// timedNote is the file beside the database that holds it, and timedLock the one
// that is held while a backup is made. Neither may be in the database: what is
// restored from a backup did not make those of later.
const (
	timedNote = "backups.json"
	timedLock = "backups.lock"
)

// ReadTimed reads what is known of the timed backups of a data directory; the
// zero value where nothing is, or where what is there cannot be understood.
func ReadTimed(dir string) (t Timed, err error) {
	body, err := os.ReadFile(filepath.Join(dir, timedNote))
	if errors.Is(err, os.ErrNotExist) {
		return Timed{}, nil
	}
	if err != nil {
		return Timed{}, fmt.Errorf("cannot read what is known of backups: %w", err)
	}
	if json.Unmarshal(body, &t) != nil {
		return Timed{}, nil
	}
	return t, nil
}

// WriteTimed keeps it.
func WriteTimed(dir string, t Timed) error {
	body, err := json.MarshalIndent(t, "", "  ")
	if err != nil {
		return fmt.Errorf("cannot note what is known of backups: %w", err)
	}
	note := filepath.Join(dir, timedNote)
	temp, err := tempBeside(note)
	if err != nil {
		return err
	}
	if err = os.WriteFile(temp, append(body, '\n'), 0o600); err == nil {
		err = settle(temp, note)
	}
	if err != nil {
		return fmt.Errorf("cannot note what is known of backups: %w", errors.Join(err, os.Remove(temp)))
	}
	return nil
}

// LockTimed takes the making of timed backups of a data directory for the
// caller, until the lock is closed or the process ends; nil where another has
// it.
func LockTimed(dir string) (io.Closer, error) {
	f, err := os.OpenFile(filepath.Join(dir, timedLock), os.O_CREATE|os.O_RDWR, 0o600)
	if err != nil {
		return nil, fmt.Errorf("cannot lock the making of backups: %w", err)
	}
	err = syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB)
	if err == nil {
		return f, nil
	}
	_ = f.Close()
	if errors.Is(err, syscall.EWOULDBLOCK) {
		return nil, nil
	}
	return nil, fmt.Errorf("cannot lock the making of backups: %w", err)
}

// ReadBack reads a backup whole without changing it or anything beside it: every
// page, and every packed day by its checksum. One that is not whole gives a
// DamagedError; days that cannot be read are in Contents.
func ReadBack(ctx context.Context, file string, tell Progress) (c Contents, err error) {
	info, err := os.Stat(file)
	if err != nil {
		return c, fmt.Errorf("cannot read the backup: %w", err)
	}
	db, err := sql.Open("sqlite", uri(file, "immutable=1&_pragma=query_only(1)"))
	if err != nil {
		return c, fmt.Errorf("cannot open %s: %w", file, err)
	}
	defer func() { err = errors.Join(err, db.Close()) }()
	db.SetMaxOpenConns(1)
	tell("checking the file", 0, 0)
	faults, err := faultsOf(ctx, db, "integrity_check")
	if err != nil {
		return c, fmt.Errorf("cannot check %s: %w", file, err)
	}
	if len(faults) > 0 {
		return c, &DamagedError{file, faults}
	}
	if c, err = contents(ctx, db, tell); damaged(err) {
		return c, &DamagedError{file, []string{err.Error()}}
	} else if err != nil {
		return c, fmt.Errorf("cannot read %s: %w", file, err)
	}
	c.Bytes = info.Size()
	return c, nil
}
