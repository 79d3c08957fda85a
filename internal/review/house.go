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
// its mass, in days of life at plan storage, each lot's share times its life,
// and on paper; summed over the lots.
type Sums struct {
	KG    Cost  `json:"kg"`
	Days  Cost  `json:"days"`
	Paper Paper `json:"on_paper"`
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

// Together sums up the reviews of all lots.
func Together(reviews []Review) House {
	h := House{Lots: len(reviews)}
	rooms, years, months, events := map[string]int{}, map[int]int{}, map[int]int{}, map[eventKey]int{}
	for i := range reviews {
		r := &reviews[i]
		h.KG += r.KG
		h.Cost.add(r, &r.Cost)
		for j := range r.Rooms {
			x := &r.Rooms[j]
			to := entry(rooms, x.Room, &h.Rooms, func(s *RoomSums) { s.Room = x.Room })
			to.Lots++
			to.Cost.add(r, &x.Cost)
		}
		h.Years, h.Months = spans(years, h.Years, r, r.Years), spans(months, h.Months, r, r.Months)
		for j := range r.Events {
			switch x := &r.Events[j]; x.Kind {
			case Packed:
			case Moved:
				h.Moves = append(h.Moves, MovedEvent{*x, r.Lot, r.InDays(x.Cost).Lost.Sum()})
			default:
				to := entry(events, eventKey{x.From.UnixMilli(), x.Room, x.Kind}, &h.Events, func(s *EventSums) { s.Spell = x.Spell })
				to.Lots++
				to.To = latest(to.To, x.To)
				to.Cost.add(r, &x.Cost)
			}
		}
	}
	slices.SortFunc(h.Rooms, func(a, b RoomSums) int { return cmp.Compare(a.Room, b.Room) })
	inOrder := func(a, b SpanSums) int { return cmp.Or(cmp.Compare(a.Year, b.Year), cmp.Compare(a.Month, b.Month)) }
	slices.SortFunc(h.Years, inOrder)
	slices.SortFunc(h.Months, inOrder)
	slices.SortFunc(h.Events, func(a, b EventSums) int {
		return cmp.Or(cmp.Compare(b.Cost.KG.Lost.Sum(), a.Cost.KG.Lost.Sum()), a.From.Compare(b.From), cmp.Compare(a.Room, b.Room), cmp.Compare(a.Kind, b.Kind))
	})
	slices.SortStableFunc(h.Moves, func(a, b MovedEvent) int { return a.From.Compare(b.From) })
	return h
}

// eventKey tells one spell of a room from another.
type eventKey struct {
	from int64
	room string
	kind Kind
}

// InSums is a cost of the lot as it is in the sums of several.
func (r *Review) InSums(c Cost) (s Sums) {
	s.add(r, &c)
	return s
}

func (s *Sums) add(r *Review, c *Cost) {
	s.KG, s.Days = s.KG.Add(r.InKG(*c)), s.Days.Add(r.InDays(*c))
	s.Paper.add(r, c)
}

func spans(index map[int]int, to []SpanSums, r *Review, from []Span) []SpanSums {
	for i := range from {
		x := &from[i]
		s := entry(index, 12*x.Year+int(x.Month), &to, func(s *SpanSums) { s.Year, s.Month = x.Year, x.Month })
		s.Lots++
		s.Cost.add(r, &x.Cost)
	}
	return to
}

func latest(a, b time.Time) time.Time {
	if a.Before(b) {
		return b
	}
	return a
}

// entry finds the entry of a list by its key, or makes one.
func entry[K comparable, T any](index map[K]int, key K, list *[]T, begin func(*T)) *T {
	i, found := index[key]
	if !found {
		i = len(*list)
		index[key] = i
		*list = append(*list, *new(T))
		begin(&(*list)[i])
	}
	return &(*list)[i]
}
