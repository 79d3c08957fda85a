package web

import (
	"context"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"

	"golang.org/x/net/html"

	"dryhold/internal/audit"
	"dryhold/internal/lot"
)

func (k *keeper) UseLot(_ context.Context, c lot.Change) (lot.Lot, error) {
	return lot.Lot{ID: c.Lot, Withdrawn: c.Kind == lot.Undone}, k.note("%s %s: %d, %g kg, to %q, price %g, why %q, by %s", c.Kind, c.Lot, c.Count, c.KG, c.Room, c.Price, c.Note, c.By)
}

func (k *keeper) History(_ context.Context, id string) ([]audit.Act, error) {
	return []audit.Act{{Told: noon(), At: noon(), By: "Mara", Kind: audit.Lot, Of: id, What: "ate 1", Old: "12 in store, 19.2 kg"}}, k.err
}

func (k *keeper) ImportLots(_ context.Context, in ImportLots) (ImportedLots, error) {
	out := ImportedLots{}
	for i, p := range in.Lots {
		switch {
		case p.Food == "moist-beans":
			out.Problems = append(out.Problems, LotFault{i, "moist-beans is not for dry packing"})
		case p.Note == "dangerous":
			out.Cautions = append(out.Cautions, LotFault{i, "Botulism poisoning may result."})
		}
	}
	if !in.DryRun && len(out.Problems) == 0 {
		out.Number = 3
	}
	return out, k.note("import of %d lots by %s, dry run %t", len(in.Lots), in.By, in.DryRun)
}

func (k *keeper) UndoImport(_ context.Context, n int, note, by string) ([]lot.Lot, error) {
	return nil, k.note("undo import %d by %s: %s", n, by, note)
}

func (k *keeper) Labels(_ context.Context, o LabelOrder) (ReportFile, error) {
	return ReportFile{"labels.pdf", "application/pdf", []byte("%PDF-")}, k.note("labels %+v", o)
}

func TestLabelsOfLots(t *testing.T) {
	h, k := house(t, larchHouse(), nil)
	res := ask(t, h, http.MethodGet, "/api/v1/labels?lot=L-1&lot=L-2&sheet=3x8&paper=a4&skip=3", "")
	if res.StatusCode != 200 || res.Header.Get("Content-Type") != "application/pdf" || !strings.HasPrefix(text(t, res), "%PDF-") {
		t.Errorf("labels: %d %v", res.StatusCode, res.Header)
	}
	ask(t, h, http.MethodGet, "/api/v1/labels?lots=L-1,+L-2&import=4&tape=62mm", "")
	want := []string{
		"labels {Lots:[L-1 L-2] Room: Import:0 Sheet:3x8 Paper:a4 Label: Margin: Gap: Tape: Skip:3}",
		"labels {Lots:[L-1 L-2] Room: Import:4 Sheet: Paper: Label: Margin: Gap: Tape:62mm Skip:0}",
	}
	if d := slices.Compare(want, k.seen()); d != 0 {
		t.Errorf("reached %q, want %q", k.seen(), want)
	}
	wantProblem(t, ask(t, h, http.MethodGet, "/api/v1/labels?skip=many", ""), http.StatusUnprocessableEntity, "skip")
	page := text(t, ask(t, h, http.MethodGet, "/labels?lots=L-1", ""))
	for _, part := range []string{`action="/api/v1/labels"`, `value="L-1"`, "3x8 a4", "cellar"} {
		if !strings.Contains(page, part) {
			t.Errorf("the page lacks %q", part)
		}
	}
}

func TestUseOfLots(t *testing.T) {
	h, k := house(t, larchHouse(), nil)
	f := func(path, body string, status int, want string) {
		t.Helper()
		if res := ask(t, h, http.MethodPost, path, body); res.StatusCode != status {
			t.Errorf("POST %s %s: %d, want %d", path, body, res.StatusCode, status)
		}
		if seen := k.seen(); want != "" && (len(seen) == 0 || seen[len(seen)-1] != want) {
			t.Errorf("POST %s %s reached %q, want %q", path, body, seen, want)
		}
	}
	f("/api/v1/lots/L-1/eat", `{"count":2,"by":"Mara"}`, 200, `eaten L-1: 2, 0 kg, to "", price 0, why "", by Mara`)
	f("/api/v1/lots/L-1/discard", `{"kg":0.5,"note":"damp","by":"Mara"}`, 200, `discarded L-1: 0, 0.5 kg, to "", price 0, why "damp", by Mara`)
	f("/api/v1/lots/L-1/split", `{"count":2,"room":"loft","by":"Mara"}`, 200, `split L-1: 2, 0 kg, to "loft", price 0, why "", by Mara`)
	f("/api/v1/lots/L-1/price", `{"price_per_kg":2.4,"by":"Mara"}`, 200, `priced L-1: 0, 0 kg, to "", price 2.4, why "", by Mara`)
	f("/api/v1/lots/L-1/undo", `{"by":"Mara"}`, 200, `undone L-1: 0, 0 kg, to "", price 0, why "", by Mara`)
	f("/api/v1/lots/L-1/eat", `{"cuont":2}`, 400, "")
	f("/api/v1/imports/lots", `{"lots":[{"food":"white-rice"}],"by":"Mara"}`, 201, "import of 1 lots by Mara, dry run false")
	f("/api/v1/imports/lots", `{"lots":[]}`, 422, "")
	f("/api/v1/imports/lots/3/undo", `{"by":"Mara","note":"the wrong file"}`, 204, "undo import 3 by Mara: the wrong file")
	f("/api/v1/imports/lots/x/undo", `{"by":"Mara"}`, 404, "")
	if body := text(t, ask(t, h, http.MethodGet, "/api/v1/lots/L-1/history", "")); !strings.Contains(body, "12 in store") {
		t.Errorf("history: %s", body)
	}
}

func TestUseByTheForm(t *testing.T) {
	snap := larchHouse()
	snap.Lots[0].ID = "L-1"
	h, k := house(t, snap, nil)
	f := func(form url.Values, status int, where, want string) {
		t.Helper()
		res := ask(t, h, http.MethodPost, "/lots/L-1/use", form.Encode(), "Content-Type", formMedia)
		if res.StatusCode != status || res.Header.Get("Location") != where {
			t.Errorf("%v: %d to %q, want %d to %q", form, res.StatusCode, res.Header.Get("Location"), status, where)
		}
		if want != "" && !slices.Contains(k.seen(), want) {
			t.Errorf("%v reached %q, want %q", form, k.seen(), want)
		}
	}
	f(url.Values{"act": {"eat"}, "kg": {"0,5"}, "by": {"Mara"}}, 303, "/lots/L-1?did=eat", `eaten L-1: 0, 0.5 kg, to "", price 0, why "", by Mara`)
	f(url.Values{"act": {"eat"}, "kg": {"500 g"}, "by": {"Mara"}}, 303, "/lots/L-1?did=eat", `eaten L-1: 0, 0.5 kg, to "", price 0, why "", by Mara`)
	f(url.Values{"act": {"open"}, "count": {"1"}, "by": {"Mara"}}, 303, "/lots/L-1?did=open", `opened L-1: 1, 0 kg, to "", price 0, why "", by Mara`)
	f(url.Values{"act": {"split"}, "count": {"2"}, "room": {"loft"}, "by": {"Mara"}}, 303, "/lots/L-1?did=split", `split L-1: 2, 0 kg, to "loft", price 0, why "", by Mara`)
	f(url.Values{"act": {"recount"}, "count": {"11"}, "note": {"one was lent"}, "by": {"Mara"}}, 303, "/lots/L-1?did=recount", `recounted L-1: 11, 0 kg, to "", price 0, why "one was lent", by Mara`)
	f(url.Values{"act": {"treat"}, "by": {"Mara"}}, 303, "/lots/L-1?did=treat", `treated L-1: 0, 0 kg, to "", price 0, why "", by Mara`)
	f(url.Values{"act": {"price"}, "price": {"2,40"}, "by": {"Mara"}}, 303, "/lots/L-1?did=price", `priced L-1: 0, 0 kg, to "", price 2.4, why "", by Mara`)
	f(url.Values{"act": {"move"}, "room": {"loft"}, "by": {"Mara"}}, 303, "/lots/L-1?did=move", `move L-1 to loft at 2026-07-14T12:30:00Z by Mara`)
	f(url.Values{"act": {"note"}, "seal": {"verified"}, "note": {"buckled in"}, "by": {"Mara"}}, 303, "/lots/L-1?did=note", `note of L-1 at 2026-07-14T12:30:00Z by Mara: seal verified, "buckled in"`)
	f(url.Values{"act": {"discard"}, "count": {"2"}, "note": {"damp"}, "by": {"Mara"}}, 303, "/lots/L-1?did=discard", `discarded L-1: 2, 0 kg, to "", price 0, why "damp", by Mara`)
	f(url.Values{"act": {"undo"}, "sure": {"yes"}, "by": {"Mara"}}, 303, "/lots?did=gone", `undone L-1: 0, 0 kg, to "", price 0, why "", by Mara`)
	f(url.Values{"act": {"burn"}}, 422, "", "")
	f(url.Values{"act": {"eat"}, "count": {"a few"}}, 422, "", "")
	f(url.Values{"act": {"eat"}, "kg": {"much"}}, 422, "", "")
	f(url.Values{"act": {"note"}, "seal": {"so so"}}, 422, "", "")
	doc := shown(t, h, "/lots/L-1?did=eat", http.StatusOK)
	wantWords(t, doc, "ate 1", "Before: 12 in store", "when in doubt, throw it out", "Done: what was eaten is taken out.")
	acts := map[string]bool{}
	for _, n := range all(doc, "input", func(n *html.Node) bool { return attr(n, "name") == "act" }) {
		acts[attr(n, "value")] = true
	}
	for _, act := range []string{"eat", "open", "discard", "split", "move", "recount", "treat", "undo", "note", "price", "finish"} {
		if !acts[act] {
			t.Errorf("there is no form to tell of %q", act)
		}
	}
}

// TestAskedOnceMore: what takes all of a lot, or takes a change back, is asked
// once more, and nothing is done before the answer.
func TestAskedOnceMore(t *testing.T) {
	snap := larchHouse()
	snap.Lots[0].ID = "L-1"
	h, k := house(t, snap, nil)
	f := func(form url.Values, want string, words ...string) {
		t.Helper()
		before := len(k.seen())
		res := ask(t, h, http.MethodPost, "/lots/L-1/use", form.Encode(), "Content-Type", formMedia)
		doc, err := html.Parse(res.Body)
		if err != nil || res.StatusCode != http.StatusOK {
			t.Fatalf("%v: %d, %v", form, res.StatusCode, err)
		}
		wantWords(t, doc, words...)
		if seen := k.seen(); len(seen) != before {
			t.Errorf("%v reached %q before the answer", form, seen[before:])
		}
		again := url.Values{}
		for _, n := range all(doc, "input", func(n *html.Node) bool { return attr(n, "type") == "hidden" }) {
			again.Add(attr(n, "name"), attr(n, "value"))
		}
		res = ask(t, h, http.MethodPost, "/lots/L-1/use", again.Encode(), "Content-Type", formMedia)
		if seen := k.seen(); res.StatusCode != http.StatusSeeOther || !slices.Contains(seen, want) {
			t.Errorf("%v: %d, reached %q, want %q", again, res.StatusCode, seen, want)
		}
	}
	f(url.Values{"act": {"discard"}, "count": {"12"}, "note": {"mice"}, "by": {"Mara"}}, `discarded L-1: 12, 0 kg, to "", price 0, why "mice", by Mara`, "Throw out all of it?", "No, go back")
	f(url.Values{"act": {"discard"}, "kg": {"21"}, "note": {"mice"}, "by": {"Mara"}}, `discarded L-1: 0, 21 kg, to "", price 0, why "mice", by Mara`, "Throw out all of it?")
	f(url.Values{"act": {"finish"}, "note": {"given away"}, "by": {"Mara"}}, `finish L-1 at 2026-07-14T12:30:00Z by Mara: given away`, "Is all of it gone?")
	f(url.Values{"act": {"undo"}, "by": {"Mara"}}, `undone L-1: 0, 0 kg, to "", price 0, why "", by Mara`, "Take back the last change?", "ate 1", "as never there")
}
