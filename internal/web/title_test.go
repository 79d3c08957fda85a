package web

import (
	"testing"

	"dryhold/internal/engine"
)

// The tab says which site it is of; to a stranger it says none.
func TestTitlesNameTheSite(t *testing.T) {
	var snap *engine.Snapshot
	s := &server{Config: Config{Snapshot: func() *engine.Snapshot { return snap }}}
	f := func(pg page, want string) {
		t.Helper()
		if got := s.title(pg); got != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
	f(page{Head: "Lots"}, "Lots")
	snap = &engine.Snapshot{Site: "alder-barn"}
	f(page{Head: "Lots"}, "Lots, alder-barn")
	f(page{Head: "alder-barn"}, "alder-barn")
	f(page{Head: "Log in", Bare: true}, "Log in")
}
