package review

import (
	"cmp"
	"slices"
	"time"
)

// House is what the past has cost all lots of a store together.
type House struct {
	Lots   int          `json:"lots"`
	KG     float64      `json:"kg"`
	Cost   Sums         `json:"cost"`
	Rooms  []RoomSums   `json:"rooms"` // by name
	Years  []SpanSums   `json:"years"`
	Months []SpanSums   `json:"months"`
	Events []EventSums  `json:"events"` // that lost most kilograms first; stays not among them
	Moves  []MovedEvent `json:"moves"`  // in order of time
}

// Sums is a cost of several lots: in kilograms, each lot's share of life times
// its mass, and in days of life at plan storage, each lot's share times its
// life, summed over the lots.
type Sums struct {
	KG   Cost `json:"kg"`
	Days Cost `json:"days"`
}

// RoomSums is the cost of the time in one room, of the lots that stood there.
type RoomSums struct {
	Room string `json:"room"`
	Lots int    `json:"lots"`
	Cost Sums   `json:"cost"`
}

// SpanSums is the cost of a calendar month, or of a year where Month is 0.
type SpanSums struct {
	Year  int        `json:"year"`
	Month time.Month `json:"month,omitempty"`
	Lots  int        `json:"lots"`
	Cost  Sums       `json:"cost"`
}

// EventSums is what one spell of a room has cost the lots that stood in it.
type EventSums struct {
	Spell
	Lots int  `json:"lots"`
	Cost Sums `json:"cost"`
}

// MovedEvent is what the stay since a move has cost a lot.
type MovedEvent struct {
	Event
	Lot  string  `json:"lot"`
	Days float64 `json:"days_lost"`
}

func (s Sums) add(r *Review, c Cost) Sums {
	return Sums{s.KG.Add(r.InKG(c)), s.Days.Add(r.InDays(c))}
}

// Together sums up the reviews of all lots.
func Together(reviews []Review) House {
	h := House{Lots: len(reviews)}
	for i := range reviews {
		r := &reviews[i]
		h.KG += r.KG
		h.Cost = h.Cost.add(r, r.Cost)
		for _, x := range r.Rooms {
			to := at(&h.Rooms, RoomSums{Room: x.Room}, func(a, b RoomSums) int { return cmp.Compare(a.Room, b.Room) })
			to.Lots++
			to.Cost = to.Cost.add(r, x.Cost)
		}
		h.Years, h.Months = spans(h.Years, r, r.Years), spans(h.Months, r, r.Months)
		for _, x := range r.Events {
			switch x.Kind {
			case Packed:
			case Moved:
				h.Moves = append(h.Moves, MovedEvent{x, r.Lot, r.InDays(x.Cost).Lost.Sum()})
			default:
				to := at(&h.Events, EventSums{Spell: x.Spell}, inTime)
				to.Lots++
				if to.To.Before(x.To) {
					to.To = x.To
				}
				to.Cost = to.Cost.add(r, x.Cost)
			}
		}
	}
	slices.SortStableFunc(h.Events, func(a, b EventSums) int {
		return cmp.Compare(b.Cost.KG.Lost.Sum(), a.Cost.KG.Lost.Sum())
	})
	slices.SortStableFunc(h.Moves, func(a, b MovedEvent) int { return a.From.Compare(b.From) })
	return h
}

func inTime(a, b EventSums) int {
	return cmp.Or(a.From.Compare(b.From), cmp.Compare(a.Room, b.Room), cmp.Compare(a.Kind, b.Kind))
}

func spans(to []SpanSums, r *Review, from []Span) []SpanSums {
	for _, x := range from {
		s := at(&to, SpanSums{Year: x.Year, Month: x.Month}, func(a, b SpanSums) int {
			return cmp.Or(cmp.Compare(a.Year, b.Year), cmp.Compare(a.Month, b.Month))
		})
		s.Lots++
		s.Cost = s.Cost.add(r, x.Cost)
	}
	return to
}

// at finds the place of x in a sorted list, or makes one there.
func at[T any](list *[]T, x T, compare func(a, b T) int) *T {
	i, found := slices.BinarySearchFunc(*list, x, compare)
	if !found {
		*list = slices.Insert(*list, i, x)
	}
	return &(*list)[i]
}
