package engine

import (
	"time"

	"dryhold/internal/alarm"
	"dryhold/internal/catalog"
	"dryhold/internal/lot"
	"dryhold/internal/unit"
)

// event is a transition that wants a notice, with the condition as it then
// was; compose writes the text once the ledgers know what it cost.
type event struct {
	alarm.Condition
	kind alarm.NoticeEvent
	at   time.Time
}

// compose writes the notices: what it is, and what it costs which lots.
func (e *Engine) compose(fx *Effects) {
	for _, ev := range fx.events {
		fx.Notices = append(fx.Notices, e.tell(ev.Condition, ev.kind, ev.at))
	}
	fx.events = nil
}

// tell words one event of a condition, which is as it then was. It is the one
// way to do so, whoever asks for it.
func (e *Engine) tell(c alarm.Condition, ev alarm.NoticeEvent, at time.Time) alarm.Notice {
	return alarm.Compose(e.cfg.Site, c, e.ruleOf(c.Key), ev, at, e.cfg.Zone, e.costs(c, at))
}

// costs is what a spell of heat has cost the lots of a room up to an instant,
// from its first reading beyond the limit on. Only heat is costed so far: the
// other conditions have none.
func (e *Engine) costs(c alarm.Condition, to time.Time) []alarm.LotCost {
	if c.Key.Kind != alarm.Warm || c.Since.IsZero() {
		return nil
	}
	var out []alarm.LotCost
	for _, l := range e.book.Lots() {
		if l.Finished() || l.Room() != c.Key.Room {
			continue
		}
		m := e.limiting(l, to)
		out = append(out, alarm.LotCost{
			Lot: l.ID, Food: e.foodName(l),
			Days: max(0, e.eval.Cost(l, m, c.Since, to)),
			Week: max(0, e.eval.CostOfHolding(l, m, unit.Celsius(c.Value), 7)),
		})
	}
	return out
}

// limiting is the mode that limits a lot, as last worked out, or at an instant
// if it never was.
func (e *Engine) limiting(l lot.Lot, at time.Time) catalog.Mode {
	if e.lots[l.ID] == nil {
		e.mustWorkOut(at)
	}
	f, _ := e.cfg.Catalog.Food(l.Packing.Food) // worked out, so it is known
	return f.Modes[e.lots[l.ID].limiting]
}

func (e *Engine) foodName(l lot.Lot) string {
	f, err := e.cfg.Catalog.Food(l.Packing.Food)
	if err != nil {
		return l.Packing.Food
	}
	return f.Name
}
