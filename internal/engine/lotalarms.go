package engine

import (
	"time"

	"dryhold/internal/alarm"
	"dryhold/internal/lot"
)

const (
	// news is how long ago an insect hold may have been completed to be told,
	// and forgotten is when the information is taken off the list (judgement).
	news      = 7 * 24 * time.Hour
	forgotten = 30 * 24 * time.Hour
	// coldNews bounds since packing what is told of a freezing, of which only
	// that it is complete is kept (judgement).
	coldNews = 60 * 24 * time.Hour
)

// finding is what a condition of a lot goes by.
type finding struct {
	kind  alarm.Kind
	value float64
}

// judgeLot judges the conditions of a lot by its view as last worked out.
func (e *Engine) judgeLot(l lot.Lot, fx *Effects) {
	t := e.lots[l.ID]
	if t == nil || t.asOf.IsZero() {
		return
	}
	at := t.view.AsOf
	known := measuredLately(e.find(l.Room()), at)
	for _, f := range e.findings(l, t) {
		if rule, ok := e.lotRule(l, f.kind); ok {
			e.look(alarm.Key{Kind: f.kind, Lot: l.ID}, rule, at, f.value, known || fixed(f.kind), fx)
		}
	}
	if done := alarm.Key(alarm.Key{Kind: alarm.HoldComplete, Lot: l.ID}); e.kept(done) != nil && at.Sub(e.kept(done).Since) > forgotten {
		e.end(done, at, fx)
	}
}

// fixed says that a value does not rest on the climate of the last day.
func fixed(k alarm.Kind) bool {
	return k == alarm.AbsorberSmall || k == alarm.HoldComplete || k == alarm.EndsEarly
}

// findings are the values of a lot. A condition that does not go with the lot
// has none.
func (e *Engine) findings(l lot.Lot, t *tracked) (out []finding) {
	v := &t.view
	add := func(kind alarm.Kind, value float64) { out = append(out, finding{kind, value}) }
	if _, ok := e.lotRule(l, alarm.CoreWarm); ok {
		if rs := e.find(l.Room()); rs != nil {
			if core, ok := e.coreOf(rs, l); ok {
				add(alarm.CoreWarm, float64(core))
			}
		}
	}
	if v.Moisture.Red.Level > 0 {
		add(alarm.MoistureAmber, v.Moisture.Activity.Likely)
		add(alarm.MoistureRed, v.Moisture.Activity.Likely)
	}
	if e.holdsOxygen(l) && v.Oxygen.Enclosed > 0 {
		capacity := l.Packing.Treatment.CapacityCM3
		add(alarm.AbsorberSmall, capacity/v.Oxygen.Enclosed)
		if capacity >= v.Oxygen.Enclosed {
			add(alarm.OxygenSpent, v.Oxygen.Left/capacity)
		}
	}
	out = append(out, holdFindings(l, v)...)
	add(alarm.Quality, v.Remaining.Likely)
	if planned, life := e.planned(l, t); life > 0 {
		early := 0.0
		if end := v.Projected().Likely; !end.IsZero() {
			early = planned.Sub(end).Hours() / 24 / life
		}
		add(alarm.EndsEarly, early)
	}
	return out
}

// holdsOxygen says that a lot is packed with an absorber where that can work.
func (e *Engine) holdsOxygen(l lot.Lot) bool {
	p := l.Packing
	k, err := e.cfg.Catalog.Container(p.Container)
	f, none := e.cfg.Catalog.Food(p.Food)
	return err == nil && none == nil && p.Treatment.Kind == lot.Absorber && p.Treatment.CapacityCM3 > 0 && k.Sealed && f.NoAbsorber == ""
}

// holdFindings are those of what was done against insects: by an absorber, or
// by a freezing that was watched.
func holdFindings(l lot.Lot, v *LotView) []finding {
	if v.Insects == nil {
		return nil
	}
	kind, since := l.Packing.Treatment.Kind, v.AsOf.Sub(l.Packing.PackedAt)
	watched := kind == lot.Absorber || kind == lot.FreezeThaw && v.Insects.Freeze > 0
	complete := v.Insects.HeldAfter > 0 || v.Insects.Frozen
	switch {
	case complete:
		done := coldNews - since
		if v.Insects.HeldAfter > 0 {
			done = news + daysLong(v.Insects.HeldAfter) - since
		}
		out := []finding{{alarm.HoldIncomplete, 0}}
		if done > 0 {
			out = append(out, finding{alarm.HoldComplete, 1})
		}
		return out
	case watched:
		return []finding{{alarm.HoldIncomplete, since.Seconds()}}
	}
	return nil
}

func daysLong(days float64) time.Duration { return time.Duration(days * 24 * float64(time.Hour)) }

// planned is when a lot is planned to be used, and how many days after packing
// that is: as the keeper says, else when plan storage would have ended it.
func (e *Engine) planned(l lot.Lot, t *tracked) (at time.Time, days float64) {
	rule, _ := e.lotRule(l, alarm.EndsEarly)
	if !rule.Planned.IsZero() {
		return rule.Planned, rule.Planned.Sub(l.Packing.PackedAt).Hours() / 24
	}
	life := t.account.Life()
	if life <= 0 || life >= horizonDays {
		return time.Time{}, 0
	}
	return l.Packing.PackedAt.Add(daysLong(life)), life
}

// horizonDays is beyond what an end is looked for; see package course.
const horizonDays = 100 * 365.25

// ofClosed says that a condition is of what a closed container holds: in one
// that was opened to be eaten there is nothing to watch for.
func ofClosed(k alarm.Kind) bool {
	return k == alarm.AbsorberSmall || k == alarm.OxygenSpent || k == alarm.HoldIncomplete || k == alarm.HoldComplete
}

// lotRule is the rule of a condition of a lot: its own, else that of the room
// it stands in. The lines of moisture are those of the food.
func (e *Engine) lotRule(l lot.Lot, kind alarm.Kind) (alarm.Rule, bool) {
	rule, ok := e.rulesOf(l.Room())[kind]
	if e.cfg.LotRules != nil {
		if own, given := e.cfg.LotRules(l.ID)[kind]; given {
			rule, ok = own, own.Kind != ""
		}
	}
	if !ok || !l.OpenedAt.IsZero() && ofClosed(kind) {
		return alarm.Rule{Kind: kind}, false
	}
	if kind == alarm.MoistureAmber || kind == alarm.MoistureRed {
		f, err := e.cfg.Catalog.Food(l.Packing.Food)
		if err != nil {
			return rule, false
		}
		if rule.Limit = f.Amber.Likely; kind == alarm.MoistureRed {
			rule.Limit = f.Red.Likely
		}
	}
	return rule, true
}
