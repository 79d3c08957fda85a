package audit

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"dryhold/internal/note"
)

func TestNotes(t *testing.T) {
	at := func(days int) time.Time { return noon.AddDate(0, 0, days) }
	got := Notes([]note.Change{
		{Kind: note.Noted, Seq: 1, Room: "loft", From: at(-2), To: at(-1), Text: "compressor failed", By: "Ada", Recorded: at(0)},
		{Kind: note.Revoked, Seq: 2, Revokes: 1, Text: "it was the fuse", By: "Bea", Recorded: at(1)},
		{Kind: note.Revoked, Seq: 3, Revokes: 9, Text: "of nothing", By: "Bea", Recorded: at(2)},
	})
	want := []Act{
		{Told: at(0), At: at(-2), By: "Ada", Kind: Room, Of: "loft", What: "noted until 2026-07-13T12:00:00Z", Why: "compressor failed", Change: 1},
		{Told: at(1), At: at(1), By: "Bea", Kind: Room, Of: "loft", What: "revoked note 1", Why: "it was the fuse", Old: "noted until 2026-07-13T12:00:00Z: compressor failed", Change: 2},
		{Told: at(2), At: at(2), By: "Bea", Kind: Room, What: "revoked note 9", Why: "of nothing", Change: 3},
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("(-want +got):\n%s", d)
	}
}
