package store

import (
	"cmp"
	"context"
	"database/sql"
	"fmt"
	"slices"
	"sort"
	"strings"
	"time"

	"dryhold/internal/crash"
	"dryhold/internal/room"
)

// Rooms lists the rooms that have readings.
func (s *Store) Rooms(ctx context.Context) ([]string, error) {
	var out []string
	err := scan(ctx, s.read, `SELECT DISTINCT room FROM series ORDER BY room`, nil, func(r *sql.Rows) error {
		var name string
		err := r.Scan(&name)
		out = append(out, name)
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("cannot list rooms: %w", err)
	}
	return out, nil
}

// CountReadings gives how many readings are stored.
func (s *Store) CountReadings(ctx context.Context) (n int64, err error) {
	err = s.read.QueryRowContext(ctx, `SELECT (SELECT count(*) FROM open_reading) + (SELECT coalesce(sum(n), 0) FROM packed_day)`).Scan(&n)
	if err != nil {
		return 0, fmt.Errorf("cannot count the readings: %w", err)
	}
	return n, nil
}

// Newest gives, of the series whose newest reading is later than an instant,
// the time of that reading.
func (s *Store) Newest(ctx context.Context, after time.Time) (map[room.Series]time.Time, error) {
	out := map[room.Series]time.Time{}
	err := scan(ctx, s.read, `SELECT room, sensor, quantity, newest FROM
		(SELECT room, sensor, quantity, (SELECT max(at) FROM open_reading WHERE series = id) AS newest FROM series)
		WHERE newest > ?`, []any{after.UnixMilli()}, func(r *sql.Rows) error {
		var k room.Series
		var at int64
		err := r.Scan(&k.Room, &k.Sensor, &k.Quantity, &at)
		out[k] = time.UnixMilli(at).UTC()
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("cannot read the newest readings: %w", err)
	}
	return out, nil
}

// EachDay gives the readings of a room from an instant on, one UTC day at a
// time in order, each day sorted by time. A packed day that is damaged goes to
// the quarantine, and what came of that day later is given alone. Only the
// writer may call it, or a day might be packed while it is read.
func (s *Store) EachDay(ctx context.Context, name string, from time.Time, visit func([]room.Reading) error) error {
	series := s.seriesOf(name)
	days, err := s.daysOf(ctx, series, floorDay(from.UnixMilli()))
	if err != nil {
		return fmt.Errorf("cannot list the days of %s: %w", name, err)
	}
	for _, day := range days {
		out, err := s.wholeDay(ctx, s.read, series, day, from)
		if err != nil {
			return err
		}
		if err := visit(out); err != nil {
			return err
		}
	}
	return nil
}

// EachDayOf is EachDay of several rooms together, before an instant. It may be
// called beside the writer: each day is read as of one commit.
func (s *Store) EachDayOf(ctx context.Context, rooms []string, from, to time.Time, visit func([]room.Reading) error) error {
	var series []keyed
	for _, name := range rooms {
		series = append(series, s.seriesOf(name)...)
	}
	days, err := s.daysOf(ctx, series, floorDay(from.UnixMilli()))
	if err != nil {
		return fmt.Errorf("cannot list the days: %w", err)
	}
	for _, day := range days {
		if !dateOf(day).Before(to) {
			return nil
		}
		out, err := s.dayAtOnce(ctx, series, day, from)
		if err != nil {
			return err
		}
		out = out[:sort.Search(len(out), func(i int) bool { return !out[i].At.Before(to) })]
		if err := visit(out); err != nil {
			return err
		}
	}
	return nil
}

// dayAtOnce reads a day in one transaction.
func (s *Store) dayAtOnce(ctx context.Context, series []keyed, day int64, from time.Time) ([]room.Reading, error) {
	tx, err := s.read.BeginTx(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return nil, fmt.Errorf("cannot read a day: %w", err)
	}
	defer func() { _ = tx.Rollback() }()
	return s.wholeDay(ctx, tx, series, day, from)
}

// wholeDay gives the readings of a day from an instant on, sorted by time.
func (s *Store) wholeDay(ctx context.Context, q queryer, series []keyed, day int64, from time.Time) (out []room.Reading, err error) {
	for _, k := range series {
		points, bad, err := s.day(ctx, q, k.id, day)
		if err != nil {
			return nil, fmt.Errorf("cannot read %s on %s: %w", k.Series, dateOf(day).Format(time.DateOnly), err)
		}
		if bad != "" {
			s.quarantine(ctx, k.id, day)
		}
		for _, p := range points {
			if at := time.UnixMilli(p.at).UTC(); !at.Before(from) {
				out = append(out, room.Reading{Series: k.Series, At: at, Value: k.Quantity.FromSteps(p.steps)})
			}
		}
	}
	slices.SortStableFunc(out, func(a, b room.Reading) int { return a.At.Compare(b.At) })
	return out, nil
}

type keyed struct {
	room.Series
	id int64
}

// seriesOf lists the series of a room in a fixed order.
func (s *Store) seriesOf(name string) []keyed {
	s.mu.Lock()
	defer s.mu.Unlock()
	var out []keyed
	for k, id := range s.series {
		if k.Room == name {
			out = append(out, keyed{k, id})
		}
	}
	slices.SortFunc(out, func(a, b keyed) int {
		return cmp.Or(strings.Compare(a.Sensor, b.Sensor), cmp.Compare(a.Quantity, b.Quantity))
	})
	return out
}

func (s *Store) daysOf(ctx context.Context, series []keyed, first int64) ([]int64, error) {
	var days []int64
	for _, k := range series {
		err := scan(ctx, s.read, `SELECT day FROM packed_day WHERE series = ?1 AND day >= ?2
			UNION SELECT DISTINCT at / ?3 FROM open_reading WHERE series = ?1 AND at >= ?2 * ?3`,
			[]any{k.id, first, dayMS}, func(r *sql.Rows) error {
				var day int64
				err := r.Scan(&day)
				days = append(days, day)
				return err
			})
		if err != nil {
			return nil, err
		}
	}
	slices.Sort(days)
	return slices.Compact(days), nil
}

// day gives the points of a series on a day, packed and open ones merged in
// order of time. bad says, if not empty, why the packed ones cannot be read:
// the open ones are then given alone.
func (s *Store) day(ctx context.Context, q queryer, series, day int64) (points []point, bad string, err error) {
	err = scan(ctx, q, `SELECT n, codec, data FROM packed_day WHERE series = ? AND day = ?`, []any{series, day}, func(r *sql.Rows) error {
		var n, codec int64
		var data sql.RawBytes
		err := r.Scan(&n, &codec, &data)
		if err == nil {
			var why error
			if points, why = s.unpackWhole(day, n, codec, data); why != nil {
				bad = why.Error()
			}
		}
		return err
	})
	if err != nil {
		return nil, "", err
	}
	packed := len(points)
	err = scan(ctx, q, `SELECT at, steps FROM open_reading WHERE series = ? AND at >= ? AND at < ? ORDER BY at`,
		[]any{series, day * dayMS, (day + 1) * dayMS}, func(r *sql.Rows) error {
			var p point
			err := r.Scan(&p.at, &p.steps)
			points = append(points, p)
			return err
		})
	if packed > 0 && len(points) > packed {
		slices.SortStableFunc(points, func(a, b point) int { return cmp.Compare(a.at, b.at) })
		points = slices.CompactFunc(points, func(a, b point) bool { return a.at == b.at })
	}
	return points, bad, err
}

// unpackWhole unpacks a day and holds it against what its row says of it.
func (s *Store) unpackWhole(day, n, codec int64, data []byte) ([]point, error) {
	points, err := s.unpack(day, codec, data)
	if err != nil {
		return nil, err
	}
	if int64(len(points)) != n {
		return nil, fmt.Errorf("packed day holds %d readings where its row says %d", len(points), n)
	}
	return points, nil
}

// Pack packs the days before an instant's UTC day that are still open, a few
// at a time so that intake waits little, and reports whether any are left.
func (s *Store) Pack(ctx context.Context, before time.Time) (more bool, err error) {
	const atOnce = 32
	limit := floorDay(before.UnixMilli())
	tx, err := s.write.BeginTx(ctx, nil)
	if err != nil {
		return false, fmt.Errorf("cannot begin packing: %w", err)
	}
	defer func() { _ = tx.Rollback() }()
	var days [][2]int64
	err = scan(ctx, tx, `SELECT DISTINCT series, at / ? FROM open_reading WHERE at < ? LIMIT ?`,
		[]any{dayMS, limit * dayMS, atOnce}, func(r *sql.Rows) error {
			var k [2]int64
			err := r.Scan(&k[0], &k[1])
			days = append(days, k)
			return err
		})
	if err != nil {
		return false, fmt.Errorf("cannot list open days: %w", err)
	}
	if len(days) == 0 {
		return false, nil
	}
	crash.At(ctx, crash.Packing)
	for _, k := range days {
		if err := s.packDay(ctx, tx, k[0], k[1]); err != nil {
			return false, fmt.Errorf("cannot pack series %d on day %d: %w", k[0], k[1], err)
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
	return len(days) == atOnce, nil
}

func (s *Store) packDay(ctx context.Context, tx *sql.Tx, series, day int64) error {
	points, bad, err := s.day(ctx, tx, series, day)
	if err == nil && bad != "" {
		err = s.setAside(ctx, tx, series, day) // or what is packed now would take its place
	}
	if err != nil {
		return err
	}
	if err := s.storeDay(ctx, tx, series, day, points); err != nil {
		return err
	}
	_, err = tx.ExecContext(ctx, `DELETE FROM open_reading WHERE series = ? AND at >= ? AND at < ?`, series, day*dayMS, (day+1)*dayMS)
	return err
}

// storeDay stores the points of a day, in order of time, as its packed ones.
func (s *Store) storeDay(ctx context.Context, tx *sql.Tx, series, day int64, points []point) error {
	data := s.pack(day, points)
	if back, err := s.unpackWhole(day, int64(len(points)), codecColumns, data); err != nil || !slices.Equal(back, points) {
		return fmt.Errorf("BUG: a day does not survive packing, so its rows stay: %w", err)
	}
	_, err := tx.ExecContext(ctx, `INSERT INTO packed_day (series, day, n, codec, data) VALUES (?, ?, ?, ?, ?)
		ON CONFLICT (series, day) DO UPDATE SET n = excluded.n, codec = excluded.codec, data = excluded.data`,
		series, day, len(points), codecColumns, data)
	return err
}

// dateOf is the start of a day.
func dateOf(day int64) time.Time { return time.UnixMilli(day * dayMS).UTC() }

func floorDay(ms int64) int64 {
	d := ms / dayMS
	if ms%dayMS < 0 {
		d--
	}
	return d
}
