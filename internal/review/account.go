package review

import (
	"fmt"
	"slices"
	"sort"
	"time"

	"dryhold/internal/catalog"
	"dryhold/internal/course"
	"dryhold/internal/kinetics"
	"dryhold/internal/lot"
	"dryhold/internal/room"
	"dryhold/internal/unit"
)

// Reviewer keeps the accounts of lots. It holds what all of them share and no
// result, and is not safe for concurrent use.
type Reviewer struct {
	catalog  *catalog.Catalog
	rooms    course.Rooms
	follower *course.Follower
	spells   func(room string) []Spell
	zone     *time.Location
	planned  map[course.Steady]*course.Follower
}

// New makes a reviewer. rooms and the follower in them are those the lots are
// followed in. spells gives those of a room in order, none overlapping another,
// as Find and Merge do; what lies before an account's instant must not change
// any more, or the account be started again. Months and years are those of the
// zone.
func New(c *catalog.Catalog, rooms course.Rooms, f *course.Follower, spells func(room string) []Spell, zone *time.Location) *Reviewer {
	return &Reviewer{c, rooms, f, spells, zone, map[course.Steady]*course.Follower{}}
}

// Account is what the time since packing has consumed of one lot: a value that
// Advance carries on, beside the course of the lot, which is in it.
type Account struct {
	course, plan course.Course
	modes        []account // those that can end the lot
	pieces       []piece
	costs        []Cost // of each piece one for each of modes
	spells       []Spell
	next         time.Time   // when the month of the last piece is over
	correction   *correction // nil where no test has spoken
}

// correction is what tests have made of an account: of which of modes it is told, and
// by what its costs are multiplied.
type correction struct {
	mode  int
	times float64
}

// Corrected is the account as the keeper's tests correct it: told of a mode, by
// its index among those of the food, that has consumed so much of its life. A
// test says how far a lot has come and not by what, so every cost is corrected
// in proportion, and the life of the mode against it: in days of it nothing has
// cost more or less than before. What Advance makes of it is not corrected.
func (a Account) Corrected(mode int, consumed float64) Account {
	i := slices.IndexFunc(a.modes, func(m account) bool { return m.index == mode })
	if i < 0 {
		return a
	}
	sum := 0.0
	for at := i; at < len(a.costs); at += len(a.modes) {
		sum += a.costs[at].Consumed()
	}
	a.correction = &correction{i, 1}
	if sum > 0 && consumed > 0 { // a lot of which nothing was consumed has no cost to correct
		a.correction.times = consumed / sum
	}
	return a
}

// cost of a piece in a mode, corrected.
func (a *Account) cost(piece, mode int) Cost {
	c := a.costs[piece*len(a.modes)+mode]
	if a.correction != nil {
		return c.Times(a.correction.times)
	}
	return c
}

// account is what an Account needs to know of a mode.
type account struct {
	index      int // among the modes of the food
	name       string
	ea         unit.KJPerMol
	days       float64 // its Life at the reference temperature
	life       float64 // at plan storage from packing on, days
	planFactor float64 // acceleration at plan storage
}

// piece is a stretch within one month, one stay and one spell.
type piece struct {
	month int // months since the year 0
	stay  int // index among the stays of the lot
	spell int // index among spells, -1 for none
}

// Course is that of the lot, as course.Follower.Advance gives it.
func (a Account) Course() course.Course { return a.course }

// planOf is plan storage of a lot: that of the room it was packed into.
func (r *Reviewer) planOf(l lot.Lot) course.Steady {
	in := l.Packing.Room
	return course.Steady{Temperature: r.rooms.Plan(in), Humidity: r.rooms.Damp(in)}
}

// atPlan follows lots at plan storage.
func (r *Reviewer) atPlan(s course.Steady) *course.Follower {
	f := r.planned[s]
	if f == nil {
		f = course.New(r.catalog, s)
		r.planned[s] = f
	}
	return f
}

// asPlanned is a lot as it was meant to be kept when it was packed.
func asPlanned(l lot.Lot) lot.Lot {
	p := l.Packing
	p.Shading = lot.DarkRoom
	x := p.Lot(l.ID)
	x.FinishedAt, x.OpenedAt = l.FinishedAt, l.OpenedAt
	return x
}

// Start is the account of a lot as it was packed.
func (r *Reviewer) Start(l lot.Lot) (a Account, err error) {
	food, err := r.catalog.Food(l.Packing.Food)
	if err != nil {
		return a, fmt.Errorf("cannot review lot %s: %w", l.ID, err)
	}
	if a.course, err = r.follower.Start(l); err != nil {
		return a, err
	}
	plan := r.planOf(l)
	f := r.atPlan(plan)
	if a.plan, err = f.Start(asPlanned(l)); err != nil {
		return a, err
	}
	lives, err := f.Lives(asPlanned(l), course.Keeping{Temperature: plan.Temperature, Humidity: plan.Humidity})
	if err != nil {
		return a, err
	}
	for i, m := range food.Modes {
		if ea := unit.KJPerMol(m.Ea.Likely); !m.Nutrient {
			factor := kinetics.AccelerationFactor(ea, plan.Temperature, room.Reference)
			a.modes = append(a.modes, account{index: i, name: m.Name, ea: ea, days: m.Life.Likely, life: lives[i], planFactor: factor})
		}
	}
	return a, nil
}

// Advance carries an account on to an instant, or to the end of a lot that is
// finished; an instant that is not later changes nothing. The account given is
// left as it was. Spells that are not final yet may be booked only in a copy
// that is thrown away.
func (r *Reviewer) Advance(a Account, l lot.Lot, to time.Time) (Account, error) {
	if l.Finished() && l.FinishedAt.Before(to) {
		to = l.FinishedAt
	}
	if !a.course.At.Before(to) {
		return a, nil
	}
	k, err := r.catalog.Container(l.Packing.Container)
	if err != nil {
		return a, fmt.Errorf("cannot review lot %s: %w", l.ID, err)
	}
	now, err := r.follower.Walk(a.course, l)
	if err != nil {
		return a, err
	}
	plan, err := r.atPlan(r.planOf(l)).WalkLikely(a.plan, asPlanned(l))
	if err != nil {
		return a, err
	}
	a.pieces, a.costs, a.spells = slices.Clone(a.pieces), slices.Clone(a.costs), slices.Clone(a.spells)
	b := booking{r: r, a: &a, l: &l, lag: l.Packing.Lag(k)}
	for {
		s, ok := now.Step(to)
		if !ok {
			break
		}
		p, _ := plan.Step(s.To)
		b.step(s, p)
	}
	a.course, a.plan, a.correction = now.Course(), plan.Course(), nil
	return a, nil
}

// booking takes the steps of one walk into an account.
type booking struct {
	r       *Reviewer
	a       *Account
	l       *lot.Lot
	lag     unit.Hours
	room    string
	spells  []Spell // of room
	stay    int
	rest    []exposed // of the step, not booked yet, one for each mode
	dose    float64
	judged  time.Duration
	scratch []exposed
}

// exposed is exposure in days at the reference temperature.
type exposed struct{ low, likely, high float64 }

// step books one step, cut where a month or a spell begins or ends.
func (b *booking) step(s, plan course.Step) {
	if b.room != s.Room {
		b.room, b.spells = s.Room, b.r.spells(s.Room)
	}
	for b.stay+1 < len(b.l.Stays) && !s.From.Before(b.l.Stays[b.stay+1].From) {
		b.stay++
	}
	b.rest = b.rest[:0]
	for _, m := range b.a.modes {
		e := s.Modes[m.index].Exposure
		b.rest = append(b.rest, exposed{e.Low, e.Likely, e.High})
	}
	b.dose, b.judged = s.Dose, s.Judged
	first := sort.Search(len(b.spells), func(i int) bool { return b.spells[i].To.After(s.From) })
	for at := s.From; at.Before(s.To); {
		end, in := s.To, -1
		if !at.Before(b.a.next) {
			y, m, _ := at.In(b.r.zone).Date()
			b.a.next = time.Date(y, m+1, 1, 0, 0, 0, 0, b.r.zone)
		}
		end = earlier(end, b.a.next)
		for first < len(b.spells) && !b.spells[first].To.After(at) {
			first++
		}
		if first < len(b.spells) {
			if x := &b.spells[first]; x.From.After(at) {
				end = earlier(end, x.From)
			} else {
				end, in = earlier(end, x.To), first
			}
		}
		b.book(s, plan, at, end, in)
		at = end
	}
}

func earlier(a, b time.Time) time.Time {
	if b.Before(a) {
		return b
	}
	return a
}

// book books what lies between two instants of a step.
func (b *booking) book(s, plan course.Step, from, to time.Time, spell int) {
	part, judged, dose := b.take(s, from, to)
	costs := b.costs(from, spell)
	days := judged.Hours() / 24
	for i := range b.a.modes {
		m := &b.a.modes[i]
		e, p := s.Modes[m.index], plan.Modes[m.index]
		now := rate{part[i].likely, e.Water, e.Oxygen}
		planned := rate{float64(days * m.planFactor), p.Water, p.Oxygen}
		c := Cost{Plain: planned.all(), Lost: share(now, planned)}
		each := e.Water * e.Oxygen
		c.Less, c.More = max(0, part[i].likely-part[i].low)*each, max(0, part[i].high-part[i].likely)*each
		c = c.Times(1 / m.days)
		if s.Dose > 0 {
			c.Lost.Light = e.Light * dose / s.Dose
		}
		costs[i] = costs[i].Add(c)
	}
}

// take takes what lies between two instants of a step from its rest: the last
// piece gets all of it, so that the pieces make up the step to the last digit.
func (b *booking) take(s course.Step, from, to time.Time) (part []exposed, judged time.Duration, dose float64) {
	if !to.Before(s.To) {
		return b.rest, b.judged, b.dose
	}
	plan := b.r.rooms.Plan(s.Room)
	b.scratch = b.scratch[:0]
	for i, m := range b.a.modes {
		e := b.r.rooms.Exposure(s.Room, b.lag, m.ea, from, to)
		x := exposed{float64(e.Low), float64(e.Days), float64(e.High)}
		if days := e.Unknown.Hours() / 24; days > 0 {
			at := func(t unit.Celsius) float64 { return days * kinetics.AccelerationFactor(m.ea, t, room.Reference) }
			x.low, x.likely, x.high = x.low+at(plan-lot.UnknownSpread), x.likely+at(plan), x.high+at(plan+lot.UnknownSpread)
		}
		if i == 0 {
			judged = e.Measured + e.Estimated + e.Unknown
		}
		b.rest[i] = exposed{b.rest[i].low - x.low, b.rest[i].likely - x.likely, b.rest[i].high - x.high}
		b.scratch = append(b.scratch, x)
	}
	if s.Dose > 0 {
		dose = b.r.rooms.Mean(s.Room, from, to).Dose
	}
	b.judged -= judged
	b.dose -= dose
	return b.scratch, judged, dose
}

// costs are those of the piece an instant belongs to, the last or a new one.
func (b *booking) costs(at time.Time, spell int) []Cost {
	a := b.a
	y, m, _ := a.next.Date() // the month after
	p := piece{month: 12*y + int(m) - 2, stay: b.stay, spell: -1}
	if spell >= 0 {
		p.spell = a.spell(b.spells[spell])
	}
	if n := len(a.pieces); n == 0 || a.pieces[n-1] != p {
		a.pieces = append(a.pieces, p)
		a.costs = append(a.costs, make([]Cost, len(a.modes))...)
	}
	return a.costs[len(a.costs)-len(a.modes):]
}

// spell finds a spell among those booked, or enters it; it may have grown since.
func (a *Account) spell(x Spell) int {
	// A lot that moves away and back within a spell finds it a few back.
	for i := len(a.spells) - 1; i >= max(0, len(a.spells)-8); i-- {
		if s := &a.spells[i]; s.From.Equal(x.From) && s.Room == x.Room && s.Kind == x.Kind {
			*s = x
			return i
		}
	}
	a.spells = append(a.spells, x)
	return len(a.spells) - 1
}
