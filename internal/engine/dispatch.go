package engine

import (
	"time"

	"dryhold/internal/alarm"
	"dryhold/internal/dispatch"
)

// Dispatching is who is told, and what they were told so far.
type Dispatching struct {
	Recipients []dispatch.Recipient
	Told       []dispatch.Told
}

// Ways is how the daemon fares that tells people.
type Ways struct {
	BrokerAway bool     // no sensor can be heard
	Refusing   []string // channels that refuse what they are given
}

// people are told by a desk.
type people struct {
	desk  *dispatch.Desk // nil where nobody is
	asked time.Time
}

// askEvery is how often the desk is asked: seldom against its shortest wait.
const askEvery = 10 * time.Second

func newPeople(d Dispatching) people {
	if len(d.Recipients) == 0 {
		return people{}
	}
	desk := dispatch.New(d.Recipients)
	desk.Load(d.Told)
	return people{desk: desk}
}

// Dispatch lets time come to now for those who are told: the effects hold the
// messages that go out to people, and what is then known to be told. It follows
// Observe and Tick, and also runs where neither can, as while the disk is full.
func (e *Engine) Dispatch(now time.Time, ways Ways) Effects {
	var fx Effects
	if e.people.desk == nil || now.Sub(e.people.asked) < askEvery {
		return fx
	}
	e.people.asked = now
	messages, told := e.people.desk.Step(now, e.alarmsStanding(now, ways.BrokerAway), ways.Refusing)
	for _, m := range messages {
		fx.Notices = append(fx.Notices, e.word(m, now))
	}
	fx.Told = told
	return fx
}

// throughEpisode is the condition that a message tells of, since the beginning
// of the episode that the person knows: the nights of a hot week end no heat, and
// what is told at its end is what all of it has cost.
func (e *Engine) throughEpisode(x dispatch.Item) alarm.Condition {
	c := e.Condition(x.Key)
	if first := x.Began.Add(-e.ruleOf(x.Key).OnDelay); !x.Began.IsZero() && x.Began.Before(c.RaisedAt) && first.Before(c.Since) {
		c.Since = first
	}
	return c
}

// word writes a message.
func (e *Engine) word(m dispatch.Message, now time.Time) alarm.Notice {
	var n alarm.Notice
	switch {
	case m.Digest != nil:
		n = e.digest(m, now)
	case m.Drill:
		n = alarm.Drilling(e.cfg.Site, m.To, m.Key, now.In(e.cfg.Zone))
	default:
		var notices []alarm.Notice
		for _, x := range m.Items {
			notices = append(notices, e.tell(e.throughEpisode(x), x.Event, x.At))
		}
		n = alarm.Group(m.To, m.Key, now.In(e.cfg.Zone), notices)
	}
	n.Channels = m.Channels
	return n
}

// Drilled is what must be stored where a person acknowledges the yearly drill,
// and then given to Know. The error wraps lot.ErrNotFound or lot.ErrInvalid.
func (e *Engine) Drilled(name string) ([]dispatch.Told, error) {
	desk := e.people.desk
	if desk == nil {
		desk = dispatch.New(nil)
	}
	return desk.Drilled(name)
}

// Know takes what Drilled gave, once it is stored.
func (e *Engine) Know(told []dispatch.Told) {
	if e.people.desk != nil {
		e.people.desk.Load(told)
	}
}

// alarmsStanding lists the alarms that people may be told of.
func (e *Engine) alarmsStanding(now time.Time, away bool) (out []dispatch.Standing) {
	for _, c := range e.conditions {
		if e.matters(c) {
			out = append(out, e.stands(c))
		}
	}
	for _, rs := range e.rooms {
		alike := away || e.allSilent(rs, now)
		for _, c := range rs.conditions {
			if !e.matters(c) {
				continue
			}
			s := e.stands(c)
			if c.Key.Kind == alarm.Silent {
				if s.Alike = alike; away {
					s.Room = "" // one cause for all rooms
				}
			}
			out = append(out, s)
		}
	}
	return out
}

// matters leaves out what is in order and of which nobody was told.
func (e *Engine) matters(c alarm.Condition) bool {
	return c.Active || c.State != alarm.Normal || e.people.desk.Knows(c.Key)
}

func (e *Engine) stands(c alarm.Condition) dispatch.Standing {
	s := dispatch.Standing{
		Key: c.Key, Room: c.Key.Room, Priority: e.ruleOf(c.Key).Priority, Active: c.Active, Unknown: c.Unknown,
		Aside: c.State == alarm.Shelved || c.State == alarm.OutOfService, Acknowledged: c.State == alarm.ActiveAcknowledged, Raised: c.RaisedAt,
	}
	if c.Key.Lot != "" {
		if l, err := e.book.Find(c.Key.Lot); err == nil {
			s.Room = l.Room()
		}
	}
	return s
}

// allSilent reports whether no sensor of a room that is expected to speak does.
func (e *Engine) allSilent(rs *roomState, now time.Time) bool {
	expected := false
	for name := range e.watched(rs, now) {
		expected = true
		if c := e.kept(alarm.Key{Kind: alarm.Silent, Room: rs.name, Sensor: name}); c == nil || !c.Active {
			return false
		}
	}
	return expected
}
