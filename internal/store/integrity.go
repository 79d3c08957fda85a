package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	sqlite3 "modernc.org/sqlite/lib"

	"dryhold/internal/room"
)

// Integrity is what is known of whether what is stored is whole.
type Integrity struct {
	Checked time.Time     // when the last full check ended; zero before the first
	Took    time.Duration // that check
	Days    int           // packed days it read
	// Faults of the database file that it found; none when the file is whole.
	Faults      []string
	Quarantined []Damage // in the order they were found
}

// Damage is one packed day that failed its checksum and was moved to the
// quarantine: its readings count no longer.
type Damage struct {
	room.Series
	Day      time.Time // its start, UTC
	Readings int       // it held, by its row
	Found    time.Time
	Reason   string
}

func (d Damage) String() string {
	return fmt.Sprintf("%s of sensor %s in room %s on %s (%d readings: %s)", d.Quantity, d.Sensor, d.Room, d.Day.Format(time.DateOnly), d.Readings, d.Reason)
}

// Integrity gives what is known now. It reads memory alone.
func (s *Store) Integrity() Integrity {
	s.mu.Lock()
	defer s.mu.Unlock()
	out := s.whole
	out.Faults, out.Quarantined = slices.Clone(out.Faults), slices.Clone(out.Quarantined)
	return out
}

// DamagedError is a database file that is not whole and was left untouched.
type DamagedError struct {
	Path   string
	Faults []string
}

func (e *DamagedError) Error() string {
	return fmt.Sprintf("the database %s is damaged and was left as it is: %s. Restore the newest backup with `dryhold restore BACKUP --data %s --force`, which keeps the damaged file beside it; without a backup, `sqlite3 %s .recover` may save a part",
		e.Path, strings.Join(e.Faults, "; "), filepath.Dir(e.Path), e.Path)
}

// restoring is the name that a restored database has until it takes the place
// of the old one. While it is there, neither is complete.
const restoring = File + ".restoring"

// found sees what the directory holds before anything is written to it: a
// database is checked, and where there is none one is made.
func (s *Store) found(ctx context.Context, path string) error {
	dir := filepath.Dir(path)
	if exists(filepath.Join(dir, restoring)) {
		return fmt.Errorf("a restore into %s was broken off: run it again (dryhold restore BACKUP --data %s --force)", dir, dir)
	}
	switch info, err := os.Stat(path); {
	case errors.Is(err, os.ErrNotExist) && exists(path+"-wal"):
		return &DamagedError{path, []string{"it is missing, while its log " + filepath.Base(path) + "-wal is there"}}
	case errors.Is(err, os.ErrNotExist):
		return s.create(ctx, path)
	case err != nil:
		return fmt.Errorf("cannot look at the database: %w", err)
	case info.Size() == 0:
		return &DamagedError{path, []string{"it is empty"}}
	}
	began := time.Now()
	faults, err := check(ctx, path, "quick_check")
	if err != nil {
		return fmt.Errorf("cannot check %s: %w", path, err)
	}
	if len(faults) > 0 {
		return &DamagedError{path, faults}
	}
	s.log.Debug("database checked", "path", path, "took", time.Since(began))
	return nil
}

// create makes a database under another name and gives it its own when it is
// complete, so that an empty file is always the remains of one.
func (s *Store) create(ctx context.Context, path string) (err error) {
	temp := path + ".new"
	if err := removeDatabase(temp); err != nil {
		return fmt.Errorf("cannot remove a database half made: %w", err)
	}
	db, err := sql.Open("sqlite", uri(temp, pragmas))
	if err != nil {
		return fmt.Errorf("cannot make %s: %w", path, err)
	}
	db.SetMaxOpenConns(1)
	err = s.migrate(ctx, db)
	if err := errors.Join(err, db.Close()); err != nil { // the close writes the log into the file
		return fmt.Errorf("cannot make %s: %w", path, err)
	}
	if err := settle(temp, path); err != nil {
		return fmt.Errorf("cannot make %s: %w", path, err)
	}
	return nil
}

// maxFaults bounds the faults of a file that are told.
const maxFaults = 10

// check runs a pragma on a database that nobody has open, without changing
// it, and gives what it found wrong. A file that is no database, or too
// damaged to be looked at, has that for a fault.
func check(ctx context.Context, path, pragma string) (faults []string, err error) {
	how := "immutable=1" // or files would be made beside it
	if exists(path + "-wal") {
		how = "mode=ro" // and with what its log holds
	}
	db, err := sql.Open("sqlite", uri(path, how))
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, db.Close()) }()
	return faultsOf(ctx, db, pragma)
}

// uri names a database with parameters; path may hold any character. Every
// connection waits a while for one that another process holds up.
func uri(path, parameters string) string {
	return "file:" + (&url.URL{Path: filepath.ToSlash(path)}).EscapedPath() + "?" + parameters + "&_pragma=busy_timeout(10000)"
}

// faultsOf is check on an open database.
func faultsOf(ctx context.Context, q queryer, pragma string) (faults []string, err error) {
	err = scan(ctx, q, "PRAGMA "+pragma, nil, func(r *sql.Rows) error {
		var text string
		err := r.Scan(&text)
		if text != "ok" && len(faults) < maxFaults {
			faults = append(faults, strings.TrimPrefix(text, "*** in database main ***\n"))
		}
		return err
	})
	if damaged(err) {
		return append(faults, err.Error()), nil
	}
	return faults, err
}

// damaged reports an error that says that a file is not whole.
func damaged(err error) bool {
	code := resultCode(err)
	return code == sqlite3.SQLITE_CORRUPT || code == sqlite3.SQLITE_NOTADB
}

// quarantine moves a damaged day out of the way. Where that cannot be done the
// day is read without it all the same, and it is tried again when next read.
func (s *Store) quarantine(ctx context.Context, series, day int64) {
	if s.looking {
		s.passOver(series, day)
		return
	}
	err := s.inTransaction(ctx, func(tx *sql.Tx) error { return s.setAside(ctx, tx, series, day) })
	if err != nil {
		s.log.Error("a damaged day cannot be moved to the quarantine; its readings do not count", "series", series, "day", dateOf(day).Format(time.DateOnly), "error", err)
		return
	}
	s.reportMoved(ctx)
}

func (s *Store) inTransaction(ctx context.Context, do func(*sql.Tx) error) error {
	tx, err := s.write.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	defer func() { _ = tx.Rollback() }()
	if err := do(tx); err != nil {
		return err
	}
	return tx.Commit()
}

// setAside moves a day to the quarantine if it still is damaged.
func (s *Store) setAside(ctx context.Context, tx *sql.Tx, series, day int64) error {
	_, bad, err := s.day(ctx, tx, series, day)
	if err != nil || bad == "" {
		return err
	}
	_, err = tx.ExecContext(ctx, `INSERT INTO quarantined_day (series, day, n, codec, data, found, reason)
		SELECT series, day, n, codec, data, ?, ? FROM packed_day WHERE series = ? AND day = ?`, time.Now().UnixMilli(), bad, series, day)
	if err != nil {
		return fmt.Errorf("cannot keep a damaged day: %w", err)
	}
	if _, err := tx.ExecContext(ctx, `DELETE FROM packed_day WHERE series = ? AND day = ?`, series, day); err != nil {
		return fmt.Errorf("cannot take out a damaged day: %w", err)
	}
	s.moved.Store(true)
	return nil
}

// reportMoved logs, once each, the days that a transaction which is committed
// by now has moved to the quarantine.
func (s *Store) reportMoved(ctx context.Context) {
	if !s.moved.Swap(false) {
		return
	}
	fresh, err := s.loadDamage(ctx)
	if err != nil {
		s.moved.Store(true)
		s.log.Error("a day was moved to the quarantine, but which cannot be read", "error", err)
		return
	}
	for _, d := range fresh {
		s.log.Error("a stored day is damaged: its readings do not count any more, its hours are estimated or unknown; the damaged bytes are kept",
			"room", d.Room, "sensor", d.Sensor, "quantity", d.Quantity.String(), "day", d.Day.Format(time.DateOnly), "readings", d.Readings, "reason", d.Reason)
	}
}

// loadDamage takes up the days of the quarantine that are not known yet, and
// gives them.
func (s *Store) loadDamage(ctx context.Context) (fresh []Damage, err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	newest := s.newest
	err = scan(ctx, s.read, `SELECT q.id, room, sensor, quantity, day, n, found, reason
		FROM quarantined_day q JOIN series ON series.id = q.series WHERE q.id > ? ORDER BY q.id`, []any{newest}, func(r *sql.Rows) error {
		var d Damage
		var day, at int64
		err := r.Scan(&newest, &d.Room, &d.Sensor, &d.Quantity, &day, &d.Readings, &at, &d.Reason)
		d.Day, d.Found = dateOf(day), time.UnixMilli(at).UTC()
		fresh = append(fresh, d)
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("cannot read the quarantine: %w", err)
	}
	s.newest = newest
	s.whole.Quarantined = append(s.whole.Quarantined, fresh...)
	return fresh, nil
}

// loadIntegrity reads what earlier checks found.
func (s *Store) loadIntegrity(ctx context.Context) error {
	if _, err := s.loadDamage(ctx); err != nil {
		return err
	}
	err := scan(ctx, s.read, `SELECT ended, took, days, faults FROM full_check`, nil, func(r *sql.Rows) error {
		var ended, took int64
		var faults string
		err := r.Scan(&ended, &took, &s.whole.Days, &faults)
		s.whole.Checked, s.whole.Took = time.UnixMilli(ended).UTC(), time.Duration(took)*time.Millisecond
		if faults != "" {
			s.whole.Faults = strings.Split(faults, "\n")
		}
		return err
	})
	if err != nil {
		return fmt.Errorf("cannot read the last full check: %w", err)
	}
	return nil
}
