package store

import (
	"testing"

	"github.com/google/go-cmp/cmp"
)

// What was announced is known after a restart, until it was taken away.
func TestAnnouncedOutlivesTheProcess(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir)
	is := func(want ...string) {
		t.Helper()
		got, err := s.Announced(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		if d := cmp.Diff(want, got); d != "" {
			t.Errorf("announced (-want +got):\n%s", d)
		}
	}
	announce := func(published, taken []string) {
		t.Helper()
		if err := s.Announce(t.Context(), published, taken); err != nil {
			t.Fatal(err)
		}
	}
	is()
	announce([]string{"b/config", "a/config", "b/config"}, nil)
	announce([]string{"a/config"}, []string{"nowhere"})
	is("a/config", "b/config")
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	s = open(t, dir)
	is("a/config", "b/config")
	announce([]string{"c/config"}, []string{"a/config", "b/config"})
	is("c/config")
}
