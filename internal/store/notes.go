package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"fmt"

	"dryhold/internal/note"
)

// NoteChanges gives everything said of rooms, in the order it was told.
func (s *Store) NoteChanges(ctx context.Context) ([]note.Change, error) {
	var out []note.Change
	err := scan(ctx, s.read, `SELECT seq, body FROM room_note ORDER BY seq`, nil, func(r *sql.Rows) error {
		var c note.Change
		var seq int
		var body string
		if err := r.Scan(&seq, &body); err != nil {
			return err
		}
		if err := json.Unmarshal([]byte(body), &c); err != nil {
			return fmt.Errorf("note %d of a room is damaged (%w): restore a backup with `dryhold restore`", seq, err)
		}
		if c.Seq != seq {
			return fmt.Errorf("note %d of a room is damaged (it says it is number %d): restore a backup with `dryhold restore`", seq, c.Seq)
		}
		out = append(out, c)
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("cannot read the notes of rooms: %w", err)
	}
	return out, nil
}

// writeNotes appends changes; one whose number is taken is refused.
func writeNotes(ctx context.Context, tx *sql.Tx, changes []note.Change) error {
	for _, c := range changes {
		body, err := json.Marshal(c)
		if err != nil {
			return fmt.Errorf("cannot write note %d of a room: %w", c.Seq, err)
		}
		if _, err := tx.ExecContext(ctx, `INSERT INTO room_note (seq, body) VALUES (?, ?)`, c.Seq, string(body)); err != nil {
			return fmt.Errorf("cannot store note %d of a room: %w", c.Seq, err)
		}
	}
	return nil
}
