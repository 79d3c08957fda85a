package store

import (
	"os"
	"path/filepath"
	"testing"
	"time"
)

// What is held is counted, and a backup leaves a note of itself that says so.
func TestHeldAndLastBackup(t *testing.T) {
	dir, file := t.TempDir(), filepath.Join(t.TempDir(), "larch.db")
	s := open(t, dir)
	furnish(t, s)
	pack(t, s, epoch.AddDate(0, 0, 40))
	h, err := s.Held(t.Context(), dir)
	if err != nil {
		t.Fatal(err)
	}
	n, err := s.CountReadings(t.Context())
	if err != nil || h.Readings != n || n == 0 || h.PackedDays == 0 || h.Series == 0 || h.Schema < 10 || h.Bytes < 4096 {
		t.Errorf("%+v, %d readings: %v", h, n, err)
	}
	if b, known := LastBackup(dir); known {
		t.Errorf("a backup nobody made: %+v", b)
	}
	before := time.Now().Add(-time.Second)
	got, err := Backup(t.Context(), dir, file, false, silent)
	if err != nil {
		t.Fatal(err)
	}
	if b, known := LastBackup(dir); !known || b.File != file || b.Bytes != got.Bytes || b.Readings != n || b.At.Before(before.Truncate(time.Second)) {
		t.Errorf("%t %+v of %+v", known, b, got)
	}
	// A note that nobody can read is none, and one that cannot be left ends no
	// backup.
	if err := os.WriteFile(filepath.Join(dir, backupNote), []byte("{"), 0o600); err != nil {
		t.Fatal(err)
	}
	if b, known := LastBackup(dir); known {
		t.Errorf("read from half a note: %+v", b)
	}
	if err := os.Remove(filepath.Join(dir, backupNote)); err != nil {
		t.Fatal(err)
	}
	if err := os.MkdirAll(filepath.Join(dir, backupNote, "in the way"), 0o700); err != nil {
		t.Fatal(err)
	}
	if _, err := Backup(t.Context(), dir, file, true, silent); err != nil {
		t.Errorf("a backup without its note: %v", err)
	}
	if left, err := filepath.Glob(filepath.Join(dir, "*.part")); err != nil || len(left) != 0 {
		t.Errorf("left behind: %v %v", left, err)
	}
}
