package app_test

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"dryhold/internal/app"
	"dryhold/internal/engine"
	"dryhold/internal/health"
	"dryhold/internal/lot"
	"dryhold/internal/room"
	"dryhold/internal/store"
	"dryhold/internal/web"
)

// still is a clock that moves only when told.
type still struct {
	mu   sync.Mutex
	now  time.Time
	step time.Duration // by which it moves when it is looked at
}

func (s *still) Now() time.Time {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.now = s.now.Add(s.step)
	return s.now
}

// run lets the clock move by a step whenever it is looked at.
func (s *still) run(step time.Duration) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.step = step
}

func (s *still) set(now time.Time) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.now = now
}

// days is how long a month is here: past the days that stay open.
const days = 14

// month is a house with so many days of readings of two rooms, the loft hot, with
// late ones, and lots in both; its clock stands still. Closed days are packed.
func month(t *testing.T) (*house, *still) {
	t.Helper()
	h := newHouse(t, nil)
	clock := &still{now: time.Now().UTC().Truncate(24 * time.Hour).Add(-40 * 24 * time.Hour)}
	h.opts.Now = clock.Now
	h.start()
	begin := clock.Now()
	addLots(t, h.app, begin)
	c := publisher(t, h.brokerURL())
	sent := uint64(0)
	send := func(name string, at time.Time, celsius float64) {
		publish(t, c, "rooms/"+name, false, fmt.Sprintf(`{"time":%q,"temperature":%v,"humidity":%v}`, at.Format(time.RFC3339), celsius, 40+celsius/2))
		sent++
	}
	for hour := range days * 24 {
		at := begin.Add(time.Duration(hour) * time.Hour)
		clock.set(at)
		if hour%7 != 3 { // some come late
			send("loft", at, 25+float64(hour%24))
			send("cellar", at, 12+float64(hour%5))
		}
		if hour%120 == 110 {
			send("loft", at.Add(-97*time.Hour), 31)
		}
		// The clock must not run ahead of what the daemon has taken.
		within(t, time.Minute, "the readings", func() bool { return h.app.Snapshot().Intake.Messages >= sent })
	}
	clock.set(begin.AddDate(0, 0, days))
	eventually(t, "the last hour", func() bool { return h.app.Snapshot().At.Equal(clock.Now()) })
	return h, clock
}

// quietly is a state without what counts messages.
func quietly(t *testing.T, s *engine.Snapshot) string {
	t.Helper()
	c := *s
	c.Intake = engine.IntakeView{}
	b, err := json.MarshalIndent(c, "", " ")
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// refold asks the daemon for a rebuild.
func refold(t *testing.T, a *app.App) (done web.Folded, progress []web.Folding) {
	t.Helper()
	code, body := post(t, a.URL()+"/api/v1/refold", web.Refold{By: "Ada"})
	if code != http.StatusOK {
		t.Fatalf("refold: %d %s", code, body)
	}
	for dec := json.NewDecoder(strings.NewReader(body)); ; {
		var l web.RefoldLine
		switch err := dec.Decode(&l); {
		case errors.Is(err, io.EOF):
			return done, progress
		case err != nil || l.Problem != "":
			t.Fatal(err, l.Problem)
		case l.Progress != nil:
			progress = append(progress, *l.Progress)
		case l.Done != nil:
			done = *l.Done
		}
	}
}

// A rebuild would lose what is not stored yet, and waits for it to be.
func TestRefoldWaitsForTheStore(t *testing.T) {
	h := newHouse(t, nil)
	h.start()
	c := publisher(t, h.brokerURL())
	publish(t, c, "rooms/cellar/temperature", false, "12")
	eventually(t, "a reading", func() bool { return h.status().Snapshot.Intake.Stored == 1 })
	mend := refuse(t, h.opts.DataDir)
	publish(t, c, "rooms/cellar/temperature", false, "13")
	eventually(t, "red health", func() bool {
		code, _ := get(t, h.app.URL()+"/healthz")
		return code == http.StatusServiceUnavailable
	})
	if code, body := post(t, h.app.URL()+"/api/v1/refold", web.Refold{}); code != http.StatusServiceUnavailable || !strings.Contains(body, "not stored yet") {
		t.Errorf("rebuild while a reading is held: %d %s", code, body)
	}
	mend()
	eventually(t, "the reading held", func() bool { return h.status().Snapshot.Intake.Stored == 2 })
	if done, _ := refold(t, h.app); !done.Same || done.Readings != 2 {
		t.Errorf("rebuild after it: %+v", done)
	}
}

// What is rebuilt from the store, in the running daemon and by a restart, is
// the state that grew reading by reading, to the last bit.
func TestRefoldIsBitEqual(t *testing.T) {
	h, clock := month(t)
	before := quietly(t, h.app.Snapshot())
	if s := h.app.Snapshot(); len(s.Alarms) == 0 || len(s.Lots) != 2 || s.Lots[0].Modes[0].Exposure == (engine.Estimate{}) {
		t.Fatalf("the comparison says nothing: %s", before)
	}
	done, progress := refold(t, h.app)
	if !done.Same || done.Rooms != 2 || done.Lots != 2 || done.Readings < 1000 || len(progress) == 0 || progress[0].Of != done.Readings {
		t.Errorf("done %+v, progress %+v", done, progress)
	}
	if d := cmp.Diff(before, quietly(t, h.app.Snapshot())); d != "" {
		t.Errorf("rebuilt (-before +after):\n%.2000s", d)
	}
	h.restart() // which packs closed days
	eventually(t, "closed days packed", func() bool { return count(t, h.opts.DataDir, "packed_day") > 0 })
	if done, _ := refold(t, h.app); !done.Same {
		t.Errorf("rebuilt from packed days: %+v", done)
	}
	if d := cmp.Diff(before, quietly(t, h.app.Snapshot())); d != "" {
		t.Errorf("after a restart (-before +after):\n%.2000s", d)
	}
	clock.run(time.Second) // a rebuild of decades takes minutes
	for range 3 {
		if done, _ := refold(t, h.app); !done.Same {
			t.Error("rebuilt while time goes on, the state is another")
		}
	}
	clock.run(0)
	eventually(t, "the state at the present time", func() bool { return h.app.Snapshot().At.Equal(clock.Now()) })
	before = quietly(t, h.app.Snapshot())
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := h.app.Refold(ctx, "Ada", func(web.Folding) {}); !errors.Is(err, context.Canceled) {
		t.Errorf("a rebuild that nobody waits for: %v", err)
	}
	if d := cmp.Diff(before, quietly(t, h.app.Snapshot())); d != "" {
		t.Errorf("after one given up (-before +after):\n%.2000s", d)
	}
}

func database(t *testing.T, dir string) *sql.DB {
	t.Helper()
	db, err := sql.Open("sqlite", filepath.Join(dir, store.File)+"?_pragma=busy_timeout(10000)")
	if err != nil {
		t.Fatal(err)
	}
	return db
}

func count(t *testing.T, dir, table string) (n int) {
	t.Helper()
	db := database(t, dir)
	err := db.QueryRow(`SELECT count(*) FROM ` + table).Scan(&n)
	if err := errors.Join(err, db.Close()); err != nil {
		t.Fatal(err)
	}
	return n
}

// spoil changes a byte of the packed temperature of a room on a day.
func spoil(t *testing.T, dir, name string, day time.Time) {
	t.Helper()
	db := database(t, dir)
	const where = ` WHERE day = ? AND series = (SELECT min(id) FROM series WHERE room = ?)`
	var data []byte
	n := day.Unix() / 86400
	err := db.QueryRow(`SELECT data FROM packed_day`+where, n, name).Scan(&data)
	if err == nil {
		data[len(data)/2] ^= 4
		_, err = db.Exec(`UPDATE packed_day SET data = ?`+where, data, n, name)
	}
	if err := errors.Join(err, db.Close()); err != nil {
		t.Fatal(err)
	}
}

// integrity is that check of the daemon's health.
func integrity(t *testing.T, a *app.App) health.Check {
	t.Helper()
	all := a.Health()
	i := slices.IndexFunc(all, func(c health.Check) bool { return c.Code == "integrity" })
	if i < 0 {
		t.Fatalf("no such check: %v", all)
	}
	return all[i]
}

// A damaged day is told and left out, at start and while the daemon runs, and
// the state is then that of a rebuild without it; the daemon goes on.
func TestDamagedDay(t *testing.T) {
	h, clock := month(t)
	begin := clock.Now().AddDate(0, 0, -days)
	h.restart()
	eventually(t, "closed days packed", func() bool { return count(t, h.opts.DataDir, "packed_day") > 30 })
	eventually(t, "the first full check", func() bool { return strings.Contains(integrity(t, h.app).Text, "all of it was read and checked") })
	known := h.app.LookAfter(t.Context(), 0)
	whole := quietly(t, h.app.Snapshot())

	// Found by the weekly check.
	spoil(t, h.opts.DataDir, "loft", begin.AddDate(0, 0, 5))
	if known = h.app.LookAfter(t.Context(), known); known != 0 || !integrity(t, h.app).OK {
		t.Errorf("the next check is not due yet, and %d are known", known)
	}
	clock.set(clock.Now().Add(8 * 24 * time.Hour))
	if known = h.app.LookAfter(t.Context(), known); known != 1 {
		t.Fatalf("%d damaged days known after a week, want 1", known)
	}
	c := integrity(t, h.app)
	for _, want := range []string{"room loft", "sensor loft", "on " + begin.AddDate(0, 0, 5).Format(time.DateOnly)} {
		if c.OK || c.Urgent || !strings.Contains(c.Text, want) {
			t.Errorf("the finding does not say %q, or is urgent: %+v", want, c)
		}
	}
	if v := scrape(t, h.app.URL(), `dryhold_health_ok{check="integrity",site="home"}`); v != 0 {
		t.Errorf("metrics say %v of integrity, want 0", v)
	}
	if done, _ := refold(t, h.app); !done.Same {
		t.Error("the loft was not folded again without that day")
	}
	if quietly(t, h.app.Snapshot()) == whole {
		t.Error("a day less changes nothing: the test says nothing")
	}

	// Found at start.
	h.stop()
	spoil(t, h.opts.DataDir, "loft", begin.AddDate(0, 0, 9))
	h.start()
	if n := count(t, h.opts.DataDir, "quarantined_day"); n != 2 {
		t.Errorf("%d days in quarantine, want 2", n)
	}
	if c := integrity(t, h.app); c.OK || !strings.Contains(c.Text, begin.AddDate(0, 0, 9).Format(time.DateOnly)) || !strings.Contains(c.Text, "and 1 more") {
		t.Errorf("finding: %+v", c)
	}
	clock.set(time.Now().Add(31 * 24 * time.Hour))
	if c := integrity(t, h.app); !c.OK || !strings.Contains(c.Text, "2 damaged ones are set aside") {
		t.Errorf("a month later: %+v", c)
	}
}

// While readings, lots and alarms come in, a backup holds all that was stored
// before it began and nothing that was not stored by its end; a daemon starts
// on what is restored from it.
func TestBackupBesideTheDaemon(t *testing.T) {
	houses(t, func(t *testing.T, h *house) {
		origin := time.Now().Add(-20 * time.Hour).UTC().Truncate(time.Second)
		h.start()
		addLots(t, h.app, origin)
		f := feed(t, h.brokerURL(), origin)
		enough := func(n uint64) {
			t.Helper()
			eventually(t, "readings", func() bool { return h.status().Snapshot.Intake.Stored >= n })
		}
		enough(300)
		if _, err := h.app.AddLot(t.Context(), lot.Packing{
			Food: "white-rice", Container: "pet-2l", Count: 2, NetMassKG: 1.6, PackedAt: origin, Room: "cellar",
			Treatment: lot.Treatment{Kind: lot.NoTreatment}, Shading: lot.Boxed,
		}, "Ada"); err != nil {
			t.Fatal(err)
		}
		least := h.status().Snapshot.Intake.Stored
		file := filepath.Join(t.TempDir(), "copy.db")
		c, err := store.Backup(t.Context(), h.opts.DataDir, file, false, func(string, int64, int64) {})
		if err != nil {
			t.Fatal(err)
		}
		most := h.status().Snapshot.Intake.Stored
		if n := uint64(c.Readings); n < least {
			t.Errorf("%d readings in the backup, %d were stored before it began", n, least)
		}
		enough(most + 100)
		f.end()
		within(t, time.Minute, "the last message", func() bool { return h.room("last").Name != "" })
		h.stop()

		target := filepath.Join(t.TempDir(), "restored")
		if _, err := store.Restore(t.Context(), file, target, false, time.Now(), func(string, int64, int64) {}); err != nil {
			t.Fatal(err)
		}
		restored := int64(0)
		for _, name := range append(own(), bare()...) {
			there := map[room.Reading]bool{}
			for _, r := range onDisk(t, h.opts.DataDir, name) {
				there[r] = true
			}
			for _, r := range onDisk(t, target, name) {
				restored++
				if !there[r] {
					t.Errorf("%v was restored and never stored", r)
				}
				delete(there, r)
			}
		}
		if restored != c.Readings {
			t.Errorf("%d readings restored, each once, of %d in the backup", restored, c.Readings)
		}
		if d := cmp.Diff(lotsOf(t, h.opts.DataDir), lotsOf(t, target)); d != "" {
			t.Errorf("lots (-original +restored):\n%s", d)
		}
		again := newHouse(t, nil)
		again.opts.DataDir = target
		again.start()
		if s := again.status().Snapshot; len(s.Lots) != 3 || len(s.Rooms) < 4 {
			t.Errorf("the restored daemon has %d lots and %d rooms", len(s.Lots), len(s.Rooms))
		}
	})
}

// lotsOf reads the changes of lots of a daemon that does not run.
func lotsOf(t *testing.T, dir string) []lot.Change {
	t.Helper()
	s := opened(t, dir)
	changes, err := s.LotChanges(t.Context())
	if err := errors.Join(err, s.Close()); err != nil {
		t.Fatal(err)
	}
	return changes
}
