package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"slices"
	"time"

	"dryhold/internal/alarm"
	"dryhold/internal/room"
)

const hourMS = int64(60 * 60 * 1000)

// BeginExport has every later commit note what is to be exported. Where the
// target is another than before, or there was none, all that is stored from an
// instant on is to be sent. It must come before the first commit.
func (s *Store) BeginExport(ctx context.Context, target string, since, now time.Time) error {
	return s.exportTx(ctx, "begin to export", func(tx *sql.Tx) error {
		var was string
		err := tx.QueryRowContext(ctx, `SELECT target FROM export_state`).Scan(&was)
		if err != nil && !errors.Is(err, sql.ErrNoRows) {
			return err
		}
		s.exporting.Store(true)
		if err == nil && was == target {
			return nil
		}
		if err := forgetExport(ctx, tx); err != nil {
			return err
		}
		day := floorDay(since.UnixMilli())
		for _, q := range []struct {
			text string
			args []any
		}{
			{`INSERT INTO export_state VALUES (1, ?, coalesce((SELECT max(seq) FROM alarm_event WHERE at < ?), 0), coalesce((SELECT max(seq) FROM lot_change), 0), 0, ?, 0)`,
				[]any{target, since.UnixMilli(), now.UnixMilli()}},
			{`INSERT INTO export_day (day, series, since) SELECT day, series, day * ?1 FROM packed_day WHERE day >= ?2
				UNION SELECT at / ?1, series, at / ?1 * ?1 FROM open_reading WHERE at >= ?1 * ?2`, []any{dayMS, day}},
			{`INSERT INTO export_hour (room, next) SELECT DISTINCT room, ? FROM series`, []any{day * dayMS}},
		} {
			if _, err := tx.ExecContext(ctx, q.text, q.args...); err != nil {
				return err
			}
		}
		return nil
	})
}

// EndExport forgets what was to be exported: nobody asks for it any more.
func (s *Store) EndExport(ctx context.Context) error {
	var n int
	if err := s.read.QueryRowContext(ctx, `SELECT count(*) FROM export_state`).Scan(&n); err != nil || n == 0 {
		return err
	}
	return s.exportTx(ctx, "end the export", func(tx *sql.Tx) error { return forgetExport(ctx, tx) })
}

func forgetExport(ctx context.Context, tx *sql.Tx) error {
	for _, table := range []string{"export_day", "export_hour", "export_lot", "export_state"} {
		if _, err := tx.ExecContext(ctx, "DELETE FROM "+table); err != nil {
			return err
		}
	}
	return nil
}

// exportTx does something to what is to be exported in one commit.
func (s *Store) exportTx(ctx context.Context, what string, do func(*sql.Tx) error) error {
	tx, err := s.write.BeginTx(ctx, nil)
	if err != nil {
		return fmt.Errorf("cannot %s: %w", what, err)
	}
	defer func() { _ = tx.Rollback() }()
	if err := do(tx); err != nil {
		return fmt.Errorf("cannot %s: %w", what, err)
	}
	if err := tx.Commit(); err != nil {
		return fmt.Errorf("cannot %s: %w", what, err)
	}
	return nil
}

// markExport notes new readings and changed hours as not sent, with the commit
// that stores them.
func (s *Store) markExport(ctx context.Context, tx *sql.Tx, fresh []room.Reading, opened map[room.Series]int64, hours map[string]time.Time) error {
	if !s.exporting.Load() {
		return nil
	}
	days, rooms := map[[2]int64]int64{}, map[string]int64{}
	lower := func(at, old int64, seen bool) int64 {
		if seen {
			return min(at, old)
		}
		return at
	}
	for _, r := range fresh {
		id, err := s.seriesID(ctx, tx, r.Series, opened)
		if err != nil {
			return err
		}
		at := r.At.UnixMilli()
		k := [2]int64{floorDay(at), id}
		old, seen := days[k]
		days[k] = lower(at, old, seen)
		old, seen = rooms[r.Room]
		rooms[r.Room] = lower(at-at%hourMS, old, seen)
	}
	for k, at := range days {
		_, err := tx.ExecContext(ctx, `INSERT INTO export_day (day, series, since) VALUES (?1, ?2, ?3)
			ON CONFLICT (day, series) DO UPDATE SET again = min(coalesce(again, ?3), ?3)`, k[0], k[1], at)
		if err != nil {
			return fmt.Errorf("cannot note readings for the export: %w", err)
		}
	}
	for name, at := range rooms {
		if _, err := tx.ExecContext(ctx, `INSERT OR IGNORE INTO export_hour (room, next) VALUES (?, ?)`, name, at); err != nil {
			return fmt.Errorf("cannot note a room for the export: %w", err)
		}
	}
	for name, since := range hours {
		_, err := tx.ExecContext(ctx, `UPDATE export_hour SET again = min(coalesce(again, ?1), ?1) WHERE room = ?2`, since.UnixMilli(), name)
		if err != nil {
			return fmt.Errorf("cannot note hours for the export: %w", err)
		}
	}
	return nil
}

// DayMark is up to where readings of one series and day were handed out.
type DayMark struct {
	series, day, next int64
	whole             bool // all of the day
}

// UnsentReadings gives readings that are not sent, the oldest day first and in
// order of time, about limit of them at most, and what to give to ReadingsSent
// when they are.
func (s *Store) UnsentReadings(ctx context.Context, limit int) (readings []room.Reading, marks []DayMark, err error) {
	if err := s.mergeAgain(ctx, `export_day`, `since`); err != nil {
		return nil, nil, err
	}
	tx, err := s.read.BeginTx(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return nil, nil, fmt.Errorf("cannot read what is to be exported: %w", err)
	}
	defer func() { _ = tx.Rollback() }()
	var rows [][3]int64
	// No more rows than points: each is at least one.
	err = scan(ctx, tx, `SELECT day, series, since FROM export_day ORDER BY day, series LIMIT ?`, []any{limit}, func(r *sql.Rows) error {
		var x [3]int64
		err := r.Scan(&x[0], &x[1], &x[2])
		rows = append(rows, x)
		return err
	})
	if err != nil {
		return nil, nil, fmt.Errorf("cannot read what is to be exported: %w", err)
	}
	names := s.seriesNames()
	for _, x := range rows {
		k, known := names[x[1]]
		if !known { // opened by a commit that is just ending
			continue
		}
		points, err := s.pointsSince(ctx, tx, x)
		if err != nil {
			return nil, nil, err
		}
		mark := DayMark{series: x[1], day: x[0], whole: true}
		if room := limit - len(readings); len(points) > room {
			points, mark.whole = points[:room], false
		}
		for _, p := range points {
			readings = append(readings, room.Reading{Series: k, At: time.UnixMilli(p.at).UTC(), Value: k.Quantity.FromSteps(p.steps)})
			mark.next = p.at + 1
		}
		if marks = append(marks, mark); len(readings) >= limit {
			break
		}
	}
	slices.SortStableFunc(readings, func(a, b room.Reading) int { return a.At.Compare(b.At) })
	return readings, marks, nil
}

// pointsSince gives the points of a row of export_day. What is damaged is for
// the quarantine, and not to be had.
func (s *Store) pointsSince(ctx context.Context, q queryer, row [3]int64) ([]point, error) {
	points, bad, err := s.day(ctx, q, row[1], row[0])
	if err != nil {
		return nil, fmt.Errorf("cannot read a day to export: %w", err)
	}
	if bad != "" {
		s.quarantine(ctx, row[1], row[0])
	}
	return slices.DeleteFunc(points, func(p point) bool { return p.at < row[2] }), nil
}

func (s *Store) seriesNames() map[int64]room.Series {
	s.mu.Lock()
	defer s.mu.Unlock()
	out := make(map[int64]room.Series, len(s.series))
	for k, id := range s.series {
		out[id] = k
	}
	return out
}

// mergeAgain takes what came back into what is to be sent, before it is looked
// at: what comes later is told apart from what is under way.
func (s *Store) mergeAgain(ctx context.Context, table, column string) error {
	var n int
	err := s.read.QueryRowContext(ctx, `SELECT EXISTS (SELECT 1 FROM `+table+` WHERE again IS NOT NULL)`).Scan(&n)
	if err == nil && n > 0 {
		_, err = s.write.ExecContext(ctx, `UPDATE `+table+` SET `+column+` = min(`+column+`, again), again = NULL WHERE again IS NOT NULL`)
	}
	if err != nil {
		return fmt.Errorf("cannot read what is to be exported: %w", err)
	}
	return nil
}

// ReadingsSent notes readings as sent.
func (s *Store) ReadingsSent(ctx context.Context, marks []DayMark, now time.Time) error {
	return s.sent(ctx, now, func(tx *sql.Tx) error {
		for _, m := range marks {
			text := `UPDATE export_day SET since = max(since, ?3) WHERE day = ?1 AND series = ?2`
			args := []any{m.day, m.series, m.next}
			if m.whole {
				text, args = `DELETE FROM export_day WHERE day = ? AND series = ? AND again IS NULL`, args[:2]
			}
			if _, err := tx.ExecContext(ctx, text, args...); err != nil {
				return err
			}
			if !m.whole {
				continue
			}
			_, err := tx.ExecContext(ctx, `UPDATE export_day SET since = again, again = NULL WHERE day = ? AND series = ?`, args...)
			if err != nil {
				return err
			}
		}
		return nil
	})
}

// sent notes something as sent, and when the other side last took anything.
func (s *Store) sent(ctx context.Context, now time.Time, note func(*sql.Tx) error) error {
	return s.exportTx(ctx, "note what was exported", func(tx *sql.Tx) error {
		if err := note(tx); err != nil {
			return err
		}
		_, err := tx.ExecContext(ctx, `UPDATE export_state SET taken = ?`, now.UnixMilli())
		return err
	})
}

// UnsentHours gives for each room the hour from which on its hours are to be
// sent.
func (s *Store) UnsentHours(ctx context.Context) (map[string]time.Time, error) {
	if err := s.mergeAgain(ctx, `export_hour`, `next`); err != nil {
		return nil, err
	}
	out := map[string]time.Time{}
	err := scan(ctx, s.read, `SELECT room, next FROM export_hour`, nil, func(r *sql.Rows) error {
		var name string
		var at int64
		err := r.Scan(&name, &at)
		out[name] = time.UnixMilli(at).UTC()
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("cannot read which hours are to be exported: %w", err)
	}
	return out, nil
}

// HoursSent notes the hours of a room before an instant as sent.
func (s *Store) HoursSent(ctx context.Context, name string, next, now time.Time) error {
	return s.sent(ctx, now, func(tx *sql.Tx) error {
		_, err := tx.ExecContext(ctx, `UPDATE export_hour SET next = ? WHERE room = ?`, next.UnixMilli(), name)
		return err
	})
}

// UnsentAlarms gives alarm events that are not sent, in order, and the number
// of the last.
func (s *Store) UnsentAlarms(ctx context.Context, limit int) (events []alarm.Event, last int64, err error) {
	err = scan(ctx, s.read, `SELECT seq, body FROM alarm_event WHERE seq > (SELECT alarm_seq FROM export_state) ORDER BY seq LIMIT ?`, []any{limit}, func(r *sql.Rows) error {
		var body string
		if err := r.Scan(&last, &body); err != nil {
			return err
		}
		ev, err := parseEvent(body)
		events = append(events, ev)
		return err
	})
	if err != nil {
		return nil, 0, fmt.Errorf("cannot read the alarm events to export: %w", err)
	}
	return events, last, nil
}

// AlarmsSent notes alarm events up to a number as sent.
func (s *Store) AlarmsSent(ctx context.Context, last int64, now time.Time) error {
	return s.sent(ctx, now, func(tx *sql.Tx) error {
		_, err := tx.ExecContext(ctx, `UPDATE export_state SET alarm_seq = ?`, last)
		return err
	})
}
