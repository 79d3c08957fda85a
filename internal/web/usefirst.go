package web

import (
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"dryhold/internal/review"
)

type (
	// UseFirstAnswer is the body of GET /api/v1/use-first.
	UseFirstAnswer struct {
		Site    string         `json:"site"`
		At      time.Time      `json:"at"`
		Caution string         `json:"caution"`
		Lots    []UseTurn      `json:"lots"` // what to eat first comes first
		Plans   []UsePlan      `json:"rotation"`
		Supply  *review.Supply `json:"supply,omitempty"` // where persons are stated
		Words   []string       `json:"words"`            // of the supply
	}
	// UseTurn is one lot in the order of use.
	UseTurn struct {
		review.Turn
		FoodName  string   `json:"food_name"`
		Container string   `json:"container_name"`
		Room      string   `json:"room"`
		Count     int      `json:"count"`
		Words     []string `json:"reasons_in_words"`
	}
	// UsePlan is the rotation of one food class.
	UsePlan struct {
		review.Rotation
		FoodName string   `json:"food_name"`
		Words    []string `json:"tasks_in_words"`
	}
)

// UseFirstCaution stands on every order of use.
const UseFirstCaution = "This order is about quality, not safety. Before eating any of it, look and smell: throw away food with mould, an off or rancid smell, " +
	"insects, wet clumps or rodent marks, and food from a leaking or bulging package. When in doubt, throw it out. " +
	"Your local food-safety authority goes before this list."

// SupplyWords say how long the store lasts.
func SupplyWords(s *review.Supply) []string {
	if s == nil {
		return []string{"Say under \"persons\" in the configuration whom the store is to feed, and it is told here for how many days."}
	}
	f := func(v float64, places int) string { return strconv.FormatFloat(v, 'f', places, 64) }
	out := []string{"The store feeds " + f(s.Persons, -1) + " persons at " + f(s.Need, 0) + " kcal a day each for about " + f(s.Days.Likely, 0) + " days (" +
		f(s.Days.Low, 0) + " to " + f(s.Days.High, 0) + "), by energy alone: it says nothing of protein, vitamins or variety."}
	if s.Past > 0 {
		out = append(out, kilos(s.Past)+" past their likely end are not counted.")
	}
	if len(s.Uncounted) > 0 {
		out = append(out, "Not counted, since their energy is not known: "+strings.Join(s.Uncounted, ", ")+".")
	}
	return out
}

func (s *server) getUseFirst(w http.ResponseWriter, r *http.Request) {
	x, err := s.Actions.UseFirst(r.Context())
	if err != nil {
		status, detail := s.failure(r, "put the lots in order of use", err)
		writeProblem(w, status, detail)
		return
	}
	s.writeJSON(w, r, http.StatusOK, x)
}

// turnRow is one lot in the order of use.
type turnRow struct {
	Rank                      int
	Lot, Food, Where, Mass    string
	Link                      string
	Early, Likely, Late, Left string
	Reasons                   []string
}

type mealRow struct {
	Lot, From, To, InTime, Late, By string
}

// planRow is the rotation of one food.
type planRow struct {
	Food, Rate string
	Meals      []mealRow
	Tasks      []string
}

type useFirstView struct {
	Caution string
	Rows    []turnRow
	Plans   []planRow
	Supply  []string
	Foods   []factView
}

// EndDay is an end in the order of use.
func EndDay(t time.Time, zone *time.Location) string {
	if t.IsZero() {
		return "beyond 100 years"
	}
	return t.In(zone).Format("Jan 2006")
}

func (s *server) getUseFirstPage(w http.ResponseWriter, r *http.Request) {
	x, err := s.Actions.UseFirst(r.Context())
	if err != nil {
		status, detail := s.failure(r, "put the lots in order of use", err)
		s.writeFailed(w, r, status, "No order of use", detail)
		return
	}
	p := s.words(r)
	v := useFirstView{Caution: x.Caution, Supply: x.Words}
	for i, l := range x.Lots {
		v.Rows = append(v.Rows, turnRow{
			Rank: i + 1, Lot: l.Lot, Food: l.FoodName, Where: l.Room + ", " + strconv.Itoa(l.Count) + " × " + l.Container, Mass: p.mass(l.KG), Link: "/lots/" + url.PathEscape(l.Lot),
			Early: EndDay(l.Early, s.Zone), Likely: EndDay(l.Likely, s.Zone), Late: EndDay(l.Late, s.Zone), Left: p.percent().text(max(-1, l.Remaining.Likely)), Reasons: l.Words,
		})
	}
	for _, c := range x.Plans {
		v.Plans = append(v.Plans, s.planRow(c))
	}
	if x.Supply != nil {
		for _, f := range x.Supply.Foods {
			name := f.Food
			if i := slices.IndexFunc(x.Plans, func(c UsePlan) bool { return c.Food == f.Food }); i >= 0 {
				name = x.Plans[i].FoodName
			}
			v.Foods = append(v.Foods, factView{name, kilos(f.KG) + ", " + decimal(f.Days, 0) + " days of energy; " + f.Source})
		}
	}
	s.writePage(w, r, http.StatusOK, page{
		Name: "use first", Head: p.t("Use first"), Here: "/use-first", At: p.moment(x.At),
		Sub:  p.t("Lots in the order of the low edge of their projected end: nine in ten last longer than that."),
		Data: []link{{p.t("this order"), "/api/v1/use-first", false}},
	}, v)
}

func (s *server) planRow(c UsePlan) planRow {
	row := planRow{Food: c.FoodName, Rate: "nothing is stated to be eaten", Tasks: c.Words}
	if c.KGPerMonth > 0 {
		row.Rate = kilos(c.KGPerMonth) + " a month; " + kilos(c.InTime) + " eaten in time, " + kilos(c.Late) + " not"
	}
	day := func(t time.Time, none string) string {
		if t.IsZero() {
			return none
		}
		return t.In(s.Zone).Format("2 Jan 2006")
	}
	for _, m := range c.Lots {
		row.Meals = append(row.Meals, mealRow{m.Lot, day(m.From, "no plan"), day(m.To, "no plan"), kilos(m.InTime), kilos(m.Late), day(m.By, "beyond 100 years")})
	}
	return row
}
