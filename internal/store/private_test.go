package store_test

import (
	"log/slog"
	"os"
	"path/filepath"
	"testing"

	"dryhold/internal/store"
)

// Nobody else reads what a household has: neither a new database nor one that
// was made readable, in a folder that is open to all.
func TestPrivateFiles(t *testing.T) {
	dir := t.TempDir()
	if err := os.Chmod(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	for _, made := range []string{"new", "readable"} {
		s, err := store.Open(t.Context(), dir, slog.New(slog.DiscardHandler))
		if err != nil {
			t.Fatal(err)
		}
		files, err := filepath.Glob(filepath.Join(dir, store.File+"*"))
		if err != nil || len(files) < 2 {
			t.Fatalf("files %q, %v", files, err)
		}
		for _, name := range files {
			info, err := os.Stat(name)
			if err != nil {
				t.Fatal(err)
			}
			if info.Mode().Perm() != 0o600 {
				t.Errorf("%s: %s has mode %v", made, filepath.Base(name), info.Mode())
			}
		}
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
		if err := os.Chmod(filepath.Join(dir, store.File), 0o644); err != nil {
			t.Fatal(err)
		}
	}
}
