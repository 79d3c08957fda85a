package store

import (
	"cmp"
	"context"
	"database/sql"
	"fmt"
	"slices"
	"time"

	"dryhold/internal/crash"
)

// packAtOnce is how many days of a series are packed in one transaction: few, so
// that intake waits little, yet enough that some fill a page together.
const packAtOnce = 8

// Pack packs the days before an instant's UTC day that are still open, a few
// at a time so that intake waits little, and reports whether any are left.
func (s *Store) Pack(ctx context.Context, before time.Time) (more bool, err error) {
	limit := floorDay(before.UnixMilli())
	tx, err := s.write.BeginTx(ctx, nil)
	if err != nil {
		return false, fmt.Errorf("cannot begin packing: %w", err)
	}
	defer func() { _ = tx.Rollback() }()
	days, err := s.openDays(ctx, tx, limit)
	if err != nil {
		return false, fmt.Errorf("cannot list open days: %w", err)
	}
	if len(days) == 0 {
		return false, nil
	}
	crash.At(ctx, crash.Packing)
	var packed []packedDay
	for _, k := range days {
		p, err := s.packDay(ctx, tx, k[0], k[1])
		if err != nil {
			return false, fmt.Errorf("cannot pack series %d on day %d: %w", k[0], k[1], err)
		}
		packed = append(packed, p)
	}
	for _, p := range inPages(packed) {
		if err := p.close(ctx, tx); err != nil {
			return false, fmt.Errorf("cannot store packed day %d of series %d: %w", p.day, p.series, err)
		}
		crash.At(ctx, crash.Packed)
	}
	if err := tx.Commit(); err != nil {
		return false, fmt.Errorf("cannot commit packed days: %w", err)
	}
	crash.At(ctx, crash.Closed)
	s.reportMoved(ctx)
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, k := range days {
		s.packed[k[0]] = max(s.packed[k[0]], k[1])
	}
	return len(days) == packAtOnce, nil
}

// openDays lists, by series and day, the first that have open readings before a
// day.
func (s *Store) openDays(ctx context.Context, tx *sql.Tx, limit int64) (days [][2]int64, err error) {
	err = scan(ctx, tx, `SELECT DISTINCT series, at / ? FROM open_reading WHERE at < ? LIMIT ?`,
		[]any{dayMS, limit * dayMS, packAtOnce}, func(r *sql.Rows) error {
			var k [2]int64
			err := r.Scan(&k[0], &k[1])
			days = append(days, k)
			return err
		})
	return days, err
}

// packDay packs the day of a series, what is packed of it already included.
func (s *Store) packDay(ctx context.Context, tx *sql.Tx, series, day int64) (packedDay, error) {
	points, bad, err := s.day(ctx, tx, series, day)
	if err == nil && bad != "" {
		err = s.setAside(ctx, tx, series, day) // or what is packed now would take its place
	}
	if err != nil {
		return packedDay{}, err
	}
	return s.packPoints(series, day, points)
}

// storeDay stores the points of a day, in order of time, as its packed ones.
func (s *Store) storeDay(ctx context.Context, tx *sql.Tx, series, day int64, points []point) error {
	p, err := s.packPoints(series, day, points)
	if err != nil {
		return err
	}
	return p.store(ctx, tx)
}

// packedDay is a row of packed_day.
type packedDay struct {
	series, day int64
	n           int
	data        []byte
}

func (s *Store) packPoints(series, day int64, points []point) (packedDay, error) {
	data := s.pack(day, points)
	if back, err := s.unpackWhole(day, int64(len(points)), codecColumns, data); err != nil || !slices.Equal(back, points) {
		return packedDay{}, fmt.Errorf("BUG: a day does not survive packing, so its rows stay: %w", err)
	}
	return packedDay{series, day, len(points), data}, nil
}

func (p packedDay) store(ctx context.Context, tx *sql.Tx) error {
	_, err := tx.ExecContext(ctx, `INSERT INTO packed_day (series, day, n, codec, data) VALUES (?, ?, ?, ?, ?)
		ON CONFLICT (series, day) DO UPDATE SET n = excluded.n, codec = excluded.codec, data = excluded.data`,
		p.series, p.day, p.n, codecColumns, p.data)
	return err
}

// close stores a day in place of its open rows.
func (p packedDay) close(ctx context.Context, tx *sql.Tx) error {
	if err := p.store(ctx, tx); err != nil {
		return err
	}
	_, err := tx.ExecContext(ctx, `DELETE FROM open_reading WHERE series = ? AND at >= ? AND at < ?`, p.series, p.day*dayMS, (p.day+1)*dayMS)
	return err
}

const (
	// pageRoom is what a page of the database has for rows.
	pageRoom = 4096 - 8
	// rowHead is what a row takes beside its data, at most: the numbers, their
	// types, and where it lies in the page.
	rowHead = 32
)

// inPages puts days into the order in which their rows fill pages. Rows are
// appended to a page until the next does not go in, and most are about half a
// page: without an order, every second one begins a page of its own. Each page
// takes the largest that is left and what still goes in beside it.
func inPages(days []packedDay) []packedDay {
	left := slices.SortedStableFunc(slices.Values(days), func(a, b packedDay) int { return cmp.Compare(len(b.data), len(a.data)) })
	out := make([]packedDay, 0, len(days))
	for len(left) > 0 {
		room := pageRoom
		left = slices.DeleteFunc(left, func(p packedDay) bool {
			first := room == pageRoom
			size := len(p.data) + rowHead
			if !first && size > room {
				return false
			}
			room -= size
			out = append(out, p)
			return true
		})
	}
	return out
}
