package settings

import (
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

func TestRouter(t *testing.T) {
	f := func(text string, want Router) {
		t.Helper()
		s, err := Parse("f.yaml", []byte("alertmanager: {"+text+"}"))
		if err != nil {
			t.Error(err)
			return
		}
		if d := cmp.Diff(&want, s.Router); d != "" {
			t.Errorf("%s (-want +got):\n%s", text, d)
		}
	}
	f("url: https://hearth.lan:9093", Router{URL: "https://hearth.lan:9093/", Every: time.Minute})
	f("url: http://localhost:9093/alerts, token_file: secrets/t, every: 30s", Router{URL: "http://localhost:9093/alerts/", TokenFile: "secrets/t", Every: 30 * time.Second})
	f("url: http://hearth.lan, allow_plain: true", Router{URL: "http://hearth.lan/", AllowPlain: true, Every: time.Minute})
	if s, err := Parse("f.yaml", []byte("site: larch-house")); err != nil || s.Router != nil {
		t.Errorf("a push nobody asked for: %v, %v", s.Router, err)
	}
}

func TestRouterProblems(t *testing.T) {
	f := func(text, want string) {
		t.Helper()
		_, err := Parse("f.yaml", []byte("alertmanager: {"+text+"}"))
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s\n got %v\nwant %s", text, err, want)
		}
	}
	f("every: 1m", "url")
	f("url: http://hearth.lan:9093", "token and alarms would cross the network unencrypted to hearth.lan:9093")
	f("url: https://h, every: 1s", "every 1s is outside 5s to 1h")
	f("url: http://127.0.0.1, ca_file: x", "ca_file needs an https url")
	f("url: https://h, org: x", `unknown key "org" in alertmanager`)
}
