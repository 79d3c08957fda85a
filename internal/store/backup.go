package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"strings"
	"time"

	"modernc.org/sqlite"

	"dryhold/internal/crash"
)

// Contents is what a database holds.
type Contents struct {
	Bytes    int64            // of the file
	Schema   int64            // number of its newest schema step
	Tables   map[string]int64 // rows by table
	Readings int64            // open and packed
	// First and Last are the UTC days of its oldest and newest reading; zero
	// when it holds none.
	First, Last time.Time
	// Damaged says which packed days cannot be read, if any.
	Damaged []string
}

// Progress is told, now and then, how far a long step is.
type Progress func(step string, done, total int64)

// Backup copies the database of a data directory, as it is at one instant,
// into a file of that name, and gives what is in it. A daemon may run there
// and goes on unhindered: SQLite keeps the two apart, and the copy is of one
// read transaction. The copy is made under another name in the same folder
// (file.*.part), synced, opened, checked page by page and day by day, and
// compared by the rows of every table with what the transaction saw; only then
// it gets its name. A file that is there is refused unless force is set.
func Backup(ctx context.Context, dir, file string, force bool, tell Progress) (Contents, error) {
	got, err := copyAway(ctx, dir, file, force, tell)
	if err == nil {
		noteBackup(dir, file, got)
	}
	return got, err
}

// copyAway is Backup without a note of it.
func copyAway(ctx context.Context, dir, file string, force bool, tell Progress) (_ Contents, err error) {
	source := filepath.Join(dir, File)
	if !exists(source) {
		return Contents{}, fmt.Errorf("there is no database in %s: say with --data where the daemon keeps its data", dir)
	}
	if err := free(file, source, force); err != nil {
		return Contents{}, err
	}
	temp, err := tempBeside(file)
	if err != nil {
		return Contents{}, err
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, removeDatabase(temp))
		}
	}()
	want, err := copyDatabase(ctx, source, temp, tell)
	if damaged(err) {
		return Contents{}, &DamagedError{source, []string{err.Error()}}
	} else if err != nil {
		return Contents{}, fmt.Errorf("cannot copy %s: %w", source, err)
	}
	crash.At(ctx, crash.Copied)
	got, err := complete(ctx, temp, tell)
	if d := (*DamagedError)(nil); errors.As(err, &d) {
		return Contents{}, fmt.Errorf("no backup was made, since it would be as damaged as what it is of: %w", &DamagedError{source, d.Faults})
	} else if err != nil {
		return Contents{}, err
	}
	if !maps.Equal(got.Tables, want) {
		return Contents{}, fmt.Errorf("the copy is not what was copied: it holds %v rows, the database %v: try again, and look whether the disk is sound", got.Tables, want)
	}
	if err := free(file, source, force); err != nil {
		return Contents{}, err
	}
	crash.At(ctx, crash.Checked)
	return got, settle(temp, file)
}

// free refuses a name that is taken, and, even with force, that of the
// database itself.
func free(file, source string, force bool) error {
	info, err := os.Stat(file)
	switch {
	case errors.Is(err, os.ErrNotExist):
		return nil
	case err != nil:
		return fmt.Errorf("cannot look at %s: %w", file, err)
	}
	if own, err := os.Stat(source); err == nil && os.SameFile(info, own) {
		return fmt.Errorf("%s is the database itself: give another name", file)
	}
	if info.IsDir() {
		return fmt.Errorf("%s is a directory: give the name of a file in it", file)
	}
	if !force {
		return fmt.Errorf("%s exists: give another name, or --force to replace it", file)
	}
	return nil
}

// tempBeside makes an empty file in the same folder.
func tempBeside(file string) (string, error) {
	f, err := os.CreateTemp(filepath.Dir(file), filepath.Base(file)+".*.part")
	if err != nil {
		return "", fmt.Errorf("cannot write into the folder of %s: %w", file, err)
	}
	return f.Name(), f.Close()
}

// pagesAtOnce is how many pages are copied between two looks at the context:
// 16 MB of 4 KiB each.
const pagesAtOnce = 4096

// copyDatabase copies a database within one read transaction, and gives the
// rows of its tables as the transaction sees them.
func copyDatabase(ctx context.Context, from, to string, tell Progress) (rows map[string]int64, err error) {
	db, err := sql.Open("sqlite", uri(from, "_pragma=query_only(1)"))
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, db.Close()) }()
	conn, err := db.Conn(ctx)
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, conn.Close()) }()
	if _, err := conn.ExecContext(ctx, "BEGIN"); err != nil {
		return nil, err
	}
	if rows, err = countRows(ctx, conn); err != nil {
		return nil, err
	}
	err = conn.Raw(func(driver any) error {
		source, ok := driver.(interface {
			NewBackup(uri string) (*sqlite.Backup, error)
		})
		if !ok {
			return fmt.Errorf("BUG: the database driver %T makes no backups", driver)
		}
		b, err := source.NewBackup(uri(to, "_pragma=synchronous(FULL)"))
		if err != nil {
			return err
		}
		for more := true; more && err == nil; {
			if err = ctx.Err(); err == nil {
				more, err = b.Step(pagesAtOnce)
				tell("copying", int64(b.PageCount()-b.Remaining()), int64(b.PageCount()))
			}
		}
		return errors.Join(err, b.Finish())
	})
	_, end := conn.ExecContext(context.WithoutCancel(ctx), "ROLLBACK")
	return rows, errors.Join(err, end)
}

// countRows counts the rows of every table.
func countRows(ctx context.Context, q queryer) (map[string]int64, error) {
	rows := map[string]int64{}
	err := scan(ctx, q, `SELECT name FROM sqlite_schema WHERE type = 'table' AND name NOT LIKE 'sqlite_%'`, nil, func(r *sql.Rows) error {
		var name string
		err := r.Scan(&name)
		rows[name] = 0
		return err
	})
	for name := range rows {
		if err == nil {
			err = scan(ctx, q, `SELECT count(*) FROM "`+strings.ReplaceAll(name, `"`, `""`)+`"`, nil, func(r *sql.Rows) error {
				var n int64
				err := r.Scan(&n)
				rows[name] = n
				return err
			})
		}
	}
	return rows, err
}

// complete makes of a copy that nobody has open one file that stands alone,
// checks all of it and gives what is in it. One that is not whole gives a
// DamagedError.
func complete(ctx context.Context, path string, tell Progress) (c Contents, err error) {
	db, err := sql.Open("sqlite", uri(path, "_pragma=journal_mode(DELETE)"))
	if err != nil {
		return c, fmt.Errorf("cannot open %s: %w", path, err)
	}
	defer func() { err = errors.Join(err, db.Close()) }()
	db.SetMaxOpenConns(1)
	var mode string
	if err := db.QueryRowContext(ctx, `PRAGMA journal_mode`).Scan(&mode); damaged(err) {
		return c, &DamagedError{path, []string{err.Error()}}
	} else if err != nil || mode != "delete" {
		return c, errors.Join(fmt.Errorf("cannot make one file of %s (journal %q)", path, mode), err)
	}
	tell("checking the file", 0, 0)
	faults, err := faultsOf(ctx, db, "integrity_check")
	if err != nil {
		return c, fmt.Errorf("cannot check %s: %w", path, err)
	}
	if len(faults) > 0 {
		return c, &DamagedError{path, faults}
	}
	if c, err = contents(ctx, db, tell); err != nil {
		return c, fmt.Errorf("cannot read %s: %w", path, err)
	}
	info, err := os.Stat(path)
	if err != nil {
		return c, fmt.Errorf("cannot look at %s: %w", path, err)
	}
	c.Bytes = info.Size()
	return c, nil
}

var errForeign = errors.New("it is no database of dryhold")

// contents reads all of a database: every packed day is unpacked.
func contents(ctx context.Context, db *sql.DB, tell Progress) (c Contents, err error) {
	if c.Tables, err = countRows(ctx, db); err != nil {
		return c, err
	}
	for _, name := range []string{"goose_db_version", "series", "open_reading", "packed_day", "lot_change"} {
		if _, there := c.Tables[name]; !there {
			return c, fmt.Errorf("%w: there is no table %s", errForeign, name)
		}
	}
	if err := db.QueryRowContext(ctx, `SELECT max(version_id) FROM goose_db_version WHERE is_applied`).Scan(&c.Schema); err != nil {
		return c, err
	}
	s := &Store{}
	if err := s.makeCodec(); err != nil {
		return c, err
	}
	defer s.closeCodec()
	span := func(from, to int64) {
		if first := dateOf(from); c.First.IsZero() || first.Before(c.First) {
			c.First = first
		}
		if last := dateOf(to); c.Last.IsZero() || last.After(c.Last) {
			c.Last = last
		}
	}
	var oldest, newest sql.NullInt64
	if err := db.QueryRowContext(ctx, `SELECT count(*), min(at), max(at) FROM open_reading`).Scan(&c.Readings, &oldest, &newest); err != nil {
		return c, err
	}
	if oldest.Valid {
		span(floorDay(oldest.Int64), floorDay(newest.Int64))
	}
	n := int64(0)
	err = scan(ctx, db, `SELECT series, day, n, codec, data FROM packed_day`, nil, func(r *sql.Rows) error {
		var key [2]int64
		points, bad, err := s.scanAny(r, &key)
		if bad != "" {
			c.Damaged = append(c.Damaged, fmt.Sprintf("series %d on %s: %s", key[0], dateOf(key[1]).Format(time.DateOnly), bad))
		} else {
			span(key[1], key[1])
		}
		c.Readings += int64(points)
		if n++; n%1024 == 0 {
			tell("reading packed days", n, c.Tables["packed_day"])
		}
		return err
	})
	return c, err
}
