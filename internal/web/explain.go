package web

import (
	"context"
	_ "embed" // the page is a file
	"html/template"
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

//go:embed explain.html
var explainHTML string

// routeExplanations adds GET /api/v1/lots/{id}/explanation, whose body is an
// engine.Explanation, and the page of one lot, GET /lots/{id}, which shows the
// same.
func (s *server) routeExplanations(mux *http.ServeMux) {
	template.Must(s.page.Parse(explainHTML))
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
		s.writePage(w, r, status, "no explanation", explanationView{Title: "No explanation: dryhold", Version: s.Version, Problem: detail})
		return
	}
	p := pageContext{now: s.Now(), zone: s.Zone}
	one := measure{100, 1, " %"} // as in the text below it
	v := explanationView{
		Title: x.FoodName + ", " + x.Lot + ": dryhold", Version: s.Version, ID: x.Lot, Food: x.FoodName, At: p.moment(x.AsOf),
		Quality: one.text(x.Remaining.Likely), Range: one.number(x.Remaining.Low, 1) + " to " + one.text(x.Remaining.High), Limiting: x.Limiting,
		Data: "/api/v1/lots/" + url.PathEscape(x.Lot) + "/explanation", Tested: s.tested(r, x.Lot), Use: s.using(r, x.Lot),
	}
	for i, section := range x.Sections {
		v.Sections = append(v.Sections, explanationSection{
			"section-" + strconv.Itoa(i+1), section.Title, section.Key == engine.CautionsSection, section.Lines,
		})
	}
	s.writePage(w, r, http.StatusOK, "explanation", v)
}
