package web

import (
	"compress/gzip"
	"io"
	"net/http"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"dryhold/internal/engine"
	"dryhold/internal/health"
)

// counted is Larch House behind a count of its renderings, with a clock that
// the test moves.
func counted(t *testing.T) (h http.Handler, n *newsroom, renderings *atomic.Int64, now *atomic.Int64) {
	t.Helper()
	n = &newsroom{snap: larchHouse(), next: make(chan struct{})}
	renderings, now = &atomic.Int64{}, &atomic.Int64{}
	access, _, _ := guarded(t, false)
	h, _ = house(t, nil, func(c *Config) {
		c.Access, c.Snapshot = access.Access, n.snapshot
		c.Now = func() time.Time { return noon().Add(time.Duration(now.Load())) }
		c.Health = func() []health.Check { renderings.Add(1); return nil } // each asks it once
	})
	return h, n, renderings, now
}

func TestNowIsRenderedOnce(t *testing.T) {
	h, n, renderings, now := counted(t)
	_, session := login(t, h, "mara", marasPassword, "/")
	with := []string{"Cookie", session.Name + "=" + session.Value}
	get := func(headers ...string) string {
		t.Helper()
		res := ask(t, h, http.MethodGet, "/", "", append(headers, with...)...)
		if res.StatusCode != http.StatusOK {
			t.Fatalf("status %d", res.StatusCode)
		}
		return text(t, res)
	}
	rendered := func(want int64) {
		t.Helper()
		if got := renderings.Swap(0); got != want {
			t.Errorf("rendered %d times, want %d", got, want)
		}
	}
	var all sync.WaitGroup
	for range 50 {
		all.Go(func() {
			if page := get(); !strings.Contains(page, "14.2 °C") {
				t.Error("not the page")
			}
		})
	}
	all.Wait()
	rendered(1)

	n.publish(func(s *engine.Snapshot) { s.Rooms[0].Temperature = is(14.9, noon()) })
	if page := get(); !strings.Contains(page, "14.9 °C") {
		t.Error("an old state is shown")
	}
	rendered(1)
	now.Add(int64(5 * time.Second))
	if page := get(); !strings.Contains(page, "7 s ago") {
		t.Error("an old age is shown")
	}
	rendered(1)
	if page := get("Accept-Language", "de"); strings.Contains(page, ">Now<") || !strings.Contains(page, `lang="de"`) {
		t.Error("the page of another language is shown")
	}
	rendered(1)
	get("Accept-Language", "de")
	rendered(0)
	if a, b := text(t, ask(t, h, http.MethodGet, "/?refresh=off", "", with...)), get(); strings.Contains(a, "http-equiv=\"refresh\"") || !strings.Contains(b, "http-equiv=\"refresh\"") {
		t.Error("refreshing is mixed up")
	}
	if page := text(t, ask(t, h, http.MethodGet, "/?x=unusual", "", with...)); !strings.Contains(page, "unusual") || strings.Contains(get(), "unusual") {
		t.Error("the way back of one is that of all")
	}
}

func TestNowIsCompressedOnce(t *testing.T) {
	h, _ := house(t, larchHouse(), nil)
	plain := ask(t, h, http.MethodGet, "/", "")
	packed := ask(t, h, http.MethodGet, "/", "", "Accept-Encoding", "gzip")
	z, err := gzip.NewReader(packed.Body)
	if err != nil || packed.Header.Get("Content-Encoding") != "gzip" || packed.Header.Get("Vary") == "" {
		t.Fatalf("%v, %v", err, packed.Header)
	}
	body, err := io.ReadAll(z)
	if err != nil || string(body) != text(t, plain) {
		t.Errorf("what was compressed is another page, %v", err)
	}
	tag := packed.Header.Get("ETag")
	if tag == "" || tag == plain.Header.Get("ETag") {
		t.Errorf("tags %s and %s", tag, plain.Header.Get("ETag"))
	}
	if res := ask(t, h, http.MethodGet, "/", "", "Accept-Encoding", "gzip", "If-None-Match", tag); res.StatusCode != http.StatusNotModified {
		t.Errorf("status %d for what the reader has", res.StatusCode)
	}
}

// Nobody gets the page of another user.
func TestNowIsOfItsUser(t *testing.T) {
	h, _, _, _ := counted(t)
	_, session := login(t, h, "mara", marasPassword, "/")
	if page := text(t, ask(t, h, http.MethodGet, "/", "", "Cookie", session.Name+"="+session.Value)); !strings.Contains(page, "Log out") {
		t.Error("not the page of the user")
	}
	if res := ask(t, h, http.MethodGet, "/", "", "Accept", "text/html"); res.StatusCode != http.StatusSeeOther {
		t.Errorf("a stranger gets %d", res.StatusCode)
	}
}
