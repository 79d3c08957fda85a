package dispatch_test

import (
	"encoding/json"
	"fmt"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"pgregory.net/rapid"

	"dryhold/internal/alarm"
	"dryhold/internal/dispatch"
)

// Random alarms, acknowledgements, shelving, quiet hours, refusing channels and
// pauses, against a reference that keeps for each alarm and recipient only what
// a person would on paper. Beside it a desk that is stored as JSON and loaded
// again at random says the same to the letter.
func TestEverybodyIsToldOnce(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		w := newWorld(t)
		for range rapid.IntRange(10, 60).Draw(t, "steps") {
			w.change(t)
			w.now = w.now.Add(time.Duration(rapid.SampledFrom([]int{10, 60, 290, 301, 1800, 3600, 3 * 3600, 9 * 3600, 24 * 3600, 30 * 3600}).Draw(t, "pause")) * time.Second)
			w.step(t)
		}
	})
}

// world is a house with alarms and people.
type world struct {
	now        time.Time
	recipients []dispatch.Recipient
	standing   []dispatch.Standing
	refusing   []string
	desk, kept *dispatch.Desk
	stored     map[string][]byte // rows as the store has them

	book map[string]*entry // by recipient and key
	sent map[string][]time.Time
	seen map[string]bool // keys of messages
}

// entry is what is on paper of one alarm for one recipient.
type entry struct {
	began, ended, told, last time.Time
	reminders                int
}

func newWorld(t *rapid.T) *world {
	berlin, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	spans := [][]dispatch.Span{nil, {{From: 22 * 60, To: 7 * 60}}, {{From: 13 * 60, To: 15 * 60}, {From: 23 * 60, To: 60}}}
	recipient := func(name string, after time.Duration) dispatch.Recipient {
		return dispatch.Recipient{
			Name: name, Channels: []string{"mail-" + name, "push-" + name}, Zone: berlin, After: after,
			Least:  alarm.Priority(rapid.IntRange(1, 3).Draw(t, "least")),
			Quiet:  rapid.SampledFrom(spans).Draw(t, "quiet"),
			Urgent: alarm.Priority(rapid.IntRange(0, 3).Draw(t, "urgent")),
			Repeat: rapid.SampledFrom([][]time.Duration{nil, dispatch.DefaultRepeat(), {time.Hour}}).Draw(t, "repeat"),
			AtMost: rapid.IntRange(1, 3).Draw(t, "at most"),
			Digest: rapid.SampledFrom([]*dispatch.Weekly{nil, dispatch.DefaultDigest()}).Draw(t, "digest"),
		}
	}
	w := &world{
		now:  time.Date(2026, 10, 24, rapid.IntRange(0, 23).Draw(t, "hour"), 0, 0, 0, time.UTC), // the night before 25 hours
		book: map[string]*entry{}, sent: map[string][]time.Time{}, seen: map[string]bool{}, stored: map[string][]byte{},
		recipients: []dispatch.Recipient{recipient("neighbour", 6*time.Hour), recipient("mara", 0)},
	}
	for _, key := range []string{"warm/loft", "hot/loft", "ageing/loft", "silent/loft/a", "silent/loft/b", "damp/cellar", "quality/L-1", "delivery"} {
		k, err := alarm.ParseKey(key)
		if err != nil {
			t.Fatal(err)
		}
		s := dispatch.Standing{Key: k, Room: k.Room, Priority: alarm.Priority(rapid.IntRange(1, 3).Draw(t, "priority")), Alike: k.Kind == alarm.Silent && rapid.Bool().Draw(t, "alike")}
		if k.Lot != "" {
			s.Room = "cellar"
		}
		w.standing = append(w.standing, s)
	}
	w.desk, w.kept = dispatch.New(w.recipients), dispatch.New(w.recipients)
	return w
}

// change lets something happen to some of the alarms.
func (w *world) change(t *rapid.T) {
	for range rapid.IntRange(0, 3).Draw(t, "changes") {
		s := &w.standing[rapid.IntRange(0, len(w.standing)-1).Draw(t, "which")]
		switch rapid.IntRange(0, 6).Draw(t, "what") {
		case 0, 1:
			if !s.Active {
				s.Active, s.Raised, s.Acknowledged, s.Unknown = true, w.now, false, false
			}
		case 2:
			s.Active, s.Acknowledged, s.Unknown = false, false, false
		case 3:
			s.Acknowledged = s.Active && !s.Aside
		case 4:
			if s.Aside = !s.Aside; !s.Aside && s.Active {
				s.Raised, s.Acknowledged = w.now, false
			}
		case 5:
			s.Unknown = !s.Unknown
		case 6:
			w.refusing = rapid.SampledFrom([][]string{nil, {"mail-mara"}, {"mail-mara", "push-mara"}, {"push-neighbour"}}).Draw(t, "refusing")
		}
	}
}

// step asks both desks and compares what they say with the book.
func (w *world) step(t *rapid.T) {
	if rapid.IntRange(0, 3).Draw(t, "restart") == 0 {
		w.kept = dispatch.New(w.recipients)
		w.kept.Load(w.load(t))
	}
	messages, changed := w.desk.Step(w.now, w.standing, w.refusing)
	again, kept := w.kept.Step(w.now, w.standing, w.refusing)
	if d := cmp.Diff(messages, again); d != "" {
		t.Fatalf("a restart changes what is said (-without +with):\n%s", d)
	}
	w.store(t, kept)
	if d := cmp.Diff(changed, kept, cmpopts.EquateEmpty()); d != "" {
		t.Fatalf("a restart changes what is kept (-without +with):\n%s", d)
	}
	early := w.now.Add(-time.Hour) // a clock set back
	if more, changed := w.desk.Step(early, w.standing, w.refusing); len(more)+len(changed) > 0 {
		t.Fatalf("asked twice it says %+v and keeps %+v", more, changed)
	}
	w.follow()
	before := map[string]int{}
	for _, r := range w.recipients {
		before[r.Name] = w.lately(r.Name)
	}
	for _, m := range messages {
		w.read(t, m)
		if m.Digest == nil {
			before[m.To] = 0 // what there is no room for goes with it
		}
	}
	for i := range w.recipients {
		w.complete(t, &w.recipients[i], before[w.recipients[i].Name])
	}
}

func (w *world) store(t *rapid.T, told []dispatch.Told) {
	for _, x := range told {
		id := x.To + " " + fmt.Sprint(x.Key)
		if x.Gone {
			delete(w.stored, id)
			continue
		}
		body, err := json.Marshal(x)
		if err != nil {
			t.Fatal(err)
		}
		w.stored[id] = body
	}
}

func (w *world) load(t *rapid.T) (out []dispatch.Told) {
	for _, body := range w.stored {
		var x dispatch.Told
		if err := json.Unmarshal(body, &x); err != nil {
			t.Fatal(err)
		}
		out = append(out, x)
	}
	return out
}

func id(to string, key alarm.Key) string { return to + " " + key.String() }

// follow enters in the book what stands and what is over.
func (w *world) follow() {
	for i := range w.recipients {
		for j := range w.standing {
			s, at := &w.standing[j], id(w.recipients[i].Name, w.standing[j].Key)
			e := w.book[at]
			switch {
			case s.Active && e == nil && !s.Aside, s.Active && e != nil && !e.ended.IsZero() && w.now.Sub(e.ended) >= dispatch.Calm && !s.Aside:
				w.book[at] = &entry{began: s.Raised}
			case e == nil:
			case s.Active && !e.ended.IsZero() && w.now.Sub(e.ended) >= dispatch.Calm:
				delete(w.book, at) // it comes back in its own time, shelved
			case s.Active:
				e.ended = time.Time{}
			case e.ended.IsZero():
				e.ended = w.now
			case w.now.Sub(e.ended) >= dispatch.Calm && (e.told.IsZero() && !s.Unknown || w.now.Sub(e.ended) >= 30*24*time.Hour):
				delete(w.book, at)
			}
		}
	}
}

func (w *world) of(key alarm.Key) *dispatch.Standing {
	return &w.standing[slices.IndexFunc(w.standing, func(s dispatch.Standing) bool { return s.Key == key })]
}

func (w *world) recipient(name string) *dispatch.Recipient {
	return &w.recipients[slices.IndexFunc(w.recipients, func(r dispatch.Recipient) bool { return r.Name == name })]
}

// read checks one message against the book and enters it there.
func (w *world) read(t *rapid.T, m dispatch.Message) {
	r := w.recipient(m.To)
	if w.seen[m.Key] {
		t.Fatalf("the key %s comes twice", m.Key)
	}
	w.seen[m.Key] = true
	if len(m.Channels) == 0 {
		t.Fatalf("a message without a way: %+v", m)
	}
	if m.Digest != nil {
		return
	}
	loud, news := alarm.Priority(0), alarm.Priority(0)
	for _, x := range m.Items {
		s, e := w.of(x.Key), w.book[id(m.To, x.Key)]
		if e == nil || s.Aside || s.Priority < r.Least && x.Key.Kind != alarm.Delivery {
			t.Fatalf("%s is told of %s, which is not for them: %+v %+v", m.To, x.Key, s, e)
		}
		switch x.Event {
		case alarm.Raised, alarm.Escalated:
			if !s.Active || !e.told.IsZero() || (x.Event == alarm.Escalated) != (r.After > 0) || !w.turn(r, s) {
				t.Fatalf("%s is told of %s as %s: %+v %+v", m.To, x.Key, x.Event, s, e)
			}
			e.told, e.last = w.now, w.now
			news = max(news, s.Priority)
		case alarm.Reminder:
			if !s.Active || e.told.IsZero() || s.Acknowledged || !due(r, e, w.now) {
				t.Fatalf("%s is told again of %s: %+v %+v", m.To, x.Key, s, e)
			}
			e.last = w.now
			e.reminders++
		case alarm.Returned:
			if s.Active || s.Unknown || e.told.IsZero() || w.now.Sub(e.ended) < dispatch.Calm {
				t.Fatalf("%s is told that %s is over: %+v %+v", m.To, x.Key, s, e)
			}
			delete(w.book, id(m.To, x.Key))
			loud = max(loud, alarm.Low)
			continue
		default:
			t.Fatalf("event %q", x.Event)
		}
		loud = max(loud, s.Priority)
	}
	if quiet(r, w.now) && (r.Urgent == 0 || loud < r.Urgent) {
		t.Fatalf("%s is woken by %+v", m.To, m)
	}
	w.sent[m.To] = append(w.sent[m.To], w.now)
	if n := w.lately(m.To); n > r.AtMost && news < alarm.High || n > r.AtMost+1-min(2, r.AtMost) && news < alarm.Medium {
		t.Fatalf("%s gets %d messages within a day, the last %+v", m.To, n, m)
	}
}

// lately counts the messages of the last 24 h.
func (w *world) lately(to string) (n int) {
	for _, at := range w.sent[to] {
		if w.now.Sub(at) < 24*time.Hour {
			n++
		}
	}
	return n
}

// quiet by the wall clock.
func quiet(r *dispatch.Recipient, now time.Time) bool {
	at := now.In(r.Zone).Format("15:04")
	for _, s := range r.Quiet {
		from, to := fmt.Sprintf("%02d:%02d", s.From/60, s.From%60), fmt.Sprintf("%02d:%02d", s.To/60, s.To%60)
		if from < to && from <= at && at < to || from > to && (from <= at || at < to) {
			return true
		}
	}
	return false
}

func due(r *dispatch.Recipient, e *entry, now time.Time) bool {
	return len(r.Repeat) > 0 && !now.Before(e.last.Add(r.Repeat[min(e.reminders, len(r.Repeat)-1)]))
}

// turn reports whether a recipient need not wait for others any more.
func (w *world) turn(r *dispatch.Recipient, s *dispatch.Standing) bool {
	if r.After == 0 {
		return true
	}
	mara := w.recipient("mara")
	e := w.book[id("mara", s.Key)]
	out := slices.Contains(w.refusing, "mail-mara") && slices.Contains(w.refusing, "push-mara")
	from := s.Raised
	switch {
	case s.Acknowledged:
		return false
	case s.Priority < mara.Least && s.Key.Kind != alarm.Delivery:
	case out:
		return true
	case e == nil || e.told.IsZero():
		return false
	case e.told.After(from):
		from = e.told
	}
	return !w.now.Before(from.Add(r.After))
}

// follows reports whether an alarm is the consequence of one that was told.
func (w *world) follows(to string, s *dispatch.Standing) bool {
	heat := []alarm.Kind{alarm.Ageing, alarm.Hot, alarm.Warm} // in the order of their names
	own := w.book[id(to, s.Key)]
	for i := range w.standing {
		o := &w.standing[i]
		e := w.book[id(to, o.Key)]
		if o.Key == s.Key || o.Aside || o.Priority < s.Priority || e == nil || e.told.IsZero() || o.Room != s.Room {
			continue
		}
		switch s.Key.Kind {
		case alarm.Silent:
			later := s.Raised.Sub(o.Raised)
			if o.Key.Kind == alarm.Silent && o.Active && s.Alike && o.Alike && (later > 0 || later == 0 && o.Key.Sensor < s.Key.Sensor) && later <= dispatch.Together {
				return true
			}
		default:
			mine, other := slices.Index(heat, s.Key.Kind), slices.Index(heat, o.Key.Kind)
			if mine >= 0 && other >= 0 && (own.told.IsZero() || e.told.Before(own.told) || e.told.Equal(own.told) && other < mine) {
				return true
			}
		}
	}
	return false
}

// complete checks that nothing is left untold that could be told.
func (w *world) complete(t *rapid.T, r *dispatch.Recipient, lately int) {
	for i := range w.standing {
		s := &w.standing[i]
		e := w.book[id(r.Name, s.Key)]
		if e == nil || s.Aside || s.Priority < r.Least && s.Key.Kind != alarm.Delivery {
			continue
		}
		loud, what, left := s.Priority, "", min(2, r.AtMost)
		ripe := e.began.Add(dispatch.Grouping)
		if s.Key.Kind == alarm.Silent && s.Priority < alarm.High {
			ripe = s.Raised.Add(dispatch.Patience)
		}
		switch {
		case s.Active && e.told.IsZero() && !w.now.Before(ripe) && w.turn(r, s) && !w.follows(r.Name, s):
			what = "it stands and was not told"
			if s.Priority > alarm.Low {
				left = 1
			}
			if s.Priority >= alarm.High {
				left = r.AtMost - lately
			}
		case s.Active && !e.told.IsZero() && !s.Acknowledged && due(r, e, w.now) && s.Priority > alarm.Low && !w.follows(r.Name, s):
			what = "it is not told again"
		case !s.Active && !s.Unknown && !e.told.IsZero() && !w.now.Before(e.ended.Add(dispatch.Calm)) && s.Priority > alarm.Low:
			what, loud = "it is over and that is not told", alarm.Low
		}
		room := r.AtMost-lately >= left
		open := !quiet(r, w.now) || r.Urgent > 0 && loud >= r.Urgent
		if what != "" && room && open {
			t.Fatalf("%s, of %s: %s: %+v %+v", s.Key, r.Name, what, s, e)
		}
	}
}
