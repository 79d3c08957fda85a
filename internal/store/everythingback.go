package store

import (
	"cmp"
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"dryhold/internal/alarm"
	"dryhold/internal/dispatch"
	"dryhold/internal/note"
	"dryhold/internal/openfiles"
	"dryhold/internal/room"
	"dryhold/internal/sensor"
)

// Fill makes the database of a data directory that has none, from facts as
// EachFact gives them and the readings of package openfiles, day by day in each
// room. asOf is the instant up to which they go: the newest days stay open. The
// database is made under another name, checked as a backup is, and gets its own
// only when all is in it and on disk.
func Fill(ctx context.Context, dir string, asOf time.Time, feed func(put func(row any) error) error, tell Progress) (c Contents, err error) {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return c, fmt.Errorf("cannot make data directory: %w", err)
	}
	lock, err := lockDir(dir)
	if err != nil {
		return c, err
	}
	defer func() { err = errors.Join(err, lock.Close()) }()
	target := filepath.Join(dir, File)
	for _, name := range []string{target, target + "-wal", filepath.Join(dir, restoring)} {
		if _, err := os.Lstat(name); !errors.Is(err, os.ErrNotExist) {
			return c, fmt.Errorf("%s has a database, which an export never takes the place of: give an empty --data", dir)
		}
	}
	temp := target + ".new" // what Open clears away, should this be broken off
	if err := removeDatabase(temp); err != nil {
		return c, fmt.Errorf("cannot remove a database half made: %w", err)
	}
	if err := os.WriteFile(temp, nil, 0o600); err != nil { // for its owner alone
		return c, fmt.Errorf("cannot write into the data directory: %w", err)
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, removeDatabase(temp))
		}
	}()
	rows, readings, err := fill(ctx, temp, asOf, feed)
	if err != nil {
		return c, err
	}
	if c, err = complete(ctx, temp, tell); err != nil {
		return c, fmt.Errorf("what was made of the export cannot be read back: %w", err)
	}
	for table, n := range rows {
		if c.Tables[table] != n {
			return c, fmt.Errorf("BUG: %d rows of %s were read and %d are stored", n, table, c.Tables[table])
		}
	}
	if c.Readings != readings || len(c.Damaged) > 0 {
		return c, fmt.Errorf("BUG: %d readings were read and %d are stored (%s)", readings, c.Readings, strings.Join(c.Damaged, "; "))
	}
	if err := handOver(temp, dir); err != nil {
		return c, err
	}
	return c, settle(temp, target)
}

// fill writes the database. Without journal and syncs: one that is not complete
// is thrown away.
func fill(ctx context.Context, path string, asOf time.Time, feed func(put func(row any) error) error) (rows map[string]int64, readings int64, err error) {
	db, err := sql.Open("sqlite", uri(path, "_pragma=foreign_keys(1)&_pragma=journal_mode(OFF)&_pragma=synchronous(OFF)"))
	if err != nil {
		return nil, 0, err
	}
	defer func() { err = errors.Join(err, db.Close()) }()
	db.SetMaxOpenConns(1)
	s := &Store{log: slog.New(slog.DiscardHandler)}
	if err := s.migrate(ctx, db); err != nil {
		return nil, 0, fmt.Errorf("cannot make %s: %w", path, err)
	}
	if err := s.makeCodec(); err != nil {
		return nil, 0, err
	}
	defer s.closeCodec()
	tx, err := db.BeginTx(ctx, nil)
	if err != nil {
		return nil, 0, err
	}
	defer func() { _ = tx.Rollback() }()
	f := &filler{
		s: s, tx: tx, put: map[string]*sql.Stmt{}, rows: map[string]int64{},
		series: map[room.Series]int64{}, open: map[int64][]point{}, days: map[int64]int64{}, openFrom: floorDay(asOf.UnixMilli()) - 1,
	}
	err = feed(func(row any) error { return f.row(ctx, row) })
	if err == nil {
		err = f.close(ctx)
	}
	if err == nil {
		err = tx.Commit()
	}
	return f.rows, f.readings, err
}

// filler is a database being filled.
type filler struct {
	s        *Store
	tx       *sql.Tx
	put      map[string]*sql.Stmt
	rows     map[string]int64 // stored, by table
	readings int64
	series   map[room.Series]int64
	last     room.Series // and its number
	id       int64
	// The day of a room that is gathered: its points, by series.
	room     string
	day      int64
	open     map[int64][]point
	days     map[int64]int64 // by series, the newest gathered
	openFrom int64
}

// insert stores one row.
func (f *filler) insert(ctx context.Context, table, columns string, values ...any) error {
	put := f.put[table]
	if put == nil {
		var err error
		put, err = f.tx.PrepareContext(ctx, `INSERT INTO "`+table+`" (`+columns+`) VALUES (?`+strings.Repeat(", ?", len(values)-1)+`)`)
		if err != nil {
			return fmt.Errorf("BUG: cannot prepare to store into %s: %w", table, err)
		}
		f.put[table] = put
	}
	if _, err := put.ExecContext(ctx, values...); err != nil {
		return fmt.Errorf("cannot store it (%w): it may stand there twice", err)
	}
	f.rows[table]++
	return nil
}

// body stores a row whose last column is JSON.
func (f *filler) body(ctx context.Context, table, columns string, x any, values ...any) error {
	body, err := json.Marshal(x)
	if err != nil {
		return err
	}
	return f.insert(ctx, table, columns, append(values, string(body))...)
}

func (f *filler) row(ctx context.Context, row any) error {
	if r, reading := row.(*openfiles.Reading); reading {
		return f.reading(ctx, r)
	}
	if err := f.close(ctx); err != nil {
		return err
	}
	switch x := row.(type) {
	case *openfiles.Series:
		_, err := f.seriesOf(ctx, room.Series{Room: x.Room, Sensor: x.Sensor, Quantity: x.Quantity}, true)
		return err
	case *openfiles.LotChange:
		return f.body(ctx, "lot_change", "seq, lot, body", x.Change, x.Seq, x.Lot)
	case *sensor.Change:
		return f.body(ctx, "sensor_change", "seq, body", x, x.Seq)
	case *note.Change:
		return f.body(ctx, "room_note", "seq, body", x, x.Seq)
	case *openfiles.Action:
		return f.insert(ctx, "operator_action", "seq, at, action, key, by, note, until", x.Seq, x.At.UnixMilli(), x.Action, x.Alarm, x.By, x.Note, orNull(x.Until))
	case *openfiles.AlarmEvent:
		return f.body(ctx, "alarm_event", "seq, at, key, body", x.Event, x.Seq, x.At.UnixMilli(), x.Key.String())
	case *openfiles.Import:
		return f.insert(ctx, "import", "seq, at, by, source, stored, known, first, last", x.Seq, x.At.UnixMilli(), x.By, x.Source, x.Stored, x.Known, x.First.UnixMilli(), x.Last.UnixMilli())
	case *alarm.Condition:
		return f.body(ctx, "condition", "key, body", x, x.Key.String())
	case *dispatch.Told:
		key := ""
		if x.Key != (alarm.Key{}) {
			key = x.Key.String()
		}
		return f.body(ctx, "told", "recipient, key, body", x, x.To, key)
	case *openfiles.Notice:
		return f.body(ctx, "notice", "id, key, channel, queued, attempts, due, delivered, refused, cause, body", x.Notice,
			x.ID, x.Key, x.Channel, x.Queued.UnixMilli(), x.Attempts, x.Due.UnixMilli(), orNull(x.Delivered), orNull(x.Refused), x.Cause)
	case *openfiles.StatedInterval:
		return f.insert(ctx, "stated_interval", "sensor, within", x.Sensor, x.Within)
	case *openfiles.DoneOnce:
		return f.insert(ctx, "done_once", "id, at, what, by", x.ID, x.At.UnixMilli(), x.What, x.By)
	case *openfiles.DamagedDay:
		id, err := f.seriesOf(ctx, room.Series{Room: x.Room, Sensor: x.Sensor, Quantity: x.Quantity}, false)
		if err != nil {
			return err
		}
		return f.insert(ctx, "quarantined_day", "series, day, n, codec, data, found, reason", id, floorDay(x.Day.UnixMilli()), x.Readings, x.Codec, x.Data, x.Found.UnixMilli(), x.Reason)
	}
	return fmt.Errorf("BUG: %T is stored nowhere", row)
}

// orNull is an instant as it is stored where it may be missing.
func orNull(at time.Time) any {
	if at.IsZero() {
		return nil
	}
	return at.UnixMilli()
}

// seriesOf gives the number of a series, which is opened if need be; a new one
// must not be there.
func (f *filler) seriesOf(ctx context.Context, k room.Series, fresh bool) (int64, error) {
	if id, known := f.series[k]; known && !fresh {
		return id, nil
	}
	id := f.rows["series"] + 1
	k = room.Series{Room: strings.Clone(k.Room), Sensor: strings.Clone(k.Sensor), Quantity: k.Quantity} // not of a line that is let go
	if err := f.insert(ctx, "series", "id, room, sensor, quantity", id, k.Room, k.Sensor, k.Quantity); err != nil {
		return 0, err
	}
	f.series[k] = id
	return id, nil
}

// reading gathers the readings of a day.
func (f *filler) reading(ctx context.Context, r *openfiles.Reading) (err error) {
	at := r.At.UnixMilli()
	if day := floorDay(at); day != f.day || r.Room != f.room {
		if err := f.close(ctx); err != nil {
			return err
		}
		f.day, f.room = day, strings.Clone(r.Room)
	}
	if k := (room.Series{Room: r.Room, Sensor: r.Sensor, Quantity: r.Quantity}); k != f.last || f.id == 0 {
		if f.id, err = f.seriesOf(ctx, k, false); err != nil {
			return err
		}
		f.last = k
	}
	points := f.open[f.id]
	if n := len(points); n > 0 && points[n-1].at >= at {
		return fmt.Errorf("a reading at %s behind one at %s of the same series: sort the file by time, and each instant once", ofMS(at).Format(time.RFC3339Nano), ofMS(points[n-1].at).Format(time.RFC3339Nano))
	}
	if last, any := f.days[f.id]; len(points) == 0 && any && last >= f.day {
		return fmt.Errorf("a reading of %s behind the readings of %s of the same series: sort the file by time, and each day in one file", dateOf(f.day).Format(time.DateOnly), dateOf(last).Format(time.DateOnly))
	}
	f.days[f.id] = f.day
	f.open[f.id] = append(points, point{at, r.Quantity.Steps(r.Value)})
	f.readings++
	return nil
}

// close stores the day that is gathered.
func (f *filler) close(ctx context.Context) error {
	for _, id := range slices.SortedFunc(maps.Keys(f.open), cmp.Compare[int64]) {
		points := f.open[id]
		if len(points) == 0 {
			continue
		}
		var err error
		if f.day < f.openFrom {
			if err = f.s.storeDay(ctx, f.tx, id, f.day, points); err == nil {
				f.rows["packed_day"]++
			}
		} else {
			for _, p := range points {
				if err == nil {
					err = f.insert(ctx, "open_reading", "series, at, steps", id, p.at, p.steps)
				}
			}
		}
		if err != nil {
			return fmt.Errorf("cannot store the readings of room %s on %s: %w", f.room, dateOf(f.day).Format(time.DateOnly), err)
		}
		f.open[id] = points[:0]
	}
	return nil
}
