package store

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"
)

// Held is how much the store holds.
type Held struct {
	Bytes      int64 // of the database and its log
	Schema     int64 // number of its newest schema step
	Readings   int64
	Open       int64 // of these, in days not packed yet
	PackedDays int64
	Series     int64
}

// Held counts what is stored. It passes over all packed days, which takes a
// moment after years.
func (s *Store) Held(ctx context.Context, dir string) (h Held, err error) {
	const count = `SELECT (SELECT max(version_id) FROM goose_db_version), (SELECT count(*) FROM open_reading),
		(SELECT coalesce(sum(n), 0) FROM packed_day), (SELECT count(*) FROM packed_day), (SELECT count(*) FROM series)`
	if err := s.read.QueryRowContext(ctx, count).Scan(&h.Schema, &h.Open, &h.Readings, &h.PackedDays, &h.Series); err != nil {
		return Held{}, fmt.Errorf("cannot count what is stored: %w", err)
	}
	h.Readings += h.Open
	for _, name := range []string{File, File + "-wal"} {
		switch info, err := os.Stat(filepath.Join(dir, name)); {
		case err == nil:
			h.Bytes += info.Size()
		case !errors.Is(err, os.ErrNotExist):
			return Held{}, fmt.Errorf("cannot look at the database: %w", err)
		}
	}
	return h, nil
}

// BackupNote says when the data were last backed up, and where to.
type BackupNote struct {
	At       time.Time `json:"at"`
	File     string    `json:"file"`
	Bytes    int64     `json:"bytes"`
	Readings int64     `json:"readings"`
}

// backupNote is the file beside the database that holds it: a backup is made
// by another process, which must not write into the database.
const backupNote = "last-backup.json"

// noteBackup leaves the note. A backup is none the worse without it, so that
// whoever may read the data and not write there makes one all the same.
func noteBackup(dir, file string, c Contents) {
	if full, err := filepath.Abs(file); err == nil {
		file = full
	}
	body, err := json.Marshal(BackupNote{At: time.Now().UTC().Truncate(time.Second), File: file, Bytes: c.Bytes, Readings: c.Readings})
	if err != nil {
		return
	}
	note := filepath.Join(dir, backupNote)
	temp, err := tempBeside(note)
	if err != nil {
		return
	}
	// The folder is private; the daemon may be another user than who backs up.
	if err = errors.Join(os.WriteFile(temp, append(body, '\n'), 0o644), os.Chmod(temp, 0o644)); err == nil {
		err = settle(temp, note)
	}
	if err != nil {
		_ = os.Remove(temp)
	}
}

// LastBackup reads when the data of a directory were last backed up; false
// where nothing is known of one.
func LastBackup(dir string) (b BackupNote, known bool) {
	body, err := os.ReadFile(filepath.Join(dir, backupNote))
	if err != nil || json.Unmarshal(body, &b) != nil || b.At.IsZero() {
		return BackupNote{}, false
	}
	return b, true
}
