package app_test

import (
	"encoding/json"
	"net/http"
	"strings"
	"syscall"
	"testing"

	"github.com/google/go-cmp/cmp"

	"dryhold/internal/lot"
	"dryhold/internal/web"
)

// What became of lots is on disk when it is answered: killed right behind the
// answer, the daemon comes back with the same lots, and again the same when it
// reads its store once more.
func TestUseOutlivesAKill(t *testing.T) {
	h := newHouse(t, nil)
	d := spawn(t, h.opts.DataDir, "")
	if d.url == "" {
		t.Fatal("the daemon did not start")
	}
	send := func(url, path string, body any, want int, text string) {
		t.Helper()
		if code, answer := post(t, url+path, body); code != want || !strings.Contains(answer, text) {
			t.Errorf("POST %s: %d %s, want %d %q", path, code, answer, want, text)
		}
	}
	send(d.url, "/api/v1/lots", lotOf("cellar"), http.StatusCreated, "L-1")
	use := func(what string, b web.UseLot, want int, text string) {
		t.Helper()
		b.By = "Ada"
		send(d.url, "/api/v1/lots/L-1/"+what, b, want, text)
	}
	use("split", web.UseLot{Count: 4, Room: "loft"}, 200, `"id":"L-2"`)
	use("open", web.UseLot{}, 200, `"id":"L-3"`)
	use("eat", web.UseLot{Count: 2}, 200, `"count":5`)
	use("discard", web.UseLot{Count: 1}, 422, "no reason")
	use("discard", web.UseLot{Count: 1, Note: "gnawed"}, 200, `"count":4`)
	use("undo", web.UseLot{}, 200, `"count":5`)
	use("split", web.UseLot{Count: 5, Room: "loft"}, 422, "at least one must go and one stay")
	use("eat", web.UseLot{Count: 20}, 422, "there are 5")
	several := web.ImportLots{Lots: []lot.Packing{lotOf("cellar").Packing, lotOf("loft").Packing}, By: "Ada"}
	wrong := web.ImportLots{Lots: []lot.Packing{lotOf("cellar").Packing, lotOf("loft").Packing}, By: "Ada"}
	wrong.Lots[1].Food = "white-rise"
	send(d.url, "/api/v1/imports/lots", wrong, http.StatusOK, `{"problems":[{"index":1,"text":"unknown food class`)
	several.DryRun = true
	send(d.url, "/api/v1/imports/lots", several, http.StatusOK, "{}")
	several.DryRun = false
	send(d.url, "/api/v1/imports/lots", several, http.StatusCreated, `"number":1`)
	if err := d.Process.Signal(syscall.SIGKILL); err != nil {
		t.Fatal(err)
	}
	_ = d.Wait() // killed, so never nil

	h.start()
	lots := func() map[string]lot.Lot {
		out := map[string]lot.Lot{}
		for _, l := range h.status().Snapshot.Lots {
			out[l.ID] = l.Lot
		}
		return out
	}
	got := lots()
	if len(got) != 5 || got["L-1"].InStore().Count != 5 || got["L-2"].Room() != "loft" || got["L-2"].InStore().Count != 4 || got["L-3"].OpenedAt.IsZero() || got["L-5"].Import != 1 {
		t.Errorf("after a kill: %+v", got)
	}
	code, answer := get(t, h.app.URL()+"/api/v1/lots/L-1/history")
	var a web.AuditAnswer
	if err := json.Unmarshal([]byte(answer), &a); err != nil || code != http.StatusOK {
		t.Fatalf("history: %d %v %s", code, err, answer)
	}
	var did []string
	for _, act := range a.Acts {
		did = append(did, act.What)
	}
	want := []string{"packed 12 x 1.6 kg of white-rice in pet-2l, in cellar", "4 split off L-1, to loft", "1 split off L-1", "ate 2", "threw out 1", "took back: threw out 1"}
	if d := cmp.Diff(want, did); d != "" {
		t.Errorf("history (-want +got):\n%s", d)
	}
	send(h.app.URL(), "/api/v1/lots/L-5/eat", web.UseLot{Count: 1, By: "Ada"}, 200, "")
	send(h.app.URL(), "/api/v1/imports/lots/1/undo", web.UndoImport{By: "Ada"}, 422, "L-5 was changed since")
	send(h.app.URL(), "/api/v1/lots/L-5/undo", web.UseLot{By: "Ada"}, 200, "")
	send(h.app.URL(), "/api/v1/imports/lots/1/undo", web.UndoImport{By: "Ada"}, 204, "")
	send(h.app.URL(), "/api/v1/imports/lots/1/undo", web.UndoImport{By: "Ada"}, 404, "there is no import 1")
	before := lots()
	if len(before) != 3 {
		t.Errorf("the import is taken back, and there are %d lots", len(before))
	}
	h.restart()
	if d := cmp.Diff(before, lots()); d != "" {
		t.Errorf("after a restart (-before +after):\n%s", d)
	}
	send(h.app.URL(), "/api/v1/lots", lotOf("cellar"), http.StatusCreated, "L-6") // numbers stay taken
}
