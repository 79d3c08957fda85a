package web

import (
	"context"
	"net/http"
	"net/url"
	"slices"
	"strconv"

	"dryhold/internal/engine"
)

// LotFollower tells how a lot went and is likely to go on. The error wraps
// lot.ErrNotFound or lot.ErrInvalid.
type LotFollower interface {
	// LotCourse has about so many points; 0 is engine.CoursePoints.
	LotCourse(ctx context.Context, id string, points int) (engine.LotCourse, error)
}

// routeLotPages adds the pages of lots and their forms, and GET
// /api/v1/lots/{id}/course?points=, whose body is an engine.LotCourse.
func (s *server) routeLotPages(mux *http.ServeMux) {
	route(mux, "/lots", methods{http.MethodGet: s.getLotsPage})
	route(mux, "/lots/{id}", methods{http.MethodGet: s.getLotPage, http.MethodPost: s.postLotPage})
	route(mux, "/lots/{id}/use", methods{http.MethodPost: s.postUseForm})
	route(mux, "/lots/import/{number}/undo", methods{http.MethodPost: s.postUndoImportForm})
	route(mux, "/api/v1/lots/{id}/course", methods{http.MethodGet: s.getLotCourse})
}

func (s *server) getLotCourse(w http.ResponseWriter, r *http.Request) {
	points := 0
	if text := r.URL.Query().Get("points"); text != "" {
		n, err := strconv.Atoi(text)
		if err != nil {
			writeProblem(w, http.StatusUnprocessableEntity, "points: "+strconv.Quote(text)+" is no whole number: write 120")
			return
		}
		points = n
	}
	x, err := s.Actions.LotCourse(r.Context(), r.PathValue("id"), points)
	if err != nil {
		status, detail := s.failure(r, "tell the course of the lot", err)
		writeProblem(w, status, detail)
		return
	}
	s.writeJSON(w, r, http.StatusOK, x)
}

// lotPageView is the page of one lot. What is not to be had now is nil or
// empty, and the rest is shown.
type lotPageView struct {
	Done     *doneView
	ID       string
	Lot      *lotView
	Life     lifeView
	Axis     *lifeAxis
	Course   *courseView
	Cost     *lotCostView
	Help     []engine.Line
	Sections []explanationSection
	Tested   *testedView
	Use      *useView
	// As the explanation has them, where there is no view.
	Quality, Range, Limiting string
}

// explanationSection is one part of how the numbers come about.
type explanationSection struct {
	ID, Title string
	Caution   bool
	Lines     []engine.Line
}

// No lot is called so: below these names stand the forms by which lots come in.
const newLot, importLots = "new", "import"

func (s *server) postLotPage(w http.ResponseWriter, r *http.Request) {
	switch r.PathValue("id") {
	case newLot:
		s.postNewLotForm(w, r)
	case importLots:
		s.postImportLotsForm(w, r)
	default:
		w.Header().Set("Allow", "GET, HEAD")
		writeProblem(w, http.StatusMethodNotAllowed, "POST is not allowed here: use GET, HEAD")
	}
}

func (s *server) getLotPage(w http.ResponseWriter, r *http.Request) {
	id := r.PathValue("id")
	switch id {
	case newLot:
		s.getNewLotPage(w, r)
		return
	case importLots:
		s.getImportLotsPage(w, r)
		return
	}
	p := s.words(r)
	x, err := s.Actions.ExplainLot(r.Context(), id)
	if err != nil {
		status, detail := s.failure(r, "explain the lot", err)
		s.writeFailed(w, r, status, p.t("No lot to show"), detail)
		return
	}
	one := p.measure(100, 1, " %") // as in the text below it
	v := lotPageView{
		Done: p.done(r), ID: x.Lot, Quality: one.text(x.Remaining.Likely), Limiting: p.word(x.Limiting),
		Range: p.t("%s to %s", one.number(x.Remaining.Low, 1), one.text(x.Remaining.High)),
	}
	for i, section := range x.Sections {
		if section.Key == engine.HelpSection {
			v.Help = section.Lines
			continue
		}
		v.Sections = append(v.Sections, explanationSection{
			"section-" + strconv.Itoa(i+1), section.Title, section.Key == engine.CautionsSection, section.Lines,
		})
	}
	pg := page{
		Name: "lot", Head: p.word(x.FoodName), ID: x.Lot, Here: "/lots", At: p.moment(x.AsOf), Caution: true,
		Data: []link{
			{p.t("this lot"), "/api/v1/lots/" + url.PathEscape(x.Lot), false},
			{p.t("its course"), coursePath(x.Lot), false},
			{p.t("this explanation"), "/api/v1/lots/" + url.PathEscape(x.Lot) + "/explanation", false},
			{p.t("its review"), "/api/v1/review?lot=" + url.QueryEscape(x.Lot), false},
		},
	}
	if l, ok := s.lotNow(x.Lot); ok {
		s.lotNumbers(r, p, &v, l)
	}
	if v.Course != nil {
		pg.Scripts, pg.Styles = []string{"vendor/uplot/uPlot.iife.min.js", "charts.js"}, []string{"vendor/uplot/uPlot.min.css"}
	}
	s.writePage(w, r, http.StatusOK, pg, v)
}

func coursePath(id string) string { return "/api/v1/lots/" + url.PathEscape(id) + "/course" }

// lotNow is a lot as it is published.
func (s *server) lotNow(id string) (engine.LotView, bool) {
	snap := s.Snapshot()
	if snap == nil {
		return engine.LotView{}, false
	}
	i := slices.IndexFunc(snap.Lots, func(l engine.LotView) bool { return l.ID == id })
	if i < 0 {
		return engine.LotView{}, false
	}
	return snap.Lots[i], true
}

// lotNumbers sets what the page shows of a lot beside its explanation.
func (s *server) lotNumbers(r *http.Request, p *pageContext, v *lotPageView, l engine.LotView) {
	row := p.lot(l)
	v.Lot, v.Axis = &row, p.lifeAxis([]engine.LotView{l})
	v.Life = p.life(l, v.Axis)
	v.Tested, v.Use = p.tested(r, l), s.using(r, p, l)
	if c, err := s.Actions.LotCourse(r.Context(), l.ID, 0); err != nil {
		s.Log.Warn("the course of a lot cannot be shown", "lot", l.ID, "error", err)
	} else {
		v.Course = p.course(c, l)
	}
	if x, err := s.Actions.Review(r.Context(), ReviewFilter{Lot: l.ID}); err != nil {
		s.Log.Warn("the review of a lot cannot be shown", "lot", l.ID, "error", err)
	} else {
		v.Cost = p.lotCost(x, l.ID)
	}
}

// lotCosts is how many events the page of a lot shows.
const lotCosts = 12

// lotCostView is what the past has cost a lot, by event.
type lotCostView struct {
	Words string
	Link  string
	Rows  []lotCostRow
	More  string
}

type lotCostRow struct {
	Name                               string
	Heat, Moisture, Oxygen, Light, Sum string
}

// lotCost is nil where the review does not know the lot.
func (p *pageContext) lotCost(x ReviewAnswer, id string) *lotCostView {
	i := slices.IndexFunc(x.Lots, func(l LotReview) bool { return l.Lot == id })
	if i < 0 {
		return nil
	}
	l := &x.Lots[i]
	v := &lotCostView{Link: "/review?lot=" + url.QueryEscape(id)}
	switch sum := l.Days.Lost.Sum(); {
	case sum >= 0.05:
		v.Words = p.t("Since packing %s of life were lost beyond plan storage, by all causes at the food.", p.days(sum))
	case sum <= -0.05:
		v.Words = p.t("Since packing %s of life were gained against plan storage, by all causes at the food.", p.days(-sum))
	default:
		v.Words = p.t("Since packing nothing was lost beyond plan storage.")
	}
	worst := l.Worst(len(l.Events))
	for _, e := range worst[:min(len(worst), lotCosts)] {
		d := l.InDays(e.Cost).Lost
		f := func(days float64) string { return p.number(days, 1) }
		v.Rows = append(v.Rows, lotCostRow{p.spell(e.Spell), f(d.Heat), f(d.Moisture), f(d.Oxygen), f(d.Light), f(d.Sum())})
	}
	if more := len(worst) - lotCosts; more > 0 {
		v.More = p.tn("%d event that lost less is in the review.", "%d events that lost less are in the review.", more)
	}
	return v
}
