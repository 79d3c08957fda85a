package store

import (
	"bytes"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"dryhold/internal/alarm"
	"dryhold/internal/audit"
	"dryhold/internal/room"
)

func attempt(t *testing.T, s *Store, out Outcome) error {
	t.Helper()
	return s.Commit(t.Context(), Batch{}, nil, epoch, func([]room.Reading) (Outcome, error) { return out, nil })
}

// The history is what was told, newest first, by bounds and by alarm.
func TestAlarmEvents(t *testing.T) {
	s := open(t, t.TempDir())
	warm, damp := alarm.Key{Kind: alarm.Warm, Room: "loft"}, alarm.Key{Kind: alarm.Damp, Room: "cellar"}
	at := func(h int) time.Time { return epoch.Add(time.Duration(h) * time.Hour) }
	all := []alarm.Event{
		{Key: warm, From: alarm.Normal, To: alarm.ActiveUnacknowledged, At: at(1), Value: 26, Peak: 27, Spell: 1},
		{Key: damp, From: alarm.Normal, To: alarm.ActiveUnacknowledged, At: at(2), Value: 0.7, Peak: 0.7, Unknown: true, Spell: 4},
		{Key: warm, From: alarm.ActiveUnacknowledged, To: alarm.Shelved, At: at(3), Spell: 1, Do: alarm.ActShelve, By: "mara", Note: "painters", Until: at(9)},
		{Key: warm, From: alarm.Shelved, To: alarm.Shelved, At: at(3), Spell: 1, Do: alarm.ActAnnotate, By: "mara", Note: "compressor failed"},
	}
	for _, ev := range all {
		commit(t, s, Outcome{Transitions: []alarm.Event{ev}})
	}
	f := func(from, to time.Time, key string, limit int, want ...alarm.Event) {
		t.Helper()
		got, err := s.AlarmEvents(t.Context(), from, to, key, limit)
		if err != nil {
			t.Fatal(err)
		}
		if d := cmp.Diff(append([]alarm.Event{}, want...), got); d != "" {
			t.Errorf("(-want +got):\n%s", d)
		}
	}
	none := time.Time{}
	f(none, none, "", 10, all[3], all[2], all[1], all[0])
	f(none, none, "", 2, all[3], all[2])
	f(none, none, "warm/loft", 10, all[3], all[2], all[0])
	f(at(2), at(3), "", 10, all[1])
	f(at(4), none, "", 10)
}

// What may be done once is done once, and a second time nothing of it is
// stored.
func TestOnce(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir)
	warm := alarm.Key{Kind: alarm.Warm, Room: "loft"}
	act := func(id, by string) Outcome {
		return Outcome{
			Once:    []Once{{ID: id, At: epoch, What: "warm/loft acknowledged", By: by}},
			Actions: []Action{{At: epoch, Action: alarm.ActShelve, Key: warm, By: by, Note: "seen", Until: epoch.Add(time.Hour)}},
		}
	}
	if err := attempt(t, s, act("a", "mara")); err != nil {
		t.Fatal(err)
	}
	if err := attempt(t, s, act("a", "ben")); err == nil {
		t.Error("done twice")
	}
	if err := attempt(t, s, act("b", "ben")); err != nil {
		t.Error(err)
	}
	f := func(id string, want Once, found bool) {
		t.Helper()
		got, ok, err := s.Done(t.Context(), id)
		if err != nil || ok != found || got != want {
			t.Errorf("%s: %+v %v %v", id, got, ok, err)
		}
	}
	f("a", Once{"a", epoch, "warm/loft acknowledged", "mara"}, true)
	f("b", Once{"b", epoch, "warm/loft acknowledged", "ben"}, true)
	f("c", Once{}, false)
	acts, err := s.Audit(t.Context(), audit.Filter{}, 10)
	if err != nil || len(acts) != 2 || acts[0].By != "ben" || acts[1].What != "shelved until "+epoch.Add(time.Hour).Format(time.RFC3339) || acts[1].Why != "seen" {
		t.Errorf("audit %+v %v", acts, err)
	}
}

// The daemon's own key is made once.
func TestOwnKey(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir)
	key := func(name string) []byte {
		t.Helper()
		k, err := s.OwnKey(t.Context(), name, epoch)
		if err != nil || len(k) != 32 {
			t.Fatalf("%d bytes, %v", len(k), err)
		}
		return k
	}
	first := key("links")
	if !bytes.Equal(first, key("links")) || bytes.Equal(first, key("others")) || bytes.Equal(first, make([]byte, 32)) {
		t.Error("a key is made once, and is none of another name")
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	if s = open(t, dir); !bytes.Equal(first, key("links")) {
		t.Error("another key after a restart")
	}
}
