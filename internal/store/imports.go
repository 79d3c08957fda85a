package store

import (
	"context"
	"database/sql"
	"fmt"
	"time"

	"dryhold/internal/audit"
)

// Import is one import of past readings, as a person made it.
type Import struct {
	At       time.Time
	By       string
	Source   string // the name of the file
	Stored   int    // readings that were new
	Known    int    // that were there before
	From, To time.Time
}

// RecordImport puts an import on record. Its readings are stored by Commit
// before.
func (s *Store) RecordImport(ctx context.Context, x Import, answer *Answer) error {
	tx, err := s.write.BeginTx(ctx, nil)
	if err != nil {
		return fmt.Errorf("cannot begin to record the import of %s: %w", x.Source, err)
	}
	defer func() { _ = tx.Rollback() }()
	_, err = tx.ExecContext(ctx, `INSERT INTO import (at, by, source, stored, known, first, last) VALUES (?, ?, ?, ?, ?, ?, ?)`,
		x.At.UnixMilli(), x.By, x.Source, x.Stored, x.Known, x.From.UnixMilli(), x.To.UnixMilli())
	if err == nil {
		err = writeAnswer(ctx, tx, answer)
	}
	if err == nil {
		err = tx.Commit()
	}
	if err != nil {
		return fmt.Errorf("cannot record the import of %s: %w", x.Source, err)
	}
	return nil
}

// imports are those made, as acts, in the order they were told.
func (s *Store) imports(ctx context.Context) ([]audit.Act, error) {
	var out []audit.Act
	err := scan(ctx, s.read, `SELECT at, by, source, stored, known, first, last FROM import ORDER BY seq`, nil, func(r *sql.Rows) error {
		var x Import
		var at, first, last int64
		if err := r.Scan(&at, &x.By, &x.Source, &x.Stored, &x.Known, &first, &last); err != nil {
			return err
		}
		told := time.UnixMilli(at).UTC()
		out = append(out, audit.Act{Told: told, At: time.UnixMilli(first).UTC(), By: x.By, Kind: audit.Readings, Of: x.Source,
			What: fmt.Sprintf("imported %d readings up to %s, of which %d were there before", x.Stored+x.Known, time.UnixMilli(last).UTC().Format(time.RFC3339), x.Known)})
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("cannot read the imports: %w", err)
	}
	return out, nil
}
