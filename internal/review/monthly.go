package review

import (
	"slices"
	"time"

	"dryhold/internal/lot"
)

// InMonth is the cost of a calendar month in one room.
type InMonth struct {
	Room string `json:"room"`
	Span
}

// InMonths tells an account by month and room, of the mode that Review tells
// of, in order of month and then as the lot came to the rooms. Its sum by month
// is Review.Months, its sum by room Review.Rooms.
func (a Account) InMonths(l lot.Lot) []InMonth {
	limiting := a.limiting()
	if limiting < 0 {
		return nil
	}
	var out []InMonth
	for i, piece := range a.pieces {
		c := a.cost(i, limiting)
		m := InMonth{l.Stays[piece.stay].Room, Span{piece.month / 12, time.Month(piece.month%12 + 1), c}}
		j := len(out)
		for j > 0 && out[j-1].Year == m.Year && out[j-1].Month == m.Month && out[j-1].Room != m.Room {
			j--
		}
		if j > 0 && out[j-1].Year == m.Year && out[j-1].Month == m.Month {
			out[j-1].Cost = out[j-1].Cost.Add(c)
			continue
		}
		out = append(out, m)
	}
	return out
}

// In is a review of the time in one room alone, given its costs by month: all
// else of the lot stays as it is. It is false for a lot that never stood there.
func (r Review) In(name string, months []InMonth) (Review, bool) {
	i := slices.IndexFunc(r.Rooms, func(x InRoom) bool { return x.Room == name })
	if i < 0 {
		return r, false
	}
	out := r
	out.Rooms, out.Cost = []InRoom{r.Rooms[i]}, r.Rooms[i].Cost
	out.Months, out.Years, out.Events = nil, nil, nil
	for _, m := range months {
		if m.Room == name {
			out.Months, out.Years = span(out.Months, m.Year, m.Month, m.Cost), span(out.Years, m.Year, 0, m.Cost)
		}
	}
	for _, e := range r.Events {
		if e.Room == name {
			out.Events = append(out.Events, e)
		}
	}
	return out, true
}
