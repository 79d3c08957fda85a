package web

import (
	"cmp"
	"context"
	"net/http"
	"slices"
	"strconv"
	"time"

	"dryhold/internal/engine"
	"dryhold/internal/lot"
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
	// ReviewFilter lets through one lot, the time in one room, one calendar
	// year, or, where empty, all.
	ReviewFilter struct {
		Lot, Room string
		Year      int
	}
	// ReviewAnswer is the body of GET /api/v1/review?lot=&room=&year=: lots that
	// are finished among them. With a room every cost is that of the time in it,
	// with a year that of the year.
	ReviewAnswer struct {
		Site  string       `json:"site"`
		At    time.Time    `json:"at"`
		Lot   string       `json:"lot,omitempty"`
		Room  string       `json:"room,omitempty"`
		Year  int          `json:"year,omitempty"`
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
		// Paper is the cost on paper; nil where the price of the lot is not told.
		Paper *float64 `json:"cost_on_paper,omitempty"`
	}
)

// routeReviews adds the review, what-if, the order of use and the report, as
// pages and as data.
func (s *server) routeReviews(mux *http.ServeMux) {
	route(mux, "/review", methods{http.MethodGet: s.getReviewPage})
	s.routeReviewNotes(mux)
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
	f := ReviewFilter{Lot: q.Get("lot"), Room: q.Get("room")}
	if text := q.Get("year"); text != "" {
		year, err := strconv.Atoi(text)
		if err != nil || year < 1 || year > 9999 {
			return ReviewAnswer{}, lot.Invalid("year: %q is none: write 2026", text)
		}
		f.Year = year
	}
	return s.Actions.Review(r.Context(), f)
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

// byLoss puts reviews in order, that lost most days first.
func byLoss(a, b LotReview) int {
	return cmp.Or(cmp.Compare(b.Days.Lost.Sum(), a.Days.Lost.Sum()), cmp.Compare(a.Lot, b.Lot))
}

// NewReviewAnswer makes the answer of reviews.
func NewReviewAnswer(site string, at time.Time, f ReviewFilter, reviews []review.Review, food func(id string) string) ReviewAnswer {
	x := ReviewAnswer{Site: site, At: at, Lot: f.Lot, Room: f.Room, Year: f.Year, House: review.Together(reviews), Lots: make([]LotReview, 0, len(reviews))}
	for _, r := range reviews {
		l := LotReview{Review: r, FoodName: food(r.Food), Days: r.InDays(r.Cost), Mass: r.InKG(r.Cost)}
		if lost, known := r.OnPaper(r.Cost); known {
			l.Paper = &lost
		}
		x.Lots = append(x.Lots, l)
	}
	slices.SortStableFunc(x.Lots, byLoss)
	return x
}
