package store

import (
	"context"
	"database/sql"
	"fmt"
)

// Announced gives the retained topics that were published for hubs and not
// taken away since, in order.
func (s *Store) Announced(ctx context.Context) ([]string, error) {
	var out []string
	err := scan(ctx, s.read, `SELECT topic FROM announced ORDER BY topic`, nil, func(r *sql.Rows) error {
		var topic string
		if err := r.Scan(&topic); err != nil {
			return err
		}
		out = append(out, topic)
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("cannot read what was announced to hubs: %w", err)
	}
	return out, nil
}

// Announce notes topics before they are published, and forgets those that were
// taken away. It may be called beside the writer.
func (s *Store) Announce(ctx context.Context, published, taken []string) error {
	tx, err := s.write.BeginTx(ctx, nil)
	if err != nil {
		return fmt.Errorf("cannot note what is announced to hubs: %w", err)
	}
	defer func() { _ = tx.Rollback() }()
	for _, topic := range taken {
		if _, err := tx.ExecContext(ctx, `DELETE FROM announced WHERE topic = ?`, topic); err != nil {
			return fmt.Errorf("cannot forget that %q was announced: %w", topic, err)
		}
	}
	for _, topic := range published {
		if _, err := tx.ExecContext(ctx, `INSERT INTO announced (topic) VALUES (?) ON CONFLICT (topic) DO NOTHING`, topic); err != nil {
			return fmt.Errorf("cannot note that %q is announced: %w", topic, err)
		}
	}
	if err := tx.Commit(); err != nil {
		return fmt.Errorf("cannot note what is announced to hubs: %w", err)
	}
	return nil
}
