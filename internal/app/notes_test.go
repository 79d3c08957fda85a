package app_test

import (
	"encoding/json"
	"net/http"
	"strings"
	"testing"
	"time"

	"dryhold/internal/web"
)

// A note of a room is there after a kill -9 right behind the answer, and can
// then be taken back, once.
func TestRoomNotesOutliveAKill(t *testing.T) {
	h := newHouse(t, nil)
	from := time.Now().UTC().Truncate(24*time.Hour).AddDate(0, 0, -4)
	d := begin(t, h.opts.DataDir, "")
	sent := larchDays(t, d.broker, from)
	eventually(t, "all readings", func() bool { return statusOf(t, d.url).Snapshot.Intake.Stored == uint64(len(sent)) })
	body := web.NoteRoom{From: from.Add(5 * time.Hour), To: from.Add(30 * time.Hour), Text: "compressor failed", By: "Ada"}
	give(t, d.url, append(told(from)[:2], telling{"/api/v1/rooms/loft/note", body, 200}))
	d.kill(t)

	h.start()
	notes := func() (a web.RoomNotesAnswer) {
		t.Helper()
		code, text := get(t, h.app.URL()+"/api/v1/rooms/notes")
		if err := json.Unmarshal([]byte(text), &a); err != nil || code != http.StatusOK {
			t.Fatalf("%d %v %s", code, err, text)
		}
		return a
	}
	if got := notes().Notes; len(got) != 1 || got[0].Text != body.Text || !got[0].From.Equal(body.From) || !got[0].To.Equal(body.To) || got[0].Seq != 1 {
		t.Fatalf("after a kill: %+v", got)
	}
	code, answer := post(t, h.app.URL()+"/api/v1/rooms/notes/1/revoke", web.RevokeNote{Note: "it was the fuse", By: "Bea"})
	var done web.RoomNoted
	if err := json.Unmarshal([]byte(answer), &done); err != nil || code != 200 || done.Lots != 1 || done.Of.Text != body.Text {
		t.Errorf("taken back: %d %v %s", code, err, answer)
	}
	if code, answer := post(t, h.app.URL()+"/api/v1/rooms/notes/1/revoke", web.RevokeNote{Note: "again", By: "Bea"}); code != http.StatusUnprocessableEntity {
		t.Errorf("taken back twice: %d %s", code, answer)
	}
	if code, answer := post(t, h.app.URL()+"/api/v1/rooms/lft/note", body); code != http.StatusNotFound || !strings.Contains(answer, "did you mean") {
		t.Errorf("of no room: %d %s", code, answer)
	}
	if got := notes().Notes; len(got) != 2 || got[0].RevokedBy != 2 {
		t.Errorf("in the end: %+v", got)
	}
	acts := auditOf(t, h.app.URL())
	if len(acts) != 4 || acts[0].What != "revoked note 1" || acts[0].Of != "loft" || acts[1].Why != "compressor failed" {
		t.Errorf("audit: %+v", acts)
	}
	if done, _ := refold(t, h.app); !done.Same {
		t.Error("rebuilt from the store the state is another")
	}
}
