package web

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"golang.org/x/net/html"

	"dryhold/internal/audit"
)

// historian is a keeper with acts of its own.
type historian struct {
	*keeper
	acts []audit.Act
}

func (k *historian) Audit(_ context.Context, f audit.Filter, limit int) ([]audit.Act, error) {
	told := slices.Clone(k.acts)
	slices.Reverse(told)
	return audit.Newest(f, limit, told), k.err
}

// historic is a house in which that was done.
func historic(t testing.TB, acts []audit.Act) (http.Handler, *historian) {
	k := &historian{&keeper{}, acts}
	h, _ := house(t, larchHouse(), func(c *Config) { c.Actions = k })
	return h, k
}

// larchActs are of every kind, the newest first.
func larchActs() []audit.Act {
	return []audit.Act{
		{Told: ago(time.Hour), At: ago(2 * time.Hour), By: "Mara", Kind: audit.Lot, Of: "white-rice-1", What: "moved to cellar", Old: "in loft", Why: "heat"},
		{Told: ago(3 * time.Hour), At: ago(3 * time.Hour), By: "Mara", Kind: audit.Alarm, Of: "warm/loft", What: "acknowledged"},
		{Told: ago(30 * time.Hour), At: ago(40 * time.Hour), By: "token gauge", Kind: audit.Sensor, Of: "loft/loft-1", What: "voided everything it measures", Change: 4},
		{Told: ago(50 * time.Hour), At: ago(50 * time.Hour), By: "Ada", Kind: audit.Room, Of: "cellar", What: "noted until 2026-07-01T00:00:00Z", Why: "painters <were> in", Change: 1},
		{Told: ago(60 * time.Hour), At: ago(900 * time.Hour), Kind: audit.Readings, Of: "old.csv", What: "imported 20 readings"},
	}
}

func TestAuditPage(t *testing.T) {
	h, k := historic(t, larchActs())
	rows := func(path string) []*html.Node {
		t.Helper()
		doc := shown(t, h, path, 200)
		found := all(doc, "tr", nil)
		if len(found) == 0 {
			wantWords(t, doc, "Nothing was done that fits.")
			return nil
		}
		return found[1:]
	}
	f := func(query string, want ...string) {
		t.Helper()
		got := rows("/audit" + query)
		if len(got) != len(want) {
			t.Fatalf("%s: %d acts, want %d", query, len(got), len(want))
		}
		for i, w := range want {
			wantWords(t, got[i], w)
		}
	}
	lot, acked, voided, noted, imported := "14 Jul 2026 13:30 CEST of 14 Jul 2026 12:30 CEST Mara white-rice-1 lots moved to cellar in loft heat", "Mara warm/loft alarms acknowledged",
		"token gauge loft/loft-1 sensors voided everything", "Ada cellar rooms noted until 1 Jul 2026 02:00 CEST painters <were> in", "not told old.csv imported readings imported 20 readings"
	f("", lot, acked, voided, noted, imported)
	f("?by=Mara", lot, acked)
	f("?kind=sensor", voided)
	f("?of=loft", acked, voided)
	f("?of=loft-1")
	f("?of=loft%2Floft-1", voided)
	f("?of=white-rice-1&by=Mara", lot)
	f("?of=white-rice-1&by=Ada")
	f("?from=2026-07-13", lot, acked, voided)
	f("?from=2026-07-13&to=2026-07-13", voided)
	f("?to=2026-07-12", noted, imported)

	var to []string
	for _, row := range rows("/audit") {
		for _, a := range all(row, "a", nil) {
			to = append(to, attr(a, "href"))
		}
	}
	if got := strings.Join(to, " "); got != "/lots/white-rice-1 /alarms?alarm=warm%2Floft#history /sensors/loft/loft-1 /room/cellar" {
		t.Errorf("links %s", got)
	}
	wantWords(t, shown(t, h, "/audit?kind=charm", 422), "no acts of the kind")
	wantWords(t, shown(t, h, "/audit?from=yesterday", 422), "is not a time")
	k.err = errors.New("secret: the disk is sick")
	if body := words(shown(t, h, "/audit", 500)); strings.Contains(body, "secret") {
		t.Error("a fault of the machine is shown")
	}
	empty, _ := historic(t, nil)
	wantWords(t, shown(t, empty, "/audit", 200), "Nothing was done yet.")
}

// The pages of the list, followed from one to the next, show every act once,
// and the filter stays.
func TestAuditPagesByLinks(t *testing.T) {
	var acts []audit.Act
	for i := range 2*actsOnPage + 7 {
		acts = append(acts, audit.Act{Told: ago(time.Hour), By: "Mara", Kind: audit.Lot, Of: fmt.Sprintf("L-%d", i), What: "noted"})
	}
	h, k := historic(t, acts)
	var seen []string
	path := "/audit?by=Mara"
	for path != "" {
		doc := shown(t, h, path, 200)
		path = ""
		for _, row := range all(doc, "tr", nil)[1:] {
			seen = append(seen, words(all(row, "a", nil)[0]))
		}
		for _, a := range all(doc, "a", func(n *html.Node) bool { return words(n) == "Older" }) {
			path = attr(a, "href")
			if u, err := url.Parse(path); err != nil || u.Query().Get("by") != "Mara" {
				t.Errorf("the filter is lost: %s", path)
			}
		}
	}
	if len(seen) != len(k.acts) {
		t.Fatalf("%d acts shown of %d", len(seen), len(k.acts))
	}
	for i, of := range seen {
		if of != k.acts[i].Of {
			t.Fatalf("act %d is %s", i, of)
		}
	}
	wantWords(t, shown(t, h, "/audit?skip=50", 200), "51 to 100 of 107, the newest first", "Newer", "Older")
	wantWords(t, shown(t, h, "/audit?skip=100000", 200), "1 to 50 of 107")
}

// FuzzAuditQuery: what is asked for is answered or refused, and a filter wants
// no more than the one without it.
func FuzzAuditQuery(f *testing.F) {
	for _, seed := range []string{"by=Mara&kind=lot&of=L-1", "from=2026-07-01&to=2026-07-02", "from=0001-01-01", "to=9999-12-31T23:59", "skip=-1&kind=charm"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, query string) {
		q, err := url.ParseQuery(query)
		if err != nil {
			return
		}
		p := &pageContext{now: noon(), zone: time.UTC}
		filter, _, no := p.auditFilter(q)
		if no != nil && (no.status != 422 || no.detail == "") {
			t.Fatalf("%q: %+v", query, no)
		}
		if filter == (audit.Filter{}) && len(audit.Newest(filter, 10, larchActs())) != len(larchActs()) {
			t.Fatalf("%q: the filter that wants all does not", query)
		}
	})
}
