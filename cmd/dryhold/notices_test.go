package main

import (
	"bytes"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"dryhold/config"
	"dryhold/internal/alarm"
	"dryhold/internal/servertest"
	"dryhold/internal/web"
)

// larchReceiver is a real HTTP receiver for a webhook, which checks signatures,
// and for push; both may be told to fail.
type larchReceiver struct {
	*httptest.Server
	mu     sync.Mutex
	got    []string // what was taken
	status int
}

func newLarchReceiver(t *testing.T, secret string) *larchReceiver {
	t.Helper()
	r := &larchReceiver{status: http.StatusNoContent}
	r.Server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, request *http.Request) {
		body, _ := io.ReadAll(request.Body)
		r.mu.Lock()
		defer r.mu.Unlock()
		if r.status != http.StatusNoContent {
			w.WriteHeader(r.status)
			_, _ = io.WriteString(w, "not today, planted-path")
			return
		}
		what := "push " + string(body)
		if strings.HasPrefix(request.URL.Path, "/hook") {
			mac := hmac.New(sha256.New, []byte(secret))
			fmt.Fprintf(mac, "%s.%s", request.Header.Get("Dryhold-Timestamp"), body)
			if request.Header.Get("Dryhold-Signature") != "v1="+hex.EncodeToString(mac.Sum(nil)) {
				w.WriteHeader(http.StatusUnauthorized)
				return
			}
			what = "hook " + request.Header.Get("Idempotency-Key")
		}
		r.got = append(r.got, what)
		w.WriteHeader(http.StatusNoContent)
	}))
	t.Cleanup(r.Close)
	return r
}

func (r *larchReceiver) say(status int) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.status = status
}

func (r *larchReceiver) taken() string {
	r.mu.Lock()
	defer r.mu.Unlock()
	return strings.Join(r.got, "\n")
}

// The ways to people are tried by a test notice, the log says what became of
// it, and none of the secrets of the ways is shown by daemon, check or command.
func TestNoticesCommands(t *testing.T) {
	const secret = "planted-secret-of-the-webhook"
	r := newLarchReceiver(t, secret)
	dir := t.TempDir()
	put := func(name, text string, mode os.FileMode) {
		t.Helper()
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), mode); err != nil {
			t.Fatal(err)
		}
	}
	page := servertest.FreeAddr(t)
	put("hook", secret+"\n", 0o600)
	put("push", strings.Replace(r.URL, "http://", "generic://", 1)+"/planted-path?disabletls=yes&template=json\n", 0o644)
	put("ping", r.URL+"/planted-ping\n", 0o600)
	put("dryhold.yaml", fmt.Sprintf(`site: larch-house
broker: {embedded: {listen: "127.0.0.1:0"}}
http: {listen: %q}
rooms: [{name: cellar}]
notify:
  channels:
    - {name: house, webhook: {url: "%s/hook/planted-path?token=planted-token", secret_file: hook}}
    - {name: phone, push: {url_file: push}}
  recipients: [{name: mara, channels: [phone]}]
  ping_url_file: ping
`, page, r.URL), 0o600)
	var said strings.Builder
	ask := func(code int, want string, args ...string) string {
		t.Helper()
		out, got := call(t, args...)
		said.WriteString(out)
		lines := strings.Join(strings.Fields(out), " ") // long ones are broken
		if got != code || !strings.Contains(out, want) && !strings.Contains(lines, want) {
			t.Errorf("%q: exit %d, want %d\n%s\nwant %q", args, got, code, out, want)
		}
		return out
	}
	ask(0, "chmod 600):\n  "+filepath.Join(dir, "push")+"\n", "check", "--config", filepath.Join(dir, "dryhold.yaml"))
	var log bytes.Buffer
	daemon := command("run", "--config", filepath.Join(dir, "dryhold.yaml"), "--data", filepath.Join(dir, "data"), "--log", "debug")
	daemon.Stdout, daemon.Stderr = &log, &log
	if err := daemon.Start(); err != nil {
		t.Fatal(err)
	}
	stop := sync.OnceFunc(func() {
		_ = daemon.Process.Signal(os.Interrupt)
		_ = daemon.Wait()
	})
	t.Cleanup(stop)
	at := func(args ...string) []string { return append(args, "--url", "http://"+page) }
	for deadline := time.Now().Add(60 * time.Second); ; time.Sleep(50 * time.Millisecond) {
		if _, code := call(t, at("status")...); code == 0 {
			break
		}
		if time.Now().After(deadline) {
			t.Fatalf("no daemon: %s", log.String())
		}
	}

	ask(0, "No notice was queued yet.", at("notices")...)
	ask(0, "Nothing waits, and nothing was refused.", at("notices", "--undelivered")...)
	out := ask(0, "Test: a notice of dryhold reaches you", at("notices", "test")...)
	if strings.Count(out, "delivered") != 2 || !strings.Contains(out, "house") || !strings.Contains(out, "phone") {
		t.Errorf("a test on every way:\n%s", out)
	}
	ask(0, "mara", at("notices", "test", "--to", "mara", "--by", "Mara")...)
	ask(0, "log", at("notices", "test", "--channel", "log")...)
	if got := r.taken(); strings.Count(got, "hook larch-house/test/") != 1 || strings.Count(got, `push {"message":"This is a test of the way to you from dryhold at larch-house.`) != 2 {
		t.Errorf("the receiver took\n%s", got)
	}

	var answer web.NoticesAnswer
	if err := json.Unmarshal([]byte(ask(0, "", at("notices", "--format", "json")...)), &answer); err != nil || len(answer.Notices) != 4 {
		t.Fatalf("%v: %+v", err, answer)
	}
	if n := answer.Notices[1]; n.To != "mara" || n.Channel != "phone" || n.State != web.NoticeDelivered || n.Attempts != 1 || n.Event != alarm.Test || n.Body != "" {
		t.Errorf("%+v", n)
	}
	ask(0, "Asked for by Mara, ", at("notices", "show", answer.Notices[1].Key)...)

	r.say(http.StatusBadRequest)
	ask(1, `refused`, at("notices", "test", "--channel", "house")...)
	r.say(http.StatusInternalServerError)
	ask(1, `is tried again on`, at("notices", "test", "--channel", "phone")...)
	out = ask(0, `it answers 400 Bad Request: "not today, ***"`, at("notices", "--undelivered")...)
	if !strings.Contains(out, "500 Internal") || strings.Contains(out, "mara") {
		t.Errorf("undelivered:\n%s", out)
	}
	ask(0, "1 refused for good since the start", at("status")...)

	ask(1, `unknown channel "fone": did you mean "phone"?`, at("notices", "test", "--channel", "fone")...)
	ask(1, `unknown recipient "maro": did you mean "mara"?`, at("notices", "test", "--to", "maro")...)
	ask(2, "give --channel or --to, not both", at("notices", "test", "--to", "mara", "--channel", "phone")...)
	ask(2, `--format: unknown word "yaml"`, at("notices", "--format", "yaml")...)
	ask(1, `there is no notice "none"`, at("notices", "show", "none")...)
	ask(2, `no command "tst": did you mean "test"?`, at("notices", "tst")...)
	if out := ask(0, "", "notices", "schema"); out != config.NoticeSchema() {
		t.Errorf("the schema printed is another: %.200s", out)
	}
	ask(0, "", at("audit")...)
	stop()
	said.WriteString(log.String())
	if len(log.String()) < 500 {
		t.Errorf("the log says little: %s", log.String())
	}
	if text := said.String(); strings.Contains(text, "planted") {
		i := strings.Index(text, "planted")
		t.Errorf("a secret is shown: ...%s", text[max(0, i-300):min(len(text), i+40)])
	}
}
