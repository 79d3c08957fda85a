package app_test

import (
	"bytes"
	"encoding/json"
	"io"
	"net/http"
	"strings"
	"testing"
	"time"

	"dryhold/internal/crash"
	"dryhold/internal/lot"
	"dryhold/internal/unit"
	"dryhold/internal/web"
)

// named posts an edit under a name of its own, and with other headers.
func named(t testing.TB, url, key string, body any, headers ...string) (status int, location, answer string, err error) {
	t.Helper()
	data, err := json.Marshal(body)
	if err != nil {
		t.Fatal(err)
	}
	r, err := http.NewRequest(http.MethodPost, url, bytes.NewReader(data))
	if err != nil {
		t.Fatal(err)
	}
	r.Header.Set("Content-Type", "application/json")
	if key != "" {
		r.Header.Set("Idempotency-Key", `"`+key+`"`)
	}
	for i := 0; i+1 < len(headers); i += 2 {
		r.Header.Set(headers[i], headers[i+1])
	}
	res, err := client().Do(r)
	if err != nil {
		return 0, "", "", err
	}
	defer res.Body.Close()
	text, err := io.ReadAll(res.Body)
	return res.StatusCode, res.Header.Get("Location"), string(text), err
}

// A daemon that is killed between the commit of an edit and its answer has
// done it once, and gives the answer when it is asked again under the same
// name.
func TestAnswerOutlivesAKill(t *testing.T) {
	h := newHouse(t, nil)
	t.Setenv("DRYHOLD_TEST_CRASH", string(crash.Edited))
	d := spawn(t, h.opts.DataDir, "")
	if d.url == "" {
		t.Fatal("the daemon did not start")
	}
	body := lotOf("cellar")
	if status, _, text, err := named(t, d.url+"/api/v1/lots", "first", body); err == nil {
		t.Errorf("it answered %d %s before it was killed", status, text)
	}
	_ = d.Wait() // killed, so never nil

	h.start()
	for range 2 {
		status, location, text, err := named(t, h.app.URL()+"/api/v1/lots", "first", body)
		if err != nil || status != http.StatusCreated || location != "/api/v1/lots/L-1" || !strings.Contains(text, `"id":"L-1"`) {
			t.Errorf("asked again: %d %s at %q, %v", status, text, location, err)
		}
		h.restart()
	}
	if lots := h.status().Snapshot.Lots; len(lots) != 1 {
		t.Errorf("%d lots, want the one", len(lots))
	}
	body.Count++
	if status, _, text, err := named(t, h.app.URL()+"/api/v1/lots", "first", body); err != nil || status != http.StatusUnprocessableEntity || !strings.Contains(text, "another request had this name") {
		t.Errorf("another lot under the same name: %d %s, %v", status, text, err)
	}
	if status, _, text, err := named(t, h.app.URL()+"/api/v1/lots", "second", body); err != nil || status != http.StatusCreated || !strings.Contains(text, `"id":"L-2"`) {
		t.Errorf("another lot under another name: %d %s, %v", status, text, err)
	}
}

// The answer kept is the first to the byte, of every kind of edit.
func TestAnswersAreTheFirst(t *testing.T) {
	h := newHouse(t, nil)
	h.start()
	at := time.Now().Add(-2 * time.Hour).UTC().Truncate(time.Minute)
	f := func(want int, path string, body any) {
		t.Helper()
		status, location, text, err := named(t, h.app.URL()+path, path, body)
		if err != nil || status != want {
			t.Fatalf("POST %s: %d %s, %v", path, status, text, err)
		}
		again, sameLocation, sameText, err := named(t, h.app.URL()+path, path, body)
		if err != nil || again != status || sameLocation != location || sameText != text {
			t.Errorf("POST %s again: %d %s at %q, first %d %s at %q, %v", path, again, sameText, sameLocation, status, text, location, err)
		}
	}
	f(http.StatusCreated, "/api/v1/lots", lotOf("cellar"))
	f(http.StatusOK, "/api/v1/readings", web.Import{Series: []web.ImportSeries{{Room: "cellar", Sensor: "cellar-1", Quantity: unit.Temperature,
		AtMS: []int64{at.UnixMilli(), at.Add(time.Minute).UnixMilli()}, Values: []float64{14, 14.2}}}})
	f(http.StatusNoContent, "/api/v1/readings/imported", web.ImportDone{By: "Ada", Source: "logger.csv", Stored: 2, From: at, To: at.Add(time.Minute)})
	f(http.StatusOK, "/api/v1/rooms/cellar/note", web.NoteRoom{From: at, Text: "painters were in", By: "Ada"})
	f(http.StatusOK, "/api/v1/rooms/notes/1/revoke", web.RevokeNote{Note: "it was the hall", By: "Ada"})
	f(http.StatusOK, "/api/v1/sensors/cellar/cellar-1/void", web.VoidSensor{From: at, To: at.Add(time.Hour), Note: "stood in the sun", By: "Ada"})
	f(http.StatusOK, "/api/v1/sensors/changes/1/revoke", web.RevokeSensor{Note: "it did not", By: "Ada"})
	f(http.StatusNoContent, "/api/v1/lots/L-1/note", web.NoteLot{Note: "holds", By: "Ada"})
	f(http.StatusOK, "/api/v1/lots/L-1/split", web.UseLot{Count: 2, Room: "pantry", By: "Ada"})
	f(http.StatusOK, "/api/v1/lots/L-1/undo", web.UseLot{By: "Ada", Note: "the wrong lot"})
	f(http.StatusOK, "/api/v1/lots/L-1/open", web.UseLot{Count: 1, By: "Ada"})
	f(http.StatusCreated, "/api/v1/imports/lots", web.ImportLots{By: "Ada", Lots: []lot.Packing{lotOf("cellar").Packing, lotOf("cellar").Packing}})
	f(http.StatusNoContent, "/api/v1/imports/lots/1/undo", web.UndoImport{By: "Ada"})
	f(http.StatusAccepted, "/api/v1/notices/test", web.TestNotice{Channel: "log", By: "Ada"})

	// What was refused is judged anew.
	move := web.MoveLot{Room: "pantry", By: "Ada"}
	if status, _, text, err := named(t, h.app.URL()+"/api/v1/lots/L-99/move", "early", move); err != nil || status != http.StatusNotFound {
		t.Errorf("%d %s, %v", status, text, err)
	}
}

// A lot is changed on condition that it is as it was seen, whatever it has lost
// since.
func TestChangedOnlyAsSeen(t *testing.T) {
	h := newHouse(t, nil)
	h.start()
	if status, _, text, err := named(t, h.app.URL()+"/api/v1/lots", "", lotOf("cellar")); err != nil || status != http.StatusCreated {
		t.Fatalf("%d %s, %v", status, text, err)
	}
	tag := func() string {
		res, err := http.Get(h.app.URL() + "/api/v1/lots/L-1")
		if err != nil {
			t.Fatal(err)
		}
		_ = res.Body.Close()
		return res.Header.Get("ETag")
	}
	f := func(want int, match string) {
		t.Helper()
		status, _, text, err := named(t, h.app.URL()+"/api/v1/lots/L-1/note", "", web.NoteLot{Note: "holds", By: "Ada"}, "If-Match", match)
		if err != nil || status != want {
			t.Errorf("If-Match %s: %d %s, want %d, %v", match, status, text, want, err)
		}
	}
	first := tag()
	f(http.StatusPreconditionFailed, `"none"`)
	f(http.StatusPreconditionFailed, "W/"+first)
	f(http.StatusNoContent, `"none", `+first)
	f(http.StatusPreconditionFailed, first)
	mark, _, _ := strings.Cut(tag(), ".")
	f(http.StatusNoContent, mark+`.of-another-hour"`)
	f(http.StatusNoContent, "*")
}
