package web

import (
	"context"
	"encoding/json"
	"net/http"
	"slices"
	"testing"

	"dryhold/internal/room"
)

func (k *keeper) Import(_ context.Context, readings []room.Reading) (ImportAnswer, error) {
	return ImportAnswer{Stored: len(readings)}, k.note("import %d", len(readings))
}

func (k *keeper) Imported(_ context.Context, done ImportDone) error {
	return k.note("imported %d of %s by %s", done.Stored, done.Source, done.By)
}

func TestImportAnswers(t *testing.T) {
	h, k := house(t, larchHouse(), nil)
	post := func(path, body string) *http.Response { return ask(t, h, http.MethodPost, path, body) }
	res := post("/api/v1/readings", `{"series":[{"room":"loft","sensor":"loft-1","quantity":"temperature","at_ms":[1752451200000,1752454800000],"values":[21.5,22]}]}`)
	var x ImportAnswer
	if err := json.NewDecoder(res.Body).Decode(&x); err != nil || res.StatusCode != http.StatusOK || x.Stored != 2 {
		t.Errorf("%d, %+v, %v", res.StatusCode, x, err)
	}
	if res := post("/api/v1/readings/imported", `{"by":"Mara","source":"loft.csv","stored":2,"known":0}`); res.StatusCode != http.StatusNoContent {
		t.Errorf("%d", res.StatusCode)
	}
	wantProblem(t, post("/api/v1/readings", `{"series":[{"room":"loft","sensor":"loft-1","quantity":"temperature","at_ms":[1],"values":[]}]}`), http.StatusUnprocessableEntity, "1 times and 0 values")
	wantProblem(t, post("/api/v1/readings", `{"series":[{"room":"loft","sensor":"loft-1","quantity":"temperature","at_ms":[1752451200000],"values":[900]}]}`), http.StatusUnprocessableEntity, "900")
	wantProblem(t, post("/api/v1/readings", `{"rows":[]}`), http.StatusBadRequest, "rows")
	if got, want := k.seen(), []string{"import 2", "imported 2 of loft.csv by Mara"}; !slices.Equal(got, want) {
		t.Errorf("did %q, want %q", got, want)
	}
}
