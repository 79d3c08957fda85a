package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
	"time"

	"dryhold/internal/audit"
	"dryhold/internal/sensor"
)

// SensorChanges gives everything told about sensors, in the order it was told.
func (s *Store) SensorChanges(ctx context.Context) ([]sensor.Change, error) {
	var out []sensor.Change
	err := scan(ctx, s.read, `SELECT seq, body FROM sensor_change ORDER BY seq`, nil, func(r *sql.Rows) error {
		var c sensor.Change
		var seq int
		var body string
		if err := r.Scan(&seq, &body); err != nil {
			return err
		}
		if err := json.Unmarshal([]byte(body), &c); err != nil {
			return fmt.Errorf("change %d of a sensor is damaged (%w): restore a backup with `dryhold restore`", seq, err)
		}
		if c.Seq != seq {
			return fmt.Errorf("change %d of a sensor is damaged (it says it is number %d): restore a backup with `dryhold restore`", seq, c.Seq)
		}
		out = append(out, c)
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("cannot read what was told about sensors: %w", err)
	}
	return out, nil
}

// writeSensors appends changes; one whose number is taken is refused.
func writeSensors(ctx context.Context, tx *sql.Tx, changes []sensor.Change) error {
	for _, c := range changes {
		body, err := json.Marshal(c)
		if err != nil {
			return fmt.Errorf("cannot write change %d of a sensor: %w", c.Seq, err)
		}
		if _, err := tx.ExecContext(ctx, `INSERT INTO sensor_change (seq, body) VALUES (?, ?)`, c.Seq, string(body)); err != nil {
			return fmt.Errorf("cannot store change %d of a sensor: %w", c.Seq, err)
		}
	}
	return nil
}

// Audit gives what people did, the newest first, at most limit of it: every
// fact of every kind but readings.
func (s *Store) Audit(ctx context.Context, f audit.Filter, limit int) ([]audit.Act, error) {
	lots, err := s.LotChanges(ctx)
	if err != nil {
		return nil, err
	}
	sensors, err := s.SensorChanges(ctx)
	if err != nil {
		return nil, err
	}
	notes, err := s.NoteChanges(ctx)
	if err != nil {
		return nil, err
	}
	actions, err := s.actions(ctx)
	if err != nil {
		return nil, err
	}
	imports, err := s.imports(ctx)
	if err != nil {
		return nil, err
	}
	return audit.Newest(f, limit, audit.Lots(lots), audit.Sensors(sensors), audit.Notes(notes), actions, imports), nil
}

// First gives the day of the oldest reading of a room, its start; zero when
// there is none.
func (s *Store) First(ctx context.Context, name string) (time.Time, error) {
	var first time.Time
	for _, k := range s.seriesOf(name) {
		err := scan(ctx, s.read, `SELECT min(day) FROM (SELECT min(day) AS day FROM packed_day WHERE series = ?1
			UNION ALL SELECT min(at) / ?2 FROM open_reading WHERE series = ?1)`, []any{k.id, dayMS}, func(r *sql.Rows) error {
			var day sql.NullInt64
			err := r.Scan(&day)
			if at := dateOf(day.Int64); day.Valid && (first.IsZero() || at.Before(first)) {
				first = at
			}
			return err
		})
		if err != nil {
			return first, fmt.Errorf("cannot find the oldest reading of %s: %w", k.Series, err)
		}
	}
	return first, nil
}
