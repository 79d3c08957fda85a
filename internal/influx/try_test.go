package influx_test

import (
	"io"
	"net/http"
	"net/http/httptest"
	"testing"

	"dryhold/internal/influx"
	"dryhold/internal/influx/influxdtest"
	"dryhold/internal/influx/victoriatest"
)

// What a server answers to a write of nothing tells whether it would take
// points. That InfluxDB looks at token and bucket first, and then answers 400, is
// from memory.
func TestTry(t *testing.T) {
	try := func(url string) error {
		s := influx.NewServer(influx.ServerConfig{URL: url, Org: "larch", Bucket: "dryhold", Token: func() (string, error) { return "invented", nil }})
		defer s.Close()
		return s.Try(t.Context())
	}
	f := func(status int, well bool) {
		t.Helper()
		server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
			if body, err := io.ReadAll(r.Body); err != nil || r.Header.Get("Authorization") != "Token invented" || len(body) > 64 {
				t.Errorf("asked %q with %q: %v", body, r.Header.Get("Authorization"), err)
			}
			w.WriteHeader(status)
		}))
		defer server.Close()
		if err := try(server.URL); (err == nil) != well {
			t.Errorf("%d: %v", status, err)
		}
	}
	f(http.StatusNoContent, true)
	f(http.StatusBadRequest, true)
	f(http.StatusUnauthorized, false)
	f(http.StatusForbidden, false)
	f(http.StatusNotFound, false)
	f(http.StatusServiceUnavailable, false)
	v := victoriatest.Start(t)
	if err := try(v.URL); err != nil {
		t.Error(err)
	}
	if got := v.Export(`{__name__=~".+"}`); len(got) > 0 {
		t.Errorf("something was written: %v", got)
	}
	t.Run("influxd", func(t *testing.T) {
		if err := try(influxdtest.Start(t).URL); err != nil {
			t.Error(err)
		}
	})
}
