package dispatch

import (
	"time"

	"dryhold/internal/alarm"
	"dryhold/internal/lot"
)

// drillRepeat is when a drill that nobody acknowledges is told again.
const drillRepeat = 7 * 24 * time.Hour

// digest is the weekly digest, if it is due: once, however many weeks were
// missed, and not in quiet hours. The first week of a recipient has none.
func (d *Desk) digest(p *person, quiet bool) (m Message, ok bool) {
	if p.Digest == nil {
		return m, false
	}
	since, at := p.diary.Digest, p.Digest.Before(d.now, p.Zone)
	if since.IsZero() {
		p.diary.Digest = at
		p.touch(alarm.Key{})
		return m, false
	}
	if quiet || !at.After(since) {
		return m, false
	}
	m = d.message(p)
	m.Digest = &Week{Since: since, Next: p.Digest.Next(d.now, p.Zone), Came: p.came(since)}
	p.diary.Digest = at
	p.reported()
	return m, true
}

// came lists the alarms of the time since an instant.
func (p *person) came(since time.Time) (out []Came) {
	for _, key := range p.keys() {
		t := p.told[key]
		for _, e := range append(t.Past[:len(t.Past):len(t.Past)], t.Episode) {
			if !e.Began.IsZero() && (e.Ended.IsZero() || !e.Ended.Before(since)) {
				out = append(out, Came{key, e})
			}
		}
	}
	return out
}

// drill is the yearly drill, from its day on each week until it is acknowledged.
func (d *Desk) drill(p *person, quiet bool) (m Message, ok bool) {
	if p.Drill == nil {
		return m, false
	}
	at := p.Drill.before(d.now, p.Zone)
	switch b := &p.diary; {
	case b.Drill.IsZero():
		b.Drill = at
		p.touch(alarm.Key{})
	case at.After(b.Drill):
		b.Drill, b.DrillOpen, b.DrillTold = at, true, time.Time{}
		p.touch(alarm.Key{})
	}
	if quiet || !p.diary.DrillOpen || d.now.Sub(p.diary.DrillTold) < drillRepeat {
		return m, false
	}
	m = d.message(p)
	m.Drill, p.diary.DrillTold = true, d.now
	return m, true
}

// Drilled is what must be stored where a recipient acknowledges the drill, and
// then loaded. The error wraps lot.ErrNotFound or lot.ErrInvalid.
func (d *Desk) Drilled(to string) ([]Told, error) {
	p := d.person(to)
	switch {
	case p == nil:
		return nil, lot.NotFound("nobody is named %q among notify.recipients", to)
	case !p.diary.DrillOpen:
		return nil, lot.Invalid("no drill waits for %s", to)
	}
	b := p.diary
	b.DrillOpen = false
	return []Told{{To: to, Diary: &b}}, nil
}
