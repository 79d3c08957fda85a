package web

import (
	"context"
	"net/http"
	"slices"

	"dryhold/internal/engine"
	"dryhold/internal/forecast"
	"dryhold/internal/lot"
)

// BacktestDays is the least history, days, that a back-test is made of: half a
// year, of which half is learned from (judgement).
const BacktestDays = 180

// Forecaster tells how good the forecasts of a room have been.
type Forecaster interface {
	BacktestRoom(ctx context.Context, room string) (Backtest, error)
}

// Backtest is the body of GET /api/v1/rooms/{room}/backtest: forecasts from
// within the past of a room, each made from the days before alone, held against
// what came. Coverage is the share of what came within the 10 to 90 % band.
type Backtest struct {
	Room string `json:"room"`
	Days int    `json:"days_known"`
	// Wants is how many days of history are still wanting; 0 when it was made.
	Wants     int             `json:"days_wanting"`
	Origins   int             `json:"forecasts"`
	TrainDays int             `json:"learned_from_days"`
	Every     int             `json:"every_days"`
	Lines     []forecast.Line `json:"lines"`
	Note      string          `json:"note,omitempty"`
}

func (s *server) routeForecasts(mux *http.ServeMux) {
	route(mux, "/api/v1/rooms/{room}/backtest", methods{http.MethodGet: s.getBacktest})
}

func (s *server) getBacktest(w http.ResponseWriter, r *http.Request) {
	name := r.PathValue("room")
	if snap := s.Snapshot(); snap != nil && !slices.ContainsFunc(snap.Rooms, func(v engine.RoomView) bool { return v.Name == name }) {
		status, detail := s.failure(r, "back-test the forecast", lot.NotFound("there is no room %q", name))
		writeProblem(w, status, detail)
		return
	}
	b, err := s.Actions.BacktestRoom(r.Context(), name)
	if err != nil {
		status, detail := s.failure(r, "back-test the forecast", err)
		writeProblem(w, status, detail)
		return
	}
	s.writeJSON(w, r, http.StatusOK, b)
}
