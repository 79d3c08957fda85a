package store

import (
	"errors"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"dryhold/internal/alarm"
	"dryhold/internal/dispatch"
	"dryhold/internal/room"
)

// What people were told is stored with the message that tells it, or neither
// is, and outlives the process.
func TestToldOutlivesTheProcess(t *testing.T) {
	at := time.Date(2026, 7, 1, 12, 0, 0, 0, time.UTC)
	dir := t.TempDir()
	s := open(t, dir)
	warm := alarm.Key{Kind: alarm.Warm, Room: "loft"}
	told := dispatch.Told{
		To: "mara", Key: warm, Episode: dispatch.Episode{Began: at, Told: at.Add(5 * time.Minute)}, Since: at, Last: at.Add(5 * time.Minute), Reminders: 2,
		Past: []dispatch.Episode{{Began: at.AddDate(0, 0, -9), Ended: at.AddDate(0, 0, -8)}},
	}
	diary := dispatch.Told{To: "mara", Diary: &dispatch.Diary{Messages: 1, Sent: []time.Time{at}, Digest: at, Drill: at, DrillOpen: true, DrillTold: at}}
	message := alarm.Notice{Key: "mara#1/x", To: "mara", Channels: []string{"mail", "push"}, Items: []alarm.Item{{Key: warm, Event: alarm.Raised}}, Costs: []alarm.LotCost{}}
	machines := alarm.Notice{Key: "warm/loft#1/x/raised", Alarm: warm, Costs: []alarm.LotCost{}}
	commit := func(out Outcome, fails error) {
		t.Helper()
		err := s.Commit(t.Context(), Batch{}, []string{"log", "mqtt"}, at, func([]room.Reading) (Outcome, error) { return out, fails })
		if !errors.Is(err, fails) {
			t.Fatal(err)
		}
	}
	is := func(want []dispatch.Told, rows ...string) {
		t.Helper()
		got, err := s.Told(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		if d := cmp.Diff(want, got); d != "" {
			t.Errorf("told (-want +got):\n%s", d)
		}
		due, err := s.Due(t.Context(), at, 10)
		if err != nil {
			t.Fatal(err)
		}
		var have []string
		for _, q := range due {
			have = append(have, q.Channel+" "+q.Notice.Key)
			if want := map[string]int{"mara#1/x": 1}[q.Notice.Key]; len(q.Notice.Items) != want {
				t.Errorf("items %+v", q.Notice.Items)
			}
		}
		slices.Sort(have)
		if d := cmp.Diff(rows, have); d != "" {
			t.Errorf("the outbox (-want +got):\n%s", d)
		}
	}
	out := Outcome{Told: []dispatch.Told{told, diary}, Notices: []alarm.Notice{message, machines}}
	commit(out, errors.New("as when the disk is full"))
	is(nil)
	commit(out, nil)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	s = open(t, dir)
	rows := []string{"log warm/loft#1/x/raised", "mail mara#1/x", "mqtt warm/loft#1/x/raised", "push mara#1/x"}
	is([]dispatch.Told{diary, told}, rows...)
	commit(out, nil) // again, as by a commit of which nobody knows whether it was done
	is([]dispatch.Told{diary, told}, rows...)
	commit(Outcome{Told: []dispatch.Told{{To: "mara", Key: warm, Gone: true}}}, nil)
	is([]dispatch.Told{diary}, rows...)
}
