package store

import (
	"context"
	"database/sql"
	"fmt"
	"time"
)

// Interval is the longest time a sensor says it may take until its next
// reading.
type Interval struct {
	Sensor string
	Within time.Duration // whole milliseconds
}

// writeIntervals keeps what is longer than anything the sensor said before.
func writeIntervals(ctx context.Context, tx *sql.Tx, intervals []Interval) error {
	for _, x := range intervals {
		_, err := tx.ExecContext(ctx, `INSERT INTO stated_interval (sensor, within) VALUES (?, ?)
			ON CONFLICT (sensor) DO UPDATE SET within = max(within, excluded.within)`, x.Sensor, x.Within.Milliseconds())
		if err != nil {
			return fmt.Errorf("cannot store the interval of sensor %s: %w", x.Sensor, err)
		}
	}
	return nil
}

// Intervals gives for each sensor that ever said one the longest interval it
// said.
func (s *Store) Intervals(ctx context.Context) ([]Interval, error) {
	var out []Interval
	err := scan(ctx, s.read, `SELECT sensor, within FROM stated_interval ORDER BY sensor`, nil, func(r *sql.Rows) error {
		var x Interval
		var ms int64
		err := r.Scan(&x.Sensor, &ms)
		x.Within = time.Duration(ms) * time.Millisecond
		out = append(out, x)
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("cannot read the intervals sensors said: %w", err)
	}
	return out, nil
}
