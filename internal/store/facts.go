package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
	"time"

	"dryhold/internal/alarm"
	"dryhold/internal/lot"
)

// LotChanges gives every change of every lot in the order it was told.
func (s *Store) LotChanges(ctx context.Context) ([]lot.Change, error) {
	var out []lot.Change
	err := scan(ctx, s.read, `SELECT seq, lot, body FROM lot_change ORDER BY seq`, nil, func(r *sql.Rows) error {
		var c lot.Change
		var seq int64
		var id, body string
		if err := r.Scan(&seq, &id, &body); err != nil {
			return err
		}
		if err := json.Unmarshal([]byte(body), &c); err != nil {
			return fmt.Errorf("change %d, of lot %s, is damaged (%w): restore a backup with `dryhold restore`", seq, id, err)
		}
		out = append(out, c)
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("cannot read lots: %w", err)
	}
	return out, nil
}

// Conditions gives the stored state of every alarm condition.
func (s *Store) Conditions(ctx context.Context) ([]alarm.Condition, error) {
	var out []alarm.Condition
	err := scan(ctx, s.read, `SELECT body FROM condition ORDER BY key`, nil, func(r *sql.Rows) error {
		var c alarm.Condition
		if err := scanJSON(r, &c); err != nil {
			return err
		}
		out = append(out, c)
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("cannot read alarm conditions: %w", err)
	}
	return out, nil
}

func scanJSON(r *sql.Rows, to any) error {
	var body string
	if err := r.Scan(&body); err != nil {
		return err
	}
	return json.Unmarshal([]byte(body), to)
}

// Redelivered reports whether a message without a time of its own, flagged by
// the broker as delivered before, is on disk already. A broker gives
// identifiers in sequence, from 1 to 65535 and round. So one ahead of the last
// message on disk is of a new message, even where an old one had the same
// identifier and text, as of a sensor that says 21.5 all day.
func (s *Store) Redelivered(packet uint16, digest [32]byte) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	r, ok := s.receipts[packet]
	return ok && r.Digest == digest && !ahead(packet, s.last)
}

// ahead reports whether one identifier comes after another, going round: up to
// half the way round it does.
func ahead(packet, last uint16) bool {
	if last == 0 {
		return false // none yet
	}
	d := distance(last, packet)
	return d > 0 && d <= identifiers/2
}

// identifiers is how many there are: 1 to 65535.
const identifiers = 65535

// distance is how far it is from one identifier to another, going round.
func distance(from, to uint16) int {
	return (int(to) - int(from) + identifiers) % identifiers
}

func (s *Store) loadReceipts(ctx context.Context) error {
	err := scan(ctx, s.read, `SELECT packet, digest, at FROM receipt`, nil, func(r *sql.Rows) error {
		var x Receipt
		var digest []byte
		var at int64
		if err := r.Scan(&x.Packet, &digest, &at); err != nil {
			return err
		}
		copy(x.Digest[:], digest)
		x.At = time.UnixMilli(at).UTC()
		s.receipts[x.Packet] = x
		return nil
	})
	if err != nil {
		return fmt.Errorf("cannot read receipts: %w", err)
	}
	err = scan(ctx, s.read, `SELECT packet FROM delivered`, nil, func(r *sql.Rows) error { return r.Scan(&s.last) })
	if err != nil {
		return fmt.Errorf("cannot read the last receipt: %w", err)
	}
	return nil
}

// overtaking is by how many identifiers a message may be late: a broker that
// serves its publishers side by side gives the identifiers in turn and may send
// the messages in another.
const overtaking = 256

// newest is the identifier of the newest message after these packets. One
// delivered for the first time is the newest, unless others overtook it; of
// those delivered again, which begin with the oldest, only what goes further
// than before.
func newest(last uint16, packets []Packet) uint16 {
	for _, p := range packets {
		late := p.Again || distance(p.ID, last) < overtaking
		if !late || last == 0 || ahead(p.ID, last) {
			last = p.ID
		}
	}
	return last
}

// writeReceipts stores the receipts and gives the identifier of the newest
// message.
func (s *Store) writeReceipts(ctx context.Context, tx *sql.Tx, b Batch) (last uint16, err error) {
	if last = newest(s.last, b.Packets); last != s.last {
		_, err := tx.ExecContext(ctx, `INSERT INTO delivered (only, packet) VALUES (1, ?) ON CONFLICT (only) DO UPDATE SET packet = excluded.packet`, last)
		if err != nil {
			return 0, err
		}
	}
	for _, r := range b.Receipts {
		_, err := tx.ExecContext(ctx, `INSERT INTO receipt (packet, digest, at) VALUES (?, ?, ?)
			ON CONFLICT (packet) DO UPDATE SET digest = excluded.digest, at = excluded.at`, r.Packet, r.Digest[:], r.At.UnixMilli())
		if err != nil {
			return 0, err
		}
	}
	return last, nil
}

// Queued is one notice waiting for one channel.
type Queued struct {
	ID       int64
	Channel  string
	Attempts int
	Notice   alarm.Notice
}

// queueNotices puts each notice into the outbox, a row for each of its channels
// or, where it names none, for each of those of machines.
func queueNotices(ctx context.Context, tx *sql.Tx, notices []alarm.Notice, machines []string, now time.Time) error {
	for _, n := range notices {
		channels := n.Channels
		if channels == nil {
			channels = machines
		}
		body, err := json.Marshal(n)
		if err != nil {
			return fmt.Errorf("cannot write notice %s: %w", n.Key, err)
		}
		for _, ch := range channels {
			// The same event queued twice is one notice.
			_, err := tx.ExecContext(ctx, `INSERT OR IGNORE INTO notice (key, channel, body, queued, due) VALUES (?, ?, ?, ?, ?)`,
				n.Key, ch, string(body), now.UnixMilli(), now.UnixMilli())
			if err != nil {
				return fmt.Errorf("cannot queue notice %s for %s: %w", n.Key, ch, err)
			}
		}
	}
	return nil
}

// Due lists notices that wait for delivery, the oldest first.
func (s *Store) Due(ctx context.Context, now time.Time, limit int) ([]Queued, error) {
	var out []Queued
	err := scan(ctx, s.read, `SELECT id, channel, attempts, body FROM notice
		WHERE delivered IS NULL AND refused IS NULL AND due <= ? ORDER BY id LIMIT ?`,
		[]any{now.UnixMilli(), limit}, func(r *sql.Rows) error {
			var q Queued
			var body string
			if err := r.Scan(&q.ID, &q.Channel, &q.Attempts, &body); err != nil {
				return err
			}
			out = append(out, q)
			return json.Unmarshal([]byte(body), &out[len(out)-1].Notice)
		})
	if err != nil {
		return nil, fmt.Errorf("cannot read the outbox: %w", err)
	}
	return out, nil
}

// Delivered marks a notice as delivered.
func (s *Store) Delivered(ctx context.Context, id int64, at time.Time) error {
	_, err := s.write.ExecContext(ctx, `UPDATE notice SET delivered = ?, attempts = attempts + 1 WHERE id = ?`, at.UnixMilli(), id)
	if err != nil {
		return fmt.Errorf("cannot mark notice %d delivered: %w", id, err)
	}
	return nil
}

// Failed records a failed attempt and when to try next, or, when it is
// permanent, that no attempt will follow.
func (s *Store) Failed(ctx context.Context, id int64, at, next time.Time, cause string, permanent bool) error {
	var refused any
	if permanent {
		refused = at.UnixMilli()
	}
	_, err := s.write.ExecContext(ctx, `UPDATE notice SET attempts = attempts + 1, due = ?, cause = ?, refused = ? WHERE id = ?`,
		next.UnixMilli(), cause, refused, id)
	if err != nil {
		return fmt.Errorf("cannot record the failed delivery of notice %d: %w", id, err)
	}
	return nil
}
