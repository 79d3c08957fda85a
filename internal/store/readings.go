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
		points = inOrder(points)
	}
	return points, bad, err
}

// inOrder sorts packed points with open ones behind them by time; a packed one
// stands before an open one of its instant.
func inOrder(points []point) []point {
	slices.SortStableFunc(points, func(a, b point) int { return cmp.Compare(a.at, b.at) })
	return slices.CompactFunc(points, func(a, b point) bool { return a.at == b.at })
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

// dateOf is the start of a day.
func dateOf(day int64) time.Time { return time.UnixMilli(day * dayMS).UTC() }

func floorDay(ms int64) int64 {
	d := ms / dayMS
	if ms%dayMS < 0 {
		d--
	}
	return d
}
