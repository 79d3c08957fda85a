package app_test

import (
	"encoding/json"
	"math"
	"net/http"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"dryhold/internal/app"
	"dryhold/internal/barrier"
	"dryhold/internal/engine"
	"dryhold/internal/lot"
	"dryhold/internal/web"
)

func seal(s barrier.Seal) *barrier.Seal { return &s }

// A note that was answered is there after a kill -9, and goes on from there.
func TestNoteOutlivesAKill(t *testing.T) {
	h := newHouse(t, nil)
	d := spawn(t, h.opts.DataDir, "")
	if d.url == "" {
		t.Fatal("the daemon did not start")
	}
	at := time.Now().Add(-time.Hour).UTC().Truncate(time.Second)
	send := func(url, path string, body any, want int, text string) {
		t.Helper()
		code, answer := post(t, url+path, body)
		if code != want || !strings.Contains(answer, text) {
			t.Errorf("POST %s: %d %s, want %d %q", path, code, answer, want, text)
		}
	}
	send(d.url, "/api/v1/lots", lotOf("cellar"), http.StatusCreated, "L-1")
	send(d.url, "/api/v1/lots/L-1/note", web.NoteLot{Seal: seal(barrier.Verified), Note: "bottle buckled in: seal holding", At: at, By: "Ada"}, http.StatusNoContent, "")
	send(d.url, "/api/v1/lots/L-1/note", web.NoteLot{By: "Ada"}, http.StatusUnprocessableEntity, "an empty note")
	send(d.url, "/api/v1/lots/L-9/note", web.NoteLot{Note: "holds", By: "Ada"}, http.StatusNotFound, `no lot \"L-9\"`)
	send(d.url, "/api/v1/lots/L-1/note", web.NoteLot{Note: "holds", At: at.AddDate(-1, 0, 0), By: "Ada"}, http.StatusUnprocessableEntity, "is earlier")
	if err := d.Process.Signal(syscall.SIGKILL); err != nil {
		t.Fatal(err)
	}
	_ = d.Wait() // killed, so never nil

	h.start()
	want := []lot.Note{{At: at, By: "Ada", Text: "bottle buckled in: seal holding", Seal: seal(barrier.Verified)}}
	l := h.status().Snapshot.Lots[0]
	if d := cmp.Diff(want, l.Notes); d != "" || l.Seal != barrier.Verified {
		t.Errorf("after a kill the seal is %v, notes (-want +got):\n%s", l.Seal, d)
	}
	send(h.app.URL(), "/api/v1/lots/L-1/note", web.NoteLot{Seal: seal(barrier.Failed), By: "Ada"}, http.StatusNoContent, "")
	send(h.app.URL(), "/api/v1/lots/L-1/finish", web.FinishLot{Note: "eaten", By: "Ada"}, http.StatusNoContent, "")
	send(h.app.URL(), "/api/v1/lots/L-1/note", web.NoteLot{Note: "too late", By: "Ada"}, http.StatusUnprocessableEntity, "was finished on")
	h.restart()
	if l := h.status().Snapshot.Lots[0]; l.Seal != barrier.Failed || len(l.Notes) != 2 {
		t.Errorf("after a restart the seal is %v, notes %v", l.Seal, l.Notes)
	}
}

// Notes told in any order of time, among moves and readings, make the same
// state to the last bit when the daemon reads its store again.
func TestNotesReplayToTheSameState(t *testing.T) {
	h := newHouse(t, nil)
	now := time.Now().UTC().Truncate(time.Millisecond)
	h.opts.Now = func() time.Time { return now }
	h.start()
	c := publisher(t, h.brokerURL())
	ago := func(hours int) time.Time { return now.Add(-time.Duration(hours) * time.Hour) }
	for i := range 24 {
		for k, name := range []string{"cellar", "loft"} {
			body, err := json.Marshal(map[string]any{"temperature": 13.7 + 17*float64(k) + float64(i)/7, "time": ago(24 - i)})
			if err != nil {
				t.Fatal(err)
			}
			publish(t, c, "rooms/"+name, false, string(body))
		}
	}
	eventually(t, "all readings", func() bool { return h.status().Snapshot.Intake.Stored == 48 })
	for _, room := range []string{"cellar", "loft"} {
		l := lotOf(room)
		l.PackedAt = ago(24)
		l.Treatment = lot.Treatment{Kind: lot.Absorber, CapacityCM3: 300, MoistureActivated: room == "loft"}
		if _, err := h.app.AddLot(t.Context(), l.Packing, "Ada"); err != nil {
			t.Fatal(err)
		}
	}
	note := func(id string, s *barrier.Seal, text string, at time.Time) {
		t.Helper()
		if err := h.app.NoteLot(t.Context(), id, s, text, at, "Ada"); err != nil {
			t.Fatal(err)
		}
	}
	note("L-1", seal(barrier.Verified), "buckled in", ago(2))
	note("L-2", seal(barrier.Verified), "", ago(3))
	if err := h.app.MoveLot(t.Context(), "L-1", "loft", ago(5), "Ada"); err != nil {
		t.Fatal(err)
	}
	note("L-1", seal(barrier.Failed), "hisses", ago(20)) // before the move, told after it
	note("L-2", seal(barrier.Failed), "told at the same time, so it counts", ago(3))
	note("L-1", nil, "label faded", ago(1))

	live := h.app.Snapshot()
	if a, b := lotNamed(t, live, "L-1"), lotNamed(t, live, "L-2"); a.Seal != barrier.Verified || b.Seal != barrier.Failed || len(a.Notes) != 3 {
		t.Errorf("seals %v and %v, notes %v", a.Seal, b.Seal, a.Notes)
	}
	h.restart()
	sameBits := cmp.Comparer(func(a, b float64) bool { return math.Float64bits(a) == math.Float64bits(b) })
	if d := cmp.Diff(live.Lots, h.app.Snapshot().Lots, sameBits); d != "" {
		t.Errorf("read again (-live +again):\n%s", d)
	}
	if d := cmp.Diff(live.Rooms, h.app.Snapshot().Rooms, sameBits); d != "" {
		t.Errorf("read again (-live +again):\n%s", d)
	}
}

func lotNamed(t *testing.T, s *engine.Snapshot, id string) engine.LotView {
	t.Helper()
	for _, l := range s.Lots {
		if l.ID == id {
			return l
		}
	}
	t.Fatalf("no lot %s", id)
	return engine.LotView{}
}

// A note given to a daemon that has stopped is given up, not lost in silence.
func TestNoteAfterTheStop(t *testing.T) {
	a := daemon(t, app.Options{Settings: local(""), DataDir: t.TempDir()})
	if err := a.Stop(t.Context()); err != nil {
		t.Fatal(err)
	}
	if err := a.NoteLot(t.Context(), "L-1", seal(barrier.Failed), "", time.Now(), "Ada"); err == nil || !strings.Contains(err.Error(), "dryhold is stopping") {
		t.Errorf("a note to a stopped daemon: %v", err)
	}
}
