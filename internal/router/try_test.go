package router_test

import (
	"net/http"
	"net/http/httptest"
	"testing"
	"time"

	"dryhold/internal/router"
)

func TestTry(t *testing.T) {
	f := func(status int, well bool) {
		t.Helper()
		server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
			if r.Method != http.MethodGet || r.URL.Path != "/api/v2/status" || r.Header.Get("Authorization") != "Bearer invented" {
				t.Errorf("asked %s %s with %q", r.Method, r.URL.Path, r.Header.Get("Authorization"))
			}
			w.WriteHeader(status)
		}))
		defer server.Close()
		r := router.New(router.Config{URL: server.URL + "/", Token: func() (string, error) { return "invented", nil }, Every: time.Minute})
		defer r.Close()
		if err := r.Try(t.Context()); (err == nil) != well {
			t.Errorf("%d: %v", status, err)
		}
	}
	f(http.StatusOK, true)
	f(http.StatusUnauthorized, false)
	f(http.StatusNotFound, false)
}
