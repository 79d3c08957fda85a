package engine

import (
	"fmt"
	"slices"
	"time"

	"dryhold/internal/course"
	"dryhold/internal/kinetics"
	"dryhold/internal/lot"
	"dryhold/internal/room"
	"dryhold/internal/unit"
)

// The points of a course: how many there are if nobody asks for a number, and
// the bounds of what may be asked for.
const (
	LeastCoursePoints = 20
	CoursePoints      = 120
	MostCoursePoints  = 240
)

// LotCourse is how a lot went from packing to now, and how it is likely to go
// on to its projected end: the same numbers as its LotView has for now and for
// the end, and those of the time between.
type LotCourse struct {
	Lot       string    `json:"lot"`
	FoodName  string    `json:"food_name"`
	PackedAt  time.Time `json:"packed_at"`
	AsOf      time.Time `json:"as_of"`
	Remaining Estimate  `json:"remaining_quality"`
	Limiting  string    `json:"limiting_mode"`
	// The projected end with its band, as LotView has it.
	End      time.Time `json:"projected_end,omitzero"`
	EndEarly time.Time `json:"projected_end_early,omitzero"`
	EndLate  time.Time `json:"projected_end_late,omitzero"`
	EndBy    string    `json:"projected_end_by,omitempty"`
	// The food's lines of water activity, 0 where it has none.
	Amber float64 `json:"amber_water_activity"`
	Red   float64 `json:"red_water_activity"`
	// The columns of its points, in the order of their time: the first at
	// packing, one at AsOf. Those ahead are at the early edge of the end, at the
	// end and at the late edge too, and go to that edge, or to 100 years.
	At []time.Time `json:"at"`
	// Ahead says that a point is to come: its band then joins what is open of
	// the climate and of the constants.
	Ahead []bool `json:"ahead"`
	// Quality is what remains by the modes: where water ends the lot, its
	// projected end comes before this is 0.
	Quality  EstimateColumns `json:"quality"`
	Activity EstimateColumns `json:"water_activity"`
	Oxygen   EstimateColumns `json:"oxygen_fraction"`
	// Core is the temperature of the food, of the past only.
	Core []*float64 `json:"core_celsius"`
	// Since the point before, of the past only: the room it stood in last, how
	// fast the limiting mode aged by temperature against plan storage, 1 at
	// plan, and the share of the time of which the temperature was measured or
	// estimated. What is not known counts at plan storage, so that a factor is
	// told only where most of it is known.
	Room   []string   `json:"room"`
	Ageing []*float64 `json:"ageing_factor"`
	Known  []*float64 `json:"temperature_known_share"`
}

// EstimateColumns are the estimates of a column.
type EstimateColumns struct {
	Low    []float64 `json:"low"`
	Likely []float64 `json:"likely"`
	High   []float64 `json:"high"`
}

func (c *EstimateColumns) add(e Estimate) {
	c.Low, c.Likely, c.High = append(c.Low, e.Low), append(c.Likely, e.Likely), append(c.High, e.High)
}

// Row is the estimate of a point.
func (c EstimateColumns) Row(i int) Estimate { return Estimate{c.Low[i], c.Likely[i], c.High[i]} }

// coursePoint is a lot at an instant.
type coursePoint struct {
	at                        time.Time
	ahead                     bool
	quality, activity, oxygen Estimate
	core, ageing, known       *float64
	room                      string
}

func (c *LotCourse) add(p coursePoint) {
	c.At, c.Ahead, c.Room = append(c.At, p.at), append(c.Ahead, p.ahead), append(c.Room, p.room)
	c.Core, c.Ageing, c.Known = append(c.Core, p.core), append(c.Ageing, p.ageing), append(c.Known, p.known)
	c.Quality.add(p.quality)
	c.Activity.add(p.activity)
	c.Oxygen.add(p.oxygen)
}

// Course tells how a lot went and is likely to go on, in about so many points;
// 0 is CoursePoints. The past is followed as it was for the lot's view, under
// what is known of the lot now, and the future seen as for its projected end.
// The error wraps lot.ErrNotFound or lot.ErrInvalid.
func (e *Engine) Course(id string, points int, now time.Time) (LotCourse, error) {
	if points == 0 {
		points = CoursePoints
	}
	if points < LeastCoursePoints || points > MostCoursePoints {
		return LotCourse{}, lot.Invalid("%d points: ask for %d to %d", points, LeastCoursePoints, MostCoursePoints)
	}
	l, t, err := e.asked(id, now, "tell the course of")
	if err != nil {
		return LotCourse{}, err
	}
	fail := func(err error) (LotCourse, error) {
		return LotCourse{}, fmt.Errorf("cannot tell the course of lot %s: %w", id, err)
	}
	v := &t.view
	out := LotCourse{
		Lot: id, FoodName: v.FoodName, PackedAt: l.Packing.PackedAt, AsOf: v.AsOf, Remaining: v.Remaining, Limiting: v.Limiting,
		End: v.End, EndEarly: v.EndEarly, EndLate: v.EndLate, EndBy: v.EndBy,
		Amber: v.Moisture.Amber.Level, Red: v.Moisture.Red.Level,
	}
	past := points - points/3
	if l.Finished() {
		past = points
	}
	if err := e.coursePast(&out, l, t, past); err != nil {
		return fail(err)
	}
	if l.Finished() {
		return out, nil
	}
	if err := e.courseAhead(&out, l, t, points/3); err != nil {
		return fail(err)
	}
	return out, nil
}

// coursePast follows a lot from packing once more, up to now or its end.
func (e *Engine) coursePast(out *LotCourse, l lot.Lot, t *tracked, points int) error {
	c, err := e.follower.Start(l)
	if err != nil {
		return err
	}
	var before course.State
	for _, at := range courseInstants(l.Packing.PackedAt, t.asOf, points) {
		if c, err = e.follower.Advance(c, l, at); err != nil {
			return err
		}
		s, err := e.follower.State(c, l)
		if err != nil {
			return err
		}
		core := float64(s.Core)
		p := coursePoint{at: at, quality: Estimate(s.Remaining), activity: Estimate(s.Activity), oxygen: Estimate(s.Oxygen), core: &core}
		if len(out.At) > 0 {
			e.since(&p, l, &before, &s, t.limiting)
		}
		out.add(p)
		before = s
	}
	return nil
}

// since tells how a lot aged between two states.
func (e *Engine) since(p *coursePoint, l lot.Lot, from, to *course.State, limiting int) {
	p.room = l.Stays[0].Room
	for _, stay := range l.Stays {
		if stay.From.Before(to.At) {
			p.room = stay.Room
		}
	}
	long := to.At.Sub(from.At)
	known := to.Cover.Measured + to.Cover.Estimated - from.Cover.Measured - from.Cover.Estimated
	share := min(1, max(0, float64(known)/float64(long)))
	p.known = &share
	if share < leastTold || limiting >= len(to.Modes) {
		return
	}
	m := &to.Modes[limiting]
	plan := kinetics.AccelerationFactor(unit.KJPerMol(m.Mode.Ea.Likely), e.Plan(p.room), room.Reference)
	factor := (m.Exposure.Likely - from.Modes[limiting].Exposure.Likely) / (long.Hours() / 24) / plan
	p.ageing = &factor
}

// leastTold is the share of a stretch of which the temperature must be known
// to tell how fast the lot aged in it (judgement).
const leastTold = 0.5

// courseInstants are at most so many from packing to now, both among them. The
// others lie on whole hours in the first weeks of a young lot, else on whole
// UTC days, where the steps of a course end anyway: a step cut in two would
// come to another sum.
func courseInstants(packed, now time.Time, points int) []time.Time {
	unit := 24 * time.Hour
	if now.Sub(packed) <= youngLot {
		unit = time.Hour
	}
	span := now.Sub(packed)
	step := unit * max(1, (span/unit+time.Duration(points)-3)/time.Duration(points-2))
	out := []time.Time{packed}
	for at := packed.Truncate(step).Add(step); at.Before(now); at = at.Add(step) {
		out = append(out, at)
	}
	if now.After(packed) {
		out = append(out, now)
	}
	return out
}

// youngLot is less than the time that every lot is followed by the hour.
const youngLot = 30 * 24 * time.Hour

// courseAhead looks ahead from where the lot's projected end was looked for,
// and tells what comes after now.
func (e *Engine) courseAhead(out *LotCourse, l lot.Lot, t *tracked, points int) error {
	c, err := e.looked(l, t)
	if err != nil {
		return err
	}
	f, err := e.follower.Future(c, l, e.prospectOf(l.Room(), t.lookedDay()))
	if err != nil {
		return err
	}
	band := f.Ends.Band()
	first := t.asOf.Sub(c.At).Hours() / 24
	var days []float64
	for i := 1; i <= points-3; i++ {
		days = append(days, first+float64((band.High-first)*float64(i)/float64(points-3)))
	}
	days = append(days, band.Low, band.Likely, band.High)
	slices.Sort(days)
	for _, d := range slices.Compact(days) {
		if d <= first {
			continue
		}
		s := f.At(d)
		out.add(coursePoint{at: s.At, ahead: true, quality: Estimate(s.Remaining), activity: Estimate(s.Activity), oxygen: Estimate(s.Oxygen)})
	}
	return nil
}
