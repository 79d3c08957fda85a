package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"time"
)

// AnswersKept is how long the answer to an edit that came with a name of its
// own is kept: longer than a program goes on trying (judgement).
const AnswersKept = 48 * time.Hour

// Answer is what an edit with a name of its own was answered.
type Answer struct {
	ID       string // of who asked and of the name
	Digest   string // of what was asked
	At       time.Time
	Status   int
	Location string // of what it made, or ""
	Body     string
}

// Answered finds what an edit with a name of its own was answered within
// AnswersKept before now.
func (s *Store) Answered(ctx context.Context, id string, now time.Time) (a Answer, found bool, err error) {
	var at int64
	err = s.read.QueryRowContext(ctx, `SELECT digest, at, status, location, body FROM answered WHERE id = ? AND at > ?`, id, now.Add(-AnswersKept).UnixMilli()).
		Scan(&a.Digest, &at, &a.Status, &a.Location, &a.Body)
	if errors.Is(err, sql.ErrNoRows) {
		return Answer{}, false, nil
	}
	if err != nil {
		return Answer{}, false, fmt.Errorf("cannot look whether it was answered already: %w", err)
	}
	a.ID, a.At = id, time.UnixMilli(at).UTC()
	return a, true, nil
}

// writeAnswer keeps an answer, and forgets those kept long enough.
func writeAnswer(ctx context.Context, tx *sql.Tx, a *Answer) error {
	if a == nil {
		return nil
	}
	if _, err := tx.ExecContext(ctx, `DELETE FROM answered WHERE at <= ?`, a.At.Add(-AnswersKept).UnixMilli()); err != nil {
		return fmt.Errorf("cannot forget old answers: %w", err)
	}
	_, err := tx.ExecContext(ctx, `INSERT INTO answered (id, digest, at, status, location, body) VALUES (?, ?, ?, ?, ?, ?)`,
		a.ID, a.Digest, a.At.UnixMilli(), a.Status, a.Location, a.Body)
	if err != nil {
		return fmt.Errorf("cannot keep the answer: %w", err)
	}
	return nil
}
