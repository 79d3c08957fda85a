package web

import (
	"net/http"
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
func SupplyWords(s *review.Supply) []string { return english().supply(s) }

func (p *pageContext) supply(s *review.Supply) []string {
	if s == nil {
		return []string{p.t("Say under \"persons\" in the configuration whom the store is to feed, and it is told here for how many days.")}
	}
	out := []string{p.t("The store feeds %s persons at %s kcal a day each for about %s days (%s to %s), by energy alone: it says nothing of protein, vitamins or variety.",
		p.short(s.Persons, 6), p.number(s.Need, 0), p.number(s.Days.Likely, 0), p.number(s.Days.Low, 0), p.number(s.Days.High, 0))}
	if s.Past > 0 {
		out = append(out, p.t("%s past their likely end are not counted.", p.kilos(s.Past)))
	}
	if len(s.Uncounted) > 0 {
		out = append(out, p.t("Not counted, since their energy is not known: %s.", strings.Join(s.Uncounted, ", ")))
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

// EndDay is an end in the order of use.
func EndDay(t time.Time, zone *time.Location) string { return at(zone).endMonth(t) }
