package web

import (
	"context"
	"net/http"
	"net/url"
	"strconv"

	"dryhold/internal/engine"
)

// Explainer answers how the numbers of a lot come about. It is asked apart
// from the snapshot, since to explain every lot at every hour would cost more
// than all else. The error wraps lot.ErrNotFound and names the nearest lot.
type Explainer interface {
	ExplainLot(ctx context.Context, id string) (engine.Explanation, error)
}

// routeExplanations adds GET /api/v1/lots/{id}/explanation, whose body is an
// engine.Explanation, and the page of one lot, GET /lots/{id}, which shows the
// same.
func (s *server) routeExplanations(mux *http.ServeMux) {
	route(mux, "/api/v1/lots/{id}/explanation", methods{http.MethodGet: s.getExplanation})
	route(mux, "/lots/{id}", methods{http.MethodGet: s.getExplanationPage})
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

// explanationView is the page of one lot.
type explanationView struct {
	Title, Version           string
	ID, Food                 string
	At                       moment
	Quality, Range, Limiting string
	Sections                 []explanationSection
	Tested                   *testedView
	Use                      *useView
	Data                     string // path of the same as JSON
	Problem                  string // why there is none
}

type explanationSection struct {
	ID, Title string
	Caution   bool
	Lines     []engine.Line
}

func (s *server) getExplanationPage(w http.ResponseWriter, r *http.Request) {
	id := r.PathValue("id")
	x, err := s.Actions.ExplainLot(r.Context(), id)
	if err != nil {
		status, detail := s.failure(r, "explain the lot", err)
		s.writeFailed(w, r, status, s.words(r).t("No explanation"), detail)
		return
	}
	p := s.words(r)
	one := p.measure(100, 1, " %") // as in the text below it
	v := explanationView{
		ID:      x.Lot,
		Quality: one.text(x.Remaining.Likely), Range: one.number(x.Remaining.Low, 1) + " to " + one.text(x.Remaining.High), Limiting: x.Limiting,
		Tested: s.tested(r, x.Lot), Use: s.using(r, x.Lot),
	}
	for i, section := range x.Sections {
		v.Sections = append(v.Sections, explanationSection{
			"section-" + strconv.Itoa(i+1), section.Title, section.Key == engine.CautionsSection, section.Lines,
		})
	}
	s.writePage(w, r, http.StatusOK, page{
		Name: "explanation", Head: x.FoodName, ID: x.Lot, At: p.moment(x.AsOf),
		Data: []link{{p.t("this explanation"), "/api/v1/lots/" + url.PathEscape(x.Lot) + "/explanation", false}},
	}, v)
}
