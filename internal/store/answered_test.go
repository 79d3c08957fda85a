package store

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"dryhold/internal/room"
)

// An answer is kept with its edit for AnswersKept, and not where the edit
// fails.
func TestAnswersAreKeptAndForgotten(t *testing.T) {
	s := open(t, t.TempDir())
	keep := func(a Answer) error {
		return s.Commit(t.Context(), Batch{}, nil, a.At, func([]room.Reading) (Outcome, error) { return Outcome{Answer: &a}, nil })
	}
	first := Answer{ID: "a", Digest: "d", At: epoch, Status: 201, Location: "/api/v1/lots/L-1", Body: `{"id":"L-1"}`}
	if err := keep(first); err != nil {
		t.Fatal(err)
	}
	if err := keep(Answer{ID: "a", Digest: "e", At: epoch, Status: 204}); err == nil {
		t.Error("two answers under one name")
	}
	f := func(at time.Time, found bool) {
		t.Helper()
		got, is, err := s.Answered(t.Context(), "a", at)
		if err != nil || is != found {
			t.Errorf("at %s found: %v, %v", at, is, err)
		}
		if d := cmp.Diff(first, got); found && d != "" {
			t.Errorf("at %s (-want +got):\n%s", at, d)
		}
	}
	f(epoch, true)
	f(epoch.Add(AnswersKept-time.Millisecond), true)
	f(epoch.Add(AnswersKept), false)
	if _, found, err := s.Answered(t.Context(), "b", epoch); err != nil || found {
		t.Errorf("an answer to what was not asked: %v, %v", found, err)
	}
	again := Answer{ID: "a", Digest: "e", At: epoch.Add(AnswersKept), Status: 204}
	if err := keep(again); err != nil {
		t.Fatal(err)
	}
	if got, _, err := s.Answered(t.Context(), "a", again.At); err != nil || got.Digest != "e" {
		t.Errorf("the name is not free again: %v, %v", got, err)
	}
}
