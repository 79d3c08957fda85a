package dispatch_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"dryhold/internal/alarm"
	"dryhold/internal/dispatch"
)

// at is an instant some hours into a Wednesday.
func at(hours float64) time.Time {
	return time.Date(2026, time.July, 1, 0, 0, 0, 0, time.UTC).Add(time.Duration(hours * float64(time.Hour)))
}

func mara(change ...func(*dispatch.Recipient)) dispatch.Recipient {
	r := dispatch.Recipient{
		Name: "mara", Channels: []string{"mail", "push"}, Least: alarm.Low, Zone: time.UTC, Repeat: dispatch.DefaultRepeat(), AtMost: dispatch.DefaultAtMost,
	}
	for _, c := range change {
		c(&r)
	}
	return r
}

func atNight(r *dispatch.Recipient) { r.Quiet = []dispatch.Span{{From: 22 * 60, To: 7 * 60}} }

// play is a desk with its alarms.
type play struct {
	t        *testing.T
	desk     *dispatch.Desk
	alarms   []dispatch.Standing
	refusing []string
}

func begin(t *testing.T, recipients ...dispatch.Recipient) *play {
	return &play{t: t, desk: dispatch.New(recipients)}
}

// alarm gives one of the alarms, which is normal at first.
func (p *play) alarm(key string) *dispatch.Standing {
	p.t.Helper()
	k, err := alarm.ParseKey(key)
	if err != nil {
		p.t.Fatal(err)
	}
	for i := range p.alarms {
		if p.alarms[i].Key == k {
			return &p.alarms[i]
		}
	}
	p.alarms = append(p.alarms, dispatch.Standing{Key: k, Room: k.Room, Priority: alarm.Medium})
	return &p.alarms[len(p.alarms)-1]
}

func (p *play) raise(hours float64, keys ...string) {
	p.t.Helper()
	for _, key := range keys {
		s := p.alarm(key)
		s.Active, s.Raised, s.Acknowledged = true, at(hours), false
	}
}

func (p *play) over(keys ...string) {
	p.t.Helper()
	for _, key := range keys {
		s := p.alarm(key)
		s.Active, s.Acknowledged = false, false
	}
}

// says compares what goes out at an instant: "mara: raised warm/loft".
func (p *play) says(hours float64, want ...string) []dispatch.Message {
	p.t.Helper()
	messages, _ := p.desk.Step(at(hours), p.alarms, p.refusing)
	var got []string
	for _, m := range messages {
		var items []string
		for _, x := range m.Items {
			items = append(items, string(x.Event)+" "+x.Key.String())
		}
		switch {
		case m.Digest != nil:
			items = append(items, "digest")
		case m.Drill:
			items = append(items, "drill")
		}
		got = append(got, m.To+": "+strings.Join(items, ", "))
	}
	if d := cmp.Diff(want, got); d != "" {
		p.t.Errorf("at %v (-want +got):\n%s", at(hours), d)
	}
	return messages
}

func TestOneMessageForARoom(t *testing.T) {
	p := begin(t, mara(func(r *dispatch.Recipient) { r.AtMost = 4 }))
	p.raise(10, "warm/loft")
	p.raise(10.05, "damp/loft", "warm/cellar")
	p.says(10.07)
	p.says(10.09, "mara: raised warm/loft, raised damp/loft")
	p.says(10.15, "mara: raised warm/cellar")
	p.says(14)
	p.says(14.1, "mara: reminder warm/loft, reminder damp/loft")
	p.alarm("warm/loft").Acknowledged = true
	p.says(14.2) // the last of a day is kept for what is new
	p.says(34.1, "mara: reminder warm/cellar")
	p.says(38.05)
	p.says(38.11, "mara: reminder damp/loft")
	p.over("warm/loft")
	p.says(40)
	p.says(63.9, "mara: reminder warm/cellar")
	p.says(64, "mara: returned warm/loft")
	p.says(206.1)
	p.says(206.2, "mara: reminder damp/loft") // after a week
}

func TestQuietHours(t *testing.T) {
	p := begin(t, mara(atNight, func(r *dispatch.Recipient) { r.Urgent = alarm.High }))
	p.raise(21.99, "warm/loft", "damp/cellar")
	p.says(22.1)
	p.alarm("hot/loft").Priority = alarm.High
	p.raise(23, "hot/loft")
	p.says(23.2, "mara: raised hot/loft, raised warm/loft")
	p.raise(24, "bright/cellar")
	p.says(24.1)
	p.over("damp/cellar")
	p.says(26)
	p.alarm("hot/loft").Acknowledged = true
	p.says(30.99)
	p.says(31, "mara: raised bright/cellar")
}

// The last message of a day is kept for new alarms that are not low, and one of
// high priority goes out however many there were.
func TestLastOfADay(t *testing.T) {
	p := begin(t, mara())
	p.alarm("battery/loft/a").Priority = alarm.Low
	p.raise(10, "warm/loft")
	p.says(10.1, "mara: raised warm/loft")
	p.says(14.1, "mara: reminder warm/loft")
	p.raise(15, "battery/loft/a")
	p.says(15.1)
	p.raise(16, "damp/cellar")
	p.says(16.1, "mara: raised damp/cellar, raised battery/loft/a")
	p.raise(17, "warm/attic")
	p.says(17.1)
	p.alarm("hot/loft").Priority = alarm.High
	p.raise(18, "hot/loft")
	p.says(18.1, "mara: raised hot/loft, raised warm/attic")
	p.says(22.2) // "still hot" is not new
	// Of low priority, and of a forecast, only what is new is told alone.
	q := begin(t, mara())
	q.alarm("battery/loft/a").Priority = alarm.Low
	q.raise(10, "battery/loft/a", "ahead/cellar")
	q.says(10.1, "mara: raised ahead/cellar", "mara: raised battery/loft/a")
	q.says(40)
	q.over("battery/loft/a")
	q.says(60)
	q.says(85)
	q.raise(86, "warm/loft")
	q.says(86.1, "mara: raised warm/loft, returned battery/loft/a")
}

// What is over the number of a day waits, and goes with the next.
func TestAtMost(t *testing.T) {
	p := begin(t, mara(func(r *dispatch.Recipient) { r.AtMost, r.Repeat = 2, nil }))
	p.raise(10, "warm/a", "warm/b", "warm/c", "warm/d")
	p.says(10.1, "mara: raised warm/a", "mara: raised warm/b, raised warm/c, raised warm/d")
	p.raise(11, "warm/e")
	p.raise(12, "warm/f")
	p.says(13)
	p.over("warm/f")
	p.says(14)
	p.alarm("hot/g").Priority = alarm.High
	p.raise(15, "hot/g")
	p.says(15.1, "mara: raised hot/g, raised warm/e")
	p.raise(16, "warm/h")
	p.says(34.09)
	p.says(34.1, "mara: raised warm/h")
}

func TestEpisodes(t *testing.T) {
	p := begin(t, mara(func(r *dispatch.Recipient) { r.AtMost = 9 }))
	p.raise(10, "warm/loft")
	p.says(10.1, "mara: raised warm/loft")
	p.over("warm/loft")
	p.says(13)
	p.raise(20, "warm/loft") // of the next afternoon of a hot week
	p.says(20.1, "mara: reminder warm/loft")
	p.over("warm/loft")
	p.says(30)
	p.says(53.9)
	p.says(54, "mara: returned warm/loft")
	p.says(90)
	p.raise(91, "warm/loft")
	p.says(91.1, "mara: raised warm/loft")
	p.over("warm/loft")
	p.says(92)
	p.alarm("warm/loft").Unknown = true // nobody knows whether it is over
	p.says(130)
	p.alarm("warm/loft").Unknown = false
	p.alarm("warm/loft").Aside = true
	p.says(131)
	p.alarm("warm/loft").Aside = false
	p.says(132, "mara: returned warm/loft")
}

func TestEscalation(t *testing.T) {
	neighbour := mara(func(r *dispatch.Recipient) {
		r.Name, r.Channels, r.After, r.Least = "neighbour", []string{"house"}, 6*time.Hour, alarm.Medium
	})
	p := begin(t, neighbour, mara(atNight, func(r *dispatch.Recipient) { r.AtMost = 9 }))
	p.raise(2, "warm/loft")
	p.says(6.9)
	p.says(7.1, "mara: raised warm/loft")
	p.says(12, "mara: reminder warm/loft")
	p.says(13)
	p.says(13.1, "neighbour: escalated warm/loft")
	p.alarm("warm/cellar").Priority = alarm.Low
	p.raise(14, "warm/cellar", "damp/attic")
	p.says(14.1, "mara: raised damp/attic", "mara: raised warm/cellar")
	p.alarm("damp/attic").Acknowledged = true
	p.alarm("warm/loft").Acknowledged = true
	p.says(21) // what is low does not press
	p.over("warm/loft")
	p.says(22)
	p.says(46, "neighbour: returned warm/loft")
	p.says(55, "mara: returned warm/loft")
	// Nobody to acknowledge it: at once.
	p.refusing = []string{"mail", "push"}
	p.raise(56, "bright/attic")
	p.says(56.1, "mara: raised bright/attic", "neighbour: escalated bright/attic")
}

// That a channel refuses goes by another.
func TestRefusalGoesAnotherWay(t *testing.T) {
	p := begin(t, mara(func(r *dispatch.Recipient) { r.Least = alarm.High }), mara(func(r *dispatch.Recipient) { r.Name, r.Channels, r.Least = "neighbour", []string{"house"}, alarm.High }))
	p.refusing = []string{"mail"}
	p.raise(10, "delivery")
	for _, m := range p.says(10.1, "mara: raised delivery", "neighbour: raised delivery") {
		want := map[string]string{"mara": "[push]", "neighbour": "[house]"}[m.To]
		if got := fmt.Sprint(m.Channels); got != want {
			t.Errorf("%s by %s, want %s", m.To, got, want)
		}
	}
}

// A sensor that is back within hours is not told of.
func TestSilenceIsWaitedFor(t *testing.T) {
	p := begin(t, mara())
	p.raise(10, "silent/loft/a", "silent/cellar/b")
	p.says(13.9)
	p.over("silent/cellar/b")
	p.says(14.1, "mara: raised silent/loft/a")
	p.raise(15, "silent/cellar/b") // within a day, and not silent for longer
	p.says(15.1)
	p.says(18.1, "mara: reminder silent/loft/a")
	p.says(19, "mara: raised silent/cellar/b")
}

func TestSilenceTogether(t *testing.T) {
	p := begin(t, mara())
	for i := range 20 {
		s := p.alarm(fmt.Sprintf("silent/loft/s%02d", i))
		s.Alike, s.Priority = true, alarm.High
	}
	p.raise(10, "silent/loft/s03")
	p.raise(10.05, "silent/loft/s00", "silent/loft/s01")
	if m := p.says(10.1, "mara: raised silent/loft/s03, raised silent/loft/s00, raised silent/loft/s01"); len(m) != 1 {
		t.Error(m)
	}
	p.raise(10.3, "silent/loft/s02", "silent/loft/s04")
	p.says(11)
	p.raise(12, "silent/loft/s19") // not with them
	p.says(12.1, "mara: raised silent/loft/s02, raised silent/loft/s04, raised silent/loft/s19")
}

// What follows from heat that was told is not told beside it, but with it, and
// when the heat is over.
func TestConsequences(t *testing.T) {
	p := begin(t, mara(func(r *dispatch.Recipient) { r.AtMost = 9 }))
	p.raise(10, "warm/loft")
	p.says(10.1, "mara: raised warm/loft")
	p.raise(11, "ageing/loft", "ageing/cellar")
	p.says(11.1, "mara: raised ageing/cellar")
	p.says(14.1, "mara: raised ageing/loft, reminder warm/loft")
	p.raise(15, "ahead/loft")
	p.says(15.1, "mara: reminder ageing/cellar")
	p.over("warm/loft") // for the night
	p.alarm("ageing/cellar").Acknowledged = true
	p.says(16)
	p.says(39.9)
	p.says(40, "mara: raised ahead/loft, reminder ageing/loft, returned warm/loft")
	p.alarm("hours_over/loft").Priority = alarm.High // more urgent than what it follows from
	p.alarm("ageing/loft").Acknowledged, p.alarm("ahead/loft").Acknowledged = true, true
	p.raise(41, "warm/loft") // heat, of which was told
	p.says(41.1)
	p.raise(42, "hours_over/loft")
	p.says(42.1, "mara: raised hours_over/loft, raised warm/loft")
	p.alarm("hours_over/loft").Acknowledged, p.alarm("warm/loft").Acknowledged = true, true
	p.raise(50, "ahead/attic") // a forecast is no heat
	p.says(50.1, "mara: raised ahead/attic")
	p.raise(51, "warm/attic")
	p.says(51.1, "mara: raised warm/attic")
}

// Good news is told once.
func TestGoodNews(t *testing.T) {
	p := begin(t, mara())
	p.raise(10, "hold_complete/L-2")
	p.says(10.1, "mara: raised hold_complete/L-2")
	p.says(500)
}

func TestDigestAndDrill(t *testing.T) {
	p := begin(t, mara(atNight, func(r *dispatch.Recipient) {
		r.Digest, r.Drill = &dispatch.Weekly{Day: time.Thursday, Minute: 18 * 60}, &dispatch.Yearly{Month: time.July, Day: 3}
	}))
	p.says(0)
	p.raise(22, "warm/loft") // in quiet hours
	p.says(22)
	p.over("warm/loft")
	p.says(30)
	p.says(41.9)
	m := p.says(42, "mara: digest")
	came := []dispatch.Came{{Key: alarm.Key{Kind: alarm.Warm, Room: "loft"}, Episode: dispatch.Episode{Began: at(22), Ended: at(30)}}}
	if d := cmp.Diff(&dispatch.Week{Since: at(18 - 6*24), Next: at(42 + 7*24), Came: came}, m[0].Digest); d != "" {
		t.Errorf("the digest (-want +got):\n%s", d)
	}
	p.says(43)
	p.says(2*24 + 8.9)
	p.says(2*24+9, "mara: drill")
	p.says(2*24 + 10)
	p.says(42+3*7*24+13, "mara: digest", "mara: drill") // three weeks away, and it is night no more
	told, err := p.desk.Drilled("mara")
	if err != nil {
		t.Fatal(err)
	}
	p.desk.Load(told)
	if _, err := p.desk.Drilled("mara"); err == nil {
		t.Error("a drill is acknowledged twice")
	}
	if _, err := p.desk.Drilled("nobody"); err == nil {
		t.Error("a drill of nobody is acknowledged")
	}
	if m := p.says(42+4*7*24, "mara: digest"); len(m[0].Digest.Came) != 0 {
		t.Errorf("told twice of %+v", m[0].Digest.Came)
	}
	p.says(42+52*7*24, "mara: digest")
	p.says(365*24+2*24+9, "mara: drill")
}

// The digest comes at its hour by the clock on the wall, also in the weeks in
// which the clocks are set.
func TestDigestKeepsTheHour(t *testing.T) {
	berlin, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	w := dispatch.Weekly{Day: time.Sunday, Minute: 18*60 + 30}
	for day := range 800 {
		now := time.Date(2026, 1, day, 13, 7, 0, 0, berlin)
		last, next := w.Before(now, berlin), w.Next(now, berlin)
		for _, x := range []time.Time{last, next} {
			if x.Weekday() != time.Sunday || x.Format("15:04") != "18:30" {
				t.Fatalf("%v: %v", now, x)
			}
		}
		if last.After(now) || !next.After(now) || next.Sub(last) > 7*24*time.Hour+time.Hour {
			t.Fatalf("%v lies not between %v and %v", now, last, next)
		}
	}
}

// A clock that was years ahead puts nothing off.
func TestClockThatWasAhead(t *testing.T) {
	told := []dispatch.Told{
		{To: "mara", Diary: &dispatch.Diary{Messages: 7, Sent: []time.Time{at(9e5), at(9e5), at(9e5)}, Digest: at(9e5)}},
		{To: "mara", Key: alarm.Key{Kind: alarm.Warm, Room: "loft"}, Episode: dispatch.Episode{Began: at(9e5), Told: at(9e5)}, Since: at(9e5), Last: at(9e5)},
	}
	p := begin(t, mara(func(r *dispatch.Recipient) { r.Digest = dispatch.DefaultDigest() }))
	p.desk.Load(told)
	p.raise(0, "warm/loft", "warm/cellar")
	p.says(24, "mara: raised warm/cellar")
	p.says(24*4.75, "mara: reminder warm/cellar, reminder warm/loft", "mara: digest")
}
