package web

import (
	"cmp"
	"context"
	"math"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"dryhold/internal/engine"
	"dryhold/internal/review"
)

// Reviewer looks back and ahead. Each answer is worked out when it is asked
// for. Errors are as those of Actions.
type Reviewer interface {
	RoomComparer
	// Review tells what the past has cost the lots that the filter lets through.
	Review(ctx context.Context, f ReviewFilter) (ReviewAnswer, error)
	// WhatIf answers what another way of keeping would do.
	WhatIf(ctx context.Context, q engine.Question) (engine.WhatIf, error)
	// UseFirst tells what to eat first.
	UseFirst(ctx context.Context) (UseFirstAnswer, error)
	// Report writes the storage review of a stretch of days.
	Report(ctx context.Context, o ReportOrder) (ReportFile, error)
}

type (
	// ReviewFilter lets through one lot, the time in one room, or, where empty,
	// all.
	ReviewFilter struct {
		Lot, Room string
	}
	// ReviewAnswer is the body of GET /api/v1/review?lot=&room=: lots that are
	// finished among them. With a room every cost is that of the time in it.
	ReviewAnswer struct {
		Site  string       `json:"site"`
		At    time.Time    `json:"at"`
		Lot   string       `json:"lot,omitempty"`
		Room  string       `json:"room,omitempty"`
		House review.House `json:"house"`
		Lots  []LotReview  `json:"lots"` // that lost most days first
	}
	// LotReview is the review of one lot, whose costs are shares of its life,
	// with the whole in other units.
	LotReview struct {
		review.Review
		FoodName string      `json:"food_name"`
		Days     review.Cost `json:"cost_days"`
		Mass     review.Cost `json:"cost_kg"`
	}
)

// routeReviews adds the review, what-if, the order of use and the report, as
// pages and as data.
func (s *server) routeReviews(mux *http.ServeMux) {
	route(mux, "/review", methods{http.MethodGet: s.getReviewPage})
	route(mux, "/use-first", methods{http.MethodGet: s.getUseFirstPage})
	route(mux, "/what-if", methods{http.MethodGet: s.getWhatIfPage})
	route(mux, "/api/v1/review", methods{http.MethodGet: s.getReview})
	route(mux, "/api/v1/use-first", methods{http.MethodGet: s.getUseFirst})
	route(mux, whatIfPath, methods{http.MethodPost: s.postWhatIf})
	s.routeCompare(mux)
	route(mux, "/api/v1/report", methods{http.MethodGet: s.getReport})
}

func (s *server) review(r *http.Request) (ReviewAnswer, error) {
	q := r.URL.Query()
	return s.Actions.Review(r.Context(), ReviewFilter{q.Get("lot"), q.Get("room")})
}

func (s *server) getReview(w http.ResponseWriter, r *http.Request) {
	x, err := s.review(r)
	if err != nil {
		status, detail := s.failure(r, "review the lots", err)
		writeProblem(w, status, detail)
		return
	}
	s.writeJSON(w, r, http.StatusOK, x)
}

// A page shows so many lots, months and events; the data has them all.
const (
	reviewedLots   = 100
	reviewedMonths = 24
	reviewedEvents = 12
)

// lossRow is what something has cost, in days by cause, in all, and in food.
type lossRow struct {
	Name, Link, Note                             string
	Heat, Moisture, Oxygen, Light, Sum, KG, Left string
}

// reviewView is the page of the review.
type reviewView struct {
	Report                     string
	Words                      []string
	Lots, Rooms, Years, Months []lossRow
	Events, Moves              []lossRow
	More                       string
	Form                       whatIfForm
}

// lossTable is a table of losses.
type lossTable struct {
	Title, What string
	Rows        []lossRow
}

// Tables of the page.

func (v reviewView) RoomTable() lossTable { return lossTable{"By room", "Room", v.Rooms} }
func (v reviewView) YearTable() lossTable { return lossTable{"By year", "Year", v.Years} }
func (v reviewView) MonthTable() lossTable {
	return lossTable{"By month, the last two years of it", "Month", v.Months}
}
func (v reviewView) EventTable() lossTable {
	return lossTable{"What lost most: excursions and gaps", "Event", v.Events}
}
func (v reviewView) MoveTable() lossTable {
	return lossTable{"Moves, beside excursions and gaps", "Move", v.Moves}
}
func (v reviewView) LotTable() lossTable { return lossTable{"By lot, since packing", "Lot", v.Lots} }

// ReportAs is where the report is to be had in a format.
func (v reviewView) ReportAs(format string) string {
	sign := "?"
	if strings.Contains(v.Report, "?") {
		sign = "&"
	}
	return v.Report + sign + "format=" + format
}

func (s *server) getReviewPage(w http.ResponseWriter, r *http.Request) {
	x, err := s.review(r)
	if err != nil {
		status, detail := s.failure(r, "review the lots", err)
		s.writeFailed(w, r, status, "No review", detail)
		return
	}
	head := "What storage has cost"
	if x.Lot != "" {
		head += " lot " + x.Lot
	}
	if x.Room != "" {
		head += " in " + x.Room
	}
	query := ""
	if q := (url.Values{"lot": {x.Lot}, "room": {x.Room}}); x.Lot != "" || x.Room != "" {
		query = "?" + q.Encode()
	}
	p := s.words(r)
	v := reviewView{
		Report: "/api/v1/report" + query, Words: ReviewWords(x), Form: whatIfForm{Lot: x.Lot},
	}
	h := &x.House
	for _, l := range x.Lots[:min(len(x.Lots), reviewedLots)] {
		row := loss(l.Lot+" "+l.FoodName, l.Days, l.Mass)
		row.Link, row.Left = "/lots/"+url.PathEscape(l.Lot), fine(l.Left)
		if worst := l.Worst(1); len(worst) > 0 {
			row.Note = "Worst: " + SpellWords(worst[0].Spell, s.Zone) + ", " + days(l.InDays(worst[0].Cost).Lost.Sum())
		}
		v.Lots = append(v.Lots, row)
	}
	if more := len(x.Lots) - reviewedLots; more > 0 {
		v.More = plural(more, "lot is", "lots are") + " further down and only among the data for programs."
	}
	for _, c := range h.Rooms {
		row := loss(c.Room, c.Cost.Days, c.Cost.KG)
		row.Link = "/review?room=" + url.QueryEscape(c.Room)
		v.Rooms = append(v.Rooms, row)
	}
	v.Years, v.Months = spanRows(h.Years, "2006"), spanRows(h.Months[max(0, len(h.Months)-reviewedMonths):], "January 2006")
	for _, e := range h.Events[:min(len(h.Events), reviewedEvents)] {
		row := loss(SpellWords(e.Spell, s.Zone), e.Cost.Days, e.Cost.KG)
		row.Note = plural(e.Lots, "lot", "lots")
		v.Events = append(v.Events, row)
	}
	for _, m := range h.Moves {
		if l := slices.IndexFunc(x.Lots, func(l LotReview) bool { return l.Lot == m.Lot }); l >= 0 {
			row := loss(m.Lot+", "+SpellWords(m.Spell, s.Zone), x.Lots[l].InDays(m.Cost), x.Lots[l].InKG(m.Cost))
			v.Moves = append(v.Moves, row)
		}
	}
	s.writePage(w, r, http.StatusOK, page{
		Name: "review", Head: head, Here: "/review", At: p.moment(x.At), Caution: true,
		Data: []link{{p.t("this review"), "/api/v1/review" + query, false}},
	}, v)
}

// spanRows are months or years, the latest first.
func spanRows(spans []review.SpanSums, layout string) []lossRow {
	var out []lossRow
	for _, x := range slices.Backward(spans) {
		name := time.Date(x.Year, max(1, x.Month), 1, 0, 0, 0, 0, time.UTC).Format(layout)
		out = append(out, loss(name, x.Cost.Days, x.Cost.KG))
	}
	return out
}

func loss(name string, d, kg review.Cost) lossRow {
	f := func(v float64) string { return decimal(v, 1) }
	l := d.Lost
	return lossRow{Name: name, Heat: f(l.Heat), Moisture: f(l.Moisture), Oxygen: f(l.Oxygen), Light: f(l.Light), Sum: f(l.Sum()), KG: decimal(kg.Lost.Sum(), 2)}
}

// decimal is a number without a unit, with a true minus and no minus zero.
func decimal(v float64, places int) string {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return "unknown"
	}
	n := strconv.FormatFloat(math.Abs(v), 'f', places, 64)
	if zero := strconv.FormatFloat(0, 'f', places, 64); v < 0 && n != zero {
		return "−" + n
	}
	return n
}

// ReviewWords say the whole of a review in sentences.
func ReviewWords(x ReviewAnswer) []string {
	h := &x.House
	if h.Lots == 0 {
		return []string{"There is no lot to review."}
	}
	d := h.Cost.Days
	lost := d.Lost.Sum()
	out := []string{plural(h.Lots, "lot", "lots") + ", " + kilos(h.KG) + ": plan storage would have consumed " + days(d.Plain) +
		" of their lives together, and this is what went beyond it."}
	verb := " lost"
	if lost < 0 {
		verb, lost = " gained", -lost
	}
	name, most := d.Lost.Most()
	text := days(lost) + verb + " beyond plan storage, as much as " + decimal(math.Abs(h.Cost.KG.Lost.Sum()), 2) + " kg of food"
	if most > 0 {
		text += "; most of the loss is by " + name + " (" + days(most) + ")"
	}
	out = append(out, text+".")
	if d.Less > 0.05 || d.More > 0.05 {
		out = append(out, "Since temperatures were estimated or are not known, the loss may be "+days(d.Less)+" smaller or "+days(d.More)+" larger.")
	}
	return out
}

// byLoss puts reviews in order, that lost most days first.
func byLoss(a, b LotReview) int {
	return cmp.Or(cmp.Compare(b.Days.Lost.Sum(), a.Days.Lost.Sum()), cmp.Compare(a.Lot, b.Lot))
}

// NewReviewAnswer makes the answer of reviews.
func NewReviewAnswer(site string, at time.Time, f ReviewFilter, reviews []review.Review, food func(id string) string) ReviewAnswer {
	x := ReviewAnswer{Site: site, At: at, Lot: f.Lot, Room: f.Room, House: review.Together(reviews), Lots: make([]LotReview, 0, len(reviews))}
	for _, r := range reviews {
		x.Lots = append(x.Lots, LotReview{r, food(r.Food), r.InDays(r.Cost), r.InKG(r.Cost)})
	}
	slices.SortStableFunc(x.Lots, byLoss)
	return x
}
