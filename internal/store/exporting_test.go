package store

import (
	"database/sql"
	"encoding/json"
	"fmt"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"dryhold/internal/alarm"
	"dryhold/internal/room"
)

// unsent sends nothing: it gives what waits, all of it.
func unsent(t testing.TB, s *Store) []room.Reading {
	t.Helper()
	got, _, err := s.UnsentReadings(t.Context(), 1<<20)
	if err != nil {
		t.Fatal(err)
	}
	return got
}

func begin(t testing.TB, s *Store, target string, since time.Time) {
	t.Helper()
	if err := s.BeginExport(t.Context(), target, since, epoch); err != nil {
		t.Fatal(err)
	}
}

// Whatever order readings come in, however they are packed between, and however
// little is sent at a time, beside commits: each is handed out, each day in
// order of time, and none twice that did not come behind what was under way.
func TestUnsentReadings(t *testing.T) {
	s, round := open(t, t.TempDir()), 0
	begin(t, s, "here", epoch.Add(-24*time.Hour))
	rapid.Check(t, func(r *rapid.T) {
		round++ // one store, and sensors of its own in each round
		sent, stored := map[string]int{}, map[string]bool{}
		send := func(limit int, under func()) (n int) {
			readings, marks, err := s.UnsentReadings(t.Context(), limit)
			if err != nil {
				r.Fatal(err)
			}
			for i, x := range readings {
				if i > 0 && x.At.Before(readings[i-1].At) {
					r.Fatalf("%v comes after %v", x, readings[i-1])
				}
				sent[x.Series.String()+x.At.String()]++
			}
			if under(); len(marks) == 0 {
				return 0
			}
			if err := s.ReadingsSent(t.Context(), marks, epoch); err != nil {
				r.Fatal(err)
			}
			return len(marks)
		}
		put := func() {
			var batch []room.Reading
			for range rapid.IntRange(1, 4).Draw(r, "n") {
				at := epoch.Add(time.Duration(rapid.IntRange(0, 4*24*6).Draw(r, "at")) * 10 * time.Minute)
				batch = append(batch, reading(fmt.Sprint(rapid.SampledFrom([]string{"a", "b"}).Draw(r, "sensor"), round), at, 20))
			}
			for _, x := range commit(t, s, Outcome{}, batch...) {
				stored[x.Series.String()+x.At.String()] = true
			}
		}
		for range rapid.IntRange(1, 25).Draw(r, "steps") {
			switch rapid.IntRange(0, 3).Draw(r, "what") {
			case 0, 1:
				put()
			case 2:
				send(rapid.IntRange(1, 5).Draw(r, "limit"), func() {
					if rapid.Bool().Draw(r, "beside") {
						put()
					}
				})
			case 3:
				pack(t, s, epoch.Add(48*time.Hour))
			}
		}
		for send(3, func() {}) > 0 {
		}
		for k := range stored {
			if sent[k] == 0 {
				r.Errorf("%s was never handed out", k)
			}
		}
		if len(sent) != len(stored) {
			r.Errorf("%d handed out of %d", len(sent), len(stored))
		}
	})
}

func TestSentOnce(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir)
	var all []room.Reading
	for m := range 3 * 24 * 6 {
		all = append(all, reading("a", epoch.Add(time.Duration(m)*10*time.Minute), 20))
	}
	commit(t, s, Outcome{}, all[:100]...)
	pack(t, s, epoch.Add(24*time.Hour))
	if got := unsent(t, s); len(got) != 0 {
		t.Errorf("without an export %d readings wait", len(got))
	}
	begin(t, s, "here", epoch.Add(-time.Hour))
	commit(t, s, Outcome{}, all[100:]...)
	if d := cmp.Diff(all, unsent(t, s)); d != "" {
		t.Errorf("from before the export began and since (-want +got):\n%.500s", d)
	}
	killed := false
	for n := 0; n < len(all); { // 100 at a time, and no more than once
		got, marks, err := s.UnsentReadings(t.Context(), 100)
		if err != nil {
			t.Fatal(err)
		}
		if d := cmp.Diff(all[n:min(n+100, len(all))], got); d != "" {
			t.Fatalf("after %d (-want +got):\n%.500s", n, d)
		}
		if n += len(got); n == 200 && !killed {
			killed = true
			if err := s.Close(); err != nil { // not noted: handed out again
				t.Fatal(err)
			}
			s = open(t, dir)
			begin(t, s, "here", time.Time{})
			n -= len(got)
			continue
		}
		if err := s.ReadingsSent(t.Context(), marks, epoch); err != nil {
			t.Fatal(err)
		}
		if n == 300 {
			late := reading("a", epoch.Add(time.Minute), 30)
			commit(t, s, Outcome{}, late)
			if got := unsent(t, s); len(got) < 2 || !got[0].At.Equal(late.At) {
				t.Errorf("a late reading is not handed out: %v", got)
			}
			if err := s.exportTx(t.Context(), "test", func(tx *sql.Tx) error {
				_, err := tx.Exec(`DELETE FROM export_day WHERE day = ?`, floorDay(epoch.UnixMilli()))
				return err
			}); err != nil {
				t.Fatal(err)
			}
		}
	}
	begin(t, s, "here", epoch)
	if got := unsent(t, s); len(got) != 0 {
		t.Errorf("the same target again: %d wait", len(got))
	}
	begin(t, s, "elsewhere", epoch.Add(24*time.Hour))
	if got := unsent(t, s); len(got) != 2*24*6 {
		t.Errorf("another target gets %d readings, want the two days", len(got))
	}
	if err := s.EndExport(t.Context()); err != nil {
		t.Fatal(err)
	}
	if got := unsent(t, s); len(got) != 0 {
		t.Errorf("after the end %d wait", len(got))
	}
}

func TestHoursUnderWay(t *testing.T) {
	s := open(t, t.TempDir())
	begin(t, s, "here", epoch)
	commit(t, s, Outcome{}, reading("a", epoch.Add(90*time.Minute), 20))
	want := func(at time.Time) {
		t.Helper()
		got, err := s.UnsentHours(t.Context())
		if d := cmp.Diff(map[string]time.Time{"loft": at}, got); err != nil || d != "" {
			t.Errorf("%v (-want +got):\n%s", err, d)
		}
	}
	send := func(next time.Time) {
		t.Helper()
		if err := s.HoursSent(t.Context(), "loft", next, epoch); err != nil {
			t.Fatal(err)
		}
	}
	want(epoch.Add(time.Hour)) // the first that there is
	send(epoch.Add(9 * time.Hour))
	want(epoch.Add(9 * time.Hour))
	commit(t, s, Outcome{Hours: map[string]time.Time{"loft": epoch.Add(9 * time.Hour), "cellar": epoch}})
	want(epoch.Add(9 * time.Hour))
	// While hours up to 12 are under way, one of them is revised.
	commit(t, s, Outcome{Hours: map[string]time.Time{"loft": epoch.Add(10 * time.Hour)}})
	send(epoch.Add(12 * time.Hour))
	want(epoch.Add(10 * time.Hour))
}

func TestLotsAndAlarmsWait(t *testing.T) {
	s := open(t, t.TempDir())
	event := func(h int) alarm.Event {
		return alarm.Event{Key: alarm.Key{Kind: alarm.Hot, Room: "loft"}, From: alarm.Normal, To: alarm.ActiveUnacknowledged, At: epoch.Add(time.Duration(h) * time.Hour)}
	}
	commit(t, s, Outcome{Transitions: []alarm.Event{event(0)}})
	begin(t, s, "here", epoch.Add(time.Hour))
	commit(t, s, Outcome{Transitions: []alarm.Event{event(1), event(2)}})
	got, last, err := s.UnsentAlarms(t.Context(), 10)
	if d := cmp.Diff([]alarm.Event{event(1), event(2)}, got); err != nil || d != "" {
		t.Errorf("%v (-want +got):\n%s", err, d)
	}
	if err := s.AlarmsSent(t.Context(), last-1, epoch); err != nil {
		t.Fatal(err)
	}
	if got, _, _ := s.UnsentAlarms(t.Context(), 10); len(got) != 1 {
		t.Errorf("%d events wait, want the last", len(got))
	}
	var lots []LotResult
	for i := range 10 {
		body, _ := json.Marshal(fmt.Sprintf("L-%d", i))
		lots = append(lots, LotResult{At: epoch.Add(time.Duration(i) * 24 * time.Hour), Body: body})
	}
	if err := s.QueueLots(t.Context(), lots, epoch, 7); err != nil {
		t.Fatal(err)
	}
	state, err := s.ExportState(t.Context())
	if err != nil || !state.LotDay.Equal(epoch) || state.Changed != 7 || !state.Oldest.Equal(epoch) {
		t.Errorf("%+v, %v", state, err)
	}
	dropped, err := s.DropUnsent(t.Context(), epoch.Add(48*time.Hour), 5)
	if err != nil || dropped != 1+5 { // the alarm, and all lots but five
		t.Errorf("dropped %d, %v", dropped, err)
	}
	kept, last, err := s.UnsentLots(t.Context(), 100)
	if d := cmp.Diff(lots[5:], kept); err != nil || d != "" {
		t.Errorf("%v (-want +got):\n%s", err, d)
	}
	if err := s.LotsSent(t.Context(), last, epoch.Add(time.Hour)); err != nil {
		t.Fatal(err)
	}
	if state, err := s.ExportState(t.Context()); err != nil || state.Dropped != 6 || !state.Oldest.IsZero() || !state.Taken.Equal(epoch.Add(time.Hour)) {
		t.Errorf("%+v, %v", state, err)
	}
}

// Above the cap of age the oldest is given up and counted, and nothing else.
func TestDropUnsent(t *testing.T) {
	s := open(t, t.TempDir())
	begin(t, s, "here", epoch)
	var all []room.Reading
	for h := range 10 * 24 {
		all = append(all, reading("a", epoch.Add(time.Duration(h)*time.Hour), 20))
	}
	commit(t, s, Outcome{}, all...)
	pack(t, s, epoch.Add(8*24*time.Hour))
	dropped, err := s.DropUnsent(t.Context(), epoch.Add(7*24*time.Hour+time.Hour), 100)
	if err != nil || dropped != 2*7*24 { // readings and hours
		t.Errorf("dropped %d, %v", dropped, err)
	}
	if d := cmp.Diff(all[7*24:], unsent(t, s)); d != "" {
		t.Errorf("left (-want +got):\n%.500s", d)
	}
	if hours, err := s.UnsentHours(t.Context()); err != nil || !hours["loft"].Equal(epoch.Add(7*24*time.Hour)) {
		t.Errorf("hours %v, %v", hours, err)
	}
}
