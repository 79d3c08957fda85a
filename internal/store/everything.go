package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"path/filepath"
	"slices"
	"time"

	"dryhold/internal/alarm"
	"dryhold/internal/dispatch"
	"dryhold/internal/note"
	"dryhold/internal/openfiles"
	"dryhold/internal/room"
	"dryhold/internal/sensor"
)

// notExported are the tables that hold no facts of a site, with the reason.
func notExported() map[string]string {
	return map[string]string{
		"goose_db_version": "of the schema",
		"open_reading":     "with packed_day they are the readings", "packed_day": "with open_reading they are the readings",
		"receipt": "of the sessions with a broker, which the next daemon does not have", "delivered": "of the sessions with a broker, which the next daemon does not have",
		"own_key":    "it signs links, and must not stand in an open file",
		"answered":   "answers of the last two days to requests sent again",
		"full_check": "of this file", "announced": "retained with a broker; a daemon announces what there is anew",
		"export_day": "what another server has still to get", "export_hour": "what another server has still to get",
		"export_lot": "what another server has still to get", "export_state": "what another server has still to get",
	}
}

// Look opens the database of a data directory for reading alone, as it is at
// this instant: everything is read in one transaction. A daemon may run there
// and goes on unhindered; its log only grows as long as this is open, since
// what was written behind this instant cannot go from it into the file yet.
// Nothing may be committed to what Look gives.
func Look(ctx context.Context, dir string, log *slog.Logger) (_ *Store, err error) {
	path := filepath.Join(dir, File)
	if !exists(path) {
		return nil, fmt.Errorf("there is no database in %s: say with --data where the daemon keeps its data", dir)
	}
	s := &Store{log: log, series: map[room.Series]int64{}, packed: map[int64]int64{}, receipts: map[uint16]Receipt{}, looking: true}
	defer func() {
		if err != nil {
			err = errors.Join(err, s.Close())
		}
	}()
	if s.read, err = sql.Open("sqlite", uri(path, "_pragma=query_only(1)")); err != nil {
		return nil, fmt.Errorf("cannot open %s: %w", path, err)
	}
	s.read.SetMaxOpenConns(1) // so that every query is in the transaction
	if _, err := s.read.ExecContext(ctx, "BEGIN"); err != nil {
		return nil, fmt.Errorf("cannot begin to read %s: %w", path, err)
	}
	have, err := s.Schema(ctx) // the first that is read, which fixes what is seen
	if damaged(err) {
		return nil, &DamagedError{path, []string{err.Error()}}
	} else if err != nil {
		return nil, fmt.Errorf("cannot read %s: %w", path, err)
	}
	newest, err := newestStep()
	switch {
	case err != nil:
		return nil, err
	case have < newest:
		return nil, fmt.Errorf("%s was written by an older dryhold (schema %d, this one has %d): start the daemon of this version once, which brings it up to date", path, have, newest)
	case have > newest:
		return nil, fmt.Errorf("%s was written by a newer dryhold (schema %d, this one knows %d): use that", path, have, newest)
	}
	if err := s.makeCodec(); err != nil {
		return nil, err
	}
	return s, s.load(ctx)
}

// Seen ends a look, and says whether all that was read was of one instant.
func (s *Store) Seen(ctx context.Context) error {
	if _, err := s.read.ExecContext(ctx, "COMMIT"); err != nil {
		return fmt.Errorf("not everything was read as of one instant; try again: %w", err)
	}
	return nil
}

// Schema is the number of the newest schema step.
func (s *Store) Schema(ctx context.Context) (n int64, err error) {
	return n, s.read.QueryRowContext(ctx, `SELECT max(version_id) FROM goose_db_version WHERE is_applied`).Scan(&n)
}

// passOver notes a damaged day that a look came upon. It is told with the
// quarantine, into which the daemon will move it.
func (s *Store) passOver(series, day int64) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if k := [2]int64{series, day}; !slices.Contains(s.passed, k) {
		s.passed = append(s.passed, k)
	}
}

// AllSeries lists every series, in the order in which they were opened.
func (s *Store) AllSeries(ctx context.Context) (out []room.Series, err error) {
	err = scan(ctx, s.read, `SELECT room, sensor, quantity FROM series ORDER BY id`, nil, func(r *sql.Rows) error {
		var k room.Series
		err := r.Scan(&k.Room, &k.Sensor, &k.Quantity)
		out = append(out, k)
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("cannot read the list of series: %w", err)
	}
	return out, nil
}

// EachFact gives every fact but readings, as a pointer to its row of package
// openfiles, kind by kind. Damaged days that EachDay came upon are among them.
func (s *Store) EachFact(ctx context.Context, now time.Time, visit func(row any) error) error {
	all, err := s.AllSeries(ctx)
	if err != nil {
		return err
	}
	for _, k := range all {
		if err := visit(&openfiles.Series{Room: k.Room, Sensor: k.Sensor, Quantity: k.Quantity, Unit: k.Quantity.Symbol()}); err != nil {
			return err
		}
	}
	for _, q := range []struct {
		table, query string
		row          func(*sql.Rows) (any, error)
	}{
		{"lot_change", `SELECT seq, body FROM lot_change ORDER BY seq`, rowOfChange},
		{"sensor_change", `SELECT body FROM sensor_change ORDER BY seq`, rowOf[sensor.Change]},
		{"room_note", `SELECT body FROM room_note ORDER BY seq`, rowOf[note.Change]},
		{"operator_action", `SELECT seq, at, action, key, by, note, until FROM operator_action ORDER BY seq`, rowOfAction},
		{"alarm_event", `SELECT seq, body FROM alarm_event ORDER BY seq`, rowOfEvent},
		{"import", `SELECT seq, at, by, source, stored, known, first, last FROM import ORDER BY seq`, rowOfImport},
		{"condition", `SELECT body FROM condition ORDER BY key`, rowOf[alarm.Condition]},
		{"told", `SELECT body FROM told ORDER BY recipient, key`, rowOf[dispatch.Told]},
		{"notice", `SELECT id, key, channel, body, queued, attempts, due, delivered, refused, cause FROM notice ORDER BY id`, rowOfNotice},
		{"stated_interval", `SELECT sensor, within FROM stated_interval ORDER BY sensor`, rowOfInterval},
		{"done_once", `SELECT id, at, what, by FROM done_once ORDER BY at, id`, rowOfOnce},
		{"quarantined_day", `SELECT room, sensor, quantity, day, n, codec, data, found, reason FROM quarantined_day q JOIN series ON series.id = q.series ORDER BY q.id`, rowOfDamage},
	} {
		err := scan(ctx, s.read, q.query, nil, func(r *sql.Rows) error {
			row, err := q.row(r)
			if err != nil {
				return fmt.Errorf("a row of %s is damaged (%w): restore a backup with `dryhold restore`", q.table, err)
			}
			return visit(row)
		})
		if err != nil {
			return fmt.Errorf("cannot export %s: %w", q.table, err)
		}
	}
	return s.eachPassed(ctx, now, visit)
}

// eachPassed gives the damaged days that are not in the quarantine yet.
func (s *Store) eachPassed(ctx context.Context, now time.Time, visit func(row any) error) error {
	for _, k := range s.passed {
		_, why, err := s.day(ctx, s.read, k[0], k[1])
		if err == nil {
			err = scan(ctx, s.read, `SELECT room, sensor, quantity, day, n, codec, data, ?, ? FROM packed_day JOIN series ON series.id = series WHERE series = ? AND day = ?`,
				[]any{now.UnixMilli(), why, k[0], k[1]}, func(r *sql.Rows) error {
					row, err := rowOfDamage(r)
					if err != nil {
						return err
					}
					return visit(row)
				})
		}
		if err != nil {
			return fmt.Errorf("cannot export a damaged day: %w", err)
		}
	}
	return nil
}

// ofMS is an instant as it is stored.
func ofMS(ms int64) time.Time { return time.UnixMilli(ms).UTC() }

// ofNull is one that may be missing.
func ofNull(ms sql.NullInt64) time.Time {
	if !ms.Valid {
		return time.Time{}
	}
	return ofMS(ms.Int64)
}

func rowOfAction(r *sql.Rows) (any, error) {
	var x openfiles.Action
	var at int64
	var until sql.NullInt64
	err := r.Scan(&x.Seq, &at, &x.Action, &x.Alarm, &x.By, &x.Note, &until)
	x.At, x.Until = ofMS(at), ofNull(until)
	return &x, err
}

func rowOfImport(r *sql.Rows) (any, error) {
	var x openfiles.Import
	var at, first, last int64
	err := r.Scan(&x.Seq, &at, &x.By, &x.Source, &x.Stored, &x.Known, &first, &last)
	x.At, x.First, x.Last = ofMS(at), ofMS(first), ofMS(last)
	return &x, err
}

func rowOfNotice(r *sql.Rows) (any, error) {
	var x openfiles.Notice
	var body string
	var queued, due int64
	var delivered, refused sql.NullInt64
	err := r.Scan(&x.ID, &x.Key, &x.Channel, &body, &queued, &x.Attempts, &due, &delivered, &refused, &x.Cause)
	if err == nil {
		err = json.Unmarshal([]byte(body), &x.Notice)
	}
	x.Notice.Links = nil // whoever has one may use it
	x.Queued, x.Due, x.Delivered, x.Refused = ofMS(queued), ofMS(due), ofNull(delivered), ofNull(refused)
	return &x, err
}

func rowOfInterval(r *sql.Rows) (any, error) {
	var x openfiles.StatedInterval
	return &x, r.Scan(&x.Sensor, &x.Within)
}

func rowOfOnce(r *sql.Rows) (any, error) {
	var x openfiles.DoneOnce
	var at int64
	err := r.Scan(&x.ID, &at, &x.What, &x.By)
	x.At = ofMS(at)
	return &x, err
}

func rowOfDamage(r *sql.Rows) (any, error) {
	var x openfiles.DamagedDay
	var day, found int64
	err := r.Scan(&x.Room, &x.Sensor, &x.Quantity, &day, &x.Readings, &x.Codec, &x.Data, &found, &x.Reason)
	x.Day, x.Found = dateOf(day), ofMS(found)
	return &x, err
}

func rowOfChange(r *sql.Rows) (any, error) {
	var x openfiles.LotChange
	return &x, scanWith(r, &x.Seq, &x.Change)
}

func rowOfEvent(r *sql.Rows) (any, error) {
	var x openfiles.AlarmEvent
	return &x, scanWith(r, &x.Seq, &x.Event)
}

// scanWith reads a number and JSON.
func scanWith(r *sql.Rows, seq *int64, to any) error {
	var body string
	if err := r.Scan(seq, &body); err != nil {
		return err
	}
	return json.Unmarshal([]byte(body), to)
}

// rowOf reads a row that is JSON alone.
func rowOf[T any](r *sql.Rows) (any, error) {
	var x T
	return &x, scanJSON(r, &x)
}
