package replay

import (
	"cmp"
	"slices"
	"time"

	"dryhold/internal/alarm"
)

// Bars of a household (judgement), beside what the standard's guidance asks of
// a control room: at most about 150 alarms a day for an operator, one in ten
// minutes, is manageable (EEMUA 191 and, after it, ISA-18.2 / IEC 62682; from
// memory). A keeper has other work, sleeps and travels.
const (
	MostInWeek  = 1 // messages, mean of a normal year
	MostInDay   = 3 // messages, in a hot week
	ControlRoom = 150
)

// Summary is a log in numbers.
type Summary struct {
	From     time.Time `json:"from"`
	To       time.Time `json:"to"`
	Readings int       `json:"readings"`
	// Raised counts the raises; PerDay is their rate, by which the standard's
	// guidance goes.
	Raised  int      `json:"raised"`
	PerDay  float64  `json:"raised_per_day"`
	Busiest Busy     `json:"busiest_day"`
	Stood   []string `json:"stood_at_the_start"` // keys
	Alarms  []Line   `json:"alarms"`             // by kind and place
	Longest *Spell   `json:"longest,omitempty"`
	People  []Person `json:"people"` // by name
	Weeks   []Week   `json:"weeks"`
	Spells  []Spell  `json:"spells"`   // in order of their raise
	Told    []Told   `json:"messages"` // in order
}

// Busy is the day of most of something, by the zone of the site; empty for none.
type Busy struct {
	Day   string `json:"day"`
	Count int    `json:"count"`
}

// Line counts the alarms of one kind in one room, or of all lots or the site.
type Line struct {
	Kind    alarm.Kind `json:"kind"`
	Room    string     `json:"room,omitempty"`
	Raised  int        `json:"raised"`
	Seconds float64    `json:"active_seconds"`
	Longest float64    `json:"longest_seconds"`
}

// Spell is one alarm from its raise to its return.
type Spell struct {
	Alarm string    `json:"alarm"`
	From  time.Time `json:"raised"`
	To    time.Time `json:"returned,omitzero"` // zero where it stood at the end
	Peak  float64   `json:"peak"`              // canonical unit
	key   alarm.Key
}

// Week counts a week of seven days, the first from the start on.
type Week struct {
	From     time.Time `json:"from"`
	Raised   int       `json:"raised"`
	Messages int       `json:"messages"`
}

// Person is what one person was told. Digests and drills stand beside the
// messages.
type Person struct {
	Name      string  `json:"name"`
	Messages  int     `json:"messages"`
	Reminders int     `json:"of_them_reminders"` // that tell nothing new
	Digests   int     `json:"digests"`
	PerWeek   float64 `json:"messages_per_week"`
	Busiest   Busy    `json:"busiest_day"`
}

// Told is one message.
type Told struct {
	At      time.Time         `json:"at"`
	To      string            `json:"to"`
	Event   alarm.NoticeEvent `json:"event"`
	Subject string            `json:"subject"`
	Alarms  []string          `json:"alarms"`
}

// Summary sums a log up, by days of a zone.
func (l *Log) Summary(zone *time.Location) Summary {
	s := Summary{From: l.From, To: l.To, Readings: l.Readings, Stood: []string{}, Alarms: []Line{}, People: []Person{}, Weeks: []Week{}, Spells: []Spell{}, Told: []Told{}}
	for _, c := range l.Stood {
		s.Stood = append(s.Stood, c.Key.String())
	}
	for at := l.From; at.Before(l.To); at = at.Add(7 * 24 * time.Hour) {
		s.Weeks = append(s.Weeks, Week{From: at})
	}
	s.spells(l)
	raises := days{zone: zone}
	for i := range s.Spells {
		x := &s.Spells[i]
		s.Raised++
		raises.add(x.From)
		if w := s.week(x.From); w != nil {
			w.Raised++
		}
		s.line(*x)
	}
	s.Busiest = raises.most()
	if length := l.To.Sub(l.From); length > 0 {
		s.PerDay = float64(s.Raised) / (length.Hours() / 24)
	}
	slices.SortFunc(s.Alarms, func(a, b Line) int {
		return cmp.Or(cmp.Compare(b.Raised, a.Raised), cmp.Compare(a.Kind, b.Kind), cmp.Compare(a.Room, b.Room))
	})
	s.people(l, zone)
	return s
}

// spells joins raises and what ended them.
func (s *Summary) spells(l *Log) {
	open := map[alarm.Key]int{}
	for _, e := range l.Alarms {
		i, is := open[e.Key]
		switch {
		case raised(e):
			open[e.Key] = len(s.Spells)
			s.Spells = append(s.Spells, Spell{Alarm: e.Key.String(), From: e.At, Peak: e.Peak, key: e.Key})
		case is && !active(e.To):
			s.Spells[i].To, s.Spells[i].Peak = e.At, e.Peak
			delete(open, e.Key)
		}
	}
	for i, x := range s.Spells {
		if s.Longest == nil || x.length(l.To) > s.Longest.length(l.To) {
			s.Longest = &s.Spells[i]
		}
	}
}

// length is how long a spell lasted, up to the end of what was played.
func (x Spell) length(end time.Time) time.Duration {
	if !x.To.IsZero() {
		end = x.To
	}
	return end.Sub(x.From)
}

// Length is how long a spell of the summary lasted, so far.
func (s *Summary) Length(x Spell) time.Duration { return x.length(s.To) }

func (s *Summary) line(x Spell) {
	i := slices.IndexFunc(s.Alarms, func(l Line) bool { return l.Kind == x.key.Kind && l.Room == x.key.Room })
	if i < 0 {
		i, s.Alarms = len(s.Alarms), append(s.Alarms, Line{Kind: x.key.Kind, Room: x.key.Room})
	}
	l, seconds := &s.Alarms[i], s.Length(x).Seconds()
	l.Raised++
	l.Seconds += seconds
	l.Longest = max(l.Longest, seconds)
}

func (s *Summary) week(at time.Time) *Week {
	i := int(at.Sub(s.From) / (7 * 24 * time.Hour))
	if at.Before(s.From) || i >= len(s.Weeks) {
		return nil
	}
	return &s.Weeks[i]
}

func (s *Summary) people(l *Log, zone *time.Location) {
	by := map[string]*days{}
	for _, m := range l.Messages {
		i := slices.IndexFunc(s.People, func(p Person) bool { return p.Name == m.To })
		if i < 0 {
			i, s.People = len(s.People), append(s.People, Person{Name: m.To})
			by[m.To] = &days{zone: zone}
		}
		p, told := &s.People[i], Told{At: m.At, To: m.To, Event: m.Event, Subject: m.Subject, Alarms: []string{}}
		for _, item := range m.Items {
			told.Alarms = append(told.Alarms, item.Key.String())
		}
		s.Told = append(s.Told, told)
		if !tells(m) {
			p.Digests++
			continue
		}
		p.Messages++
		by[m.To].add(m.At)
		if w := s.week(m.At); w != nil {
			w.Messages++
		}
		if !slices.ContainsFunc(m.Items, func(x alarm.Item) bool { return x.Event != alarm.Reminder }) {
			p.Reminders++
		}
	}
	for i := range s.People {
		p := &s.People[i]
		p.Busiest = by[p.Name].most()
		if length := l.To.Sub(l.From); length > 0 {
			p.PerWeek = float64(p.Messages) / (length.Hours() / 24 / 7)
		}
	}
	slices.SortFunc(s.People, func(a, b Person) int { return cmp.Compare(a.Name, b.Name) })
}

// tells reports whether a message tells of alarms: a digest or a drill comes by
// the calendar.
func tells(m alarm.Notice) bool { return m.Event != alarm.Digest && m.Event != alarm.Test }

// days counts by day of a zone.
type days struct {
	zone  *time.Location
	count map[string]int
}

func (d *days) add(at time.Time) {
	if d.count == nil {
		d.count = map[string]int{}
	}
	d.count[at.In(d.zone).Format(time.DateOnly)]++
}

// most is the first of the days with most.
func (d *days) most() (b Busy) {
	for day, n := range d.count {
		if n > b.Count || n == b.Count && day < b.Day {
			b = Busy{day, n}
		}
	}
	return b
}
