package notify

import (
	"errors"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
)

// A mail server is logged in to, and gets nothing.
func TestTryMail(t *testing.T) {
	f := func(mode TLSMode, user, password string, well bool) {
		t.Helper()
		o := &office{user: "hearth"}
		config := open(t, o, mode)
		config.Username, config.Password = user, password
		err := Try(soon(t), channel(t, config))
		if (err == nil) != well || len(o.taken()) > 0 {
			t.Errorf("%s, %s %s: %v, %d messages", mode, user, password, err, len(o.taken()))
		}
		if err != nil && strings.Contains(err.Error(), password) {
			t.Errorf("the password is in the error: %v", err)
		}
	}
	f(StartTLS, "hearth", "letmein", true)
	f(Implicit, "hearth", "letmein", true)
	f(StartTLS, "hearth", "wrong-password", false)
	config := open(t, &office{}, Implicit)
	config.TLSConfig = nil // nobody vouches for its certificate
	if err := Try(soon(t), channel(t, config)); err == nil {
		t.Error("a certificate of nobody is taken")
	}
}

// A receiver of webhooks and a waiter for pings are reached, and asked nothing.
func TestTryWeb(t *testing.T) {
	asked := 0
	server := httptest.NewServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { asked++ }))
	hook, err := NewWebhook(WebhookConfig{Name: "house", URL: server.URL + "/planted", Secret: plantedSecret, Now: clockOf(larchTime())})
	if err != nil {
		t.Fatal(err)
	}
	ping, err := NewPing(server.URL+"/planted", clockOf(larchTime()))
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(Try(soon(t), hook), ping.Try(soon(t))); err != nil {
		t.Error(err)
	}
	server.Close()
	if asked > 0 {
		t.Errorf("asked %d times", asked)
	}
	for _, err := range []error{Try(soon(t), hook), ping.Try(soon(t))} {
		if err == nil || strings.Contains(err.Error(), "planted") {
			t.Errorf("a server that is gone: %v", err)
		}
	}
	if err := ping.Try(soon(t)); strings.Contains(err.Error(), strings.TrimPrefix(server.URL, "http://")) {
		t.Errorf("the address of the ping is shown: %v", err)
	}
	if err := Try(soon(t), NewLog(nil)); !errors.Is(err, ErrUntried) {
		t.Errorf("the log was tried: %v", err)
	}
}
