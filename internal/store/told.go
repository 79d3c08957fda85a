package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"fmt"

	"dryhold/internal/alarm"
	"dryhold/internal/dispatch"
)

// Told gives what each recipient was told of each alarm.
func (s *Store) Told(ctx context.Context) ([]dispatch.Told, error) {
	var out []dispatch.Told
	err := scan(ctx, s.read, `SELECT body FROM told ORDER BY recipient, key`, nil, func(r *sql.Rows) error {
		var t dispatch.Told
		if err := scanJSON(r, &t); err != nil {
			return err
		}
		out = append(out, t)
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("cannot read what people were told: %w", err)
	}
	return out, nil
}

func writeTold(ctx context.Context, tx *sql.Tx, told []dispatch.Told) error {
	for _, t := range told {
		key := ""
		if t.Key != (alarm.Key{}) {
			key = t.Key.String()
		}
		if t.Gone {
			if _, err := tx.ExecContext(ctx, `DELETE FROM told WHERE recipient = ? AND key = ?`, t.To, key); err != nil {
				return fmt.Errorf("cannot forget what %s was told of %s: %w", t.To, key, err)
			}
			continue
		}
		body, err := json.Marshal(t)
		if err != nil {
			return fmt.Errorf("cannot write what %s was told of %s: %w", t.To, key, err)
		}
		_, err = tx.ExecContext(ctx, `INSERT INTO told (recipient, key, body) VALUES (?, ?, ?) ON CONFLICT (recipient, key) DO UPDATE SET body = excluded.body`, t.To, key, string(body))
		if err != nil {
			return fmt.Errorf("cannot store what %s was told of %s: %w", t.To, key, err)
		}
	}
	return nil
}
