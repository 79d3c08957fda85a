package engine

import (
	"cmp"
	"iter"
	"math"
	"slices"
	"time"

	"dryhold/internal/alarm"
	"dryhold/internal/catalog"
	"dryhold/internal/kinetics"
	"dryhold/internal/lot"
	"dryhold/internal/review"
	"dryhold/internal/room"
	"dryhold/internal/unit"
)

// A course lists so many events, those that cost most, and of each so many lots.
const courseEvents, eventLots = 60, 5

const (
	// stripLeast is the shortest strip of days, stripDays the longest that is
	// told by days and not by weeks (judgement).
	stripLeast, stripDays = 91, 400
)

// CourseDraft is the course of a room as far as the engine tells it. Where Seed
// is set the buckets are still to be filled, by Fine, from readings.
type CourseDraft struct {
	RoomCourse
	Seed *room.Seed

	edges []time.Time
	step  courseStep
	plan  float64 // acceleration factor of plan storage
}

// CourseRoom tells the course of a room in at most so many buckets, at least 1.
// Without from it begins a day before its end; what lies after the end of what
// is judged is left out of it. It fails as lot.ErrNotFound and lot.ErrInvalid.
func (e *Engine) CourseRoom(now time.Time, name string, from, to time.Time, points int) (*CourseDraft, error) {
	r := e.find(name)
	if r == nil {
		return nil, lot.NotFound("there is no room %q: it is one of %v", name, e.Rooms())
	}
	if to.IsZero() || to.After(now) {
		to = now
	}
	if from.IsZero() {
		from = to.Add(-24 * time.Hour)
	}
	if !from.Before(to) {
		return nil, lot.Invalid("from %s to %s is no stretch of time that is over: put the earlier instant first", from.UTC().Format(time.RFC3339), to.UTC().Format(time.RFC3339))
	}
	if err := e.workOut(now); err != nil {
		return nil, err
	}
	c := &CourseDraft{RoomCourse: RoomCourse{Site: e.cfg.Site, Room: name, AsOf: r.ledger.Settled(), Limits: e.roomLimits(r), Core: e.coreClass(name)}}
	if r.ledger.Begun() {
		c.Since, _ = r.ledger.Slots()
	}
	c.plan = kinetics.AccelerationFactor(room.AirEa, e.Plan(name), room.Reference)
	c.edges, c.step = courseEdges(from, to, points, e.cfg.Zone)
	c.From, c.To, c.Step = c.edges[0], c.edges[len(c.edges)-1], c.step.String()
	if c.step.fine() {
		s := r.ledger.Seed(c.Core.Lag, c.From, c.To)
		c.Seed = &s
	} else {
		cores, err := r.ledger.Cores(c.Core.Lag, c.From, c.judged(c.To))
		if err != nil {
			return nil, err
		}
		hours := c.hours(r, c.From, c.To, cores)
		c.fill(c.edges, gather(c.edges, hours, c.Limits), c.plan)
	}
	c.strip(r, e.cfg.Zone)
	return c, e.courseEvents(c)
}

// Fine fills the buckets from the readings that Seed.Needs, as they
// count and in order of time. It needs the engine no more.
func (c *CourseDraft) Fine(readings []room.Reading, stale func(sensor string) time.Duration) error {
	var pieces []coursePiece
	width := time.Duration(c.step.ms) * time.Millisecond
	err := c.Seed.Fine(readings, stale, width, c.From, c.To, func(f room.Fine) {
		pieces = append(pieces, coursePiece{f.At.UnixMilli(), f.Slot, f.Core, f.Exposure})
	})
	if err != nil {
		return err
	}
	c.fill(c.edges, gather(c.edges, slices.Values(pieces), c.Limits), c.plan)
	return nil
}

// judged is an instant, or the end of what is judged where that is earlier.
func (c *CourseDraft) judged(to time.Time) time.Time {
	if c.AsOf.Before(to) {
		return c.AsOf
	}
	return to
}

// hours are those of a room up to what is judged, with the core in each, if
// that is told.
func (c *CourseDraft) hours(r *roomState, from, to time.Time, cores []float64) iter.Seq[coursePiece] {
	if to = c.judged(to); !from.Before(to) {
		return slices.Values([]coursePiece(nil))
	}
	at := make([]int, int(to.Sub(from)/time.Hour)+3)
	for i := range at {
		at[i] = i
	}
	sums, _ := r.ledger.Running(0, room.AirEa, from, at)
	return func(yield func(coursePiece) bool) {
		i := 0
		for begin, s := range r.ledger.Hours(from, to) {
			p := coursePiece{begin.UnixMilli(), s, math.NaN(), sums[i+1] - sums[i]}
			if i < len(cores) {
				p.core = cores[i]
			}
			if !yield(p) {
				return
			}
			i++
		}
	}
}

func (e *Engine) roomLimits(r *roomState) RoomLimits {
	of := func(k alarm.Kind) Number {
		if rule, ok := r.rules[k]; ok {
			return Number(rule.Limit)
		}
		return Number(math.NaN())
	}
	return RoomLimits{Warm: of(alarm.Warm), Damp: of(alarm.Damp), Bright: of(alarm.Bright)}
}

// coreClass is the lag behind which most food stands in the room, or else in the
// house, or else the middle one of the catalog.
func (e *Engine) coreClass(name string) CoreClass {
	for _, chosen := range []CoreChoice{CoreOfRoom, CoreOfHouse} {
		var classes []CoreClass
		for _, l := range e.book.Lots() {
			k, err := e.cfg.Catalog.Container(l.Packing.Container)
			if err != nil || l.Finished() || chosen == CoreOfRoom && l.Room() != name {
				continue
			}
			lag := l.Packing.Lag(k)
			i := slices.IndexFunc(classes, func(c CoreClass) bool { return c.Lag == lag })
			if i < 0 {
				i = len(classes)
				classes = append(classes, CoreClass{Container: k.ID, Name: k.Name, Lag: lag, Chosen: chosen})
			}
			classes[i].KG += l.InStore().KG
		}
		if len(classes) > 0 {
			return slices.MaxFunc(classes, func(a, b CoreClass) int { return cmp.Or(cmp.Compare(a.KG, b.KG), cmp.Compare(b.Lag, a.Lag)) })
		}
	}
	all := slices.Clone(e.cfg.Catalog.Containers)
	slices.SortStableFunc(all, func(a, b catalog.Container) int { return cmp.Compare(a.Lag.Likely, b.Lag.Likely) })
	if len(all) == 0 {
		return CoreClass{Chosen: CoreOfCatalog}
	}
	k := all[len(all)/2]
	return CoreClass{Container: k.ID, Name: k.Name, Lag: unit.Hours(k.Lag.Likely), Chosen: CoreOfCatalog}
}

// strip tells the days of the course, of a quarter at least, or its weeks.
func (c *CourseDraft) strip(r *roomState, zone *time.Location) {
	c.Strip = Strip{Unit: "day", Start: []string{}, State: []BucketState{}, Ageing: Column{}}
	from, to := c.From, c.judged(c.To)
	if least := to.AddDate(0, 0, -stripLeast); least.Before(from) {
		from = least
	}
	if from.Before(c.Since) {
		from = c.Since
	}
	if !from.Before(to) {
		return
	}
	if to.Sub(from) > stripDays*24*time.Hour {
		c.Strip.Unit = "week"
	}
	edges := stripEdges(from.In(zone), to, c.Strip.Unit == "week")
	days := gather(edges, c.hours(r, edges[0], to, nil), c.Limits)
	for i := range days {
		c.Strip.Start = append(c.Strip.Start, edges[i].Format(time.DateOnly))
		c.Strip.State = append(c.Strip.State, days[i].state())
		c.Strip.Ageing = append(c.Strip.Ageing, Number(rounded(days[i].ageing(c.plan), 2)))
	}
}

// stripEdges are the midnights of a stretch; by weeks only every seventh of a
// year, and the last week has what is left of the year.
func stripEdges(from, to time.Time, weeks bool) []time.Time {
	y, m, d := from.Date()
	at := time.Date(y, m, d, 0, 0, 0, 0, from.Location())
	if weeks {
		at = time.Date(y, 1, 1+7*min((at.YearDay()-1)/7, 51), 0, 0, 0, 0, from.Location())
	}
	var out []time.Time
	for ; at.Before(to); at = at.AddDate(0, 0, 1) {
		if !weeks || at.YearDay()%7 == 1 && at.YearDay() < 365 {
			out = append(out, at)
		}
	}
	return append(out, at)
}

// courseEvents tells the spells of the room in the stretch and what they have
// cost the lots in it.
func (e *Engine) courseEvents(c *CourseDraft) error {
	var found []RoomEvent
	for _, s := range e.spellsOf(c.Room) {
		if s.From.Before(c.To) && s.To.After(c.From) {
			found = append(found, RoomEvent{Spell: s, Lots: []EventLot{}})
		}
	}
	if len(found) > 0 {
		if err := e.eventCosts(c.Room, found); err != nil {
			return err
		}
	}
	for i := range found {
		x := &found[i]
		slices.SortStableFunc(x.Lots, func(a, b EventLot) int { return cmp.Compare(b.Days, a.Days) })
		x.More = max(0, len(x.Lots)-eventLots)
		x.Lots = x.Lots[:min(len(x.Lots), eventLots)]
	}
	if c.EventsMore = len(found) - courseEvents; c.EventsMore > 0 {
		slices.SortStableFunc(found, func(a, b RoomEvent) int { return cmp.Or(cmp.Compare(b.KG, a.KG), b.To.Compare(a.To)) })
		found = found[:courseEvents]
		slices.SortStableFunc(found, func(a, b RoomEvent) int { return a.From.Compare(b.From) })
	}
	c.EventsMore = max(0, c.EventsMore)
	c.Events = append([]RoomEvent{}, found...)
	return nil
}

// eventCosts adds to spells, in order of time, what the reviews of the lots that
// stood in the room say of them.
func (e *Engine) eventCosts(name string, spells []RoomEvent) error {
	for _, l := range e.book.Lots() {
		if !slices.ContainsFunc(l.Stays, func(s lot.Stay) bool { return s.Room == name }) {
			continue
		}
		r, err := e.reviewed(l)
		if err != nil {
			return err
		}
		for _, x := range r.Events {
			if x.Room != name || x.Kind == review.Packed || x.Kind == review.Moved {
				continue
			}
			i, _ := slices.BinarySearchFunc(spells, x.To, func(s RoomEvent, to time.Time) int { return s.From.Compare(to) })
			if i--; i < 0 || !spells[i].To.After(x.From) || spells[i].Kind != x.Kind {
				continue
			}
			cost := EventLot{Lot: l.ID, Food: e.foodName(l), Days: rounded(r.InDays(x.Cost).Lost.Sum(), 2), KG: rounded(r.InKG(x.Cost).Lost.Sum(), 4)}
			s := &spells[i]
			s.Lots, s.Days, s.KG = append(s.Lots, cost), rounded(s.Days+cost.Days, 2), rounded(s.KG+cost.KG, 4)
		}
	}
	return nil
}
