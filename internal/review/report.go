package review

import (
	"cmp"
	"slices"
	"time"

	"dryhold/internal/lot"
)

// Review is what the past of one lot has cost, told of the mode that has
// consumed most of its life now. Costs are shares of that life; InDays, InKG
// and 100 times give them in other units.
type Review struct {
	Lot  string    `json:"lot"`
	Food string    `json:"food"`
	Room string    `json:"room"` // where it stands now
	At   time.Time `json:"at"`
	Mode string    `json:"mode"`
	// Life is what the mode had at packing, days at plan storage; drawn out
	// at its last rate where it is longer than 100 years.
	Life float64 `json:"life_days"`
	KG   float64 `json:"kg"` // net mass of the lot
	// PricePerKG is what a kilogram was bought for; 0 where it is not told.
	PricePerKG float64 `json:"price_per_kg,omitempty"`
	// Cost since packing: 1 less what is left.
	Cost   Cost     `json:"cost"`
	Left   float64  `json:"left"` // share; below 0 past the limit
	Months []Span   `json:"months"`
	Years  []Span   `json:"years"`
	Rooms  []InRoom `json:"rooms"`
	Events []Event  `json:"events"` // in order of time
}

// Span is the cost of a calendar month, or of a year where Month is 0.
type Span struct {
	Year  int        `json:"year"`
	Month time.Month `json:"month,omitempty"`
	Cost  Cost       `json:"cost"`
}

// InRoom is the cost of the time in one room.
type InRoom struct {
	Room string `json:"room"`
	Cost Cost   `json:"cost"`
}

// Event is the cost of one spell, or of a stay beside its spells.
type Event struct {
	Spell
	Cost Cost `json:"cost"`
	// Years are the parts of the cost by calendar year.
	Years []Span `json:"-"`
}

// InDays is a cost of the lot in days of life at plan storage.
func (r *Review) InDays(c Cost) Cost { return c.Times(r.Life) }

// InKG is a cost of the lot in kilograms: the share of life times the mass.
func (r *Review) InKG(c Cost) Cost { return c.Times(r.KG) }

// Review tells an account of a lot.
func (a Account) Review(l lot.Lot) Review {
	p := l.Packing
	out := Review{Lot: l.ID, Food: p.Food, Room: l.Room(), At: a.course.At, KG: l.InStore().KG, PricePerKG: p.PricePerKG, Left: 1}
	limiting := a.limiting()
	if limiting < 0 {
		return out
	}
	m := a.modes[limiting]
	out.Mode, out.Life = m.name, m.life
	if a.correction != nil {
		out.Life /= a.correction.times
	}
	stays, spells := a.events(l, &out)
	for i, piece := range a.pieces {
		c := a.cost(i, limiting)
		out.Cost = out.Cost.Add(c)
		out.Months = span(out.Months, piece.month/12, time.Month(piece.month%12+1), c)
		out.Years = span(out.Years, piece.month/12, 0, c)
		out.Rooms = inRoom(out.Rooms, l.Stays[piece.stay].Room, c)
		to := stays[piece.stay]
		if piece.spell >= 0 {
			to = spells[piece.spell]
		}
		to.Cost, to.Years = to.Cost.Add(c), span(to.Years, piece.month/12, 0, c)
	}
	out.Left = 1 - out.Cost.Consumed()
	return out
}

// events sets those of a review in order of time, a stay before a spell that
// begins with it, and finds them by stay and by spell. A stay that has not
// begun is none.
func (a *Account) events(l lot.Lot, out *Review) (stays, spells []*Event) {
	at := a.course.At
	out.Events = make([]Event, 0, len(l.Stays)+len(a.spells)) // no more: pointers into it stay good
	add := func(list *[]*Event, s Spell) {
		out.Events = append(out.Events, Event{Spell: s})
		*list = append(*list, &out.Events[len(out.Events)-1])
	}
	for i, s := range l.Stays {
		if !s.From.Before(at) {
			break
		}
		for len(spells) < len(a.spells) && a.spells[len(spells)].From.Before(s.From) {
			add(&spells, a.spells[len(spells)])
		}
		stay := Spell{Room: s.Room, Kind: Moved, From: s.From, To: at}
		if i == 0 {
			stay.Kind = Packed
		}
		if i+1 < len(l.Stays) {
			stay.To = earlier(l.Stays[i+1].From, at)
		}
		add(&stays, stay)
	}
	for len(spells) < len(a.spells) {
		add(&spells, a.spells[len(spells)])
	}
	return stays, spells
}

// limiting is the mode that has consumed most, the first of equals as in
// package course, or by the tests; -1 for none.
func (a *Account) limiting() int {
	if a.correction != nil {
		return a.correction.mode
	}
	consumed := make([]float64, len(a.modes))
	for i, c := range a.costs {
		consumed[i%len(a.modes)] += c.Consumed()
	}
	best := -1
	for i, c := range consumed {
		if best < 0 || c > consumed[best] {
			best = i
		}
	}
	return best
}

// span adds a cost to the last of spans in order of time, or to a new one.
func span(spans []Span, year int, month time.Month, c Cost) []Span {
	n := len(spans)
	if n == 0 || spans[n-1].Year != year || spans[n-1].Month != month {
		return append(spans, Span{year, month, c})
	}
	spans[n-1].Cost = spans[n-1].Cost.Add(c)
	return spans
}

func inRoom(rooms []InRoom, name string, c Cost) []InRoom {
	i := slices.IndexFunc(rooms, func(r InRoom) bool { return r.Room == name })
	if i < 0 {
		return append(rooms, InRoom{name, c})
	}
	rooms[i].Cost = rooms[i].Cost.Add(c)
	return rooms
}

// Worst gives the n events that lost most, the worst first; none that gained.
func (r *Review) Worst(n int) []Event {
	var out []Event
	for _, e := range r.Events {
		if e.Cost.Lost.Sum() > 0 {
			out = append(out, e)
		}
	}
	slices.SortStableFunc(out, func(a, b Event) int { return cmp.Compare(b.Cost.Lost.Sum(), a.Cost.Lost.Sum()) })
	return out[:min(n, len(out))]
}
