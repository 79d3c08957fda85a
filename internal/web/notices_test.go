package web

import (
	"context"
	"net/http"
	"strings"
	"testing"
	"time"

	"dryhold/internal/alarm"
	"dryhold/internal/lot"
	"dryhold/internal/secret"
)

func (k *keeper) Notices(_ context.Context, f NoticeFilter, limit int) ([]NoticeView, error) {
	all := []NoticeView{
		{Key: "mara/2", Channel: "phone", To: "mara", Event: alarm.Raised, Subject: "Loft too warm: 33.4 °C", State: NoticeWaiting, Queued: ago(time.Hour), Due: noon(), Attempts: 3, Cause: "busy"},
		{Key: "mara/1", Channel: "mail", To: "mara", Event: alarm.Raised, Subject: "Loft too warm: 31 °C", State: NoticeDelivered, Queued: ago(2 * time.Hour), Delivered: ago(2 * time.Hour), Attempts: 1},
	}
	if f.Key == "none" {
		all = nil
	}
	return all[:min(limit, len(all))], k.note("notices %+v, at most %d", f, limit)
}

func (k *keeper) TestNotice(_ context.Context, t TestNotice) (string, error) {
	if t.Channel == "pager" {
		return "", lot.Invalid("unknown channel %q", t.Channel)
	}
	return "test/1", k.note("test %+v", t)
}

func (k *keeper) Drilled(_ context.Context, name string) error { return k.note("drill of %s", name) }

func TestNotices(t *testing.T) {
	h, k := house(t, larchHouse(), nil)
	f := func(path string, status int, want ...string) {
		t.Helper()
		res := ask(t, h, http.MethodGet, path, "")
		got := text(t, res)
		if res.StatusCode != status {
			t.Errorf("%s: status %d, want %d: %s", path, res.StatusCode, status, got)
		}
		for _, w := range want {
			if !strings.Contains(got, w) {
				t.Errorf("%s: %s\nlacks %s", path, got, w)
			}
		}
	}
	f("/api/v1/notices", 200, `"key":"mara/2","channel":"phone","to":"mara","event":"raised","subject":"Loft too warm: 33.4 °C","state":"waiting"`,
		`"due":"2026-07-14T12:30:00Z","attempts":3,"cause":"busy"}`, `"delivered":"2026-07-14T10:30:00Z","attempts":1}`, `"more":false`)
	f("/api/v1/notices?undelivered=true&limit=1", 200, `"more":true`)
	f("/api/v1/notices?key=mara%2F2", 200, `"key":"mara/2"`)
	f("/api/v1/notices?key=none", 404, `there is no notice \"none\"`)
	f("/api/v1/notices?undelivered=maybe", 422, `undelivered: \"maybe\" is neither true nor false`)
	f("/api/v1/notices?limit=0", 422, `limit: \"0\" is none: write 1 to 10000`)
	want := []string{"notices {Key: Undelivered:false}, at most 101", "notices {Key: Undelivered:true}, at most 2", "notices {Key:mara/2 Undelivered:false}, at most 101", "notices {Key:none Undelivered:false}, at most 101"}
	if got := k.seen(); strings.Join(got, "\n") != strings.Join(want, "\n") {
		t.Errorf("asked for %q, want %q", got, want)
	}
}

func TestTestNotice(t *testing.T) {
	h, k := house(t, larchHouse(), nil)
	f := func(path, body string, status int, want string) {
		t.Helper()
		res := ask(t, h, http.MethodPost, path, body)
		if got := text(t, res); res.StatusCode != status || !strings.Contains(got, want) {
			t.Errorf("%s %s: %d %s, want %d %s", path, body, res.StatusCode, got, status, want)
		}
	}
	f("/api/v1/notices/test", `{"by":"Mara"}`, 202, `{"key":"test/1"}`)
	f("/api/v1/notices/test", `{"channel":"phone","by":"Mara"}`, 202, `{"key":"test/1"}`)
	f("/api/v1/notices/test", `{"to":"mara","by":"Mara"}`, 202, `{"key":"test/1"}`)
	f("/api/v1/notices/test", `{"to":"mara","channel":"phone","by":"Mara"}`, 422, "give channel or to, not both")
	f("/api/v1/notices/test", `{"channel":"pager","by":"Mara"}`, 422, `unknown channel \"pager\"`)
	f("/api/v1/notices/test", `{"by":"`+strings.Repeat("x", 101)+`"}`, 422, "by: the name is longer")
	f("/api/v1/notices/drill", `{"to":"mara","by":"Mara"}`, 204, "")
	want := []string{"test {Channel: To: By:Mara}", "test {Channel:phone To: By:Mara}", "test {Channel: To:mara By:Mara}", "drill of mara"}
	if got := k.seen(); strings.Join(got, "\n") != strings.Join(want, "\n") {
		t.Errorf("done %q, want %q", got, want)
	}
}

// The page shows the log, and its forms do what the API does.
func TestNoticesPage(t *testing.T) {
	h, k := house(t, larchHouse(), nil)
	wantWords(t, shown(t, h, "/notices", 200), "Loft too warm: 33.4 °C raised phone to mara ◆ waiting to be tried 14 Jul 2026 14:30 CEST 3 attempts: busy", "✓ delivered 14 Jul 2026 12:30 CEST 1 attempt")
	wantWords(t, shown(t, h, "/notices?undelivered=true&skip=100", 200), "Everything that went out arrived.")
	wantWords(t, shown(t, h, "/notices?key=none", 200), "There is no such notice")
	want := []string{"notices {Key: Undelivered:false}, at most 101", "notices {Key: Undelivered:true}, at most 201", "notices {Key:none Undelivered:false}, at most 101"}
	if got := k.seen(); strings.Join(got, "\n") != strings.Join(want, "\n") {
		t.Errorf("asked for %q, want %q", got, want)
	}
	f := func(path, form string, status int, done, says string) {
		t.Helper()
		before := len(k.seen())
		res := ask(t, h, http.MethodPost, path, form, "Content-Type", "application/x-www-form-urlencoded")
		body := text(t, res)
		if res.StatusCode != status || status == 303 && res.Header.Get("Location") != says || status != 303 && !strings.Contains(body, says) {
			t.Errorf("%s %s: %d to %q, want %d %s", path, form, res.StatusCode, res.Header.Get("Location"), status, says)
		}
		if got := strings.Join(k.seen()[before:], "\n"); done != "" && !strings.Contains(got, done) || done == "" && strings.Contains(got, "test {") {
			t.Errorf("%s %s: did %q, want %q", path, form, got, done)
		}
	}
	f("/notices/test", "channel=phone&by=Mara", 303, "test {Channel:phone To: By:Mara}", "/notices?key=test%2F1#log")
	f("/notices/test", "channel=pager&by=Mara", 422, "", "unknown channel")
	f("/notices/test", "channel=phone&to=mara&by=Mara", 422, "", "not both")
	f("/notices/test", "channel=phone", 422, "", "give the name")
	f("/notices/drill", "to=mara&by=Mara", 303, "drill of mara", "/notices#log")
	f("/notices/drill", "to=mara&by=", 422, "", "give the name")
}

// Who may only look sees the log without links and sends nothing; a stranger
// sees nothing.
func TestNoticesAreGuarded(t *testing.T) {
	h, k, tokens, _ := locked(t)
	f := func(method, path, token string, want int) {
		t.Helper()
		headers := []string{"Content-Type", "application/json"}
		if token != "" {
			headers = append(headers, "Authorization", "Bearer "+token)
		}
		if res := ask(t, h, method, path, `{"to":"mara"}`, headers...); res.StatusCode != want {
			t.Errorf("%s %s: status %d, want %d", method, path, res.StatusCode, want)
		}
	}
	for _, path := range []string{"/api/v1/notices/test", "/api/v1/notices/drill"} {
		f(http.MethodPost, path, "", 401)
		f(http.MethodPost, path, tokens[secret.Read], 403)
	}
	f(http.MethodGet, "/api/v1/notices", "", 401)
	if len(k.seen()) > 0 {
		t.Errorf("reached the actions: %q", k.seen())
	}
	f(http.MethodGet, "/api/v1/notices", tokens[secret.Read], 200)
	f(http.MethodPost, "/api/v1/notices/test", tokens[secret.Keep], 202)
	f(http.MethodPost, "/api/v1/notices/drill", tokens[secret.Keep], 204)
	if got := strings.Join(k.seen(), "\n"); !strings.Contains(got, "for-keep") {
		t.Errorf("a test is not signed: %q", got)
	}
}
