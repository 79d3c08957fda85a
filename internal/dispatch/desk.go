package dispatch

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	"dryhold/internal/alarm"
)

// Item is one alarm in a message.
type Item struct {
	Key   alarm.Key
	Event alarm.NoticeEvent // Raised, Escalated, Reminder or Returned
	At    time.Time         // of the event: of a return, when it was; else now
	// Began is when it was raised first within the episode, of which the message
	// tells: the last raise may be one of many.
	Began time.Time
}

// Message is one message for one recipient, for others to word.
type Message struct {
	To       string
	Channels []string
	Key      string // unique to the message, the same whenever it is sent
	Items    []Item // the worst first
	// Digest is set in the weekly digest and Drill in a drill, which have no
	// items.
	Digest *Week
	Drill  bool
}

// Week is what a digest is about.
type Week struct {
	Since time.Time // the digest before
	Next  time.Time
	Came  []Came // alarms of that time, by key
}

// Came is one alarm of a week.
type Came struct {
	Key alarm.Key
	Episode
}

// Desk decides who is told what. It holds what was told so far and is not safe
// for concurrent use.
type Desk struct {
	people []*person // those that wait for others last
	now    time.Time
}

// New is a desk for recipients with distinct names, who were told nothing yet.
func New(recipients []Recipient) *Desk {
	d := &Desk{}
	for _, r := range recipients {
		if r.Zone == nil {
			r.Zone = time.UTC
		}
		d.people = append(d.people, &person{Recipient: r, told: map[alarm.Key]*Told{}, changed: map[alarm.Key]bool{}})
	}
	slices.SortStableFunc(d.people, func(a, b *person) int { return cmp.Compare(min(a.After, 1), min(b.After, 1)) })
	return d
}

// Load takes what was stored. What is of recipients that are there no more is
// passed over.
func (d *Desk) Load(told []Told) {
	for _, t := range told {
		p := d.person(t.To)
		switch {
		case p == nil:
		case t.Diary != nil:
			p.diary = *t.Diary
		default:
			p.told[t.Key] = &t
		}
	}
}

func (d *Desk) person(name string) *person {
	i := slices.IndexFunc(d.people, func(p *person) bool { return p.Name == name })
	if i < 0 {
		return nil
	}
	return d.people[i]
}

// Knows reports whether anything is kept of an alarm: then Step must be given
// it even where it is normal.
func (d *Desk) Knows(key alarm.Key) bool {
	return slices.ContainsFunc(d.people, func(p *person) bool { return p.told[key] != nil })
}

// Step lets time come to now: given every alarm that is not normal, or that the
// desk knows, each once and in any order, it gives the messages that go out now
// and what must be stored in the same transaction with them. Refusing are the
// channels that refuse what they are given. A now before the last one is taken
// as the last one.
func (d *Desk) Step(now time.Time, standing []Standing, refusing []string) (out []Message, changed []Told) {
	if now.After(d.now) {
		d.now = now
	}
	at := make(map[alarm.Key]int, len(standing))
	for i := range standing {
		at[standing[i].Key] = i
	}
	for _, p := range d.people {
		p.mend(d.now)
		p.follow(d.now, standing, at)
	}
	for _, p := range d.people { // those first for whom others wait
		out = append(out, d.messages(p, standing, refusing)...)
		changed = append(changed, p.takeChanged()...)
	}
	return out, changed
}

// mend takes instants that lie ahead, from a clock that was wrong, as now, and
// messages sent then as none: nothing may be put off by them.
func (p *person) mend(now time.Time) {
	mended := false
	back := func(t *time.Time) {
		if t.After(now) {
			*t, mended = now, true
		}
	}
	for _, key := range p.keys() {
		t := p.told[key]
		for _, at := range []*time.Time{&t.Began, &t.Ended, &t.Told, &t.Since, &t.Last} {
			back(at)
		}
		if mended {
			p.touch(key)
		}
		mended = false
	}
	p.diary.Sent = slices.DeleteFunc(p.diary.Sent, func(at time.Time) bool {
		mended = mended || at.After(now)
		return at.After(now)
	})
	for _, at := range []*time.Time{&p.diary.Digest, &p.diary.Drill, &p.diary.DrillTold} {
		back(at)
	}
	if mended {
		p.touch(alarm.Key{})
	}
}

// due is an alarm that can be told.
type due struct {
	*Standing
	told  *Told
	event alarm.NoticeEvent
	// alone is set when it makes a message; else it only joins one.
	alone bool
}

// loud is how loud an alarm speaks: a return never wakes anybody.
func (x due) loud() alarm.Priority {
	if x.event == alarm.Returned {
		return alarm.Low
	}
	return x.Priority
}

// messages are those that go out to one recipient now.
func (d *Desk) messages(p *person, standing []Standing, refusing []string) (out []Message) {
	groups := groupsOf(d.collect(p, standing, refusing))
	quiet := p.quiet(d.now)
	groups = slices.DeleteFunc(groups, func(g group) bool { return quiet && (p.Urgent == 0 || g.loud < p.Urgent) })
	left := p.AtMost - p.sent(d.now)
	var going, held []group
	for _, g := range groups {
		switch {
		case g.news == 0 && len(going) > 0: // that it still stands goes with what is new
			held = append(held, g)
		case g.news < alarm.High && left < p.wants(g):
			held = append(held, g)
		default:
			left--
			going = append(going, g)
		}
	}
	if n := len(going); n > 0 { // the last one takes along what makes none of its own
		for _, g := range held {
			going[n-1].items = append(going[n-1].items, g.items...)
		}
	}
	for _, g := range going {
		out = append(out, d.send(p, g, refusing))
	}
	if m, ok := d.digest(p, quiet); ok {
		out = append(out, m)
	}
	if m, ok := d.drill(p, quiet); ok {
		out = append(out, m)
	}
	return out
}

// wants is how many messages the day must have left for a group to go out. The
// last one is kept for a new alarm that is not low, so that what can wait never
// holds up what cannot.
func (p *person) wants(g group) int {
	if g.news >= alarm.Medium {
		return 1
	}
	return min(2, p.AtMost)
}

// news is the priority of an alarm that is told as raised; 0 of what was told
// before.
func (x due) news() alarm.Priority {
	if x.event == alarm.Raised || x.event == alarm.Escalated {
		return x.Priority
	}
	return 0
}

// rank puts what is new before what is told again, and that before what is over.
func (x due) rank() int {
	return slices.Index([]alarm.NoticeEvent{alarm.Raised, alarm.Escalated, alarm.Reminder, alarm.Returned}, x.event)
}

// group is what is due of one room.
type group struct {
	room  string
	items []due
	loud  alarm.Priority // of what makes the message
	news  alarm.Priority // of what is new of that: high goes out however many there were
	first time.Time      // the first of the raises that make it
}

// groupsOf parts what is due by room, without rooms of which nothing makes a
// message: what is new first, then the loudest, then the oldest.
func groupsOf(items []due) (groups []group) {
	for _, x := range items {
		i := slices.IndexFunc(groups, func(g group) bool { return g.room == x.Room })
		if i < 0 {
			i, groups = len(groups), append(groups, group{room: x.Room})
		}
		g := &groups[i]
		g.items = append(g.items, x)
		if x.alone {
			if g.loud == 0 || x.told.Began.Before(g.first) {
				g.first = x.told.Began
			}
			g.loud, g.news = max(g.loud, x.loud()), max(g.news, x.news())
		}
	}
	groups = slices.DeleteFunc(groups, func(g group) bool { return g.loud == 0 })
	slices.SortFunc(groups, func(a, b group) int {
		return cmp.Or(cmp.Compare(b.news, a.news), cmp.Compare(b.loud, a.loud), a.first.Compare(b.first), cmp.Compare(a.room, b.room))
	})
	return groups
}

// collect lists what can be told now.
func (d *Desk) collect(p *person, standing []Standing, refusing []string) (out []due) {
	for i := range standing {
		s := &standing[i]
		t := p.told[s.Key]
		if t == nil || t.Began.IsZero() || s.Aside || s.Priority < p.Least && s.Key.Kind != alarm.Delivery {
			continue
		}
		x := due{Standing: s, told: t}
		switch {
		case s.Active && t.Told.IsZero():
			if !d.escalates(p, s, refusing) {
				continue
			}
			x.event = alarm.Raised
			if p.After > 0 {
				x.event = alarm.Escalated
			}
			x.alone = s.settled(t, d.now) && !p.covered(s, standing)
		case s.Active && p.again(t, s, d.now):
			x.event, x.alone = alarm.Reminder, s.Priority > alarm.Low && !p.covered(s, standing)
		case !s.Active && !s.Unknown && !t.Told.IsZero() && d.now.Sub(t.Ended) >= Calm:
			x.event, x.alone = alarm.Returned, s.Priority > alarm.Low
		default:
			continue
		}
		out = append(out, x)
	}
	return out
}

// settled reports whether an alarm has stood for long enough to be told: a
// silence since the sensor was last heard.
func (s *Standing) settled(t *Told, now time.Time) bool {
	if s.Key.Kind == alarm.Silent && s.Priority < alarm.High {
		return now.Sub(s.Raised) >= Patience
	}
	return now.Sub(t.Began) >= Grouping
}

// again reports whether an alarm is to be told again: not good news, and not a
// forecast, which comes true, and then has an alarm of its own, or does not.
func (p *person) again(t *Told, s *Standing, now time.Time) bool {
	if s.Acknowledged || len(p.Repeat) == 0 || s.Key.Kind == alarm.HoldComplete || s.Key.Kind == alarm.Ahead {
		return false
	}
	return now.Sub(t.Last) >= p.Repeat[min(t.Reminders, len(p.Repeat)-1)]
}

// escalates reports whether the time of a recipient has come who waits for
// others: nobody acknowledged the alarm since the first of them was told, or
// none of them is told of such alarms, or none can be reached.
func (d *Desk) escalates(p *person, s *Standing, refusing []string) bool {
	if p.After == 0 {
		return true
	}
	if s.Acknowledged {
		return false
	}
	from, meant, reached := time.Time{}, false, false
	for _, o := range d.people {
		if o.After > 0 || s.Priority < o.Least && s.Key.Kind != alarm.Delivery {
			continue
		}
		meant, reached = true, reached || o.reachable(refusing)
		if t := o.told[s.Key]; t != nil && !t.Told.IsZero() && (from.IsZero() || t.Told.Before(from)) {
			from = t.Told
		}
	}
	switch {
	case meant && !reached:
		return true
	case !meant:
		from = s.Raised
	case from.IsZero(): // it waits for the others' quiet hours
		return false
	}
	if s.Raised.After(from) { // acknowledged, and back
		from = s.Raised
	}
	return d.now.Sub(from) >= p.After
}

// reachable reports whether a channel of the recipient takes what it is given.
func (p *person) reachable(refusing []string) bool {
	return slices.ContainsFunc(p.Channels, func(c string) bool { return !slices.Contains(refusing, c) })
}

// sent counts the messages of the last 24 h against AtMost.
func (p *person) sent(now time.Time) int {
	p.diary.Sent = slices.DeleteFunc(p.diary.Sent, func(at time.Time) bool { return now.Sub(at) >= 24*time.Hour })
	return len(p.diary.Sent)
}

// send makes the message of a group and takes note of what it tells.
func (d *Desk) send(p *person, g group, refusing []string) Message {
	slices.SortStableFunc(g.items, func(a, b due) int {
		return cmp.Or(cmp.Compare(b.loud(), a.loud()), cmp.Compare(a.rank(), b.rank()), a.told.Began.Compare(b.told.Began), compareKeys(a.Key, b.Key))
	})
	m := d.message(p)
	for _, x := range g.items {
		p.touch(x.Key)
		switch x.event {
		case alarm.Returned:
			m.Items = append(m.Items, Item{x.Key, x.event, x.told.Ended, x.told.Began})
			p.over(x.told)
			continue
		case alarm.Reminder:
			x.told.Reminders++
		default:
			x.told.Told = d.now
		}
		x.told.Last = d.now
		m.Items = append(m.Items, Item{x.Key, x.event, d.now, x.told.Began})
		if x.Key.Kind == alarm.Delivery && p.reachable(refusing) {
			m.Channels = slices.DeleteFunc(slices.Clone(p.Channels), func(c string) bool { return slices.Contains(refusing, c) })
		}
	}
	p.diary.Sent = append(p.diary.Sent, d.now)
	return m
}

// message begins the next message to a recipient.
func (d *Desk) message(p *person) Message {
	p.diary.Messages++
	p.touch(alarm.Key{})
	return Message{To: p.Name, Channels: p.Channels, Key: fmt.Sprintf("%s#%d/%s", p.Name, p.diary.Messages, d.now.UTC().Format("20060102T150405Z"))}
}
