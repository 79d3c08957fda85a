package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
	"time"

	"dryhold/internal/alarm"
)

// LotResult is what was found of a lot at an instant, as JSON of the exporter.
type LotResult struct {
	At   time.Time
	Body []byte
}

// ExportState is how far an export is.
type ExportState struct {
	LotDay  time.Time // of the last daily results of lots; zero: none yet
	Changed int64     // number of the last lot change that was looked at
	Newest  int64     // and of the newest
	Taken   time.Time // when the other side last took something, or the export began
	Dropped int64     // points too old to be kept, ever
	Oldest  time.Time // of the oldest reading, alarm event or lot result not sent; zero: none
}

// ExportState gives how far the export is.
func (s *Store) ExportState(ctx context.Context) (out ExportState, err error) {
	var day, taken, oldest int64
	err = s.read.QueryRowContext(ctx, `SELECT lot_day, change_seq, coalesce((SELECT max(seq) FROM lot_change), 0), taken, dropped,
		min(coalesce((SELECT min(since, coalesce(again, since)) FROM export_day ORDER BY day LIMIT 1), 1 << 62),
			coalesce((SELECT at FROM export_lot ORDER BY seq LIMIT 1), 1 << 62),
			coalesce((SELECT at FROM alarm_event WHERE seq > alarm_seq ORDER BY seq LIMIT 1), 1 << 62))
		FROM export_state`).Scan(&day, &out.Changed, &out.Newest, &taken, &out.Dropped, &oldest)
	if err != nil {
		return out, fmt.Errorf("cannot read how far the export is: %w", err)
	}
	if day > 0 {
		out.LotDay = time.UnixMilli(day).UTC()
	}
	if oldest < 1<<62 {
		out.Oldest = time.UnixMilli(oldest).UTC()
	}
	out.Taken = time.UnixMilli(taken).UTC()
	return out, nil
}

// ChangedLots gives the lots changed after one number of a change, up to
// another.
func (s *Store) ChangedLots(ctx context.Context, after, to int64) (ids []string, err error) {
	err = scan(ctx, s.read, `SELECT DISTINCT lot FROM lot_change WHERE seq > ? AND seq <= ? ORDER BY lot`, []any{after, to}, func(r *sql.Rows) error {
		var id string
		err := r.Scan(&id)
		ids = append(ids, id)
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("cannot read which lots were changed: %w", err)
	}
	return ids, nil
}

// QueueLots keeps results of lots until they are sent, with how far that is: the
// day and the number of the last change they take in.
func (s *Store) QueueLots(ctx context.Context, results []LotResult, day time.Time, changed int64) error {
	return s.exportTx(ctx, "keep results of lots for the export", func(tx *sql.Tx) error {
		for _, r := range results {
			if _, err := tx.ExecContext(ctx, `INSERT INTO export_lot (at, body) VALUES (?, ?)`, r.At.UnixMilli(), string(r.Body)); err != nil {
				return err
			}
		}
		_, err := tx.ExecContext(ctx, `UPDATE export_state SET lot_day = ?, change_seq = ?`, day.UnixMilli(), changed)
		return err
	})
}

// UnsentLots gives results of lots that are not sent, in order, and the number
// of the last.
func (s *Store) UnsentLots(ctx context.Context, limit int) (out []LotResult, last int64, err error) {
	err = scan(ctx, s.read, `SELECT seq, at, body FROM export_lot ORDER BY seq LIMIT ?`, []any{limit}, func(r *sql.Rows) error {
		var at int64
		var body string
		err := r.Scan(&last, &at, &body)
		out = append(out, LotResult{time.UnixMilli(at).UTC(), []byte(body)})
		return err
	})
	if err != nil {
		return nil, 0, fmt.Errorf("cannot read the results of lots to export: %w", err)
	}
	return out, last, nil
}

// LotsSent notes results of lots up to a number as sent.
func (s *Store) LotsSent(ctx context.Context, last int64, now time.Time) error {
	return s.sent(ctx, now, func(tx *sql.Tx) error {
		_, err := tx.ExecContext(ctx, `DELETE FROM export_lot WHERE seq <= ?`, last)
		return err
	})
}

// DropUnsent gives up sending what is from before the day of an instant, and of
// results of lots all but so many of the newest. It gives how many points that
// is; the facts themselves stay.
func (s *Store) DropUnsent(ctx context.Context, before time.Time, lots int) (dropped int64, err error) {
	day := floorDay(before.UnixMilli())
	readings, err := s.countUnsent(ctx, day)
	if err != nil {
		return 0, err
	}
	dropped = readings
	err = s.exportTx(ctx, "drop what is too old to be exported", func(tx *sql.Tx) error {
		for _, q := range []struct {
			count, change string
			args          []any
		}{
			{`SELECT 0`, `DELETE FROM export_day WHERE day < ?1`, []any{day}},
			{`SELECT coalesce(sum((?1 - next) / ?2), 0) FROM export_hour WHERE next < ?1`,
				`UPDATE export_hour SET next = ?1 WHERE next < ?1 AND ?2 > 0`, []any{day * dayMS, hourMS}},
			{`SELECT count(*) FROM alarm_event WHERE seq > (SELECT alarm_seq FROM export_state) AND at < ?1`,
				`UPDATE export_state SET alarm_seq = max(alarm_seq, coalesce((SELECT max(seq) FROM alarm_event WHERE at < ?1), 0))`, []any{day * dayMS}},
			{`SELECT count(*) FROM export_lot WHERE at < ?1 OR seq <= (SELECT max(seq) FROM export_lot) - ?2`,
				`DELETE FROM export_lot WHERE at < ?1 OR seq <= (SELECT max(seq) FROM export_lot) - ?2`, []any{day * dayMS, lots}},
		} {
			var n int64
			args := q.args
			if q.count == `SELECT 0` {
				args = nil
			}
			if err := tx.QueryRowContext(ctx, q.count, args...).Scan(&n); err != nil {
				return err
			}
			if _, err := tx.ExecContext(ctx, q.change, q.args...); err != nil {
				return err
			}
			dropped += n
		}
		_, err := tx.ExecContext(ctx, `UPDATE export_state SET dropped = dropped + ?`, dropped)
		return err
	})
	if err != nil {
		return 0, err
	}
	return dropped, nil
}

// countUnsent counts the readings not sent of days before one.
func (s *Store) countUnsent(ctx context.Context, before int64) (n int64, err error) {
	var rows [][3]int64
	err = scan(ctx, s.read, `SELECT day, series, min(since, coalesce(again, since)) FROM export_day WHERE day < ?`, []any{before}, func(r *sql.Rows) error {
		var x [3]int64
		err := r.Scan(&x[0], &x[1], &x[2])
		rows = append(rows, x)
		return err
	})
	if err != nil {
		return 0, fmt.Errorf("cannot count what is too old to be exported: %w", err)
	}
	for _, x := range rows {
		points, err := s.pointsSince(ctx, s.read, x)
		if err != nil {
			return 0, err
		}
		n += int64(len(points))
	}
	return n, nil
}

func parseEvent(body string) (ev alarm.Event, err error) {
	err = json.Unmarshal([]byte(body), &ev)
	return ev, err
}
