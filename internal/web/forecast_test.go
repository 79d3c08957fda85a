package web

import (
	"context"
	"encoding/json"
	"net/http"
	"testing"

	"dryhold/internal/forecast"
)

// BacktestRoom implements Forecaster.
func (k *keeper) BacktestRoom(_ context.Context, room string) (Backtest, error) {
	return Backtest{Room: room, Days: 400, Origins: 7, Lines: []forecast.Line{{Of: forecast.OfTemp, Lead: "1 day", Own: forecast.Score{N: 7, Cover: 0.8}}}}, nil
}

func TestBacktestAsJSON(t *testing.T) {
	h, _ := house(t, larchHouse(), nil)
	res := ask(t, h, http.MethodGet, "/api/v1/rooms/cellar/backtest", "")
	var got Backtest
	if err := json.NewDecoder(res.Body).Decode(&got); err != nil || res.StatusCode != http.StatusOK || got.Room != "cellar" || len(got.Lines) != 1 || got.Lines[0].Own.Cover != 0.8 {
		t.Errorf("%d, %v: %+v", res.StatusCode, err, got)
	}
	wantProblem(t, ask(t, h, http.MethodGet, "/api/v1/rooms/attic-nowhere/backtest", ""), http.StatusNotFound, `there is no room "attic-nowhere"`)
}
