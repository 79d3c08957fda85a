package web

import (
	"fmt"
	"strconv"
	"strings"
	"time"

	"dryhold/internal/review"
)

// The words of this file are those of pages, command line and report.

// SpellWords names an event of a room.
func SpellWords(s review.Spell, zone *time.Location) string {
	what := ""
	switch s.Kind {
	case review.Excursion:
		var parts []string
		if s.Warm {
			parts = append(parts, fmt.Sprintf("too warm, up to %.1f °C", s.Hottest))
		}
		if s.Damp {
			parts = append(parts, fmt.Sprintf("too damp, up to %.0f %%", 100*s.Dampest))
		}
		if s.Bright {
			parts = append(parts, "too bright")
		}
		what = strings.Join(parts, "; ")
	case review.Estimated:
		what = "a gap, its temperature estimated"
	case review.Unknown:
		what = "a gap of which nothing is known, counted at plan storage"
	case review.Annotated:
		what = s.Note
	case review.Packed:
		what = "the stay since packing"
	case review.Moved:
		what = "the stay since a move"
	}
	return s.Room + ", " + what + ", " + stretch(s.From, s.To, zone)
}

// stretch is two days as a person writes them, or one.
func stretch(from, to time.Time, zone *time.Location) string {
	const day = "2 Jan 2006"
	a, b := from.In(zone).Format(day), to.In(zone).Format(day)
	if a == b {
		return a
	}
	return a + " to " + b
}

// ReasonWords says why a lot stands where it does in the order of use.
func ReasonWords(r review.Reason, zone *time.Location) string {
	by := ""
	if r.Name != "" {
		by = " by " + r.Name
	}
	switch r.Code {
	case review.PastRed:
		return "its water activity is past the red line: judge it, and when in doubt throw it out"
	case review.Leaking:
		return "its seal was seen to leak"
	case review.NoEnd:
		return "no end within 100 years, not even at the low edge"
	case review.PastEnd:
		return "likely past its end" + by + " for " + lengthy(r.Days) + ": judge it when opened"
	case review.MayBePast:
		return "may be past its end" + by + ": the low edge was " + lengthy(r.Days) + " ago"
	case review.EndsEarly:
		return "may end" + by + " in " + lengthy(r.Days)
	case review.LostMost:
		return r.Name + " has cost it " + days(r.Days) + ", " + fine(r.Share) + " of its life"
	case review.WorstWas:
		if r.Spell != nil {
			return "the worst was " + SpellWords(*r.Spell, zone) + ": " + days(r.Days)
		}
	}
	return string(r.Code)
}

// lengthy is a span in days, in years where it is long.
func lengthy(d float64) string {
	if d >= 2*365.25 {
		return strconv.FormatFloat(d/365.25, 'f', 1, 64) + " years"
	}
	return days(d)
}

// TaskWords says what to do.
func TaskWords(t review.Task, food string, zone *time.Location) string {
	kg, by := kilos(t.KG), ""
	if !t.By.IsZero() {
		by = t.By.In(zone).Format("2 Jan 2006")
	}
	switch t.Code {
	case review.Buy:
		return fmt.Sprintf("Buy %s of %s by %s, and %s a month from then on, to keep up the store.", kg, food, by, kilos(t.Rate))
	case review.EatFaster:
		return fmt.Sprintf("Eat %s of %s a month instead, and all of it is eaten in time.", kilos(t.Rate), food)
	case review.Repack:
		return fmt.Sprintf("Repack %s (%s of %s) into foil with a fresh absorber, the sooner the better: then it lasts until it is eaten.", t.Lot, kg, food)
	case review.GiveAway:
		return fmt.Sprintf("Give away or swap %s of %s (%s) before %s: it will not be eaten in time.", kg, t.Lot, food, by)
	case review.Judge:
		return fmt.Sprintf("Judge %s (%s) when it is opened: it is past its likely end.", t.Lot, food)
	case review.NoRate:
		return fmt.Sprintf("Say under \"eating\" in the configuration how much %s is eaten a month: %s are in store without a plan.", food, kg)
	}
	return string(t.Code)
}

// kilos is a mass planned with, in kilograms to a tenth.
func kilos(kg float64) string { return strconv.FormatFloat(kg, 'f', 1, 64) + " kg" }
