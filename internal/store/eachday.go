package store

import (
	"context"
	"database/sql"
	"fmt"
	"slices"
	"time"

	"dryhold/internal/room"
)

// daysAtOnce is how many days of a series one query reads: a query for each day
// takes longer than what it reads.
const daysAtOnce = 32

// EachDay gives the readings of a room from an instant on, one UTC day at a
// time in order, each day sorted by time; the next day overwrites it. A packed
// day that is damaged goes to the quarantine, and what came of that day later is
// given alone. Only the writer may call it, or a day might be packed while it is
// read; of several rooms it may be called side by side.
func (s *Store) EachDay(ctx context.Context, name string, from time.Time, visit func([]room.Reading) error) error {
	series := s.seriesOf(name)
	days, err := s.daysOf(ctx, series, floorDay(from.UnixMilli()))
	if err != nil {
		return fmt.Errorf("cannot list the days of %s: %w", name, err)
	}
	var out []room.Reading
	for some := range slices.Chunk(days, daysAtOnce) {
		var read []map[int64][]point // of each series by day
		for _, k := range series {
			of, err := s.daysTogether(ctx, k, some[0], some[len(some)-1])
			if err != nil {
				return err
			}
			read = append(read, of)
		}
		for _, day := range some {
			of := make([][]point, len(series))
			for i := range series {
				of[i] = read[i][day]
				if day == floorDay(from.UnixMilli()) {
					of[i] = slices.DeleteFunc(of[i], func(p point) bool { return p.at < from.UnixMilli() })
				}
			}
			out = together(out[:0], series, of)
			if err := visit(out); err != nil {
				return err
			}
		}
	}
	return nil
}

// daysTogether gives the points of a series on days from one to another, both
// with it, each day as day gives it.
func (s *Store) daysTogether(ctx context.Context, k keyed, first, last int64) (map[int64][]point, error) {
	out := map[int64][]point{}
	var bad []int64
	err := scan(ctx, s.read, `SELECT day, n, codec, data FROM packed_day WHERE series = ? AND day BETWEEN ? AND ?`, []any{k.id, first, last}, func(r *sql.Rows) error {
		var day, n, codec int64
		var data sql.RawBytes
		err := r.Scan(&day, &n, &codec, &data)
		if err == nil {
			points, why := s.unpackWhole(day, n, codec, data)
			if why != nil {
				bad = append(bad, day)
			}
			out[day] = points
		}
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("cannot read the packed days of %s from %s on: %w", k.Series, dateOf(first).Format(time.DateOnly), err)
	}
	late := map[int64]bool{} // packed days with open readings
	err = scan(ctx, s.read, `SELECT at, steps FROM open_reading WHERE series = ? AND at >= ? AND at < ? ORDER BY at`,
		[]any{k.id, first * dayMS, (last + 1) * dayMS}, func(r *sql.Rows) error {
			var p point
			err := r.Scan(&p.at, &p.steps)
			day := floorDay(p.at)
			if n := len(out[day]); n > 0 && p.at <= out[day][n-1].at {
				late[day] = true
			}
			out[day] = append(out[day], p)
			return err
		})
	if err != nil {
		return nil, fmt.Errorf("cannot read the open days of %s from %s on: %w", k.Series, dateOf(first).Format(time.DateOnly), err)
	}
	for day := range late {
		out[day] = inOrder(out[day])
	}
	for _, day := range bad {
		s.quarantine(ctx, k.id, day)
	}
	return out, nil
}

// together puts the points of several series behind out by time; of one instant
// in the order of the series.
func together(out []room.Reading, series []keyed, of [][]point) []room.Reading {
	for {
		next := -1
		for i, points := range of {
			if len(points) > 0 && (next < 0 || points[0].at < of[next][0].at) {
				next = i
			}
		}
		if next < 0 {
			return out
		}
		p, k := of[next][0], series[next]
		of[next] = of[next][1:]
		out = append(out, room.Reading{Series: k.Series, At: time.UnixMilli(p.at).UTC(), Value: k.Quantity.FromSteps(p.steps)})
	}
}
