package engine

import (
	"fmt"
	"time"

	"dryhold/internal/alarm"
	"dryhold/internal/lot"
	"dryhold/internal/review"
	"dryhold/internal/unit"
)

// bill works out what one alarm of a room costs: so far as the review has it,
// on by the forecast of the room.
type bill struct {
	e    *Engine
	rs   *roomState
	c    alarm.Condition
	rule alarm.Rule
	to   time.Time
	here []lot.Lot
	week *weekAhead // nil where there is none to go by
}

// cause is what an alarm costs life by.
type cause int

const (
	heat cause = iota
	moisture
	light
)

func (b *bill) cause() cause {
	switch b.c.Key.Kind {
	case alarm.Damp, alarm.Condensing:
		return moisture
	case alarm.Bright:
		return light
	}
	return heat
}

// part is the share of a cost that the cause of an alarm has.
func (k cause) part(p review.Parts) float64 {
	switch k {
	case moisture:
		return p.Moisture
	case light:
		return p.Light
	}
	return p.Heat
}

// from is since when an alarm counts.
func (b *bill) from() time.Time {
	switch b.c.Key.Kind {
	case alarm.Ahead:
		return b.to
	case alarm.Ageing, alarm.HoursOver:
		return b.to.Add(-b.rule.Window)
	}
	return b.c.Since
}

// cost is what an alarm has cost a lot and would cost it on, days of life at
// plan storage.
func (b *bill) cost(l lot.Lot) alarm.LotCost {
	out := alarm.LotCost{Lot: l.ID, Food: b.e.foodName(l)}
	out.Days = b.soFar(l)
	switch from := b.from(); {
	case b.week != nil:
		out.Week = max(0, b.e.costAhead(b.week, l, unit.KJPerMol(b.e.limiting(l, b.to).Ea.Likely)))
	case b.c.Key.Kind == alarm.Warm || b.c.Key.Kind == alarm.Hot:
		out.Week = max(0, b.e.eval.CostOfHolding(l, b.e.limiting(l, b.to), b.lately(), 7))
	case b.to.Sub(from) >= time.Hour:
		out.Week = out.Days * (7 * 24 * time.Hour).Hours() / b.to.Sub(from).Hours()
	}
	return out
}

// lately is the mean of the last hour, the same whenever it is asked for within
// the next; the value of the alarm where that hour is not known.
func (b *bill) lately() unit.Celsius {
	hour := judgedHour(b.rs, b.to)
	if c := b.rs.ledger.Climate(hour.Add(-time.Hour), hour); c.TempKnown {
		return c.Temp
	}
	return unit.Celsius(b.c.Value)
}

// soFar is what the excursions of the room that an alarm stands for have cost a
// lot by the cause of the alarm, as the review of the lot tells it.
func (b *bill) soFar(l lot.Lot) float64 {
	from := b.from()
	if from.IsZero() || !from.Before(b.to) {
		return 0
	}
	if b.c.Key.Kind == alarm.Ageing { // the very value that is judged
		return max(0, b.e.eval.Cost(l, b.e.limiting(l, b.to), from, b.to))
	}
	r, err := b.e.reviewed(l)
	if err != nil {
		return 0
	}
	sum := 0.0
	for _, x := range r.Events {
		spell := x.Kind == review.Excursion || x.Kind == review.Annotated
		if spell && x.Room == b.rs.name && x.From.Before(b.to) && x.To.After(from) {
			sum += b.cause().part(r.InDays(x.Cost).Lost)
		}
	}
	return max(0, sum)
}

// reviewed is the review of a lot, made once for each time it is worked out.
func (e *Engine) reviewed(l lot.Lot) (*review.Review, error) {
	t := e.lots[l.ID]
	if t.reviewed == nil {
		r, err := e.reviewLot(l)
		if err != nil {
			return nil, err
		}
		t.reviewed = &r
	}
	return t.reviewed, nil
}

// detail is what else there is to say of an alarm of a room.
func (b *bill) detail() string {
	if b.c.Key.Kind != alarm.Ahead || b.week == nil || !b.c.Active {
		return ""
	}
	h := b.week.heat(b.rs.rules[alarm.Warm], b.rule.Window)
	if h.first.IsZero() {
		return ""
	}
	return fmt.Sprintf("If it comes, then most likely about %s; the warmest hour of the week to be expected then is %.1f °C.", b.e.clock(h.first), h.highest)
}

// clock writes an instant in the zone of the site.
func (e *Engine) clock(t time.Time) string { return t.In(e.cfg.Zone).Format("Mon 2 Jan 15:04") }

// day writes a day in the zone of the site.
func (e *Engine) day(t time.Time) string {
	if t.IsZero() {
		return "a day beyond 100 years"
	}
	return t.In(e.cfg.Zone).Format("2 Jan 2006")
}

// lotContext is what there is to say of an alarm of one lot.
func (e *Engine) lotContext(c alarm.Condition) (x alarm.Context) {
	l, err := e.book.Find(c.Key.Lot)
	if err != nil {
		return x
	}
	t := e.lots[l.ID]
	v := &t.view
	if x.Food, x.Room = e.foodName(l), l.Room(); !c.Active {
		return x
	}
	switch c.Key.Kind {
	case alarm.MoistureAmber, alarm.MoistureRed:
		x.Detail = "What comes of it is " + v.Moisture.Limit + "."
	case alarm.AbsorberSmall:
		x.Detail = "By its packing: " + v.Oxygen.Note + "."
	case alarm.OxygenSpent:
		x.Detail = fmt.Sprintf("The gas inside holds about %.1f %% oxygen.", 100*v.Oxygen.Fraction.Likely)
		var rises []string
		for _, p := range v.Oxygen.Rises {
			if !p.Past && !p.At.IsZero() {
				rises = append(rises, fmt.Sprintf("%.0f %% about %s", 100*p.Level, e.day(p.At)))
			}
		}
		if len(rises) > 0 {
			x.Detail += " It passes " + listed(rises) + "."
		}
	case alarm.HoldIncomplete, alarm.HoldComplete:
		if v.Insects != nil {
			x.Detail = "By what is known: " + v.Insects.Words + "."
		}
	case alarm.Quality:
		x.Detail = "What limits it is " + v.Limiting + ". It is projected to end on " + e.day(v.Projected().Likely) + "."
	case alarm.EndsEarly:
		at, _ := e.planned(l, t)
		x.Detail = "It was to last until " + e.day(at) + " and is projected to end on " + e.day(v.Projected().Likely) + ", by " + v.Projected().By + "."
	}
	return x
}
