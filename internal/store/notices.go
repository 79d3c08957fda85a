package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
	"time"

	"dryhold/internal/alarm"
)

// Logged is one notice for one channel, with what has come of it.
type Logged struct {
	ID      int64 // rises in the order they were queued
	Channel string
	Notice  alarm.Notice
	Queued  time.Time
	// Due is when the next attempt may be made, of one that is neither
	// delivered nor refused.
	Due                time.Time
	Delivered, Refused time.Time // zero: not
	Attempts           int       // those that failed, and the one that delivered it
	Cause              string    // of the last that failed; empty for none
}

// NoticeFilter says which notices of the log are wanted.
type NoticeFilter struct {
	Key         string // of the notice; empty for all
	Undelivered bool   // only those that wait or were refused
}

// Notices lists the log of deliveries, the newest first, at most limit of it.
func (s *Store) Notices(ctx context.Context, f NoticeFilter, limit int) ([]Logged, error) {
	return s.logged(ctx, `(? = '' OR key = ?) AND (NOT ? OR delivered IS NULL) ORDER BY id DESC LIMIT ?`,
		f.Key, f.Key, f.Undelivered, limit)
}

// Waiting lists what has failed at least once and is not due before now, with
// the first queued first.
func (s *Store) Waiting(ctx context.Context, now time.Time) ([]Logged, error) {
	return s.logged(ctx, `delivered IS NULL AND refused IS NULL AND attempts > 0 AND due > ? ORDER BY id`, now.UnixMilli())
}

// Deliveries is how a channel has fared, by its rows.
type Deliveries struct {
	Channel       string
	LastDelivered time.Time // zero: never
	LastRefused   time.Time // zero: never
	RefusedBy     string    // the cause at LastRefused
	// RefusedSince is the first refusal after LastDelivered; zero for none.
	RefusedSince time.Time
}

// Deliveries gives how each channel has fared that has a row, by name.
func (s *Store) Deliveries(ctx context.Context) ([]Deliveries, error) {
	var out []Deliveries
	err := scan(ctx, s.read, `WITH last AS (SELECT channel, max(delivered) AS delivered, max(refused) AS refused FROM notice GROUP BY channel)
		SELECT channel, delivered, refused,
			(SELECT min(refused) FROM notice WHERE channel = last.channel AND refused > coalesce(last.delivered, 0)),
			coalesce((SELECT cause FROM notice WHERE channel = last.channel AND refused = last.refused ORDER BY id DESC LIMIT 1), '')
		FROM last ORDER BY channel`, nil, func(r *sql.Rows) error {
		var d Deliveries
		var delivered, refused, since sql.NullInt64
		if err := r.Scan(&d.Channel, &delivered, &refused, &since, &d.RefusedBy); err != nil {
			return err
		}
		d.LastDelivered, d.LastRefused, d.RefusedSince = instant(delivered), instant(refused), instant(since)
		out = append(out, d)
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("cannot read how channels have fared: %w", err)
	}
	return out, nil
}

func (s *Store) logged(ctx context.Context, where string, args ...any) ([]Logged, error) {
	var out []Logged
	err := scan(ctx, s.read, `SELECT id, channel, body, queued, due, delivered, refused, attempts, cause FROM notice WHERE `+where, args, func(r *sql.Rows) error {
		var n Logged
		var body string
		var queued, due int64
		var delivered, refused sql.NullInt64
		if err := r.Scan(&n.ID, &n.Channel, &body, &queued, &due, &delivered, &refused, &n.Attempts, &n.Cause); err != nil {
			return err
		}
		if err := json.Unmarshal([]byte(body), &n.Notice); err != nil {
			return fmt.Errorf("notice %d is damaged: %w", n.ID, err)
		}
		n.Queued, n.Due = time.UnixMilli(queued).UTC(), time.UnixMilli(due).UTC()
		n.Delivered, n.Refused = instant(delivered), instant(refused)
		out = append(out, n)
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("cannot read the log of notices: %w", err)
	}
	return out, nil
}

func instant(ms sql.NullInt64) time.Time {
	if !ms.Valid {
		return time.Time{}
	}
	return time.UnixMilli(ms.Int64).UTC()
}

// PruneNotices deletes notices that were delivered or refused before an
// instant, and gives how many rows. What waits stays.
func (s *Store) PruneNotices(ctx context.Context, before time.Time) (int64, error) {
	res, err := s.write.ExecContext(ctx, `DELETE FROM notice WHERE delivered < ? OR refused < ?`, before.UnixMilli(), before.UnixMilli())
	if err != nil {
		return 0, fmt.Errorf("cannot delete old notices: %w", err)
	}
	return res.RowsAffected()
}
