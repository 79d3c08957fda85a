package engine

import (
	"slices"
	"strings"
	"time"

	"dryhold/internal/alarm"
	"dryhold/internal/lot"
)

// RoundView is where the inspection rounds of a room stand.
type RoundView struct {
	Room string `json:"room"`
	// Lots in store there, in the order they were added.
	Lots []string   `json:"lots"`
	Last *lot.Round `json:"last,omitempty"` // nil where there was none
	// Due is when the next is due; Overdue says that it is past.
	Due     time.Time `json:"due"`
	Overdue bool      `json:"overdue"`
}

// Rounds tells of every room that is open or has food in it, by name.
func (e *Engine) Rounds(now time.Time) []RoundView {
	names := e.Rooms()
	for _, l := range e.book.Lots() {
		if !l.Finished() && !slices.Contains(names, l.Room()) {
			names = append(names, l.Room())
		}
	}
	slices.Sort(names)
	var out []RoundView
	for _, name := range names {
		out = append(out, e.roundOf(name, now))
	}
	return out
}

// sinceRound lists the lots of a room, and since when nobody has looked through
// it: the last round, else when food first stood there.
func (e *Engine) sinceRound(name string) (lots []string, since time.Time) {
	lots = []string{}
	for _, l := range e.book.Lots() {
		if l.Finished() || l.Room() != name {
			continue
		}
		lots = append(lots, l.ID)
		if came := l.Stays[len(l.Stays)-1].From; since.IsZero() || came.Before(since) {
			since = came
		}
	}
	if last, any := e.book.LastRound(name); any {
		since = last.At
	}
	return lots, since
}

// roundOf tells where the rounds of a room stand. One without food is never due.
func (e *Engine) roundOf(name string, now time.Time) RoundView {
	v := RoundView{Room: name}
	var since time.Time
	v.Lots, since = e.sinceRound(name)
	if last, any := e.book.LastRound(name); any {
		v.Last = &last
	}
	if len(v.Lots) > 0 {
		v.Due = since.Add(e.roundEvery(name))
		v.Overdue = now.After(v.Due)
	}
	return v
}

// roundEvery is how often a room is looked through: its limit, or the usual
// time where nothing is to be raised.
func (e *Engine) roundEvery(name string) time.Duration {
	if rs := e.find(name); rs != nil {
		if rule, ok := rs.rules[alarm.RoundDue]; ok {
			return time.Duration(rule.Limit) * time.Second
		}
	}
	return lot.RoundEvery
}

// judgeRound raises that a room with food in it was not looked through for too
// long. It goes by the clock, not by readings: a room that nobody measures has
// rodents too.
func (e *Engine) judgeRound(rs *roomState, hour time.Time, fx *Effects) {
	rule, ok := rs.rules[alarm.RoundDue]
	if !ok {
		return
	}
	key := alarm.Key{Kind: alarm.RoundDue, Room: rs.name}
	lots, since := e.sinceRound(rs.name)
	if len(lots) == 0 {
		e.end(key, hour, fx)
		return
	}
	e.look(key, rule, hour, max(0, hour.Sub(since).Seconds()), true, fx)
}

// weekRound is what the weekly digest says of the rounds through a room: that
// one is due, and what the last one found.
func (e *Engine) weekRound(name string, now time.Time) (out []string) {
	v := e.roundOf(name, now)
	if v.Overdue {
		out = append(out, name+": an inspection round is due since "+e.date(v.Due)+"; dryhold rounds shows what to look for")
	}
	if v.Last != nil {
		var found []string
		for _, q := range v.Last.Found() {
			found = append(found, q.Found)
		}
		if len(found) > 0 {
			out = append(out, name+": the round of "+e.date(v.Last.At)+" found "+strings.Join(found, ", "))
		}
	}
	return out
}
