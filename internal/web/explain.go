package web

import (
	"context"
	"net/http"

	"dryhold/internal/engine"
)

// Explainer answers how the numbers of a lot come about. It is asked apart
// from the snapshot, since to explain every lot at every hour would cost more
// than all else. The error wraps lot.ErrNotFound and names the nearest lot.
type Explainer interface {
	ExplainLot(ctx context.Context, id string) (engine.Explanation, error)
}

// routeExplanations adds GET /api/v1/lots/{id}/explanation, whose body is an
// engine.Explanation; the page of a lot shows the same.
func (s *server) routeExplanations(mux *http.ServeMux) {
	route(mux, "/api/v1/lots/{id}/explanation", methods{http.MethodGet: s.getExplanation})
}

func (s *server) getExplanation(w http.ResponseWriter, r *http.Request) {
	x, err := s.Actions.ExplainLot(r.Context(), r.PathValue("id"))
	if err != nil {
		status, detail := s.failure(r, "explain the lot", err)
		writeProblem(w, status, detail)
		return
	}
	s.writeJSON(w, r, http.StatusOK, x)
}
