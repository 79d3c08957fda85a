package web

import (
	"context"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"

	"dryhold/internal/engine"
	"dryhold/internal/lot"
)

func (k *keeper) Rounds(context.Context) ([]engine.RoundView, error) {
	last := lot.Round{Room: "cellar", At: noon().AddDate(0, -2, 0), By: "Mara", Answers: []lot.RoundAnswer{{Question: "damp", Answer: "found"}}}
	return []engine.RoundView{
		{Room: "cellar", Lots: []string{"L-1", "L-2"}, Last: &last, Due: noon().AddDate(0, -1, 0), Overdue: true},
		{Room: "loft", Lots: []string{}},
	}, k.err
}

func (k *keeper) RoundDone(_ context.Context, room string, r RoundDone) error {
	return k.note("round of %s by %s: %v, failed %v, holding %v, %q", room, r.By, r.Answers, r.Failed, r.Holding, r.Note)
}

func TestRoundsPage(t *testing.T) {
	h, k := house(t, larchHouse(), nil)
	page := text(t, ask(t, h, http.MethodGet, "/rounds", ""))
	for _, want := range []string{"due since", "L-1, L-2", "Found damp: air or dry", `action="/rounds/cellar"`, `name="rodents"`, "when in doubt, throw it out"} {
		if !strings.Contains(page, want) {
			t.Errorf("the page lacks %q", want)
		}
	}
	if strings.Contains(page, `action="/rounds/loft"`) {
		t.Error("a room without food is looked through")
	}
	form := url.Values{"rodents": {"fine"}, "bottles": {"found"}, "leaks": {""}, "failed": {"L-1, L-2"}, "by": {"Mara"}, "note": {"two slack"}}
	res := ask(t, h, http.MethodPost, "/rounds/cellar", form.Encode(), "Content-Type", formMedia)
	want := `round of cellar by Mara: [{rodents fine} {bottles found}], failed [L-1 L-2], holding [], "two slack"`
	if res.StatusCode != http.StatusSeeOther || !slices.Contains(k.seen(), want) {
		t.Errorf("%d, %q, want %q", res.StatusCode, k.seen(), want)
	}
	if res := ask(t, h, http.MethodPost, "/api/v1/rounds/cellar", `{"answers":[{"question":"damp","answer":"fine"}],"by":"Mara"}`); res.StatusCode != http.StatusNoContent {
		t.Errorf("by the API: %d", res.StatusCode)
	}
	if body := text(t, ask(t, h, http.MethodGet, "/api/v1/rounds", "")); !strings.Contains(body, `"overdue":true`) || !strings.Contains(body, `"questions":[{"id":"rodents"`) {
		t.Errorf("rounds: %s", body)
	}
}
