package store

import (
	"context"
	"crypto/rand"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"dryhold/internal/alarm"
	"dryhold/internal/audit"
)

// Action is what a person did to an alarm.
type Action struct {
	At       time.Time
	Action   string // one of alarm.Acts
	Key      alarm.Key
	By, Note string
	Until    time.Time // of shelving; zero for others
}

// Once is an act that may be done only once: a second one with the same ID
// fails the commit, and nothing of it is stored.
type Once struct {
	ID   string // of the link or command
	At   time.Time
	What string // what was done
	By   string
}

// writeAlarms stores what was done to alarms and what they went through.
func writeAlarms(ctx context.Context, tx *sql.Tx, out Outcome) error {
	for _, o := range out.Once {
		_, err := tx.ExecContext(ctx, `INSERT INTO done_once (id, at, what, by) VALUES (?, ?, ?, ?)`, o.ID, o.At.UnixMilli(), o.What, o.By)
		if err != nil {
			return fmt.Errorf("cannot note that %s was done: %w", o.What, err)
		}
	}
	for _, a := range out.Actions {
		var until any
		if !a.Until.IsZero() {
			until = a.Until.UnixMilli()
		}
		_, err := tx.ExecContext(ctx, `INSERT INTO operator_action (at, action, key, by, note, until) VALUES (?, ?, ?, ?, ?, ?)`,
			a.At.UnixMilli(), a.Action, a.Key.String(), a.By, a.Note, until)
		if err != nil {
			return fmt.Errorf("cannot store %s of %s: %w", a.Action, a.Key, err)
		}
	}
	for _, ev := range out.Transitions {
		body, err := json.Marshal(ev)
		if err != nil {
			return fmt.Errorf("cannot write what alarm %s went through: %w", ev.Key, err)
		}
		_, err = tx.ExecContext(ctx, `INSERT INTO alarm_event (at, key, body) VALUES (?, ?, ?)`, ev.At.UnixMilli(), ev.Key.String(), string(body))
		if err != nil {
			return fmt.Errorf("cannot store what alarm %s went through: %w", ev.Key, err)
		}
	}
	return nil
}

// actions gives what people did to alarms, in the order it was told.
func (s *Store) actions(ctx context.Context) ([]audit.Act, error) {
	var out []audit.Act
	err := scan(ctx, s.read, `SELECT at, action, key, by, note, until FROM operator_action ORDER BY seq`, nil, func(r *sql.Rows) error {
		var at int64
		var until sql.NullInt64
		var action, key, by, note string
		err := r.Scan(&at, &action, &key, &by, &note, &until)
		var end time.Time
		if until.Valid {
			end = time.UnixMilli(until.Int64).UTC()
		}
		out = append(out, audit.OfAlarm(time.UnixMilli(at).UTC(), action, key, by, note, end))
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("cannot read what was done to alarms: %w", err)
	}
	return out, nil
}

// AlarmEvents gives what alarms went through from an instant to another, zero
// being no bound, the newest first and at most limit of it; of all alarms, or
// of the one whose key is given.
func (s *Store) AlarmEvents(ctx context.Context, from, to time.Time, key string, limit int) ([]alarm.Event, error) {
	bounds := []int64{0, 1 << 62}
	if !from.IsZero() {
		bounds[0] = from.UnixMilli()
	}
	if !to.IsZero() {
		bounds[1] = to.UnixMilli()
	}
	out := []alarm.Event{}
	err := scan(ctx, s.read, `SELECT body FROM alarm_event WHERE at >= ? AND at < ? AND (? = '' OR key = ?) ORDER BY at DESC, seq DESC LIMIT ?`,
		[]any{bounds[0], bounds[1], key, key, limit}, func(r *sql.Rows) error {
			var ev alarm.Event
			err := scanJSON(r, &ev)
			out = append(out, ev)
			return err
		})
	if err != nil {
		return nil, fmt.Errorf("cannot read the history of alarms: %w", err)
	}
	return out, nil
}

// Done finds what was done under the ID of something that may be done once.
func (s *Store) Done(ctx context.Context, id string) (o Once, found bool, err error) {
	var at int64
	err = s.read.QueryRowContext(ctx, `SELECT at, what, by FROM done_once WHERE id = ?`, id).Scan(&at, &o.What, &o.By)
	if errors.Is(err, sql.ErrNoRows) {
		return o, false, nil
	}
	if err != nil {
		return o, false, fmt.Errorf("cannot look whether it was done already: %w", err)
	}
	o.ID, o.At = id, time.UnixMilli(at).UTC()
	return o, true, nil
}

// OwnKey gives a key of 32 bytes that the daemon has for itself, made when it
// is first asked for and the same ever after.
func (s *Store) OwnKey(ctx context.Context, name string, now time.Time) ([]byte, error) {
	var key []byte
	find := func() error {
		return s.read.QueryRowContext(ctx, `SELECT value FROM own_key WHERE name = ?`, name).Scan(&key)
	}
	err := find()
	if errors.Is(err, sql.ErrNoRows) {
		fresh := make([]byte, 32)
		rand.Read(fresh)
		_, err = s.write.ExecContext(ctx, `INSERT OR IGNORE INTO own_key (name, value, made) VALUES (?, ?, ?)`, name, fresh, now.UnixMilli())
		if err == nil {
			err = find()
		}
	}
	if err != nil {
		return nil, fmt.Errorf("cannot keep the key for %s: %w", name, err)
	}
	return key, nil
}
