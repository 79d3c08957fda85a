package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"syscall"
	"time"

	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"
)

// resultCode is SQLite's primary result code of an error, without what is
// particular to one call; 0 for an error that is not SQLite's
// (https://www.sqlite.org/rescode.html).
func resultCode(err error) int {
	if e := (*sqlite.Error)(nil); errors.As(err, &e) {
		return e.Code() & 0xff
	}
	return 0
}

// Explain says in a keeper's words why a write failed, and what helps. For an
// error it does not know it gives the error itself.
func Explain(err error) (cause, remedy string) {
	switch code := resultCode(err); {
	case code == sqlite3.SQLITE_FULL || errors.Is(err, syscall.ENOSPC) || errors.Is(err, syscall.EDQUOT):
		return "the disk is full", "make room on the disk that holds the data directory"
	case code == sqlite3.SQLITE_READONLY || errors.Is(err, syscall.EROFS):
		return "the disk is read-only", "see why the system made it read-only (a worn or faulty SD card often is the reason), mend or replace it, and mount it writable"
	case code == sqlite3.SQLITE_IOERR || errors.Is(err, syscall.EIO):
		return "the disk does not take what is written (input/output error)", "see that it has room and look into the system's log (dmesg) for faults of it: a faulty disk or SD card must be replaced"
	case code == sqlite3.SQLITE_BUSY:
		return "another program holds the database", "find and stop the program that has it open"
	}
	return err.Error(), "see that the disk has room and is writable"
}

// NewestFact gives the time of the newest fact that is stored, as the clock
// was then: a reading, a change of a lot or of a sensor, an action of a person.
// Of a packed day it takes the start. It is zero while there is none.
func (s *Store) NewestFact(ctx context.Context) (newest time.Time, err error) {
	later := func(at time.Time) {
		if at.After(newest) {
			newest = at
		}
	}
	readings, err := s.Newest(ctx, time.UnixMilli(0))
	if err != nil {
		return newest, err
	}
	for _, at := range readings {
		later(at)
	}
	s.mu.Lock()
	for _, day := range s.packed {
		later(time.UnixMilli(day * dayMS).UTC())
	}
	s.mu.Unlock()
	err = scan(ctx, s.read, `SELECT max(at) FROM operator_action HAVING max(at) IS NOT NULL`, nil, func(r *sql.Rows) error {
		var at int64
		err := r.Scan(&at)
		later(time.UnixMilli(at).UTC())
		return err
	})
	if err != nil {
		return newest, fmt.Errorf("cannot read the newest action: %w", err)
	}
	for _, table := range []string{"lot_change", "sensor_change", "room_note"} {
		err = scan(ctx, s.read, `SELECT body FROM `+table+` ORDER BY seq DESC LIMIT 1`, nil, func(r *sql.Rows) error {
			var body string
			var c struct {
				Recorded time.Time `json:"recorded"`
			}
			if err := r.Scan(&body); err != nil {
				return err
			}
			err := json.Unmarshal([]byte(body), &c)
			later(c.Recorded)
			return err
		})
		if err != nil {
			return newest, fmt.Errorf("cannot read the newest row of %s: %w", table, err)
		}
	}
	return newest, nil
}

// Restriction is what the writer is denied. The zero value denies nothing.
type Restriction struct {
	// Full lets the database grow no more, as on a full disk.
	Full bool
	// ReadOnly refuses every write, as on a disk mounted read-only.
	ReadOnly bool
}

// mostPages is SQLite's own limit on the pages of a database.
const mostPages = 4294967294

// Restrict denies the writer what a sick disk would, so that this can be
// tried without one.
func (s *Store) Restrict(ctx context.Context, r Restriction) error {
	pages, only := int64(mostPages), 0
	if r.Full {
		pages = 1 // SQLite takes the present size where that is more
	}
	if r.ReadOnly {
		only = 1
	}
	for _, pragma := range []string{fmt.Sprintf("PRAGMA max_page_count = %d", pages), fmt.Sprintf("PRAGMA query_only = %d", only)} {
		if _, err := s.write.ExecContext(ctx, pragma); err != nil {
			return fmt.Errorf("cannot restrict the store: %w", err)
		}
	}
	return nil
}
