package store_test

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"strings"
	"syscall"
	"testing"
	"time"

	"dryhold/internal/alarm"
	"dryhold/internal/lot"
	"dryhold/internal/room"
	"dryhold/internal/sensor"
	"dryhold/internal/store"
	"dryhold/internal/unit"
)

// commit stores temperatures, one a minute up to an instant.
func commitUpTo(s *store.Store, last time.Time, n int, out store.Outcome) error {
	var b store.Batch
	for i := range n {
		b.Readings = append(b.Readings, room.Reading{
			Series: room.Series{Room: "cellar", Sensor: "cellar", Quantity: unit.Temperature}, Value: 12,
			At: last.Add(-time.Duration(i) * time.Minute),
		})
	}
	return s.Commit(context.Background(), b, nil, last, func([]room.Reading) (store.Outcome, error) { return out, nil })
}

func limited(t *testing.T) *store.Store {
	t.Helper()
	s, err := store.Open(t.Context(), t.TempDir(), slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	})
	return s
}

// What a sick disk does to a commit is told in a keeper's words, and over
// when it is well again.
func TestRestrictAndExplain(t *testing.T) {
	noon := time.Date(2031, 7, 12, 12, 0, 0, 0, time.UTC)
	f := func(r store.Restriction, want string) {
		t.Helper()
		s := limited(t)
		if err := s.Restrict(t.Context(), r); err != nil {
			t.Fatal(err)
		}
		err := commitUpTo(s, noon, 100_000, store.Outcome{})
		if err == nil {
			t.Fatalf("%+v: 100,000 readings are taken", r)
		}
		if cause, remedy := store.Explain(err); cause != want || remedy == "" {
			t.Errorf("%+v: %q, %q, want %q", r, cause, remedy, want)
		}
		if err := s.Restrict(t.Context(), store.Restriction{}); err != nil {
			t.Fatal(err)
		}
		if err := commitUpTo(s, noon, 100, store.Outcome{}); err != nil {
			t.Errorf("well again: %v", err)
		}
	}
	f(store.Restriction{Full: true}, "the disk is full")
	f(store.Restriction{ReadOnly: true}, "the disk is read-only")
	f(store.Restriction{Full: true, ReadOnly: true}, "the disk is read-only")

	g := func(err error, want string) {
		t.Helper()
		if cause, _ := store.Explain(fmt.Errorf("cannot commit: %w", err)); !strings.Contains(cause, want) {
			t.Errorf("%v: %q, want %q", err, cause, want)
		}
	}
	g(&fs.PathError{Op: "write", Path: "dryhold.db", Err: syscall.ENOSPC}, "full")
	g(syscall.EDQUOT, "full")
	g(syscall.EROFS, "read-only")
	g(syscall.EIO, "input/output error")
	g(errors.New("no such thing"), "cannot commit: no such thing")
}

func TestNewestFact(t *testing.T) {
	noon := time.Date(2031, 7, 12, 12, 0, 0, 0, time.UTC)
	s := limited(t)
	f := func(name string, want time.Time) {
		t.Helper()
		if got, err := s.NewestFact(t.Context()); err != nil || !got.Equal(want) {
			t.Errorf("%s: %v %v, want %v", name, got, err, want)
		}
	}
	put := func(last time.Time, out store.Outcome) {
		t.Helper()
		if err := commitUpTo(s, last, 3, out); err != nil {
			t.Fatal(err)
		}
	}
	f("empty", time.Time{})
	put(noon, store.Outcome{})
	f("readings", noon)
	if _, err := s.Pack(t.Context(), noon.Add(24*time.Hour)); err != nil {
		t.Fatal(err)
	}
	f("a packed day counts from its start", noon.Truncate(24*time.Hour))
	at := noon.Add(time.Hour)
	put(noon, store.Outcome{Actions: []store.Action{{At: at, Action: "acknowledge", Key: alarm.Key{Kind: alarm.Warm, Room: "cellar"}, By: "Ada"}}})
	f("an action", at)
	put(noon, store.Outcome{Lots: []lot.Change{{Kind: lot.Noted, Lot: "L-1", Note: "label faded", At: noon, Recorded: at.Add(time.Hour), By: "Ada"}}})
	f("a change, by when it was told", at.Add(time.Hour))
	put(noon, store.Outcome{Sensors: []sensor.Change{{Kind: sensor.Swapped, Seq: 1, Room: "cellar", Sensor: "c-1", From: noon, Recorded: at.Add(2 * time.Hour), By: "Ada"}}})
	f("what was told of a sensor", at.Add(2*time.Hour))
	put(at.Add(3*time.Hour), store.Outcome{})
	f("readings again", at.Add(3*time.Hour))
}
