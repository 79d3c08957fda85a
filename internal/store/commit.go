package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"time"

	"dryhold/internal/alarm"
	"dryhold/internal/crash"
	"dryhold/internal/dispatch"
	"dryhold/internal/lot"
	"dryhold/internal/note"
	"dryhold/internal/room"
	"dryhold/internal/sensor"
)

// Batch is what came in: readings, and the receipts of the messages without a
// time of their own that they came from.
type Batch struct {
	Readings []room.Reading
	Receipts []Receipt
	// Packets are those of all messages at QoS 1 in the order of arrival.
	Packets []Packet
	// Intervals are what the senders say of how often they send.
	Intervals []Interval
}

// Packet is the MQTT packet of one message.
type Packet struct {
	ID    uint16
	Again bool // the broker may have delivered it before
}

// Receipt identifies one message without a time of its own: MQTT redelivers
// it under the same packet identifier.
type Receipt struct {
	Packet uint16
	Digest [32]byte // of topic and payload
	At     time.Time
}

// Outcome is what follows from a batch or an edit and must be on disk with
// it.
type Outcome struct {
	Lots    []lot.Change
	Sensors []sensor.Change
	Notes   []note.Change
	Actions []Action
	// Once are acts that may be done only once.
	Once []Once
	// Transitions are what alarms went through.
	Transitions []alarm.Event
	Conditions  []alarm.Condition
	Notices     []alarm.Notice
	Told        []dispatch.Told // by the notices for people
	// Answer is what the edit is answered, where it came with a name of its own.
	Answer *Answer
	// Hours says, by room, since when hours may differ from what was exported.
	Hours map[string]time.Time
}

// Commit stores a batch. Of the readings it finds those not stored before
// and hands them to apply, whose outcome goes into the same transaction: when
// Commit returns without error everything is on disk, when it fails nothing
// is. channels are those of machines, for notices that name none.
func (s *Store) Commit(ctx context.Context, b Batch, channels []string, now time.Time, apply func(fresh []room.Reading) (Outcome, error)) error {
	tx, err := s.write.BeginTx(ctx, nil)
	if err != nil {
		return fmt.Errorf("cannot begin a commit: %w", err)
	}
	defer func() { _ = tx.Rollback() }()
	fresh, opened, err := s.insert(ctx, tx, b.Readings)
	if err != nil {
		return fmt.Errorf("cannot store readings: %w", err)
	}
	crash.At(ctx, crash.Inserted)
	out, err := apply(fresh)
	if err != nil {
		return err
	}
	last, err := s.writeReceipts(ctx, tx, b)
	if err != nil {
		return fmt.Errorf("cannot store receipts: %w", err)
	}
	if err := writeIntervals(ctx, tx, b.Intervals); err != nil {
		return err
	}
	if err := writeOutcome(ctx, tx, out, channels, now); err != nil {
		return err
	}
	if err := s.markExport(ctx, tx, fresh, opened, out.Hours); err != nil {
		return err
	}
	crash.At(ctx, crash.Written)
	if err := tx.Commit(); err != nil {
		return fmt.Errorf("cannot commit: %w", err)
	}
	s.reportMoved(ctx)
	s.mu.Lock()
	defer s.mu.Unlock()
	for k, id := range opened {
		s.series[k] = id
	}
	for _, r := range b.Receipts {
		s.receipts[r.Packet] = r
	}
	s.last = last
	return nil
}

// insert stores the readings that are new and returns them, with the series
// opened for them.
func (s *Store) insert(ctx context.Context, tx *sql.Tx, readings []room.Reading) (fresh []room.Reading, opened map[room.Series]int64, err error) {
	if len(readings) == 0 {
		return nil, nil, nil
	}
	opened = map[room.Series]int64{}
	rows := make([]any, 0, rowWidth*len(readings))
	candidates := make([]room.Reading, 0, len(readings))
	for _, r := range readings {
		id, err := s.seriesID(ctx, tx, r.Series, opened)
		if err != nil {
			return nil, nil, err
		}
		at := r.At.UnixMilli()
		known, err := s.packedAlready(ctx, tx, id, at)
		if err != nil {
			return nil, nil, err
		}
		if known {
			continue
		}
		rows = append(rows, id, at, r.Quantity.Steps(r.Value))
		candidates = append(candidates, r)
	}
	for len(candidates) > 0 {
		n := 1
		if len(candidates) >= manyRows {
			n = manyRows
		}
		fresh, err = s.insertRows(ctx, tx, rows[:n*rowWidth], candidates[:n], fresh)
		if err != nil {
			return nil, nil, err
		}
		rows, candidates = rows[n*rowWidth:], candidates[n:]
	}
	return fresh, opened, nil
}

const (
	// rowWidth is the number of columns of open_reading.
	rowWidth = 3
	// manyRows is how many rows one statement inserts where there are as
	// many: far cheaper than one each.
	manyRows = 32
)

const insertOne = `INSERT OR IGNORE INTO open_reading (series, at, steps) VALUES (?, ?, ?)`

// insertMany fails as a whole, changing nothing, if one of its rows is there.
func insertMany() string {
	return `INSERT INTO open_reading (series, at, steps) VALUES (?, ?, ?)` + strings.Repeat(`, (?, ?, ?)`, manyRows-1)
}

// insertRows stores one row or manyRows and appends those that are new.
func (s *Store) insertRows(ctx context.Context, tx *sql.Tx, rows []any, readings, fresh []room.Reading) ([]room.Reading, error) {
	if len(readings) == manyRows {
		if _, err := tx.StmtContext(ctx, s.putMany).ExecContext(ctx, rows...); err == nil {
			return append(fresh, readings...), nil
		}
		// One of them is there already, as a rule. Anything worse will show
		// again one by one.
	}
	put := tx.StmtContext(ctx, s.putOne)
	for i, r := range readings {
		res, err := put.ExecContext(ctx, rows[i*rowWidth:(i+1)*rowWidth]...)
		if err != nil {
			return nil, err
		}
		if n, err := res.RowsAffected(); err != nil {
			return nil, err
		} else if n > 0 {
			fresh = append(fresh, r)
		}
	}
	return fresh, nil
}

func (s *Store) seriesID(ctx context.Context, tx *sql.Tx, k room.Series, opened map[room.Series]int64) (int64, error) {
	s.mu.Lock()
	id, ok := s.series[k]
	s.mu.Unlock()
	if ok {
		return id, nil
	}
	if id, ok := opened[k]; ok {
		return id, nil
	}
	res, err := tx.ExecContext(ctx, `INSERT INTO series (room, sensor, quantity) VALUES (?, ?, ?)`, k.Room, k.Sensor, k.Quantity)
	if err != nil {
		return 0, err
	}
	id, err = res.LastInsertId()
	opened[k] = id
	return id, err
}

// packedAlready reports whether a packed day holds a reading at the instant.
func (s *Store) packedAlready(ctx context.Context, tx *sql.Tx, series, at int64) (bool, error) {
	day := floorDay(at)
	s.mu.Lock()
	last, any := s.packed[series]
	s.mu.Unlock()
	if !any || day > last {
		return false, nil
	}
	points, bad, err := s.day(ctx, tx, series, day)
	if err == nil && bad != "" {
		err = s.setAside(ctx, tx, series, day)
	}
	if err != nil {
		return false, err
	}
	return slices.ContainsFunc(points, func(p point) bool { return p.at == at }), nil
}

func writeOutcome(ctx context.Context, tx *sql.Tx, out Outcome, channels []string, now time.Time) error {
	for _, c := range out.Lots {
		body, err := json.Marshal(c)
		if err != nil {
			return fmt.Errorf("cannot write change of lot %s: %w", c.Lot, err)
		}
		if _, err := tx.ExecContext(ctx, `INSERT INTO lot_change (lot, body) VALUES (?, ?)`, c.Lot, string(body)); err != nil {
			return fmt.Errorf("cannot store change of lot %s: %w", c.Lot, err)
		}
	}
	if err := writeSensors(ctx, tx, out.Sensors); err != nil {
		return err
	}
	if err := writeNotes(ctx, tx, out.Notes); err != nil {
		return err
	}
	if err := writeAlarms(ctx, tx, out); err != nil {
		return err
	}
	for _, c := range out.Conditions {
		body, err := json.Marshal(c)
		if err != nil {
			return fmt.Errorf("cannot write alarm condition %s: %w", c.Key, err)
		}
		_, err = tx.ExecContext(ctx, `INSERT INTO condition (key, body) VALUES (?, ?) ON CONFLICT (key) DO UPDATE SET body = excluded.body`, c.Key.String(), string(body))
		if err != nil {
			return fmt.Errorf("cannot store alarm condition %s: %w", c.Key, err)
		}
	}
	if err := writeTold(ctx, tx, out.Told); err != nil {
		return err
	}
	if err := writeAnswer(ctx, tx, out.Answer); err != nil {
		return err
	}
	return queueNotices(ctx, tx, out.Notices, channels, now)
}
