package web

import (
	"encoding/json"
	"net/http"
	"strings"
	"testing"
)

// Pages follow each other by Link, and together are the list.
func TestPages(t *testing.T) {
	h, _ := house(t, larchHouse(), nil)
	f := func(path, list string) {
		t.Helper()
		var whole, got []any
		read := func(path string) (next string, items []any) {
			res := ask(t, h, http.MethodGet, path, "")
			var body map[string]any
			if err := json.NewDecoder(res.Body).Decode(&body); err != nil || res.StatusCode != 200 {
				t.Fatalf("GET %s: %d, %v", path, res.StatusCode, err)
			}
			next, is := strings.CutSuffix(res.Header.Get("Link"), `>; rel="next"`)
			if more, _ := body["more"].(bool); list != "lots" && more != is {
				t.Errorf("GET %s: more is %v, Link %q", path, more, res.Header.Get("Link"))
			}
			items, _ = body[list].([]any)
			return strings.TrimPrefix(next, "<"), items
		}
		_, whole = read(path)
		pages := 0
		for next := path + "?limit=1"; next != ""; pages++ {
			var items []any
			if next, items = read(next); len(items) > 1 {
				t.Errorf("%d on a page of one", len(items))
			} else {
				got = append(got, items...)
			}
		}
		a, b := plainJSON(t, whole), plainJSON(t, got)
		if a != b || pages != len(whole) || pages < 2 {
			t.Errorf("%s in %d pages of one:\n%s\nwant\n%s", path, pages, b, a)
		}
	}
	f("/api/v1/lots", "lots")
	f("/api/v1/alarms/history", "events")
	f("/api/v1/audit", "acts")
	f("/api/v1/notices", "notices")
	for _, path := range []string{"/api/v1/lots", "/api/v1/alarms/history", "/api/v1/audit", "/api/v1/notices"} {
		wantProblem(t, ask(t, h, http.MethodGet, path+"?cursor=none", ""), 422, "cursor")
		wantProblem(t, ask(t, h, http.MethodGet, path+"?limit=0", ""), 422, "limit")
	}
	wantProblem(t, ask(t, h, http.MethodGet, "/api/v1/lots?cursor="+cursor{After: "gone-1"}.String(), ""), 422, "taken back")
}

func plainJSON(t *testing.T, v any) string {
	t.Helper()
	b, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}
