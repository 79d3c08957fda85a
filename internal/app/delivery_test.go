package app_test

import (
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"dryhold/internal/alarm"
	"dryhold/internal/dispatch"
	"dryhold/internal/engine"
	"dryhold/internal/settings"
	"dryhold/internal/web"
)

// hooked is a real receiver of a webhook, and what it took.
type hooked struct {
	*httptest.Server
	mu     sync.Mutex
	status int
	posts  []hookedPost // all attempts
}

type hookedPost struct{ key, body string }

func newHooked(t *testing.T) *hooked {
	t.Helper()
	r := &hooked{status: http.StatusNoContent}
	r.Server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, request *http.Request) {
		body, _ := io.ReadAll(request.Body)
		r.mu.Lock()
		defer r.mu.Unlock()
		r.posts = append(r.posts, hookedPost{request.Header.Get("Idempotency-Key"), string(body)})
		w.WriteHeader(r.status)
	}))
	t.Cleanup(r.Close)
	return r
}

func (r *hooked) say(status int) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.status = status
}

func (r *hooked) taken() []hookedPost {
	r.mu.Lock()
	defer r.mu.Unlock()
	return slices.Clone(r.posts)
}

// hook adds the channel "house" to a configuration, which posts to the receiver.
func hook(t *testing.T, s *settings.Settings, r *hooked) {
	t.Helper()
	file := filepath.Join(t.TempDir(), "secret")
	if err := os.WriteFile(file, []byte("planted-secret-of-the-webhook\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	s.Notify.Channels = append(s.Notify.Channels, settings.Channel{Name: "house", Webhook: &settings.Webhook{URL: r.URL + "/hook", SecretFile: file}})
}

// A way that refuses or fails is an alarm of its own, which stands over a
// restart, goes by the ways that work, and returns when the way works again.
func TestDeliveryAlarm(t *testing.T) {
	r, post := newHooked(t), smtpServer(t)
	h := newHouse(t, nil)
	s := h.opts.Settings
	hook(t, s, r)
	s.Mail = &settings.Mail{Host: "127.0.0.1", Port: post.port, TLS: settings.NoTLS, From: "dryhold@larch-house.lan", To: []string{"mara@larch-house.lan"}}
	mara := s.People()[0]
	mara.Name, mara.Channels, mara.AtMost = "mara", []string{"house", "mail"}, 100
	s.Notify.Recipients = []dispatch.Recipient{mara}
	rule := s.SiteRules[alarm.Delivery]
	rule.Limit = 1
	s.SiteRules[alarm.Delivery] = rule
	h.start()
	state := func() alarm.State {
		alarms := h.status().Snapshot.Alarms
		i := slices.IndexFunc(alarms, func(a engine.AlarmView) bool { return a.Key == alarm.Key{Kind: alarm.Delivery} })
		if i < 0 {
			return alarm.Normal
		}
		return alarms[i].State
	}
	test := func() {
		t.Helper()
		if code, answer := h.post("/api/v1/notices/test", web.TestNotice{Channel: "house", By: "Mara"}); code != http.StatusAccepted {
			t.Fatalf("%d %s", code, answer)
		}
	}
	test()
	eventually(t, "a test delivered", func() bool { return len(r.taken()) == 1 })
	if got := state(); got != alarm.Normal {
		t.Errorf("the alarm of deliveries is %q while all is well", got)
	}

	r.say(http.StatusServiceUnavailable)
	test()
	eventually(t, "the alarm", func() bool { return state() == alarm.ActiveUnacknowledged })
	h.restart()
	if got := state(); got != alarm.ActiveUnacknowledged {
		t.Errorf("after a restart the alarm is %q", got)
	}
	time.Sleep(2500 * time.Millisecond) // some ticks of a process that has not tried yet
	if got := state(); got != alarm.ActiveUnacknowledged {
		t.Errorf("an attempt to come clears the alarm: %q", got)
	}
	r.say(http.StatusNoContent)
	eventually(t, "the alarm returned", func() bool { return state() == alarm.ReturnedUnack })

	r.say(http.StatusBadRequest)
	test()
	eventually(t, "the alarm of a refusal", func() bool { return state() == alarm.ActiveUnacknowledged })
	r.say(http.StatusNoContent)
	test()
	eventually(t, "a test delivered again", func() bool {
		rows, err := h.app.Notices(t.Context(), web.NoticeFilter{}, 100)
		if err != nil {
			t.Fatal(err)
		}
		return slices.ContainsFunc(rows, func(n web.NoticeView) bool { return n.Event == alarm.Test && n.State == web.NoticeRefused }) &&
			!slices.ContainsFunc(rows, func(n web.NoticeView) bool { return n.Event == alarm.Test && n.State == web.NoticeWaiting })
	})
	time.Sleep(2500 * time.Millisecond)
	if got := state(); got != alarm.ActiveUnacknowledged {
		t.Errorf("another notice taken hides the one refused: %q", got)
	}
	for _, p := range r.taken() {
		if strings.Contains(p.body, "planted") {
			t.Errorf("a secret was posted: %s", p.body)
		}
	}
}

// An outbox that cannot be read delivers nothing, and health says so.
func TestHealthWithoutOutbox(t *testing.T) {
	h := newHouse(t, nil)
	h.start()
	run := func(statement string) {
		t.Helper()
		db := database(t, h.opts.DataDir)
		defer func() { _ = db.Close() }()
		if _, err := db.Exec(statement); err != nil {
			t.Fatal(err)
		}
	}
	if code, body := get(t, h.app.URL()+"/healthz"); code != http.StatusOK || !strings.Contains(body, "the outbox is read and written") {
		t.Errorf("%d %s", code, body)
	}
	run(`INSERT INTO notice (key, channel, body, queued, due) VALUES ('damaged', 'log', 'no JSON', 0, 0)`)
	if _, err := h.app.TestNotice(t.Context(), web.TestNotice{Channel: "log", By: "Mara"}); err != nil { // it wakes delivery
		t.Fatal(err)
	}
	eventually(t, "red health", func() bool {
		code, body := get(t, h.app.URL()+"/healthz")
		return code == http.StatusServiceUnavailable && strings.Contains(body, "cannot read the outbox of notices")
	})
	run(`DELETE FROM notice WHERE key = 'damaged'`)
	eventually(t, "green health", func() bool {
		code, _ := get(t, h.app.URL()+"/healthz")
		return code == http.StatusOK
	})
}
