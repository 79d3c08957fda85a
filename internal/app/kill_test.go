package app_test

import (
	"context"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"dryhold/internal/app"
	"dryhold/internal/crash"
	"dryhold/internal/engine"
	"dryhold/internal/intake/mosquittotest"
	"dryhold/internal/lot"
	"dryhold/internal/room"
	"dryhold/internal/store"
)

// killsEnv is how many kills TestKill does, half of them on each broker, beside
// those of daemons whose broker is killed too.
const killsEnv = "DRYHOLD_TEST_KILLS"

func killsWanted(t *testing.T, unset int) int {
	t.Helper()
	text := os.Getenv(killsEnv)
	if text == "" {
		return unset
	}
	n, err := strconv.Atoi(text)
	if err != nil || n < 1 {
		t.Fatalf("%s=%q is no number of kills", killsEnv, text)
	}
	return n
}

// roundLength bounds the kills of one house, whose start takes longer the more
// it has stored.
const roundLength = 60

// Through kills at every point that package crash names and at random
// instants, while sensors publish, lots change, alarms are acknowledged and
// notices go out, nothing that was acknowledged is lost, nothing counts twice,
// and what follows from it is equal to the last bit to what a daemon that was
// never killed makes of it.
func TestKill(t *testing.T) {
	kills, made := killsWanted(t, 60), build(t)
	siege := func(name string, run func(t *testing.T)) {
		t.Helper()
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			run(t)
		})
	}
	for _, kind := range []string{"embedded", "mosquitto"} {
		siege(kind, func(t *testing.T) {
			for round, left := uint64(0), kills/2; left > 0; round++ {
				n := min(left, roundLength)
				left -= n
				t.Run(strconv.FormatUint(round, 10), func(t *testing.T) {
					url := ""
					if kind == "mosquitto" {
						url = mosquittotest.Start(t).URL
					}
					besiege(t, made, round, url, url).kill(n, round == 0)
				})
			}
		})
	}
	for _, kind := range []string{"mosquitto stopped too", "mosquitto killed too"} {
		siege(kind, func(t *testing.T) {
			m := mosquittotest.Start(t)
			w := tap(t, m.URL)
			s := &shaken{siege: besiege(t, made, 77, w.url(), m.URL), m: m, w: w}
			s.shake(max(leastShaken, kills/10), kind == "mosquitto killed too")
		})
	}
}

// inDaemon lists the points that a running daemon comes to.
func inDaemon() []crash.Point {
	return slices.DeleteFunc(crash.Points(), func(p crash.Point) bool { return slices.Contains(elsewhere(), p) })
}

// kill kills the daemon so many times, at each point of the daemon at least
// once if asked to, else at random points, and at random instants.
func (s *siege) kill(kills int, every bool) {
	s.t.Helper()
	origin := time.Now().Add(-20 * time.Hour).UTC().Truncate(time.Second) // on days that are still open
	a := s.start()
	k := readNotices(s.t, s.broker)
	f := feed(s.t, s.broker, origin)
	p := edit(s.page)
	s.begun(a, p)
	s.stop(a)
	points := inDaemon()
	s.rng.Shuffle(len(points), func(i, j int) { points[i], points[j] = points[j], points[i] })
	if !every {
		points = points[:min(len(points), kills/2)]
	}
	for _, point := range points {
		s.toPoint(point)
	}
	for s.lives < kills {
		s.random(time.Second)
	}
	a = s.start()
	p.end()
	f.end()
	s.drain(a)
	delivered(s.t, s.dir, "log", "mqtt", "mail")
	if done := s.rebuilt(a); !done {
		s.t.Error("the state that grew differs from one rebuilt from what is stored")
	}
	s.stop(a)
	f.check(s.t, s.dir)
	p.check(s.t, s.dir)
	k.check(s.t, s, 0)
	s.equal(f)
}

// toPoint has the daemon end at a point. What must be there for it to come
// there may be gone by a kill, so it may take several lives.
func (s *siege) toPoint(point crash.Point) {
	s.t.Helper()
	for range 10 {
		n := s.rng.IntN(3)
		switch point {
		case crash.Packing, crash.Packed, crash.Closed:
			for n = 0; s.open() == 0; {
				s.random(2 * time.Second)
			}
		}
		if s.at(point, n) {
			return
		}
	}
	s.t.Errorf("the daemon never comes to the point %q", point)
}

// open counts the readings of closed days that are not packed.
func (s *siege) open() (n int) {
	s.t.Helper()
	yesterday := time.Now().UTC().Truncate(24*time.Hour).AddDate(0, 0, -1)
	db := database(s.t, s.dir)
	defer func() { _ = db.Close() }()
	if err := db.QueryRow(`SELECT count(*) FROM open_reading WHERE at < ?`, yesterday.UnixMilli()).Scan(&n); err != nil {
		s.t.Fatal(err)
	}
	return n
}

// begun waits for readings of every room, so that there is something to fold
// and to pack, and for the lots.
func (s *siege) begun(a *app.App, p *people) {
	s.t.Helper()
	for deadline := time.Now().Add(5 * time.Minute); ; time.Sleep(20 * time.Millisecond) {
		rooms := len(statusOf(s.t, a.URL()).Snapshot.Rooms)
		begun, answers := p.begun()
		if begun && rooms >= len(own())+len(bare()) {
			return
		}
		if time.Now().After(deadline) {
			s.t.Fatalf("waited in vain for the first readings and lots: %d rooms, %s", rooms, answers)
		}
	}
}

func (s *siege) stop(a *app.App) {
	s.t.Helper()
	if err := a.Stop(bound(s.t)); err != nil {
		s.t.Error(err)
	}
}

// drain waits for the last message.
func (s *siege) drain(a *app.App) {
	s.t.Helper()
	eventually(s.t, "the last message", func() bool {
		return slices.ContainsFunc(statusOf(s.t, a.URL()).Snapshot.Rooms, func(r engine.RoomView) bool { return r.Name == "last" })
	})
}

// rebuilt reports whether a rebuild gives the state that is there.
func (s *siege) rebuilt(a *app.App) bool {
	s.t.Helper()
	done, _ := refold(s.t, a)
	return done.Same
}

// equal rebuilds the state from the store that went through the kills and
// compares it with that of a daemon that was not killed and got what the book
// says in the order of publication.
func (s *siege) equal(f *feeder) {
	t := s.t
	t.Helper()
	now := time.Now()
	run := func(dir string) *house {
		h := newHouse(t, nil)
		listen := h.opts.Settings.Broker.Embedded.Listen
		h.opts.Settings, h.opts.DataDir = s.settings(), dir
		own := local("")
		own.Broker.Embedded.Listen = listen
		h.opts.Settings.Broker, h.opts.Settings.HTTP, h.opts.Settings.Mail = own.Broker, own.HTTP, nil
		h.opts.Now = func() time.Time { return now }
		return h.start()
	}
	again := run(s.dir)
	got := again.app.Snapshot()
	again.stop()

	dir := filepath.Join(t.TempDir(), "calm")
	tell(t, dir, lotsOf(t, s.dir))
	calm := run(dir)
	pub := feedClient(t, calm.brokerURL())
	n := uint64(0)
	for _, name := range own() {
		for _, m := range f.timed[name] {
			if err := pub.PublishAsync(t.Context(), "rooms/"+name, 1, false, m.payload(), nil); err != nil {
				t.Fatal(err)
			}
			n++
		}
	}
	eventually(t, "the readings", func() bool { return calm.app.Snapshot().Intake.Messages == n && calm.idle() })
	want := calm.app.Snapshot()
	if d := cmp.Diff(want.Lots, got.Lots); d != "" || len(got.Lots) < mostLots {
		t.Errorf("%d lots, and those of the daemon that was killed differ (-calm +killed):\n%.3000s", len(got.Lots), d)
	}
	compared := 0
	for _, w := range want.Rooms {
		for _, g := range got.Rooms {
			if g.Name == w.Name && slices.Contains(own(), w.Name) {
				compared++
				if d := cmp.Diff(w, g); d != "" {
					t.Errorf("room %s of the daemon that was killed differs (-calm +killed):\n%.3000s", w.Name, d)
				}
			}
		}
	}
	if compared != len(own()) || want.Lots[0].Modes[0].Exposure == (engine.Estimate{}) {
		t.Errorf("the comparison says nothing: %d rooms, %+v", compared, want)
	}
}

// idle reports whether late readings are folded: a rebuild gives the same.
func (h *house) idle() bool {
	h.t.Helper()
	done, _ := refold(h.t, h.app)
	return done.Same
}

// tell stores changes of lots in a new data directory.
func tell(t *testing.T, dir string, changes []lot.Change) {
	t.Helper()
	db := opened(t, dir)
	err := db.Commit(context.Background(), store.Batch{}, nil, time.Now(), func([]room.Reading) (store.Outcome, error) {
		return store.Outcome{Lots: changes}, nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
}

// addLots registers a lot in each room that gets readings with their own
// times.
func addLots(t *testing.T, a *app.App, at time.Time) {
	t.Helper()
	for _, name := range []string{"cellar", "loft"} {
		_, err := a.AddLot(t.Context(), lot.Packing{
			Food: "brown-rice", Container: "pet-2l", Count: 4, NetMassKG: 1.6, PackedAt: at, Room: name,
			Treatment: lot.Treatment{Kind: lot.NoTreatment}, Shading: lot.Boxed,
		}, "Ada")
		if err != nil {
			t.Fatal(err)
		}
	}
}
