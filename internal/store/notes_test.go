package store

import (
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"dryhold/internal/audit"
	"dryhold/internal/note"
)

func noteOf(seq int) note.Change {
	return note.Change{Kind: note.Noted, Seq: seq, Room: "loft", From: epoch, To: epoch.Add(time.Hour), Text: "compressor failed", By: "Ada", Recorded: epoch.Add(time.Duration(seq) * time.Hour)}
}

// What was said of a room outlives the process, in order, and nothing of a
// commit that fails stays.
func TestNoteChanges(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir)
	want := []note.Change{noteOf(1), noteOf(2), {Kind: note.Revoked, Seq: 3, Revokes: 2, Text: "it was the fuse", By: "Bea", Recorded: epoch.Add(3 * time.Hour)}}
	commit(t, s, Outcome{Notes: want[:1]})
	commit(t, s, Outcome{Notes: want[1:]})
	refused(t, s, Outcome{Notes: []note.Change{noteOf(4), noteOf(2)}}) // the number is taken
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	s = open(t, dir)
	got, err := s.NoteChanges(t.Context())
	if d := cmp.Diff(want, got); d != "" || err != nil {
		t.Errorf("%v (-want +got):\n%s", err, d)
	}
	acts, err := s.Audit(t.Context(), audit.Filter{}, 10)
	if err != nil || len(acts) != 3 || acts[0].Kind != audit.Room || acts[0].What != "revoked note 2" {
		t.Errorf("audit: %v %+v", err, acts)
	}
	if newest, err := s.NewestFact(t.Context()); err != nil || !newest.Equal(epoch.Add(3*time.Hour)) {
		t.Errorf("the newest instant in the store is %v, %v", newest, err)
	}
}

// A damaged note is told with its number; it is not left out in silence.
func TestDamagedNote(t *testing.T) {
	f := func(body, want string) {
		t.Helper()
		s := open(t, t.TempDir())
		commit(t, s, Outcome{Notes: []note.Change{noteOf(1)}})
		if _, err := s.write.ExecContext(t.Context(), `UPDATE room_note SET body = ?`, body); err != nil {
			t.Fatal(err)
		}
		if _, err := s.NoteChanges(t.Context()); err == nil || !strings.Contains(err.Error(), want) || !strings.Contains(err.Error(), "dryhold restore") {
			t.Errorf("%s: %v, want %q and what to do", body, err, want)
		}
	}
	f(`{"seq":`, "note 1 of a room is damaged")
	f(`{"seq":2}`, "it says it is number 2")
}
