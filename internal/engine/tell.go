package engine

import (
	"time"

	"dryhold/internal/alarm"
	"dryhold/internal/catalog"
	"dryhold/internal/lot"
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
	return alarm.Compose(e.cfg.Site, c, e.ruleOf(c.Key), ev, at, e.cfg.Zone, e.context(c, at))
}

// beside is what was last worked out of an alarm that stands, so that looking at
// it costs nothing until it or the hour changes.
type beside struct {
	hour      time.Time
	condition alarm.Condition
	context   alarm.Context
	view      AlarmView
}

// context is what there is to say of an alarm beside its condition: what it has
// cost up to an instant and would cost on, and what helps.
func (e *Engine) context(c alarm.Condition, to time.Time) (x alarm.Context) {
	if c.Key.Lot == "" && (c.Key.Kind.Scope() != alarm.OfRoom || c.Key.Sensor != "") || c.Key.Kind == alarm.RoundDue {
		return x
	}
	e.mustWorkOut(later(e.heardAt, to)) // what is due by the hour anyway
	if c.Key.Lot != "" {
		return e.lotContext(c)
	}
	rs := e.find(c.Key.Room)
	if rs == nil {
		return x
	}
	b := bill{e: e, rs: rs, c: c, to: to, rule: e.ruleOf(c.Key)}
	for _, l := range e.book.Lots() {
		if !l.Finished() && l.Room() == rs.name {
			b.here = append(b.here, l)
		}
	}
	if len(b.here) > 0 && b.cause() == heat {
		b.week = e.weekOf(rs, to)
	}
	for _, l := range b.here {
		x.Costs = append(x.Costs, b.cost(l))
	}
	if x.Ahead = b.week != nil; x.Ahead {
		x.Until = b.week.end()
	}
	x.Detail = b.detail()
	if c.Active {
		x.Advice = b.advice(x.Costs)
	}
	return x
}

// limiting is the mode that limits a lot, as last worked out, or at an instant
// if it never was.
func (e *Engine) limiting(l lot.Lot, at time.Time) catalog.Mode {
	if e.lots[l.ID] == nil {
		e.mustWorkOut(later(e.heardAt, at))
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
