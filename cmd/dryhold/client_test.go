package main

import (
	"net/http"
	"net/http/httptest"
	"slices"
	"testing"

	"dryhold/internal/web"
)

// An edit whose answer is lost on the way is sent again under the same name,
// and the next edit has another.
func TestSentAgainUnderTheSameName(t *testing.T) {
	var names []string
	daemon := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		names = append(names, r.Header.Get("Idempotency-Key"))
		switch len(names) {
		case 1: // the daemon is killed
			conn, _, err := http.NewResponseController(w).Hijack()
			if err == nil {
				err = conn.Close()
			}
			if err != nil {
				t.Error(err)
			}
		case 2: // it is still at it
			w.Header().Set("Retry-After", "1")
			w.WriteHeader(http.StatusConflict)
		default:
			w.WriteHeader(http.StatusNoContent)
		}
	}))
	defer daemon.Close()
	k := newClient(daemon.URL)
	for range 2 {
		if err := k.do(t.Context(), http.MethodPost, "/api/v1/lots/L-1/note", web.NoteLot{Note: "holds", By: "mara"}, nil); err != nil {
			t.Fatal(err)
		}
	}
	if len(names) != 4 || names[0] == "" || len(slices.Compact(slices.Clone(names[:3]))) != 1 || names[3] == names[2] {
		t.Errorf("sent under the names %q", names)
	}
}
