package review

import (
	"cmp"
	"math"
	"slices"
	"time"

	"dryhold/internal/lot"
)

// Stock is one lot of the store, as the use-first order and the rotation plan
// see it. Ends are zero where they are not within 100 years.
type Stock struct {
	Lot  string  `json:"lot"`
	Food string  `json:"food"` // class
	KG   float64 `json:"kg"`
	// Early, Likely and Late are the projected end with its 10 to 90 % band,
	// and By what ends it.
	Early  time.Time `json:"early,omitzero"`
	Likely time.Time `json:"likely,omitzero"`
	Late   time.Time `json:"late,omitzero"`
	By     string    `json:"by,omitempty"`
	// Remaining quality, share.
	Remaining lot.Range `json:"remaining_quality"`
	// RedPast says that its water activity is past the red line, and Leaks
	// that its seal was seen to leak.
	RedPast bool `json:"red_past,omitempty"`
	Leaks   bool `json:"leaks,omitempty"`
	// RepackDays is by how much a repack moves the early edge, of Trial; 0
	// where it was not tried.
	RepackDays float64 `json:"repack_days,omitempty"`
}

// Code says why something is so, for programs and for those who put it into
// words: never rename.
type Code string

// Reasons to eat a lot in its turn.
const (
	PastRed   Code = "past-red-line" // of water activity: judge it, do not eat it in doubt
	PastEnd   Code = "past-end"      // likely past its end for Days
	MayBePast Code = "may-be-past-end"
	Leaking   Code = "leaks"
	EndsEarly Code = "ends"      // its early edge is Days away
	NoEnd     Code = "no-end"    // no early edge within 100 years
	LostMost  Code = "lost-most" // Name is the cause that lost most, Days and Share how much
	WorstWas  Code = "worst-was" // Name is the room and Spell the event that lost most
)

// Reason is one reason, in numbers.
type Reason struct {
	Code  Code    `json:"code"`
	Days  float64 `json:"days,omitempty"`
	Share float64 `json:"share,omitempty"`
	// Name of the mode or limit, of the cause (heat, moisture, oxygen, light)
	// or of the room.
	Name  string `json:"name,omitempty"`
	Spell *Spell `json:"spell,omitempty"`
}

// Turn is a lot in the order of use.
type Turn struct {
	Stock
	Reasons []Reason `json:"reasons"`
}

// UseFirst orders lots by the low edge of their projected end, those without
// one last; of equals the likely end decides, then the larger lot. reviews are
// those of the same lots, in any order, and may be missing.
func UseFirst(stocks []Stock, reviews []Review, now time.Time) []Turn {
	turns := make([]Turn, 0, len(stocks))
	byLot := map[string]*Review{}
	for i := range reviews {
		byLot[reviews[i].Lot] = &reviews[i]
	}
	for _, s := range stocks {
		turns = append(turns, Turn{s, s.reasons(byLot[s.Lot], now)})
	}
	slices.SortStableFunc(turns, func(a, b Turn) int { return firstOf(&a.Stock, &b.Stock) })
	return turns
}

func firstOf(a, b *Stock) int {
	return cmp.Or(ends(a.Early, b.Early), ends(a.Likely, b.Likely), cmp.Compare(b.KG, a.KG), cmp.Compare(a.Lot, b.Lot))
}

// ends compares two ends, of which zero is later than any.
func ends(a, b time.Time) int {
	switch {
	case a.IsZero() && b.IsZero():
		return 0
	case a.IsZero():
		return 1
	case b.IsZero():
		return -1
	}
	return a.Compare(b)
}

// reasons are why a lot stands where it does, the weightiest first.
func (s *Stock) reasons(r *Review, now time.Time) []Reason {
	var out []Reason
	if s.RedPast {
		out = append(out, Reason{Code: PastRed, Name: s.By})
	}
	if s.Leaks {
		out = append(out, Reason{Code: Leaking})
	}
	days := func(t time.Time) float64 { return t.Sub(now).Hours() / 24 }
	switch {
	case s.Early.IsZero():
		out = append(out, Reason{Code: NoEnd})
	case !s.Likely.IsZero() && !s.Likely.After(now):
		out = append(out, Reason{Code: PastEnd, Days: -days(s.Likely), Name: s.By})
	case !s.Early.After(now):
		out = append(out, Reason{Code: MayBePast, Days: -days(s.Early), Name: s.By})
	default:
		out = append(out, Reason{Code: EndsEarly, Days: days(s.Early), Name: s.By})
	}
	return append(out, r.reasons()...)
}

// told is the share of life from which a loss is told as a reason (judgement).
const told = 0.01

// reasons are what has shortened the life of a lot most.
func (r *Review) reasons() (out []Reason) {
	if r == nil {
		return nil
	}
	name, most := r.Cost.Lost.Most()
	if most >= told {
		out = append(out, Reason{Code: LostMost, Name: name, Share: most, Days: most * r.Life})
	}
	for _, e := range r.Worst(1) {
		if lost := e.Cost.Lost.Sum(); lost >= told {
			out = append(out, Reason{Code: WorstWas, Name: e.Room, Share: lost, Days: lost * r.Life, Spell: &e.Spell})
		}
	}
	return out
}

// Most is the cause that lost most, and how much.
func (p Parts) Most() (name string, lost float64) {
	lost = math.Inf(-1)
	for _, x := range []struct {
		name string
		lost float64
	}{{"heat", p.Heat}, {"moisture", p.Moisture}, {"oxygen", p.Oxygen}, {"light", p.Light}} {
		if x.lost > lost {
			name, lost = x.name, x.lost
		}
	}
	return name, lost
}
