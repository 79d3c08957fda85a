package app_test

import (
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"strconv"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"dryhold/internal/app"
	"dryhold/internal/crash"
	"dryhold/internal/engine"
	"dryhold/internal/intake"
	"dryhold/internal/lot"
	"dryhold/internal/room"
	"dryhold/internal/unit"
)

// killsEnv is how many kills TestKill does on each broker, 15 if not set.
const killsEnv = "DRYHOLD_TEST_KILLS"

// Readings survive kill -9 of the daemon at any instant: between publication
// and commit, between commit and acknowledgement, and whenever. Each
// publication the broker took is there once, and what follows from it is
// equal to the last bit to what a daemon that was never killed makes of it.
func TestKill(t *testing.T) {
	kills := 15
	if text := os.Getenv(killsEnv); text != "" {
		var err error
		if kills, err = strconv.Atoi(text); err != nil {
			t.Fatalf("%s=%q: %v", killsEnv, text, err)
		}
	}
	houses(t, func(t *testing.T, h *house) {
		origin := time.Now().Add(-20 * time.Hour).UTC().Truncate(time.Second) // on days that are still open
		h.start()
		addLots(t, h.app, origin)
		h.stop()
		f := h.feed(origin)
		rng := rand.New(rand.NewPCG(1, uint64(kills)))
		for i := range kills {
			switch i % 3 {
			case 0:
				h.crash(string(crash.Committed), rng.IntN(10))
			case 1:
				h.crash(string(crash.Judged), rng.IntN(10))
			default:
				h.crash("random", rng.IntN(400))
			}
		}
		h.start()
		f.end()
		within(t, time.Minute, "the last message", func() bool { return h.room("last").Name != "" })
		h.stop()
		f.check(t, h.opts.DataDir)
		f.equal(t, h)
	})
}

// crash runs the daemon in a process of its own until it is killed: at a
// point of a commit after n others, or after n ms.
func (h *house) crash(point string, n int) {
	h.t.Helper()
	broker := ""
	if h.mosquitto != nil {
		broker = h.mosquitto.URL
	} else {
		h.t.Setenv("DRYHOLD_TEST_LISTEN", h.opts.Settings.Broker.Embedded.Listen)
	}
	cmd := spawn(h.t, h.opts.DataDir, broker, point, n)
	// A slow machine takes the same load in fewer commits than asked for: a
	// kill from outside ends the daemon then.
	patience := 10 * time.Second
	if point == "random" {
		patience = time.Duration(n) * time.Millisecond
	}
	timer := time.AfterFunc(patience, func() { _ = cmd.Process.Kill() })
	defer timer.Stop()
	err := cmd.Wait()
	if status, ok := cmd.ProcessState.Sys().(syscall.WaitStatus); !ok || status.Signal() != syscall.SIGKILL {
		h.t.Fatalf("the daemon ended otherwise than by a kill: %v", err)
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

// feeder publishes without pause, through every kill, and keeps book.
type feeder struct {
	t      *testing.T
	origin time.Time
	client *intake.Client
	quit   chan struct{}
	work   sync.WaitGroup

	mu        sync.Mutex
	timed     map[string][]message     // by room, in order of publication
	acked     map[string]map[int64]int // bare numbers by room and value in steps
	uncertain map[string]map[int64]int // those whose acknowledgement was lost
}

type message struct {
	at          time.Time
	temperature float64
	humidity    float64
}

func (m message) payload() []byte {
	return fmt.Appendf(nil, `{"time":%q,"temperature":%v,"humidity":%v}`, m.at.Format(time.RFC3339), m.temperature, m.humidity)
}

func (h *house) feed(origin time.Time) *feeder {
	h.t.Helper()
	f := &feeder{
		t: h.t, origin: origin, quit: make(chan struct{}), timed: map[string][]message{},
		acked: map[string]map[int64]int{}, uncertain: map[string]map[int64]int{},
	}
	f.client = feedClient(h.t, h.brokerURL())
	for i, name := range []string{"cellar", "loft"} {
		f.work.Go(func() { f.publishTimed(name, uint64(i)) })
	}
	f.work.Go(func() { f.publishBare("counting", func(i int) float64 { return float64(i%100_000)/1000 - 20 }) })
	f.work.Go(func() { f.publishBare("steady", func(int) float64 { return 21.5 }) })
	return f
}

// feedClient is an MQTT client that reconnects and reports the fate of each
// publication.
func feedClient(t *testing.T, url string) *intake.Client {
	t.Helper()
	c, err := intake.New(intake.Config{URL: url, ClientID: "larch-house-feeder", KeepTrying: true, ReconnectMax: 100 * time.Millisecond}, time.Now, func(intake.Delivery) {})
	if err != nil {
		t.Fatal(err)
	}
	if err := c.Start(t.Context()); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := c.Stop(context.Background()); err != nil {
			t.Error(err)
		}
	})
	return c
}

// publishTimed publishes readings with times of their own, each until it is
// acknowledged: 1 s apart, some late by up to ten.
func (f *feeder) publishTimed(name string, seed uint64) {
	rng := rand.New(rand.NewPCG(7, seed))
	for block := 0; ; block++ {
		for _, k := range rng.Perm(10) {
			i := 10*block + k
			m := message{
				at:          f.origin.Add(time.Duration(i) * time.Second),
				temperature: math.Round(1000*(18+6*math.Sin(float64(i)/700)+rng.Float64())) / 1000,
				humidity:    math.Round(100*(50+5*rng.Float64())) / 100,
			}
			select {
			case <-f.quit:
				return
			default:
			}
			f.insist("rooms/"+name, m.payload())
			f.mu.Lock()
			f.timed[name] = append(f.timed[name], m)
			f.mu.Unlock()
			time.Sleep(pace)
		}
	}
}

// pace is between two publications of one series, so that the book of the
// test stays short.
const pace = 2 * time.Millisecond

// insist publishes until the broker acknowledges.
func (f *feeder) insist(topic string, payload []byte) {
	for f.publish(topic, payload) != nil {
		time.Sleep(5 * time.Millisecond)
	}
}

func (f *feeder) publish(topic string, payload []byte) error {
	ctx, cancel := context.WithTimeout(context.Background(), 30*time.Second)
	defer cancel()
	return f.client.Publish(ctx, topic, 1, false, payload)
}

// publishBare publishes bare numbers, each once.
func (f *feeder) publishBare(name string, value func(i int) float64) {
	f.mu.Lock()
	acked, uncertain := map[int64]int{}, map[int64]int{}
	f.acked[name], f.uncertain[name] = acked, uncertain
	f.mu.Unlock()
	for i := 0; ; i++ {
		select {
		case <-f.quit:
			return
		default:
		}
		v := value(i)
		switch err := f.publish("rooms/"+name+"/temperature", strconv.AppendFloat(nil, v, 'f', -1, 64)); {
		case err == nil:
			acked[unit.Temperature.Steps(v)]++
			time.Sleep(pace)
		case errors.Is(err, intake.ErrNotConnected):
			time.Sleep(5 * time.Millisecond) // not sent
		default:
			uncertain[unit.Temperature.Steps(v)]++
		}
	}
}

// end stops publishing, with a last message behind which there is no other.
func (f *feeder) end() {
	f.t.Helper()
	close(f.quit)
	f.work.Wait()
	f.insist("rooms/last/temperature", []byte("1"))
}

// check compares the store with the book.
func (f *feeder) check(t *testing.T, dir string) {
	t.Helper()
	for name, sent := range f.timed {
		want := map[room.Reading]int{}
		for _, m := range sent {
			want[room.Reading{Series: series(name, unit.Temperature), At: m.at, Value: unit.Temperature.Round(m.temperature)}]++
			want[room.Reading{Series: series(name, unit.Humidity), At: m.at, Value: unit.Humidity.Round(m.humidity / 100)}]++
		}
		got := map[room.Reading]int{}
		for _, r := range onDisk(t, dir, name) {
			got[r]++
		}
		wrong := 0
		for r, n := range got {
			if n != want[r] {
				wrong++
			}
		}
		if wrong > 0 || len(got) != len(want) {
			t.Errorf("%s: of %d readings published %d are on disk, %d of them not as published or more than once", name, len(want), len(got), wrong)
		}
		t.Logf("%s: %d readings with times of their own", name, len(want))
	}
	for name, acked := range f.acked {
		got := map[int64]int{}
		for _, r := range onDisk(t, dir, name) {
			got[unit.Temperature.Steps(r.Value)]++
		}
		sum, lost := 0, 0
		for steps, n := range acked {
			sum += n
			if got[steps] < n {
				lost += n - got[steps]
			}
		}
		unsure, twice := 0, 0
		for steps, n := range got {
			over := n - acked[steps]
			if over > f.uncertain[name][steps] {
				twice += over - f.uncertain[name][steps]
			}
		}
		for _, n := range f.uncertain[name] {
			unsure += n
		}
		if lost != 0 || twice != 0 {
			t.Errorf("%s: of %d bare numbers taken by the broker %d are lost and %d counted twice (%d unsure)", name, sum, lost, twice, unsure)
		}
		t.Logf("%s: %d bare numbers, %d more whose acknowledgement was lost", name, sum, unsure)
	}
}

// equal rebuilds the state from the store that went through the kills and
// compares it with that of a daemon that was not killed.
func (f *feeder) equal(t *testing.T, h *house) {
	t.Helper()
	now := time.Now()
	again := newHouse(t, nil)
	again.opts.DataDir = h.opts.DataDir
	again.opts.Now = func() time.Time { return now }
	again.start()
	got := again.app.Snapshot()
	again.stop()

	calm := newHouse(t, nil)
	calm.opts.Now = again.opts.Now
	calm.start()
	addLots(t, calm.app, f.origin)
	pub := feedClient(t, calm.brokerURL())
	n := uint64(0)
	for _, name := range []string{"cellar", "loft"} {
		for _, m := range f.timed[name] {
			if err := pub.PublishAsync(t.Context(), "rooms/"+name, 1, false, m.payload(), nil); err != nil {
				t.Fatal(err)
			}
			n++
		}
	}
	within(t, time.Minute, "the readings", func() bool { return calm.app.Snapshot().Intake.Messages == n })
	want := calm.app.Snapshot()
	if d := cmp.Diff(want.Lots, got.Lots); d != "" || len(got.Lots) != 2 {
		t.Errorf("lots of the daemon that was killed differ (-calm +killed):\n%s", d)
	}
	for _, w := range want.Rooms {
		for _, g := range got.Rooms {
			if g.Name == w.Name {
				if d := cmp.Diff(w, g); d != "" {
					t.Errorf("room %s of the daemon that was killed differs (-calm +killed):\n%s", w.Name, d)
				}
			}
		}
	}
	if len(want.Rooms) != 2 || want.Lots[0].Modes[0].Exposure == (engine.Estimate{}) {
		t.Errorf("the comparison says nothing: %+v", want)
	}
}
