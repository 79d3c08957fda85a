package replay_test

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"dryhold/internal/alarm"
	"dryhold/internal/replay"
)

func TestSummary(t *testing.T) {
	begin := time.Date(2026, time.July, 1, 0, 0, 0, 0, time.UTC)
	at := func(hours float64) time.Time { return begin.Add(time.Duration(hours * float64(time.Hour))) }
	warm, damp, old := alarm.Key{Kind: alarm.Warm, Room: "loft"}, alarm.Key{Kind: alarm.Damp, Room: "cellar"}, alarm.Key{Kind: alarm.Quality, Lot: "L-1"}
	raised := func(k alarm.Key, h float64) alarm.Event {
		return alarm.Event{Key: k, From: alarm.Normal, To: alarm.ActiveUnacknowledged, At: at(h), Peak: 25}
	}
	to := func(k alarm.Key, s alarm.State, h float64) alarm.Event {
		return alarm.Event{Key: k, From: alarm.ActiveUnacknowledged, To: s, At: at(h), Peak: 30}
	}
	item := func(ev alarm.NoticeEvent, k alarm.Key) alarm.Item { return alarm.Item{Key: k, Event: ev} }
	l := replay.Log{
		From: begin, To: at(10 * 24), Readings: 99, Stood: []alarm.Condition{alarm.New(old)},
		Alarms: []alarm.Event{
			to(old, alarm.Normal, 1), // stood before, and is no raise
			raised(warm, 23), raised(damp, 25), to(warm, alarm.ActiveAcknowledged, 30), to(warm, alarm.ReturnedUnack, 33), raised(warm, 45),
			to(warm, alarm.Shelved, 50), to(damp, alarm.ReturnedUnack, 200), raised(damp, 200),
		},
		Messages: []alarm.Notice{
			{To: "mara", At: at(23), Event: alarm.Raised, Subject: "one", Items: []alarm.Item{item(alarm.Raised, warm)}},
			{To: "mara", At: at(30), Event: alarm.Reminder, Items: []alarm.Item{item(alarm.Reminder, warm), item(alarm.Reminder, damp)}},
			{To: "mara", At: at(31), Event: alarm.Reminder, Items: []alarm.Item{item(alarm.Reminder, warm), item(alarm.Raised, damp)}},
			{To: "mara", At: at(32), Event: alarm.Digest}, {To: "ada", At: at(201), Event: alarm.Escalated, Items: []alarm.Item{item(alarm.Escalated, damp)}},
		},
	}
	zone := time.FixedZone("east", 2*3600) // 23:00 is the second day there
	s := l.Summary(zone)
	hour := 3600.0
	want := replay.Summary{
		From: begin, To: at(240), Readings: 99, Raised: 4, PerDay: 0.4, Busiest: replay.Busy{Day: "2026-07-02", Count: 3}, Stood: []string{"quality/L-1"},
		Alarms: []replay.Line{
			{Kind: alarm.Damp, Room: "cellar", Raised: 2, Seconds: 175*hour + 40*hour, Longest: 175 * hour},
			{Kind: alarm.Warm, Room: "loft", Raised: 2, Seconds: 10*hour + 5*hour, Longest: 10 * hour},
		},
		People: []replay.Person{
			{Name: "ada", Messages: 1, PerWeek: 0.7, Busiest: replay.Busy{Day: "2026-07-09", Count: 1}},
			{Name: "mara", Messages: 3, Reminders: 1, Digests: 1, PerWeek: 2.1, Busiest: replay.Busy{Day: "2026-07-02", Count: 3}},
		},
		Weeks: []replay.Week{{From: begin, Raised: 3, Messages: 3}, {From: at(168), Raised: 1, Messages: 1}},
	}
	ignore := cmpopts.IgnoreFields(replay.Summary{}, "Spells", "Told", "Longest")
	if d := cmp.Diff(want, s, ignore, cmpopts.EquateApprox(0, 1e-9)); d != "" {
		t.Errorf("summary (-want +got):\n%s", d)
	}
	if len(s.Spells) != 4 || s.Longest == nil || s.Longest.Alarm != "damp/cellar" || s.Length(*s.Longest) != 175*time.Hour {
		t.Errorf("spells %+v, longest %+v", s.Spells, s.Longest)
	}
	if len(s.Told) != 5 || s.Told[0].Subject != "one" || s.Told[1].Alarms[1] != "damp/cellar" {
		t.Errorf("told: %+v", s.Told)
	}
	if empty := (&replay.Log{From: begin, To: begin}).Summary(zone); empty.PerDay != 0 || len(empty.Weeks) != 0 || empty.Longest != nil {
		t.Errorf("of nothing: %+v", empty)
	}
}
