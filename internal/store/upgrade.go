package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
)

// keptSchema begins the names of the copies that are made before a database is
// brought to a newer schema: dryhold.db.schema-11 is as schema 11 left it, and
// any dryhold that knows schema 11 restores it.
const keptSchema = File + ".schema-"

// upgradeSpare is what must stay free beside such a copy, so that readings can
// still be stored (judgement: months of them).
const upgradeSpare = 100 << 20

// SizeFor is how much room a copy of the database of a data directory takes: as
// much as it and its log, and a tenth for what comes meanwhile.
func SizeFor(dir string) (bytes uint64, err error) {
	for _, name := range []string{File, File + "-wal"} {
		switch info, err := os.Stat(filepath.Join(dir, name)); {
		case err == nil:
			bytes += uint64(info.Size())
		case !errors.Is(err, os.ErrNotExist):
			return 0, fmt.Errorf("cannot look at the database: %w", err)
		}
	}
	return bytes + bytes/10, nil
}

// beforeUpgrade looks at a database that is about to be brought to the newest
// schema, before anything is written to it. One of a newer dryhold is refused,
// with the way back. Of one of an older that holds anything a copy is kept: its
// older dryhold cannot read what this one makes of it. Without room for a copy
// it goes on without: each step is done whole or not at all, and a daemon that
// does not start watches nothing.
func (s *Store) beforeUpgrade(ctx context.Context, path string) error {
	at, rows, err := schemaOf(ctx, path)
	if damaged(err) {
		return &DamagedError{path, []string{err.Error()}}
	} else if err != nil {
		return fmt.Errorf("cannot look at the schema of %s: %w", path, err)
	}
	newest, err := newestStep()
	if err != nil {
		return err
	}
	switch {
	case at > newest:
		return newerError(path, at, newest)
	case at == newest || at == 0 || rows == 0:
		return nil
	}
	dir, kept := filepath.Dir(path), keptSchema+strconv.FormatInt(at, 10)
	need, err := SizeFor(dir)
	if err != nil {
		return err
	}
	if free, known := s.space(dir); known && free < need+upgradeSpare {
		s.log.Error("no copy of the database is kept before its schema changes, for want of room: going back to the dryhold of before needs a backup that it made itself",
			"schema", at, "to", newest, "needed", need+upgradeSpare, "free", free)
		return nil
	}
	s.log.Info("keeping a copy of the database before its schema changes", "schema", at, "to", newest)
	silent := func(string, int64, int64) {}
	got, err := copyAway(ctx, dir, filepath.Join(dir, kept), true, silent)
	if err != nil {
		return fmt.Errorf("cannot keep a copy of the database before its schema changes: %w", err)
	}
	s.log.Info("a copy of the database as it was is kept; delete it once you are sure that you stay with this dryhold",
		"file", filepath.Join(dir, kept), "bytes", got.Bytes, "readings", got.Readings)
	return nil
}

// schemaOf gives the newest schema step of a database, 0 where it has none, and
// how many rows of data are in it.
func schemaOf(ctx context.Context, path string) (at, rows int64, err error) {
	db, err := sql.Open("sqlite", uri(path, "_pragma=query_only(1)"))
	if err != nil {
		return 0, 0, err
	}
	defer func() { err = errors.Join(err, db.Close()) }()
	counts, err := countRows(ctx, db)
	if _, there := counts["goose_db_version"]; err != nil || !there {
		return 0, 0, err
	}
	err = db.QueryRowContext(ctx, `SELECT coalesce(max(version_id), 0) FROM goose_db_version WHERE is_applied`).Scan(&at)
	for name, n := range counts {
		if name != "goose_db_version" && name != "own_key" {
			rows += n
		}
	}
	return at, rows, err
}

// newerError refuses a database of a newer dryhold, whose packed days this one
// might take for damaged, and names the copy from before that can be gone back
// to, if there is one.
func newerError(path string, at, newest int64) error {
	err := fmt.Errorf("%s was written by a newer dryhold (schema %d, this one knows %d) and was left as it is: run that one again", path, at, newest)
	if kept, found := keptFor(path, newest); found {
		dir := filepath.Dir(path)
		return fmt.Errorf("%w; or go back to what was stored before that one's first start: dryhold restore %s --data %s --force. It keeps the present database beside it; what was measured since is only in that", err, kept, dir)
	}
	return fmt.Errorf("%w; or restore a backup that this one or an older made: dryhold restore BACKUP --data %s --force, which keeps the present database beside it", err, filepath.Dir(path))
}

// keptFor finds the copy of the newest schema up to one that is known.
func keptFor(path string, known int64) (file string, found bool) {
	entries, err := os.ReadDir(filepath.Dir(path))
	if err != nil {
		return "", false
	}
	best := int64(0)
	for _, e := range entries {
		text, ok := strings.CutPrefix(e.Name(), keptSchema)
		n, err := strconv.ParseInt(text, 10, 64)
		if ok && err == nil && n > best && n <= known && e.Type().IsRegular() {
			best, file = n, filepath.Join(filepath.Dir(path), e.Name())
		}
	}
	return file, best > 0
}
