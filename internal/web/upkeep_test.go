package web

import (
	"context"
	"encoding/json"
	"errors"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"dryhold/internal/engine"
)

func (k *keeper) Refold(_ context.Context, by string, tell func(Folding)) (Folded, error) {
	err := k.note("refold by %s", by)
	if by == "Ada" {
		tell(Folding{Room: "loft", Readings: 10, Of: 20})
	}
	return Folded{Rooms: 2, Lots: 3, Readings: 20, Seconds: 0.5, Same: true}, err
}

// rebuilding makes the handler of a site whose Refold is rebuild.
func rebuilding(rebuild func(ctx context.Context, tell func(Folding)) (Folded, error)) http.Handler {
	return New(Config{Snapshot: func() *engine.Snapshot { return nil }, Actions: &rebuilder{rebuild: rebuild}})
}

type rebuilder struct {
	keeper
	rebuild func(ctx context.Context, tell func(Folding)) (Folded, error)
}

func (r *rebuilder) Refold(ctx context.Context, _ string, tell func(Folding)) (Folded, error) {
	return r.rebuild(ctx, tell)
}

func lines(t *testing.T, body io.Reader) (out []RefoldLine) {
	t.Helper()
	for dec := json.NewDecoder(body); ; {
		var l RefoldLine
		switch err := dec.Decode(&l); {
		case errors.Is(err, io.EOF):
			return out
		case err != nil:
			t.Fatal(err)
		}
		out = append(out, l)
	}
}

func TestRefold(t *testing.T) {
	k := &keeper{}
	h := New(Config{Snapshot: func() *engine.Snapshot { return nil }, Actions: k})
	r := ask(t, h, http.MethodPost, "/api/v1/refold", `{"by":"Ada"}`)
	want := []RefoldLine{{Progress: &Folding{Room: "loft", Readings: 10, Of: 20}}, {Done: &Folded{Rooms: 2, Lots: 3, Readings: 20, Seconds: 0.5, Same: true}}}
	if d := cmp.Diff(want, lines(t, r.Body)); d != "" || r.StatusCode != http.StatusOK || r.Header.Get("Content-Type") != "application/x-ndjson" {
		t.Errorf("status %d, %s (-want +got):\n%s", r.StatusCode, r.Header.Get("Content-Type"), d)
	}
	f := func(status int, method, body string, headers ...string) {
		t.Helper()
		if r := ask(t, h, method, "/api/v1/refold", body, headers...); r.StatusCode != status {
			t.Errorf("%s %s: status %d, want %d", method, body, r.StatusCode, status)
		}
	}
	f(http.StatusMethodNotAllowed, http.MethodGet, "")
	f(http.StatusBadRequest, http.MethodPost, `{"who":"Ada"}`)
	f(http.StatusUnsupportedMediaType, http.MethodPost, `by=Ada`, "Content-Type", "application/x-www-form-urlencoded")
	f(http.StatusForbidden, http.MethodPost, `{}`, "Content-Type", "application/json", "Sec-Fetch-Site", "cross-site")
	f(http.StatusUnprocessableEntity, http.MethodPost, `{"by":"`+strings.Repeat("a", 101)+`"}`)
	if got := k.seen(); len(got) != 1 {
		t.Errorf("what was refused reached the writer: %v", got)
	}
}

// A failure before the first line has its status; after it, it is the last
// line. Neither tells more than it should.
func TestRefoldFails(t *testing.T) {
	broken := errors.New("disk gone")
	r := ask(t, rebuilding(func(context.Context, func(Folding)) (Folded, error) { return Folded{}, broken }), http.MethodPost, "/api/v1/refold", `{}`)
	if b, _ := io.ReadAll(r.Body); r.StatusCode != http.StatusInternalServerError || strings.Contains(string(b), "disk gone") {
		t.Errorf("status %d: %s", r.StatusCode, b)
	}
	r = ask(t, rebuilding(func(_ context.Context, tell func(Folding)) (Folded, error) {
		tell(Folding{Room: "loft"})
		return Folded{}, broken
	}), http.MethodPost, "/api/v1/refold", `{}`)
	got := lines(t, r.Body)
	if len(got) != 2 || got[1].Done != nil || !strings.Contains(got[1].Problem, "cannot rebuild the state") || strings.Contains(got[1].Problem, "disk gone") {
		t.Errorf("status %d: %+v", r.StatusCode, got)
	}
}

// A rebuild that takes longer than the server's limits on reading and writing
// is not ended by them, and its progress is seen as it comes.
func TestRefoldOutlastsTheServersLimits(t *testing.T) {
	seen := make(chan struct{})
	server := httptest.NewUnstartedServer(rebuilding(func(ctx context.Context, tell func(Folding)) (Folded, error) {
		tell(Folding{Room: "loft"})
		select {
		case <-seen:
		case <-ctx.Done():
			return Folded{}, ctx.Err()
		}
		select {
		case <-ctx.Done():
			return Folded{}, ctx.Err()
		case <-time.After(500 * time.Millisecond): // past the limits below
			return Folded{Same: true}, nil
		}
	}))
	server.Config.ReadTimeout, server.Config.WriteTimeout = 200*time.Millisecond, 200*time.Millisecond
	server.Start()
	t.Cleanup(server.Close)
	r, err := http.Post(server.URL+"/api/v1/refold", "application/json", strings.NewReader("{}"))
	if err != nil {
		t.Fatal(err)
	}
	defer r.Body.Close()
	dec := json.NewDecoder(r.Body)
	var first, last RefoldLine
	if err := dec.Decode(&first); err != nil || first.Progress == nil {
		t.Fatalf("first line: %+v %v", first, err)
	}
	close(seen)
	if err := dec.Decode(&last); err != nil || last.Done == nil || !last.Done.Same {
		t.Errorf("last line: %+v %v", last, err)
	}
}
