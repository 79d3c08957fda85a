package main

import (
	"strings"
	"testing"
	"time"

	"dryhold/internal/engine"
	"dryhold/internal/lot"
)

// TestEndsAreShown: an end that is too far to tell is no date.
func TestEndsAreShown(t *testing.T) {
	f := func(end, finished time.Time, want string, never ...string) {
		t.Helper()
		packed := time.Date(2026, time.March, 14, 12, 0, 0, 0, time.UTC)
		l := engine.LotView{EndAtPlan: end, Lot: lot.Lot{ID: "L-1", FinishedAt: finished,
			Packing: lot.Packing{PackedAt: packed, Room: "cellar"}, Stays: []lot.Stay{{Room: "cellar", From: packed}}}}
		var one, all strings.Builder
		if err := printLot(&one, l); err != nil {
			t.Fatal(err)
		}
		if err := printLots(&all, []engine.LotView{l}, 0); err != nil {
			t.Fatal(err)
		}
		for _, got := range []string{one.String(), all.String()} {
			if !strings.Contains(got, want) {
				t.Errorf("no %q in:\n%s", want, got)
			}
			for _, no := range append(never, "0001-01") {
				if strings.Contains(got, no) {
					t.Errorf("%q in:\n%s", no, got)
				}
			}
		}
	}
	at := time.Date(2041, time.May, 2, 0, 0, 0, 0, time.UTC)
	f(at, time.Time{}, "2041-05")
	f(time.Time{}, time.Time{}, "in over 100 years")
	f(time.Time{}, at, "2041-05-02", "in over 100 years")
}
