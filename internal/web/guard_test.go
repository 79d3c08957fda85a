package web

import (
	"context"
	"net"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"testing"
)

func TestEveryAnswerHasTheHeaders(t *testing.T) {
	h, _ := house(t, larchHouse(), nil)
	for path, keep := range map[string]string{
		"/": "private, no-cache", "/api/v1/status": "private, no-cache",
		"/login": "no-store", "/healthz": "no-store", "/nothing": "no-store", "/alarms/acknowledge": "private, no-cache",
	} {
		res := ask(t, h, http.MethodGet, path, "")
		for header, want := range map[string]string{
			"Content-Security-Policy": contentSecurity,
			"X-Content-Type-Options":  "nosniff",
			"Referrer-Policy":         "same-origin",
			"Cache-Control":           keep,
		} {
			if got := res.Header.Get(header); got != want {
				t.Errorf("GET %s: %s is %q, want %q", path, header, got, want)
			}
		}
	}
}

func TestForeignPagesCannotPost(t *testing.T) {
	f := func(refused bool, path string, headers ...string) {
		t.Helper()
		h, k := house(t, larchHouse(), nil)
		body, media := `{"kind":"warm","room":"loft","by":"Mara"}`, "application/json"
		if path == "/alarms/acknowledge" {
			body, media = "kind=warm&room=loft&by=Mara", "application/x-www-form-urlencoded"
		}
		res := ask(t, h, http.MethodPost, path, body, append(headers, "Content-Type", media)...)
		if refused {
			wantProblem(t, res, 403, "another site")
		} else if res.StatusCode >= 400 {
			t.Errorf("POST %s with %q: status %d", path, headers, res.StatusCode)
		}
		if called := len(k.seen()) > 0; called == refused {
			t.Errorf("POST %s with %q reached Actions: %v", path, headers, called)
		}
	}
	for _, path := range []string{"/api/v1/alarms/acknowledge", "/alarms/acknowledge"} {
		f(true, path, "Sec-Fetch-Site", "cross-site")
		f(true, path, "Sec-Fetch-Site", "same-site")
		f(true, path, "Origin", "http://evil.example")
		f(true, path, "Origin", "http://127.0.0.1:9999") // another port is another site
		f(true, path, "Origin", "null")
		f(false, path, "Origin", "http://127.0.0.1:8090")
		f(false, path, "Sec-Fetch-Site", "same-origin")
		f(false, path) // no browser
	}
}

func TestHost(t *testing.T) {
	f := func(local, host string, want bool) {
		t.Helper()
		r := httptest.NewRequest(http.MethodGet, "/", nil)
		r.Host = host
		if local != "" {
			addr := net.TCPAddrFromAddrPort(netip.MustParseAddrPort(local))
			r = r.WithContext(context.WithValue(r.Context(), http.LocalAddrContextKey, net.Addr(addr)))
		}
		if got := allowedHost(r, []string{"hearth.example.org", "Other.example.org:8090"}); got != want {
			t.Errorf("host %q over %q allowed: %v, want %v", host, local, got, want)
		}
	}
	for _, local := range []string{"", "127.0.0.1:8090", "[::1]:8090", "[::ffff:127.0.0.1]:8090"} {
		f(local, "localhost", true)
		f(local, "LOCALHOST:8090", true)
		f(local, "127.0.0.1:8090", true)
		f(local, "[::1]:8090", true)
		f(local, "[::1]", true)
		f(local, "hearth.example.org:8090", true)
		f(local, "HEARTH.example.org.", true)
		f(local, "other.example.org", true)
		f(local, "", false)
		f(local, "evil.example", false)
		f(local, "localhost.evil.example:8090", false)
		f(local, "192.168.1.7:8090", false)
		f(local, "hearth", false)
	}
	const lan = "192.168.1.7:8090"
	f(lan, "192.168.1.7:8090", true)
	f(lan, "[fe80::1]:8090", true)
	f(lan, "hearth", true)
	f(lan, "hearth.local:8090", true)
	f(lan, "hearth.home.arpa", true)
	f(lan, "hearth.example.org", true)
	f(lan, "evil.example:8090", false)
	f(lan, "local", true)
	f(lan, "hearth.local.evil.example", false)
	f(lan, "", false)

	h, _ := house(t, larchHouse(), nil)
	wantProblem(t, ask(t, h, http.MethodGet, "/api/v1/status", "", "Host", "evil.example"), 421, "Host header")
}
