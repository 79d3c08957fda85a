package web

import (
	"net/http"
	"strings"
	"testing"
)

func TestTestsOfALot(t *testing.T) {
	f := func(path, body, want string) {
		t.Helper()
		h, k := house(t, larchHouse(), nil)
		res := ask(t, h, http.MethodPost, "/api/v1/lots/L-1/"+path, body)
		if calls := k.seen(); res.StatusCode != 204 || len(calls) != 1 || calls[0] != want {
			t.Errorf("%s %s: %d %q, want %q", path, body, res.StatusCode, calls, want)
		}
	}
	f("test", `{"taste":6,"off_smell":false,"sprouted":83,"seeds":100,"at":"2026-07-01T12:00:00+02:00","by":"Mara","note":"bread"}`,
		"test L-1 at 2026-07-01T10:00:00Z by Mara: taste 6 of 9, no off smell, 83 of 100 seeds sprouted; bread")
	f("tests/2/revoke", `{"note":"another jar","by":"Mara"}`, "revoke test 2 of L-1 by Mara: another jar")
	no := func(path, body string, status int, detail string) {
		t.Helper()
		h, k := house(t, larchHouse(), nil)
		wantProblem(t, ask(t, h, http.MethodPost, "/api/v1/lots/L-1/"+path, body), status, detail)
		if calls := k.seen(); len(calls) != 0 {
			t.Errorf("%s %s reached the keeper: %q", path, body, calls)
		}
	}
	no("test", `{"flavour":6}`, 400, "flavour")
	no("test", `{"taste":6,"note":"`+strings.Repeat("x", maxNote+1)+`"}`, 422, "note:")
	no("tests/two/revoke", `{}`, 404, "no number of a test")
	no("tests/0/revoke", `{}`, 404, "no number of a test")
}
