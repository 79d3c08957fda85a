package web

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"dryhold/internal/engine"
	"dryhold/internal/lot"
)

// ask sends one request over loopback and returns the whole answer.
func ask(t testing.TB, h http.Handler, method, path, body string, headers ...string) *http.Response {
	t.Helper()
	r := httptest.NewRequest(method, "http://127.0.0.1:8090"+path, strings.NewReader(body))
	if method == http.MethodPost && len(headers) == 0 {
		r.Header.Set("Content-Type", "application/json")
	}
	for i := 0; i+1 < len(headers); i += 2 {
		if headers[i] == "Host" {
			r.Host = headers[i+1]
			continue
		}
		r.Header.Set(headers[i], headers[i+1])
	}
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	return w.Result()
}

func text(t testing.TB, res *http.Response) string {
	t.Helper()
	b, err := io.ReadAll(res.Body)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// wantProblem checks an error answer against RFC 9457.
func wantProblem(t testing.TB, res *http.Response, status int, detail string) {
	t.Helper()
	body := text(t, res)
	if res.StatusCode != status {
		t.Errorf("status %d, want %d: %s", res.StatusCode, status, body)
	}
	if got := res.Header.Get("Content-Type"); got != "application/problem+json" {
		t.Errorf("content type %q", got)
	}
	var p Problem
	if err := json.Unmarshal([]byte(body), &p); err != nil {
		t.Fatalf("%v in %q", err, body)
	}
	if p.Type != "about:blank" || p.Title != http.StatusText(status) || p.Status != status || !strings.Contains(p.Detail, detail) {
		t.Errorf("problem %+v, want status %d and a detail with %q", p, status, detail)
	}
}

const riceBody = `{"food":"white-rice","container":"pet-2l","count":6,"net_mass_kg":1.8,"packed_at":"2026-03-01T00:00:00Z",` +
	`"treatment":{"kind":"absorber","capacity_cm3":300},"shading":"boxed","room":"cellar","by":"Mara"}`

func TestEditsReachActions(t *testing.T) {
	f := func(path, body string, status int, want ...string) *http.Response {
		t.Helper()
		h, k := house(t, larchHouse(), nil)
		res := ask(t, h, http.MethodPost, path, body)
		if res.StatusCode != status {
			t.Errorf("POST %s: status %d, want %d: %s", path, res.StatusCode, status, text(t, res))
		}
		if d := cmp.Diff(want, k.seen()); d != "" {
			t.Errorf("POST %s (-want +got):\n%s", path, d)
		}
		return res
	}
	res := f("/api/v1/lots", riceBody, 201, "add white-rice pet-2l 6 x 1.8 kg in cellar by Mara")
	var added lot.Lot
	if err := json.NewDecoder(res.Body).Decode(&added); err != nil || added.ID != "white-rice-1" || added.Packing.Treatment.CapacityCM3 != 300 {
		t.Errorf("answer %+v, %v", added, err)
	}
	if got := res.Header.Get("Location"); got != "/api/v1/lots/white-rice-1" {
		t.Errorf("location %q", got)
	}
	f("/api/v1/lots/white-rice-1/move", `{"room":"loft","at":"2026-07-01T10:00:00+02:00","by":"Mara"}`, 204,
		"move white-rice-1 to loft at 2026-07-01T08:00:00Z by Mara")
	f("/api/v1/lots/white-rice-1/move", `{"room":"loft","by":"Mara"}`, 204, "move white-rice-1 to loft at 2026-07-14T12:30:00Z by Mara")
	f("/api/v1/lots/a%2Fb/finish", `{"note":"eaten","by":"Mara"}`, 204, "finish a/b at 2026-07-14T12:30:00Z by Mara: eaten")
	f("/api/v1/lots/white-rice-1/note", `{"seal":"verified","note":"bottle buckled in: seal holding","at":"2026-07-01T10:00:00+02:00","by":"Mara"}`, 204,
		`note of white-rice-1 at 2026-07-01T08:00:00Z by Mara: seal verified, "bottle buckled in: seal holding"`)
	f("/api/v1/lots/a%2Fb/note", `{"note":"label faded","by":"Mara"}`, 204, `note of a/b at 2026-07-14T12:30:00Z by Mara: seal nothing, "label faded"`)
	f("/api/v1/lots/x/note", `{"seal":"assumed"}`, 204, `note of x at 2026-07-14T12:30:00Z by : seal assumed, ""`)
	f("/api/v1/alarms/acknowledge", `{"kind":"silent","room":"loft","sensor":"loft-1","by":"Mara","note":"battery"}`, 204,
		"acknowledge silent/loft/loft-1 by Mara: battery")
}

func TestEditsRefused(t *testing.T) {
	f := func(path, body string, status int, detail string, headers ...string) {
		t.Helper()
		h, k := house(t, larchHouse(), nil)
		wantProblem(t, ask(t, h, http.MethodPost, path, body, headers...), status, detail)
		if calls := k.seen(); len(calls) > 0 {
			t.Errorf("a refused body reached Actions: %q", calls)
		}
	}
	paths := []string{"/api/v1/lots", "/api/v1/lots/x/move", "/api/v1/lots/x/finish", "/api/v1/lots/x/note", "/api/v1/alarms/acknowledge"}
	for _, path := range paths {
		f(path, ``, 400, "JSON")
		f(path, `[]`, 400, "JSON")
		f(path, `{"by":"Mara"`, 400, "JSON")
		f(path, `{"by":"Mara","colour":"red"}`, 400, `unknown field "colour"`)
		f(path, `{"by":7}`, 400, "by")
		f(path, `{} {}`, 400, "one object")
		f(path, "{\"by\":\"\xff\"}", 400, "UTF-8")
		f(path, `{"note":"`+strings.Repeat("x", maxBody)+`"}`, 413, "65536 bytes")
		f(path, riceBody, 415, "application/json", "Content-Type", "text/plain")
		f(path, riceBody, 415, "application/json", "Accept", "*/*") // no content type at all
	}
	f("/api/v1/lots", `{"by":"`+strings.Repeat("x", maxName+1)+`"}`, 422, "by:")
	f("/api/v1/lots/x/finish", `{"note":"`+strings.Repeat("x", maxNote+1)+`"}`, 422, "note:")
	f("/api/v1/lots/x/note", `{"note":"`+strings.Repeat("x", maxNote+1)+`"}`, 422, "note:")
	f("/api/v1/lots/x/note", `{"by":"`+strings.Repeat("x", maxName+1)+`"}`, 422, "by:")
	f("/api/v1/lots/x/note", `{"seal":"holding"}`, 400, `unknown seal state "holding": it is assumed, verified or failed`)
	f("/api/v1/lots/x/note", `{"seal":""}`, 400, `unknown seal state "": it is assumed, verified or failed`)
	f("/api/v1/lots/x/note", `{"seal":1}`, 400, "seal")
	f("/api/v1/alarms/acknowledge", `{"kind":"warm","by":"Mara"}`, 422, "room")
	f("/api/v1/alarms/acknowledge", `{"kind":"warm","room":"loft"}`, 422, "by:")
	f("/api/v1/alarms/acknowledge", `{"kind":"warm","room":"loft","by":"  "}`, 422, "by:")
}

func TestJSONContentTypeMayNameTheCharset(t *testing.T) {
	h, k := house(t, larchHouse(), nil)
	res := ask(t, h, http.MethodPost, "/api/v1/lots", riceBody, "Content-Type", "application/json; charset=utf-8")
	if res.StatusCode != 201 || len(k.seen()) != 1 {
		t.Errorf("status %d, calls %q", res.StatusCode, k.seen())
	}
}

// A keeper's slip is shown in full; a fault of the machine is logged, and the
// answer says nothing of its inside.
func TestErrorsOfActions(t *testing.T) {
	f := func(err error, status int, detail string, logged bool) {
		t.Helper()
		var log bytes.Buffer
		h, k := house(t, larchHouse(), func(c *Config) { c.Log = slog.New(slog.NewTextHandler(&log, nil)) })
		k.err = err
		for _, c := range [][2]string{
			{"/api/v1/lots", riceBody}, {"/api/v1/lots/x/move", `{"room":"loft"}`}, {"/api/v1/lots/x/finish", `{}`},
			{"/api/v1/lots/x/note", `{"seal":"failed"}`},
			{"/api/v1/alarms/acknowledge", `{"kind":"warm","room":"loft","by":"Mara"}`},
			{"/api/v1/sensors/loft/loft-1/calibrate", `{"quantity":"temperature","by":"Mara"}`}, {"/api/v1/sensors/changes/2/revoke", `{"by":"Mara"}`},
		} {
			log.Reset()
			res := ask(t, h, http.MethodPost, c[0], c[1])
			if body := text(t, res); strings.Contains(body, "secret") {
				t.Errorf("the answer tells the inside: %s", body)
			} else {
				res.Body = io.NopCloser(strings.NewReader(body))
			}
			wantProblem(t, res, status, detail)
			if got := strings.Contains(log.String(), "secret"); got != logged {
				t.Errorf("%s logged %v, want %v: %s", c[0], got, logged, log.String())
			}
		}
	}
	f(fmt.Errorf("lot %q: %w", "x", lot.ErrNotFound), 404, `lot "x": not found`, false)
	f(fmt.Errorf("unknown food class: %w", lot.ErrInvalid), 422, "unknown food class", false)
	f(fmt.Errorf("the disk is full: %w", lot.ErrNotNow), 503, "the disk is full", false)
	f(errors.New("secret: disk is full"), 500, "fault of the machine", true)
	f(fmt.Errorf("secret: %w", context.DeadlineExceeded), 503, "whether it was done", true)
}

func TestReading(t *testing.T) {
	h, _ := house(t, larchHouse(), func(c *Config) {
		c.Metrics = http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { _, _ = io.WriteString(w, "dryhold_build_info 1\n") })
	})
	f := func(path, contentType string, want ...string) string {
		t.Helper()
		res := ask(t, h, http.MethodGet, path, "")
		body := text(t, res)
		if res.StatusCode != 200 || !strings.HasPrefix(res.Header.Get("Content-Type"), contentType) {
			t.Errorf("GET %s: %d %s", path, res.StatusCode, res.Header.Get("Content-Type"))
		}
		for _, w := range want {
			if !strings.Contains(body, w) {
				t.Errorf("GET %s lacks %q", path, w)
			}
		}
		if res := ask(t, h, http.MethodHead, path, ""); res.StatusCode != 200 {
			t.Errorf("HEAD %s: %d", path, res.StatusCode)
		}
		return body
	}
	var status StatusAnswer
	if err := json.Unmarshal([]byte(f("/api/v1/status", "application/json", `"temperature_celsius"`)), &status); err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(larchHouse(), status.Snapshot); d != "" {
		t.Errorf("the snapshot does not come through (-want +got):\n%s", d)
	}
	if d := cmp.Diff(HealthAnswer{OK: true, Checks: larchHealth()}, status.Health); d != "" {
		t.Errorf("health (-want +got):\n%s", d)
	}
	var lots LotsAnswer
	if err := json.Unmarshal([]byte(f("/api/v1/lots", "application/json")), &lots); err != nil || len(lots.Lots) != 4 {
		t.Errorf("%d lots, %v", len(lots.Lots), err)
	}
	var one engine.LotView
	if err := json.Unmarshal([]byte(f("/api/v1/lots/brown-rice-1", "application/json")), &one); err != nil || one.ID != "brown-rice-1" {
		t.Errorf("lot %q, %v", one.ID, err)
	}
	wantProblem(t, ask(t, h, http.MethodGet, "/api/v1/lots/brown-rice-7", ""), 404, `"brown-rice-7"`)
	f("/metrics", "text/plain", "dryhold_build_info 1")
	f(readAssets().url("style.css"), "text/css", "color-scheme: light dark")
	f("/healthz", "application/json", `"ok":true`)
}

func TestNothingPublishedYet(t *testing.T) {
	h, _ := house(t, nil, nil)
	for _, path := range []string{"/api/v1/status", "/api/v1/lots", "/api/v1/lots/x", "/api/v1/sensors"} {
		res := ask(t, h, http.MethodGet, path, "")
		if res.Header.Get("Retry-After") == "" {
			t.Errorf("%s does not say when to come again", path)
		}
		wantProblem(t, res, 503, "no state yet")
	}
	res := ask(t, h, http.MethodGet, "/healthz", "")
	if body := text(t, res); res.StatusCode != 503 || !strings.Contains(body, `"ok":false`) || !strings.Contains(body, `"code":"state"`) {
		t.Errorf("healthz: %d %s", res.StatusCode, body)
	}
	empty, _ := house(t, &engine.Snapshot{Site: "Larch House"}, nil)
	if body := text(t, ask(t, empty, http.MethodGet, "/api/v1/lots", "")); !strings.Contains(body, `"lots":[]`) {
		t.Errorf("no lot is an empty list, not null: %s", body)
	}
}

func TestNoNumberIsNeverHalfAnAnswer(t *testing.T) {
	snap := larchHouse()
	snap.Lots[0].Remaining.Likely = math.NaN()
	h, _ := house(t, snap, nil)
	wantProblem(t, ask(t, h, http.MethodGet, "/api/v1/status", ""), 500, "JSON")
}

func TestWrongPathOrMethod(t *testing.T) {
	h, _ := house(t, larchHouse(), nil)
	f := func(method, path string, status int, allow string) {
		t.Helper()
		res := ask(t, h, method, path, "{}")
		if got := res.Header.Get("Allow"); got != allow {
			t.Errorf("%s %s allows %q, want %q", method, path, got, allow)
		}
		wantProblem(t, res, status, "")
	}
	f("GET", "/api/v1/nothing", 404, "")
	f("GET", "/metrics", 404, "") // not given
	f("POST", "/", 405, "GET, HEAD")
	f("DELETE", "/api/v1/lots/x", 405, "GET, HEAD")
	f("PUT", "/api/v1/lots", 405, "GET, HEAD, POST")
	f("GET", "/api/v1/lots/x/move", 405, "POST")
	f("GET", "/api/v1/lots/x/note", 405, "POST")
	f("GET", "/api/v1/alarms/acknowledge", 405, "POST")
}

// Whatever comes in a body, the answer is a whole problem or a success, and
// nothing panics.
func FuzzBodies(f *testing.F) {
	for _, seed := range []string{riceBody, `{}`, `{"by":"Mara","room":"loft"}`, `{"seal":"verified","note":"holds"}`, `{"seal":null}`, `{"kind":"warm","room":"loft","by":"M"}`,
		`null`, `[[[[[[`, `{"at":"yesterday"}`, `{"count":1e999}`, `{"quantity":"temperature","unit":"C","points":[{"reading":0.4,"reference":0}],"by":"M"}`,
		`{"quantity":"humidity","offset":-2,"unit":"%","from":"2026-07-01T00:00:00Z","to":"2026-07-02T00:00:00Z","note":"n"}`, `{"quantity":"charm"}`, `{"new":"loft-2"}`, `{"net_mass_kg":-0}`, "\x00", `{"by":"\ud800"}`} {
		f.Add([]byte(seed))
	}
	h, _ := house(f, larchHouse(), nil)
	f.Fuzz(func(t *testing.T, body []byte) {
		for _, path := range []string{"/api/v1/lots", "/api/v1/lots/x/move", "/api/v1/lots/x/finish", "/api/v1/lots/x/note", "/api/v1/alarms/acknowledge",
			"/api/v1/sensors/x/y/calibrate", "/api/v1/sensors/x/y/correct", "/api/v1/sensors/x/y/void", "/api/v1/sensors/x/y/swap", "/api/v1/sensors/changes/2/revoke"} {
			res := ask(t, h, http.MethodPost, path, string(body))
			switch res.StatusCode {
			case 200, 201, 204:
			case 400, 413, 422:
				wantProblem(t, res, res.StatusCode, "")
			default:
				t.Errorf("POST %s: status %d for %q", path, res.StatusCode, body)
			}
		}
	})
}
