package app_test

import (
	"io"
	"math"
	"net/http"
	"strconv"
	"strings"
	"testing"

	"dryhold/internal/catalog"
)

// shipped is the catalog in the repository.
func shipped(t testing.TB) *catalog.Catalog {
	t.Helper()
	return mustCatalog()
}

// get fetches a page of the daemon.
func get(t testing.TB, url string) (status int, body string) {
	t.Helper()
	r, err := http.Get(url)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Body.Close()
	b, err := io.ReadAll(r.Body)
	if err != nil {
		t.Fatal(err)
	}
	return r.StatusCode, string(b)
}

// scrape gives one sample of /metrics, by its name and labels as written
// there.
func scrape(t testing.TB, url, series string) float64 {
	t.Helper()
	_, body := get(t, url+"/metrics")
	for line := range strings.Lines(body) {
		if rest, ok := strings.CutPrefix(line, series+" "); ok {
			v, err := strconv.ParseFloat(strings.TrimSpace(rest), 64)
			if err != nil {
				t.Fatal(err)
			}
			return v
		}
	}
	return math.NaN()
}
