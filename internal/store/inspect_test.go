package store

import (
	"context"
	"log/slog"
	"os"
	"path/filepath"
	"testing"
	"time"
)

// A database is looked at from outside, beside the daemon that has it and after
// it, and nothing of it changes.
func TestInspect(t *testing.T) {
	dir := t.TempDir()
	f := func(when string, found, faulty, used bool) {
		t.Helper()
		in, err := Inspect(t.Context(), dir)
		if err != nil || in.Found != found || (len(in.Faults) > 0) != faulty {
			t.Errorf("%s: %+v, %v", when, in, err)
		}
		if is, err := InUse(dir); err != nil || is != used {
			t.Errorf("%s: in use %t, %v", when, is, err)
		}
		touched, err := Touched(dir)
		if err != nil || touched.IsZero() == found || found && time.Since(touched) > time.Hour {
			t.Errorf("%s: touched %v, %v", when, touched, err)
		}
	}
	f("nothing yet", false, false, false)
	s, err := Open(context.Background(), dir, slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	twoDays(t, s)
	f("open", true, false, true)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	f("closed", true, false, false)
	path := filepath.Join(dir, File)
	before, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	overwrite(t, path, 4096, 3*4096)
	f("overwritten", true, true, false)
	if err := os.WriteFile(path, before, 0o600); err != nil {
		t.Fatal(err)
	}
	f("put back", true, false, false)
	if err := os.WriteFile(filepath.Join(dir, restoring), before, 0o600); err != nil {
		t.Fatal(err)
	}
	f("a restore broken off", true, true, false)
	if err := os.Remove(filepath.Join(dir, restoring)); err != nil {
		t.Fatal(err)
	}
	if err := os.Rename(path, path+"-wal"); err != nil {
		t.Fatal(err)
	}
	f("the log alone", true, true, false)
}
