package review

import "slices"

// InYear is a review of one calendar year alone, given its costs by month: what
// is left and all else of the lot stays as it is. It is false for a lot that
// did not stand in store then. Of a review of one room it is the year in that
// room, given the months of that room.
func (r Review) InYear(year int, months []InMonth) (Review, bool) {
	i := slices.IndexFunc(r.Years, func(s Span) bool { return s.Year == year })
	if i < 0 {
		return r, false
	}
	out := r
	out.Cost, out.Years = r.Years[i].Cost, []Span{r.Years[i]}
	out.Months, out.Rooms, out.Events = nil, nil, nil
	for _, m := range r.Months {
		if m.Year == year {
			out.Months = append(out.Months, m)
		}
	}
	stood := func(name string) bool {
		return slices.ContainsFunc(r.Rooms, func(x InRoom) bool { return x.Room == name })
	}
	for _, m := range months {
		if m.Year == year && stood(m.Room) {
			out.Rooms = inRoom(out.Rooms, m.Room, m.Cost)
		}
	}
	for _, e := range r.Events {
		if i := slices.IndexFunc(e.Years, func(s Span) bool { return s.Year == year }); i >= 0 {
			e.Cost, e.Years = e.Years[i].Cost, e.Years[i:i+1]
			out.Events = append(out.Events, e)
		}
	}
	return out, true
}
