package engine

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"dryhold/internal/alarm"
	"dryhold/internal/dispatch"
	"dryhold/internal/lot"
	"dryhold/internal/note"
	"dryhold/internal/review"
)

// How much a digest lists (judgement).
const (
	weekFirst  = 5
	weekAlarms = 25
	weekSteps  = 10
)

// digest writes the weekly digest of a recipient.
func (e *Engine) digest(m dispatch.Message, now time.Time) alarm.Notice {
	w := alarm.Week{Site: e.cfg.Site, Since: m.Digest.Since, Next: m.Digest.Next}
	e.mustWorkOut(now)
	for _, rs := range e.rooms {
		w.Rooms = append(w.Rooms, e.weekRoom(rs, w.Since, now))
		w.Care = append(w.Care, e.weekCare(rs, now)...)
		w.Care = append(w.Care, e.weekRound(rs.name, now)...)
	}
	e.weekCosts(&w)
	w.First = e.weekFirst(now)
	e.weekAlarms(&w, m.Digest.Came, now)
	w.Steps, w.Notes = e.weekSteps(w.Since), e.weekNotes(w.Since)
	return w.Notice(m.To, m.Key, now.In(e.cfg.Zone))
}

func (e *Engine) weekRoom(rs *roomState, since, now time.Time) alarm.WeekRoom {
	r := alarm.WeekRoom{Name: rs.name, Covered: rs.ledger.Coverage(since, now)}
	air := Air{}
	past, err := e.RoomDays(rs.name, since.Truncate(time.Hour), now, now)
	if err == nil { // the room is there
		for _, d := range past.Days {
			air = air.Add(d.Air)
		}
	}
	r.Mean, r.Max, r.Humidity = air.Mean(), air.Max(), air.Humidity()
	return r
}

// weekCare lists what the sensors of a room want, a line for each sensor. A
// silence that began before the daemon did is its own, until the sensor has had
// its time to speak.
func (e *Engine) weekCare(rs *roomState, now time.Time) (out []string) {
	for _, v := range e.sensorViews(rs, now) {
		var wants []string
		silent := now.Sub(later(v.LastSeen, e.cfg.Started)) <= e.cfg.Stale(v.Name)
		for _, f := range v.Faults {
			if f.Kind.Scope() == alarm.OfSensor {
				silent = silent || f.Kind == alarm.Silent
				wants = append(wants, f.Text)
			}
		}
		if v.Silent && !silent {
			wants = append(wants, fmt.Sprintf("%s: sensor %s has sent nothing since %s", v.Room, v.Name, e.local(v.LastSeen)))
		}
		if len(wants) > 0 {
			out = append(out, strings.Join(wants, "; "))
		}
	}
	return out
}

func (e *Engine) local(t time.Time) string { return t.In(e.cfg.Zone).Format("Mon 2 Jan 2006 15:04") }

// weekCosts are those of the lots in store, by their accounts.
func (e *Engine) weekCosts(w *alarm.Week) {
	for _, l := range e.book.Lots() {
		if l.Finished() && l.FinishedAt.Before(w.Since) {
			continue
		}
		lost, from, err := e.costSince(l, w.Since)
		if err != nil {
			w.Uncosted++
			continue
		}
		if w.CostSince.IsZero() || from.Before(w.CostSince) {
			w.CostSince = from
		}
		i := slices.IndexFunc(w.Rooms, func(r alarm.WeekRoom) bool { return r.Name == l.Room() })
		if i < 0 || !w.Rooms[i].Watched() {
			w.Uncosted++
		}
		if lost > 0 {
			w.Costs = append(w.Costs, alarm.LotCost{Lot: l.ID, Food: e.foodName(l), Days: lost})
		}
	}
}

func (e *Engine) weekFirst(now time.Time) (out []alarm.WeekLot) {
	stock, pasts, err := e.InStore(now)
	if err != nil {
		return nil
	}
	var stocks []review.Stock
	names := map[string]InStore{}
	for _, s := range stock {
		stocks, names[s.Lot] = append(stocks, s.Stock), s
	}
	var reviews []review.Review
	for _, p := range pasts {
		reviews = append(reviews, p.Review)
	}
	turns := review.UseFirst(stocks, reviews, now)
	for _, t := range turns[:min(weekFirst, len(turns))] {
		x := alarm.WeekLot{Lot: t.Lot, Food: names[t.Lot].FoodName, Room: names[t.Lot].Room, Early: t.Early}
		switch t.Reasons[0].Code {
		case review.PastRed:
			x.Why = "too moist: judge it first"
		case review.Leaking:
			x.Why = "its seal leaks"
		case review.PastEnd, review.MayBePast:
			x.Why = "judge it first"
		}
		out = append(out, x)
	}
	return out
}

// weekAlarms lists the alarms that came, the standing ones first, beside those
// of sensors that stand and are listed as what they want, and of treatments that
// are complete.
func (e *Engine) weekAlarms(w *alarm.Week, came []dispatch.Came, now time.Time) {
	for _, x := range came {
		c := e.Condition(x.Key)
		if x.Ended.IsZero() && x.Key.Kind.Scope() == alarm.OfSensor || x.Key.Kind == alarm.HoldComplete {
			continue
		}
		a := alarm.WeekAlarm{Text: x.Key.String(), Began: x.Began, Ended: x.Ended, Told: !x.Told.IsZero()}
		if c.Key == x.Key {
			ev, at := alarm.Raised, now
			if !x.Ended.IsZero() {
				ev, at = alarm.Returned, x.Ended
			}
			a.Text = e.tell(c, ev, at).Subject
			if !c.AckAt.Before(x.Began) {
				a.Acknowledged = c.AckBy
			}
		}
		w.Alarms = append(w.Alarms, a)
	}
	slices.SortStableFunc(w.Alarms, func(a, b alarm.WeekAlarm) int {
		if a.Ended.IsZero() != b.Ended.IsZero() {
			return flag(b.Ended.IsZero()) - flag(a.Ended.IsZero())
		}
		return a.Began.Compare(b.Began)
	})
	if more := len(w.Alarms) - weekAlarms; more > 0 {
		w.Notes = append(w.Notes, fmt.Sprintf("%d more alarms are not listed here", more))
		w.Alarms = w.Alarms[:weekAlarms]
	}
	aside := func(c alarm.Condition) {
		switch c.State {
		case alarm.Shelved:
			w.Aside = append(w.Aside, fmt.Sprintf("%s, shelved by %s until %s", c.Key, c.AsideBy, e.local(c.ShelvedUntil)))
		case alarm.OutOfService:
			w.Aside = append(w.Aside, fmt.Sprintf("%s, out of service by %s", c.Key, c.AsideBy))
		}
	}
	for _, c := range e.conditions {
		aside(c)
	}
	for _, rs := range e.rooms {
		for _, c := range rs.conditions {
			aside(c)
		}
	}
}

// weekSteps are the treatments that are under way or were completed.
func (e *Engine) weekSteps(since time.Time) (out []string) {
	for _, l := range e.book.Lots() {
		in := e.lots[l.ID].view.Insects
		if l.Finished() || in == nil || l.Packing.Treatment.Kind == lot.NoTreatment {
			continue
		}
		name := l.ID + " " + e.foodName(l) + ": "
		done := l.Packing.PackedAt.Add(time.Duration(in.HeldAfter * 24 * float64(time.Hour)))
		switch age := e.lots[l.ID].asOf.Sub(l.Packing.PackedAt); {
		case in.Frozen:
		case in.HeldAfter > 0:
			if done.After(since) {
				out = append(out, name+"low-oxygen hold complete on "+e.date(done)+", if the seal held")
			}
		case in.Hold > 0 && in.Hold < 1:
			ready := l.Packing.PackedAt.Add(time.Duration(float64(age) / in.Hold))
			out = append(out, fmt.Sprintf("%slow-oxygen hold %.0f %% complete; at this pace all of it by %s", name, 100*in.Hold, e.date(ready)))
		default:
			if out = append(out, name+in.Words); in.Next != "" {
				out[len(out)-1] += "; next: " + in.Next
			}
		}
	}
	if more := len(out) - weekSteps; more > 0 {
		out = append(out[:weekSteps], fmt.Sprintf("and %d more lots", more))
	}
	return out
}

func (e *Engine) date(t time.Time) string { return t.In(e.cfg.Zone).Format("2 Jan 2006") }

// weekNotes are what people noted of rooms and alarms.
func (e *Engine) weekNotes(since time.Time) (out []string) {
	for _, rs := range e.rooms {
		for _, n := range e.notes.InForce(rs.name) {
			if n.Recorded.After(since) {
				out = append(out, e.noteLine(rs.name, n))
			}
		}
	}
	mark := func(c alarm.Condition) {
		if c.Note != "" && c.NoteAt.After(since) {
			out = append(out, fmt.Sprintf("%s, by %s: %s", c.Key, c.NoteBy, strings.TrimSpace(c.Note)))
		}
	}
	for _, c := range e.conditions {
		mark(c)
	}
	for _, rs := range e.rooms {
		for _, c := range rs.conditions {
			mark(c)
		}
	}
	return out
}

func (e *Engine) noteLine(room string, n note.Change) string {
	return fmt.Sprintf("%s, %s to %s: %s", room, e.local(n.From), e.local(n.To), n.Text)
}
