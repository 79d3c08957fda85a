package web

import (
	"encoding/json"
	"net/http"
	"os"
	"slices"
	"testing"
)

// What is routed for programs is described, and the reverse.
func TestEveryRouteIsAnOperation(t *testing.T) {
	_, mux := assemble(Config{Snapshot: larchHouse, Actions: &keeper{}, Metrics: http.NotFoundHandler()})
	routed := documentOf(mux).served
	described := map[string]bool{}
	for _, o := range operations() {
		if described[o.pattern()] {
			t.Errorf("%s stands twice in operations()", o.pattern())
		}
		described[o.pattern()] = true
		if !slices.Contains(routed, o.pattern()) {
			t.Errorf("%s is described in operations() and not routed", o.pattern())
		}
	}
	for _, p := range routed {
		if !described[p] {
			t.Errorf("%s is routed and not described: add a line to one of the functions of operations_table.go, "+
				"with the Go values that it reads and answers, and give contract_test.go what it needs to be asked", p)
		}
	}
}

func TestDocument(t *testing.T) {
	h, _ := house(t, larchHouse(), nil)
	res := ask(t, h, http.MethodGet, openAPIPath, "")
	body := text(t, res)
	if res.StatusCode != 200 || res.Header.Get("Content-Type") != "application/json" || !json.Valid([]byte(body)) {
		t.Errorf("status %d, %s: %.200s", res.StatusCode, res.Header.Get("Content-Type"), body)
	}
	if to := os.Getenv("DRYHOLD_TEST_OPENAPI"); to != "" {
		if err := os.WriteFile(to, []byte(body), 0o644); err != nil {
			t.Fatal(err)
		}
	}
}
