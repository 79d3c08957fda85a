package engine

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"time"

	"dryhold/internal/course"
	"dryhold/internal/forecast"
	"dryhold/internal/lot"
	"dryhold/internal/nearest"
	"dryhold/internal/review"
	"dryhold/internal/unit"
)

// Question asks what another way of keeping would do for lots, or what one more
// sensor would.
type Question struct {
	Lots []string // those in store when empty
	review.Scenario
	// Sensor is the room where one more sensor would hang, or Outdoors; it is
	// asked of alone.
	Sensor string
}

// LotGain is what it would do for one lot. Ends are zero where they are not
// within 100 years. Now is LotView.Projected: its end in its room under the
// forecast, so that like is held against like.
type LotGain struct {
	review.Gain
	// Band is of a question for a sensor, whose gain in days is none.
	Band   *Narrowing `json:"band,omitempty"`
	Food   string     `json:"food_name"`
	Room   string     `json:"room"`
	Why    string     `json:"why_not,omitempty"` // Not in words
	Now    time.Time  `json:"end_now,omitzero"`
	Then   time.Time  `json:"end_then,omitzero"`
	NowBy  string     `json:"end_now_by,omitempty"`
	ThenBy string     `json:"end_then_by,omitempty"`
}

// WhatIf is the answer: gains in the order in which the lots were added, and
// their total in days, summed draw by draw over the lots it goes with.
type WhatIf struct {
	At    time.Time `json:"at"`
	Lots  []LotGain `json:"lots"`
	Total Estimate  `json:"total_days"`
	Tried int       `json:"lots_tried"` // that it goes with
	// Climates are what the climate ahead of the rooms was learned from, those
	// of lots and of the scenario, by name of the room.
	Climates []Learned `json:"climates"`
}

// Learned says what the climate ahead of a room was learned from.
type Learned struct {
	Room string `json:"room"`
	From string `json:"from"`
}

// Trial answers a question a few lots at a time, so that the owner of the
// engine can do other work in between. Each lot is judged against itself at one
// instant; between lots the readings may go on by what arrived meanwhile.
type Trial struct {
	e      *Engine
	trial  *review.Trial
	lots   []string
	out    WhatIf
	gains  []review.Gain
	sensor string
	// ahead is the climate of rooms as it would be, by room: held at most at
	// bounds, or less open.
	ahead map[string]*prospect
	made  bool // one was made for the last lot
}

// Bounds of what can be asked (judgement): those of the limits of a room, and
// an absorber far larger than any for a pail.
const (
	coldest, hottest   = -30, 60
	driest, wettest    = 0.05, 1
	largestAbsorberCM3 = 100_000
)

// Try prepares the answer to a question. The error wraps lot.ErrInvalid or
// lot.ErrNotFound where it is for the one who asks.
func (e *Engine) Try(now time.Time, q Question) (*Trial, error) {
	if err := e.checkQuestion(q); err != nil {
		return nil, err
	}
	if err := e.workOut(now); err != nil {
		return nil, fmt.Errorf("cannot try another way: %w", err)
	}
	t := &Trial{e: e, out: WhatIf{At: now, Lots: []LotGain{}}, sensor: q.Sensor, ahead: map[string]*prospect{}}
	first := now
	for _, id := range q.Lots {
		if _, err := e.book.Find(id); err != nil {
			return nil, err
		}
	}
	for _, l := range e.book.Lots() {
		if len(q.Lots) > 0 && !slices.Contains(q.Lots, l.ID) || len(q.Lots) == 0 && l.Finished() {
			continue
		}
		t.lots = append(t.lots, l.ID)
		if l.Packing.PackedAt.Before(first) {
			first = l.Packing.PackedAt
		}
	}
	t.trial = e.reviewer.Try(q.Scenario, e, t.climate, first, now)
	return t, nil
}

// climate implements review.Prospects.
func (t *Trial) climate(in string, at time.Time, warmest *unit.Celsius, dampest *unit.RH) (course.Ahead, bool) {
	p := t.e.prospectOf(in, at.Truncate(24*time.Hour))
	t.learned(in, p)
	if warmest != nil || dampest != nil {
		p = t.another(in, p, func() *prospect { return p.held(forecast.Hold{Warmest: warmest, Dampest: dampest}) })
	}
	return p, p.known >= leastKnown || p.stated
}

// leastKnown is how much must have been measured of a room that a lot is sent
// to, unless the keeper states its normals (judgement).
const leastKnown = 7 * 24 * time.Hour

// another is the climate of a room as it would be. Lots of one trial may be
// looked ahead from two days.
func (t *Trial) another(in string, now *prospect, make func() *prospect) *prospect {
	p := t.ahead[in]
	if p == nil || !p.day.Equal(now.day) {
		p, t.made = make(), true
		t.ahead[in] = p
	}
	return p
}

func (t *Trial) learned(in string, p *prospect) {
	i, found := slices.BinarySearchFunc(t.out.Climates, in, func(l Learned, in string) int { return cmp.Compare(l.Room, in) })
	if !found {
		t.out.Climates = slices.Insert(t.out.Climates, i, Learned{in, p.source(in)})
	}
}

func hintOf(name string, names []string) string { return nearest.Hint(name, names) }

// checkQuestion refuses what can not be, and a question that asks for nothing.
func (e *Engine) checkQuestion(q Question) error {
	s := q.Scenario
	within := func(v, low, high float64) bool { return v >= low && v <= high }
	nothing := s.Room == "" && s.Warmest == nil && s.Dampest == nil && !s.Boxed && s.Container == "" && s.AbsorberCM3 == 0
	switch {
	case q.Sensor != "" && (!nothing || s.Past):
		return lot.Invalid("ask of one more sensor alone: it gains no days, it narrows the band of the projected end")
	case q.Sensor != "":
		return e.checkSensor(q.Sensor)
	case nothing:
		return lot.Invalid("ask for something: another room, a bound of temperature or humidity, boxes, a container, an absorber or one more sensor")
	case s.Room != "" && e.find(s.Room) == nil:
		return lot.NotFound("there is no room %q%s", s.Room, hintOf(s.Room, e.Rooms()))
	case s.Warmest != nil && !within(float64(*s.Warmest), coldest, hottest):
		return lot.Invalid("a room held at most at %.4g °C can not be tried: ask for %d to %d °C", float64(*s.Warmest), coldest, hottest)
	case s.Dampest != nil && !within(float64(*s.Dampest), driest, wettest):
		return lot.Invalid("a room held at most at %.4g %% can not be tried: ask for %g to %g %%", 100*float64(*s.Dampest), 100*driest, 100.0*wettest)
	case math.IsNaN(s.AbsorberCM3) || s.AbsorberCM3 < 0 || s.AbsorberCM3 > largestAbsorberCM3:
		return lot.Invalid("an absorber of %g cm3 can not be tried: ask for at most %d", s.AbsorberCM3, largestAbsorberCM3)
	}
	if s.Container != "" {
		if _, err := e.cfg.Catalog.Container(s.Container); err != nil {
			return lot.Invalid("%v", err)
		}
	}
	return nil
}

// Of says whether a trial is of this engine: that of a state since replaced
// must be begun again.
func (t *Trial) Of(e *Engine) bool { return t.e == e }

// Next tries up to n more lots, and says whether there are more.
func (t *Trial) Next(now time.Time, n int) (more bool, err error) {
	if err := t.e.workOut(now); err != nil {
		return false, fmt.Errorf("cannot try another way: %w", err)
	}
	for ; n > 0 && len(t.lots) > 0; n-- {
		l, err := t.e.book.Find(t.lots[0])
		if err != nil {
			return false, err
		}
		if err := t.try(l); err != nil {
			return false, err
		}
		t.lots = t.lots[1:]
		if t.made { // as much work as many lots: let the owner in
			t.made = false
			break
		}
	}
	return len(t.lots) > 0, nil
}

// try tries it on a lot from the instant that its view looks ahead from, so that
// the end as it is now is that of the view.
func (t *Trial) try(l lot.Lot) error {
	x := t.e.lots[l.ID]
	c, err := t.e.looked(l, x)
	if err != nil {
		return err
	}
	out := LotGain{Food: x.view.FoodName, Room: l.Room()}
	if t.sensor != "" {
		out.Gain, out.Band, err = t.surer(c, l)
	} else {
		out.Gain, err = t.trial.Lot(c, l)
	}
	if err != nil {
		return fmt.Errorf("cannot try another way for lot %s: %w", l.ID, err)
	}
	t.gains = append(t.gains, out.Gain)
	if out.Why = t.e.whyNot(out.Not, l); out.Not == "" {
		now, then := out.Gain.Now.Projection(c.At), out.Gain.Then.Projection(c.At)
		out.Now, out.NowBy, out.Then, out.ThenBy = now.Likely, now.By, then.Likely, then.By
		t.out.Tried++
	}
	t.out.Lots = append(t.out.Lots, out)
	return nil
}

// Answer is what was tried so far.
func (t *Trial) Answer() WhatIf {
	out := t.out
	out.Total = Estimate(review.Total(t.gains))
	return out
}

// whyNot says why a scenario does not go with a lot.
func (e *Engine) whyNot(code string, l lot.Lot) string {
	switch code {
	case "":
		return ""
	case review.NotFinished:
		return "the lot is finished"
	case review.NotForFood:
		if f, err := e.cfg.Catalog.Food(l.Packing.Food); err == nil && f.NoAbsorber != "" {
			return "no absorber goes with this food: " + f.NoAbsorber
		}
		return "no absorber goes with this food"
	case review.NotDry:
		return "the food is too moist to be packed without oxygen: botulism poisoning may result; dry it first"
	case review.NotSealed:
		return "the container does not seal, so it holds no low oxygen: choose another container as well"
	case review.NotKnownRoom:
		return "too little is known of that room: less than a week of readings, and no normals stated"
	}
	return code
}
