package web

import (
	"net/http"
	"net/http/httptest"
	"net/url"
	"slices"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
	"golang.org/x/net/html"

	"dryhold/internal/engine"
	"dryhold/internal/lot"
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

// testedHouse is Larch House where two tests of a lot were told and one of them
// taken back.
func testedHouse() *engine.Snapshot {
	x := larchHouse()
	l, off := &x.Lots[0], true
	l.Tests = []lot.Test{
		{Number: 1, At: ago(48 * 3600e9), By: "Mara", Result: lot.Result{Taste: 3, OffSmell: &off}, Note: "bread " + strings.Repeat("W", 80)},
		{Number: 2, At: ago(24 * 3600e9), By: "Mara", Result: lot.Result{Sprouted: 40, Seeds: 100}, Revoked: true},
	}
	l.Viable = &engine.Estimate{Low: 0.5, Likely: 0.6, High: 0.7}
	l.Tested = &engine.TestedView{
		Own: 1, Class: 2, Effective: 41.6, Draws: 200, Power: 0.8, Remaining: between(0.7, 0.95, 0.99), Viable: &engine.Estimate{Low: 0.8, Likely: 0.9, High: 0.95},
		EndEarly: noon().AddDate(9, 0, 0), EndAtPlan: noon().AddDate(11, 0, 0), EndLate: noon().AddDate(14, 0, 0),
	}
	return x
}

func TestTestsOnThePageOfALot(t *testing.T) {
	x := testedHouse()
	h, k := house(t, x, nil)
	id := x.Lots[0].ID
	// The explanation of the fixture is of L-1 whatever the house holds.
	x.Lots[0].ID = "L-1"
	doc := shown(t, h, "/lots/L-1", http.StatusOK)
	wantWords(t, doc, "Tests that count: 1 of this lot, 2 of other lots of this food. What they leave stands on 42 of 200 sets of constants.", "count for less than they claim",
		"Quality left", "95 %, 70 to 99 %", "Seed that sprouts", "90 %, 80 to 95 %", "60 %, 50 to 70 %", "End at plan storage", "2037", "2035 to 2040",
		"Test 1, 12 Jul 2026, Mara: taste 3 of 9, off smell.", "Test 2, 13 Jul 2026, Mara: 40 of 100 seeds sprouted. Taken back.", "Take back test 1", "no taste, smell or sprout tells whether food is safe")
	forms := slices.DeleteFunc(all(doc, "form", nil), func(n *html.Node) bool { return !strings.Contains(attr(n, "action"), "/tests/") })
	if len(forms) != 1 || attr(forms[0], "action") != "/lots/L-1/tests/1/revoke" {
		t.Errorf("%d forms", len(forms))
	}
	before := len(k.seen())
	post := func(path string, form url.Values, status int) *http.Response {
		t.Helper()
		r := httptest.NewRequest(http.MethodPost, path, strings.NewReader(form.Encode()))
		r.Host = "localhost"
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		w := httptest.NewRecorder()
		h.ServeHTTP(w, r)
		if w.Code != status {
			t.Errorf("%s %v: %d, want %d: %s", path, form, w.Code, status, w.Body)
		}
		return w.Result()
	}
	for path, form := range map[string]url.Values{
		"/lots/L-1/tests/1/revoke": {"by": {"Mara"}}, "/lots/L-1/tests/1/revoke?": {"note": {strings.Repeat("x", maxNote+1)}},
	} {
		post(path, form, http.StatusUnprocessableEntity)
	}
	post("/lots/L-1/tests/one/revoke", url.Values{"note": {"x"}}, http.StatusNotFound)
	if got := k.seen(); len(got) != before {
		t.Errorf("reached the keeper: %q", got[before:])
	}
	res := post("/lots/L-1/tests/1/revoke", url.Values{"note": {"another jar"}, "by": {"Mara"}}, http.StatusSeeOther)
	if got := k.seen(); len(got) != before+1 || got[before] != "revoke test 1 of L-1 by Mara: another jar" || res.Header.Get("Location") != "/lots/L-1?did=test" {
		t.Errorf("%q, sent to %q", got[before:], res.Header.Get("Location"))
	}
	k.err = lot.Invalid("test 1 of lot L-1 is taken back already")
	post("/lots/L-1/tests/1/revoke", url.Values{"note": {"x"}, "by": {"Mara"}}, http.StatusUnprocessableEntity)
	// Without a test there is nothing to say.
	k.err = nil
	x.Lots[0].ID, x.Lots[0].Tests, x.Lots[0].Tested = id, nil, nil
	if text := words(shown(t, h, "/lots/L-1", http.StatusOK)); strings.Contains(text, "Tests by the keeper") {
		t.Error("tests are told of a lot without")
	}
}

// On a telephone too the section and its form fit.
func TestTestsOnANarrowScreen(t *testing.T) {
	ctx := browser(t)
	x := testedHouse()
	x.Lots[0].ID = "L-1"
	base, _ := serve(t, x)
	for _, width := range []int64{360, 390, 1280} {
		if err := chromedp.Do(ctx, chromedp.EmulateViewport(width, 800), chromedp.Navigate(base+"/lots/L-1")); err != nil {
			t.Fatal(err)
		}
		has, needs := evaluate[int](t, ctx, `document.documentElement.clientWidth`), evaluate[int](t, ctx, `document.documentElement.scrollWidth`)
		if has != int(width) || needs > has || evaluate[int](t, ctx, `document.querySelectorAll("#tests ~ ul form").length`) != 1 {
			t.Errorf("the page needs %d px and has %d at a width of %d", needs, has, width)
		}
	}
}
