package dispatch

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"dryhold/internal/alarm"
)

// Standing is one alarm condition as it stands.
type Standing struct {
	Key alarm.Key
	// Room is the one with whose messages it goes, that of a lot where the lot
	// stands; empty for those of the whole site.
	Room         string
	Priority     alarm.Priority
	Active       bool
	Unknown      bool // there is no reading now: it may have returned and come back
	Aside        bool // shelved or out of service
	Acknowledged bool // of the present spell
	Raised       time.Time
	// Alike marks a silent sensor that has a cause in common with others: no
	// sensor of its room speaks, or the broker is away.
	Alike bool
}

// Told is what one recipient was told of one alarm, or their diary where Key is
// zero. It is kept beside the alarm conditions, in the same transaction.
type Told struct {
	To  string    `json:"to"`
	Key alarm.Key `json:"key"`
	Episode
	// Since is when it was raised last within the episode.
	Since time.Time `json:"since,omitzero"`
	// Last is when it was told last, and Reminders how often after the first.
	Last      time.Time `json:"last,omitzero"`
	Reminders int       `json:"reminders,omitempty"`
	// Past are episodes that are over and stood in no digest yet.
	Past  []Episode `json:"past,omitempty"`
	Diary *Diary    `json:"diary,omitempty"`
	// Gone says that there is nothing left to keep.
	Gone bool `json:"-"`
}

// Episode is an alarm from its first raise to the last return before a day of
// calm.
type Episode struct {
	Began time.Time `json:"began,omitzero"` // zero for none
	Ended time.Time `json:"ended,omitzero"` // the last return; zero while it stands
	Told  time.Time `json:"told,omitzero"`  // as raised; zero if it was not
}

// Diary is what is kept of a recipient beside what was told of alarms.
type Diary struct {
	Messages int         `json:"messages"`       // sent so far
	Sent     []time.Time `json:"sent,omitempty"` // those of the last day that count against AtMost
	Digest   time.Time   `json:"digest,omitzero"`
	// Drill is when the last drill was due, DrillTold when it was told last.
	Drill     time.Time `json:"drill,omitzero"`
	DrillOpen bool      `json:"drill_open,omitempty"`
	DrillTold time.Time `json:"drill_told,omitzero"`
}

// mostPast bounds the episodes kept for a digest; the first of more are let go
// of. No more than seven fit between two weekly digests.
const mostPast = 32

// forgotten is when an alarm that returned and of which nothing is known since,
// as of a sensor that was replaced, is let go of without a word (judgement).
const forgotten = 30 * 24 * time.Hour

// compareKeys orders keys of alarms.
func compareKeys(a, b alarm.Key) int {
	return cmp.Or(cmp.Compare(a.Kind, b.Kind), strings.Compare(a.Room, b.Room), strings.Compare(a.Sensor, b.Sensor), strings.Compare(a.Lot, b.Lot))
}

// person is a recipient with all that was told.
type person struct {
	Recipient
	told  map[alarm.Key]*Told
	diary Diary

	changed map[alarm.Key]bool // since the step began; the zero key is the diary
}

func (p *person) touch(key alarm.Key) { p.changed[key] = true }

// keys lists the alarms of which something is kept, in order.
func (p *person) keys() []alarm.Key {
	keys := make([]alarm.Key, 0, len(p.told))
	for k := range p.told {
		keys = append(keys, k)
	}
	slices.SortFunc(keys, compareKeys)
	return keys
}

// takeChanged gives what must be stored.
func (p *person) takeChanged() []Told {
	keys := make([]alarm.Key, 0, len(p.changed))
	for k := range p.changed {
		keys = append(keys, k)
	}
	slices.SortFunc(keys, compareKeys)
	var out []Told
	for _, k := range keys {
		switch t := p.told[k]; {
		case k == alarm.Key{}:
			d := p.diary
			d.Sent = slices.Clone(d.Sent)
			out = append(out, Told{To: p.Name, Diary: &d})
		case t == nil:
			out = append(out, Told{To: p.Name, Key: k, Gone: true})
		default:
			x := *t
			x.Past = slices.Clone(x.Past)
			out = append(out, x)
		}
	}
	clear(p.changed)
	return out
}

// follow brings what is kept up to the alarms as they stand.
func (p *person) follow(now time.Time, standing []Standing, at map[alarm.Key]int) {
	for i := range standing {
		s := &standing[i]
		t := p.told[s.Key]
		switch {
		case s.Aside && s.Active && (t == nil || t.Began.IsZero()): // nothing is told of it
		case t == nil && s.Active:
			p.told[s.Key] = &Told{To: p.Name, Key: s.Key, Episode: Episode{Began: s.Raised}, Since: s.Raised}
			p.touch(s.Key)
		case t == nil:
		case s.Active:
			p.stands(now, t, s)
		case t.Ended.IsZero() && !t.Began.IsZero():
			t.Ended = now
			p.touch(s.Key)
		}
	}
	for _, key := range p.keys() {
		t := p.told[key]
		i, here := at[key]
		switch {
		case !here && !t.Began.IsZero() && t.Ended.IsZero():
			t.Ended = now // watched no more
			p.touch(key)
		case t.Began.IsZero() || t.Ended.IsZero() || now.Sub(t.Ended) < Calm:
		case !here, !standing[i].Unknown && t.Told.IsZero(), now.Sub(t.Ended) >= forgotten:
			p.over(t)
		}
	}
}

// stands takes note that an alarm stands.
func (p *person) stands(now time.Time, t *Told, s *Standing) {
	if !t.Began.IsZero() && !t.Ended.IsZero() && now.Sub(t.Ended) >= Calm {
		p.over(t)
	}
	if p.told[s.Key] == nil { // nothing was left to keep of it
		p.told[s.Key] = t
	}
	if t.Began.IsZero() {
		t.Began = s.Raised
		p.touch(s.Key)
	}
	if !t.Ended.IsZero() || s.Raised.After(t.Since) {
		t.Ended, t.Since = time.Time{}, s.Raised
		p.touch(s.Key)
	}
}

// over ends an episode; what was told of it is kept for the digest.
func (p *person) over(t *Told) {
	past := t.Past
	if p.Digest != nil {
		past = append(past, t.Episode)
		past = past[max(0, len(past)-mostPast):]
	}
	*t = Told{To: t.To, Key: t.Key, Past: past}
	p.touch(t.Key)
	if len(past) == 0 {
		delete(p.told, t.Key)
	}
}

// reported takes episodes that stand in a digest off the list.
func (p *person) reported() {
	for _, key := range p.keys() {
		if t := p.told[key]; len(t.Past) > 0 {
			t.Past = nil
			p.touch(key)
			if t.Began.IsZero() {
				delete(p.told, key)
			}
		}
	}
}
