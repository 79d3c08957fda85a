package web

import (
	"bytes"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"golang.org/x/net/html"

	"dryhold/internal/lot"
)

const formMedia = "application/x-www-form-urlencoded"

// A link says what it does and does it by its button, without a login; fetched
// alone it does nothing.
func TestLinkPage(t *testing.T) {
	for _, login := range []bool{false, true} {
		h, k := house(t, larchHouse(), nil)
		if login {
			h, k, _, _ = locked(t)
		}
		doc := shown(t, h, "/a/good", 200)
		wantWords(t, doc, "warm/loft ▲ active unacknowledged : Loft too warm: 33.4 °C", "Nothing is done until you press the button",
			"under the name mara", "The link is good once, until 18 Jul 2026 18:30 CEST")
		form := only(t, doc, "form", nil)
		if attr(form, "method") != "post" || attr(form, "action") != "/a/good" {
			t.Errorf("form %v", form.Attr)
		}
		if res := ask(t, h, http.MethodHead, "/a/good", ""); res.StatusCode != 200 || len(k.seen()) > 0 {
			t.Errorf("status %d; a GET or HEAD did %q", res.StatusCode, k.seen())
		}
		res := ask(t, h, http.MethodPost, "/a/good", "note=+window+open+", "Content-Type", formMedia)
		done, err := html.Parse(res.Body)
		if err != nil || res.StatusCode != 200 {
			t.Fatalf("status %d, %v", res.StatusCode, err)
		}
		wantWords(t, done, "✓ done : warm/loft is acknowledged.")
		if d := cmp.Diff([]string{`follow good by "": window open`}, k.seen()); d != "" {
			t.Errorf("(-want +got):\n%s", d)
		}
		// Nothing else is open to whoever has a link.
		if res := ask(t, h, http.MethodGet, "/alarms", ""); login && res.StatusCode < 300 {
			t.Errorf("the alarms without a login: status %d", res.StatusCode)
		}
	}
}

func TestLinkProblems(t *testing.T) {
	h, k := house(t, larchHouse(), nil)
	wantWords(t, shown(t, h, "/a/used", 422), "This link does nothing", "it was done already, by mara", "All alarms")
	wantWords(t, shown(t, h, "/a/none", 404), "this link is not one of ours")
	wantWords(t, shown(t, h, "/a/shelve", 200), "Shelve for 24 hours")
	post := func(path, body, media string, status int, want string) {
		t.Helper()
		res := ask(t, h, http.MethodPost, path, body, "Content-Type", media)
		doc, err := html.Parse(res.Body)
		if err != nil || res.StatusCode != status {
			t.Fatalf("%s: status %d, want %d, %v", path, res.StatusCode, status, err)
		}
		wantWords(t, doc, want)
	}
	post("/a/used", "", formMedia, 422, "it was done already")
	post("/a/none", "", formMedia, 404, "not one of ours")
	post("/a/good", "{}", "application/json", 415, "send the form as")
	post("/a/good", "note="+strings.Repeat("x", maxNote+1), formMedia, 422, "note: the note is longer")
	if n := len(k.seen()); n > 0 {
		t.Errorf("%d of them did something", n)
	}
	k.err = fmt.Errorf("cannot acknowledge warm/loft: it is shelved: %w", lot.ErrInvalid)
	post("/a/good", "", formMedia, 422, "cannot acknowledge warm/loft: it is shelved")
	k.err = lot.NotNow("cannot store the change now, because the disk is full")
	post("/a/good", "", formMedia, 503, "the disk is full")
	// The log does not give a link away.
	var b bytes.Buffer
	logging, k2 := house(t, larchHouse(), func(c *Config) { c.Log = slog.New(slog.NewTextHandler(&b, nil)) })
	k2.err = errors.New("a fault")
	if res := ask(t, logging, http.MethodPost, "/a/good", "", "Content-Type", formMedia); res.StatusCode != 500 || !strings.Contains(b.String(), "a fault") || strings.Contains(b.String(), "good") {
		t.Errorf("status %d, log %s", res.StatusCode, b.String())
	}
	// A page of another site cannot press the button.
	k.err = nil
	before := len(k.seen())
	wantProblem(t, ask(t, h, http.MethodPost, "/a/good", "", "Content-Type", formMedia, "Sec-Fetch-Site", "cross-site"), 403, "another site")
	if len(k.seen()) != before {
		t.Error("a foreign page followed a link")
	}
}
