package web

import (
	"encoding/json"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"dryhold/internal/note"
)

func TestRoomNotes(t *testing.T) {
	at := func(h int) time.Time { return time.Date(2026, 7, 1, h, 0, 0, 0, time.UTC) }
	f := func(path, body string, want note.Change) {
		t.Helper()
		h, k := house(t, larchHouse(), nil)
		res := ask(t, h, http.MethodPost, "/api/v1/rooms/"+path, body)
		answer := text(t, res)
		if res.StatusCode != 200 {
			t.Errorf("%s %s: %d %s", path, body, res.StatusCode, answer)
			return
		}
		var got note.Change
		calls := k.seen()
		called, ok := strings.CutPrefix(calls[len(calls)-1], "note of a room ")
		if err := json.Unmarshal([]byte(called), &got); err != nil || !ok {
			t.Fatalf("%v: %q", err, calls)
		}
		if d := cmp.Diff(want, got); d != "" {
			t.Errorf("%s (-want +got):\n%s", path, d)
		}
		var done RoomNoted
		if err := json.Unmarshal([]byte(answer), &done); err != nil || done.Lots != 2 || !cmp.Equal(done.Change, want) {
			t.Errorf("%s: %v %s", path, err, answer)
		}
	}
	f("loft/note", `{"from":"2026-07-01T00:00:00Z","to":"2026-07-01T05:00:00Z","text":"compressor failed","by":"Mara"}`,
		note.Change{Kind: note.Noted, Room: "loft", From: at(0), To: at(5), Text: "compressor failed", By: "Mara"})
	f("a%2Fb%20c/note", `{"from":"2026-07-01T00:00:00Z","text":"painters","by":"Mara"}`,
		note.Change{Kind: note.Noted, Room: "a/b c", From: at(0), Text: "painters", By: "Mara"})
	f("notes/2/revoke", `{"note":"it was the fuse","by":"Mara"}`, note.Change{Kind: note.Revoked, Revokes: 2, Text: "it was the fuse", By: "Mara"})

	no := func(path, body string, status int, detail string) {
		t.Helper()
		h, k := house(t, larchHouse(), nil)
		wantProblem(t, ask(t, h, http.MethodPost, "/api/v1/rooms/"+path, body), status, detail)
		if calls := k.seen(); len(calls) != 0 {
			t.Errorf("%s %s reached the keeper: %q", path, body, calls)
		}
	}
	no("loft/note", `{"text":"x"}`, 422, "from: say from when")
	no("loft/note", `{"from":"2026-07-01T00:00:00Z","note":"x"}`, 400, "note")
	no("loft/note", `{"text":"`+strings.Repeat("x", maxNote+1)+`"}`, 422, "text:")
	no("loft/note", `{"by":"`+strings.Repeat("x", maxName+1)+`"}`, 422, "by:")
	no(strings.Repeat("x", maxName+1)+"/note", `{"from":"2026-07-01T00:00:00Z","text":"x"}`, 422, "longer than")
	no("notes/two/revoke", `{}`, 404, `"two" is no number of a note`)
	no("notes/0/revoke", `{}`, 404, "no number")
	no("notes/1/revoke", `{"note":"`+strings.Repeat("x", maxNote+1)+`"}`, 422, "note:")
}

func TestRoomNotesAreListed(t *testing.T) {
	h, _ := house(t, larchHouse(), nil)
	var got RoomNotesAnswer
	body := text(t, ask(t, h, http.MethodGet, "/api/v1/rooms/notes", ""))
	if err := json.Unmarshal([]byte(body), &got); err != nil || len(got.Notes) != 3 {
		t.Fatalf("%v: %s", err, body)
	}
	if n := got.Notes[1]; n.Seq != 2 || n.RevokedBy != 3 || n.Text != "painters were in" || got.Notes[0].RevokedBy != 0 {
		t.Errorf("notes %+v", got.Notes)
	}
}
