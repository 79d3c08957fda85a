package app_test

import (
	"encoding/json"
	"net/http"
	"strings"
	"sync"
	"testing"
	"time"

	"dryhold/internal/app"
	"dryhold/internal/engine"
)

// Explanations asked for by many at once, while lots are added, are those of
// the snapshot.
func TestExplainLot(t *testing.T) {
	h := newHouse(t, nil)
	now := time.Now().UTC().Truncate(time.Millisecond)
	h.opts.Now = func() time.Time { return now }
	h.start()
	l := lotOf("cellar")
	l.PackedAt = now.Add(-400 * 24 * time.Hour)
	if _, err := h.app.AddLot(t.Context(), l.Packing, "Ada"); err != nil {
		t.Fatal(err)
	}
	var all sync.WaitGroup
	for range 4 {
		all.Go(func() {
			for range 3 {
				if _, err := h.app.ExplainLot(t.Context(), "L-1"); err != nil {
					t.Error(err)
				}
			}
		})
		all.Go(func() {
			if _, err := h.app.AddLot(t.Context(), lotOf("loft").Packing, "Ada"); err != nil {
				t.Error(err)
			}
		})
	}
	all.Wait()

	status, body := get(t, h.app.URL()+"/api/v1/lots/L-1/explanation")
	var x engine.Explanation
	if err := json.Unmarshal([]byte(body), &x); err != nil || status != http.StatusOK {
		t.Fatalf("%d %s: %v", status, body, err)
	}
	if v := lotNamed(t, h.app.Snapshot(), "L-1"); x.Remaining != v.Remaining || x.Remaining.Likely >= 1 {
		t.Errorf("explained %+v, shown %+v", x.Remaining, v.Remaining)
	}
	if status, body := get(t, h.app.URL()+"/lots/L-1"); status != http.StatusOK || !strings.Contains(body, "Arithmetic: ") {
		t.Errorf("the page: %d %s", status, body)
	}
	if status, body := get(t, h.app.URL()+"/api/v1/lots/l-1/explanation"); status != http.StatusNotFound || !strings.Contains(body, `did you mean \"L-1\"?`) {
		t.Errorf("no such lot: %d %s", status, body)
	}
}

func TestExplainAfterTheStop(t *testing.T) {
	a := daemon(t, app.Options{Settings: local(""), DataDir: t.TempDir()})
	if err := a.Stop(t.Context()); err != nil {
		t.Fatal(err)
	}
	if _, err := a.ExplainLot(t.Context(), "L-1"); err == nil || !strings.Contains(err.Error(), "dryhold is stopping") {
		t.Errorf("asked of a stopped daemon: %v", err)
	}
}
