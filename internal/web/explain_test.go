package web

import (
	"context"
	"encoding/json"
	"net/http"
	"slices"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/google/go-cmp/cmp"

	"dryhold/internal/engine"
	"dryhold/internal/lot"
)

// explained is an invented lot with a section of every sort.
func explained() engine.Explanation {
	return engine.Explanation{
		Lot: "L-1", FoodName: "Hard wheat, whole", AsOf: noon(), Remaining: between(0.801, 0.8805, 0.93), Limiting: "staling",
		Sections: []engine.Section{
			{Key: engine.LotSection, Title: "The lot", Lines: []engine.Line{{Text: "12 × 1.6 kg of Hard wheat."}}},
			{Key: engine.ModeSection + "staling", Title: "Mode: staling", Lines: []engine.Line{
				{Text: "Life at 21 °C in air: 10960 (7305 to 14610) days.", Source: "Rose et al. <2011>, J. Food Sci. 76:S8"},
				{Text: "Arithmetic: 1000.25 days × 1.20345 × water 1.05123 × oxygen 0.958123 ÷ 10957.5 days = 0.110647"},
			}},
			{Key: engine.HelpSection, Title: "What would help most", Lines: []engine.Line{{Text: "Nothing of what was tried gains more than 7 days."}}},
			{Key: engine.CautionsSection, Title: "Cautions", Lines: []engine.Line{{Text: "When in doubt, throw it out."}}},
		},
		Options: []engine.Option{},
	}
}

func (k *keeper) ExplainLot(_ context.Context, id string) (engine.Explanation, error) {
	x := explained()
	switch id {
	case "L-1":
	case "long":
		long := strings.Repeat("W", 120)
		x.FoodName, x.Limiting, x.Lot = long, long, long
		x.Sections[0].Title, x.Sections[0].Lines[0] = long, engine.Line{Text: long, Source: long}
	default:
		return engine.Explanation{}, lot.NotFound("no lot %q: did you mean %q?", id, "L-1")
	}
	return x, k.note("explain %s", id)
}

func TestExplanationAsJSON(t *testing.T) {
	h, k := house(t, larchHouse(), nil)
	res := ask(t, h, http.MethodGet, "/api/v1/lots/L-1/explanation", "")
	var got engine.Explanation
	if err := json.NewDecoder(res.Body).Decode(&got); err != nil || res.StatusCode != http.StatusOK {
		t.Fatalf("%d: %v", res.StatusCode, err)
	}
	if d := cmp.Diff(explained(), got); d != "" {
		t.Errorf("(-want +got):\n%s", d)
	}
	wantProblem(t, ask(t, h, http.MethodGet, "/api/v1/lots/L-2/explanation", ""), http.StatusNotFound, `no lot "L-2": did you mean "L-1"?`)
	if res := ask(t, h, http.MethodPost, "/api/v1/lots/L-1/explanation", "{}", "Content-Type", "application/json"); res.StatusCode != http.StatusMethodNotAllowed || res.Header.Get("Allow") != "GET, HEAD" {
		t.Errorf("POST: %d, allowed %q", res.StatusCode, res.Header.Get("Allow"))
	}
	if calls := k.seen(); !slices.Equal(calls, []string{"explain L-1"}) {
		t.Errorf("asked %q", calls)
	}
}

func TestExplanationPage(t *testing.T) {
	h, k := house(t, larchHouse(), nil)
	doc := shown(t, h, "/lots/L-1", http.StatusOK)
	wantWords(t, doc, "Hard wheat, whole L-1", "14 Jul 2026 14:30 CEST", "88.0 % of its quality is left (80.1 to 93.0 %)", "limited by staling",
		"Source: Rose et al. <2011>, J. Food Sci. 76:S8", "÷ 10957.5 days = 0.110647", "Nothing of what was tried gains more than 7 days.")
	var titles []string
	for _, n := range all(doc, "h2", nil) {
		titles = append(titles, words(n))
	}
	if d := cmp.Diff([]string{"What helps", "How it is worked out", "Quality is not safety"}, titles); d != "" {
		t.Errorf("sections (-want +got):\n%s", d)
	}
	titles = nil
	for _, n := range all(doc, "h3", nil) {
		titles = append(titles, words(n))
	}
	if d := cmp.Diff([]string{"The lot", "Mode: staling", "Cautions"}, titles); d != "" {
		t.Errorf("parts of the explanation (-want +got):\n%s", d)
	}
	if n := all(doc, "figure", nil); len(n) != 0 {
		t.Errorf("%d charts of a lot that is not published", len(n))
	}

	wantWords(t, shown(t, h, "/lots/L-2", http.StatusNotFound), `no lot "L-2": did you mean "L-1"?`, "Go back")
	wantWords(t, shown(t, h, "/lots/%3Cb%3Ebold", http.StatusNotFound), `no lot "<b>bold"`)
	k.err = context.DeadlineExceeded
	wantWords(t, shown(t, h, "/lots/L-1", http.StatusServiceUnavailable), "cannot explain the lot")
}

// On a telephone the page of a lot is read without scrolling sideways, however
// long and unbreakable its words.
func TestExplanationOnANarrowScreen(t *testing.T) {
	ctx := browser(t)
	base, _ := serve(t, larchHouse())
	for _, width := range []int64{360, 390, 1280} {
		for _, id := range []string{"L-1", "long", "none"} {
			if err := chromedp.Do(ctx, chromedp.EmulateViewport(width, 800), chromedp.Navigate(base+"/lots/"+id)); err != nil {
				t.Fatalf("cannot open the page of %s at %d px: %v", id, width, err)
			}
			has := evaluate[int](t, ctx, `document.documentElement.clientWidth`)
			needs := evaluate[int](t, ctx, `document.documentElement.scrollWidth`)
			family := evaluate[string](t, ctx, `getComputedStyle(document.querySelector("h1")).fontFamily`)
			if has != int(width) || needs > has || !strings.Contains(family, "Georgia") {
				t.Errorf("the page of %s needs %d px and has %d at a width of %d, in %s", id, needs, has, width, family)
			}
		}
	}
}
