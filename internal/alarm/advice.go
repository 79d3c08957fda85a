package alarm

import (
	"cmp"
	"slices"
	"time"
)

// Effort is what a measure asks of a person (judgement).
type Effort int

// Efforts, small to large.
const (
	Nothing   Effort = iota // leave it
	AHandle                 // open or shut a vent, switch something on
	AnHour                  // carry or box some lots
	AnEvening               // carry many
)

// Advice is one thing that would help, as worked out.
type Advice struct {
	Text   string `json:"text"`
	Effort Effort `json:"effort"`
	// Days of life it spares in the week ahead, all lots together; 0 where that
	// cannot be told.
	Days float64 `json:"days_of_life"`
	// Grams of water to take out of the air, and LuxHours of light kept off the
	// food in a week; 0 where it is not about them.
	Grams    float64 `json:"grams,omitempty"`
	LuxHours float64 `json:"lux_hours,omitempty"`
}

// SortAdvice puts the cheapest first, and of equals the one that spares most.
func SortAdvice(all []Advice) {
	slices.SortStableFunc(all, func(a, b Advice) int {
		return cmp.Or(cmp.Compare(a.Effort, b.Effort), cmp.Compare(b.Days, a.Days), cmp.Compare(a.Text, b.Text))
	})
}

// Context is what a notice says beside the condition itself.
type Context struct {
	Costs []LotCost // in any order; not finite where it is not known
	// Ahead says that the week in Costs is by the forecast up to Until, rather
	// than another one like the present.
	Ahead bool
	Until time.Time
	// Food and Room are those of a condition of a lot.
	Food, Room string
	// Detail is what else there is to say, in whole sentences.
	Detail string
	Advice []Advice // sorted
}
