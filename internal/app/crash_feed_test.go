package app_test

import (
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strconv"
	"sync"
	"testing"
	"time"

	"dryhold/internal/intake"
	"dryhold/internal/room"
	"dryhold/internal/unit"
)

// fact is a reading as it is looked for on disk. A bare number takes the time
// it came in, which nobody knows beforehand: at is zero.
type fact struct {
	room     string
	quantity unit.Quantity
	at       int64 // ms
	steps    int64
}

// tally is what the book has of one fact.
type tally struct {
	sure   []time.Time // when the broker took it
	unsure int         // publications whose acknowledgement was lost
}

// feeder publishes without pause, through every kill, and keeps book.
type feeder struct {
	t      *testing.T
	origin time.Time
	client *intake.Client
	quit   chan struct{}
	work   sync.WaitGroup

	mu    sync.Mutex
	timed map[string][]message // by room, in order of publication
	book  map[fact]*tally
}

// message is a publication with a time of its own.
type message struct {
	at          time.Time
	temperature float64
	humidity    float64
}

func (m message) payload() []byte {
	return fmt.Appendf(nil, `{"time":%q,"temperature":%v,"humidity":%v}`, m.at.Format(time.RFC3339Nano), m.temperature, m.humidity)
}

func (m message) facts(name string) []fact {
	return []fact{
		{name, unit.Temperature, m.at.UnixMilli(), unit.Temperature.Steps(m.temperature)},
		{name, unit.Humidity, m.at.UnixMilli(), unit.Humidity.Steps(m.humidity / 100)},
	}
}

const (
	// pace is between two publications of one series, so that the book of the
	// test stays short.
	pace = 20 * time.Millisecond
	// burst is how many bare numbers are under way at once.
	burst = 8
)

// own lists the rooms that get readings with times of their own: two with
// those of today and yesterday, one with those of days long closed.
func own() []string { return []string{"cellar", "loft", "attic"} }

// counting lists the rooms that share bare numbers of which none comes twice.
func counting() (names []string) {
	for i := range 12 {
		names = append(names, fmt.Sprintf("counting-%d", i))
	}
	return names
}

// bare lists the rooms that get numbers without a time.
func bare() []string { return append(counting(), "steady", "oven") }

// bareMost bounds the bare numbers of a series: of more that come at once
// after an outage the daemon would take some for a fault of the sensor.
const bareMost = 3000

// feed publishes at a broker until end.
func feed(t *testing.T, url string, origin time.Time) *feeder {
	t.Helper()
	f := &feeder{t: t, origin: origin, quit: make(chan struct{}), timed: map[string][]message{}, book: map[fact]*tally{}}
	f.client = feedClient(t, url)
	f.work.Go(func() {
		f.publishTimed("cellar", 0, pace, func(i int) time.Time { return origin.Add(time.Duration(i) * time.Second) })
	})
	f.work.Go(func() {
		f.publishTimed("loft", 1, pace, func(i int) time.Time { return origin.Add(time.Duration(i) * time.Second) })
	})
	f.work.Go(func() {
		f.publishTimed("attic", 2, 2*pace, func(i int) time.Time {
			return origin.AddDate(0, 0, -3-(i*7)%25).Add(time.Duration(i) * time.Second)
		})
	})
	f.work.Go(func() {
		f.publishBare(counting(), burst, 2*pace, func(i int) float64 { return float64(i%100_000)/1000 - 20 })
	})
	f.work.Go(func() { f.publishBare([]string{"steady"}, 1, 3*pace, func(int) float64 { return 21.5 }) })
	f.work.Go(func() { f.publishBare([]string{"oven"}, 1, 200*time.Millisecond, heat) })
	return f
}

// heat is above the oven's limit and below it by turns, never by a jump that a
// sensor at fault would make, and for ten minutes no value twice.
func heat(i int) float64 { return []float64{28, 30.001}[i%2] + float64(i/2%1500)/1000 }

// feedClient is an MQTT client that reconnects and reports the fate of each
// publication.
func feedClient(t *testing.T, url string) *intake.Client {
	t.Helper()
	return mqttClient(t, intake.Config{URL: url, ClientID: "larch-house-feeder"}, func(intake.Delivery) {})
}

func mqttClient(t *testing.T, cfg intake.Config, handle func(intake.Delivery)) *intake.Client {
	t.Helper()
	cfg.KeepTrying, cfg.ReconnectMax = true, 20*time.Millisecond
	c, err := intake.New(cfg, time.Now, handle)
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
// acknowledged, some late by up to ten.
func (f *feeder) publishTimed(name string, seed uint64, pause time.Duration, at func(i int) time.Time) {
	rng := rand.New(rand.NewPCG(7, seed))
	for block := 0; ; block++ {
		for _, k := range rng.Perm(10) {
			i := 10*block + k
			m := message{
				at:          at(i),
				temperature: math.Round(1000*(18+6*math.Sin(float64(i)/700)+rng.Float64())) / 1000,
				humidity:    math.Round(100*(50+5*rng.Float64())) / 100,
			}
			if f.over() || time.Until(m.at) > -time.Minute {
				return
			}
			f.insist("rooms/"+name, m.payload())
			f.mu.Lock()
			f.timed[name] = append(f.timed[name], m)
			f.mu.Unlock()
			for _, x := range m.facts(name) {
				f.note(x, true)
			}
			time.Sleep(pause)
		}
	}
}

// over reports whether publishing is to end.
func (f *feeder) over() bool {
	select {
	case <-f.quit:
		return true
	default:
		return false
	}
}

// note enters a publication in the book.
func (f *feeder) note(x fact, sure bool) {
	f.mu.Lock()
	defer f.mu.Unlock()
	k := f.book[x]
	if k == nil {
		k = &tally{}
		f.book[x] = k
	}
	if sure {
		k.sure = append(k.sure, time.Now())
	} else {
		k.unsure++
	}
}

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

// publishBare publishes bare numbers, each once, for the rooms by turns, so
// many at a time.
func (f *feeder) publishBare(names []string, atOnce int, pause time.Duration, value func(i int) float64) {
	for i := 0; i < bareMost*len(names) && !f.over(); {
		var all sync.WaitGroup
		sent := 0
		for range atOnce {
			name, v := names[i%len(names)], value(i)
			x := fact{room: name, quantity: unit.Temperature, steps: unit.Temperature.Steps(v)}
			ctx, cancel := context.WithTimeout(context.Background(), 30*time.Second)
			all.Add(1)
			err := f.client.PublishAsync(ctx, "rooms/"+name+"/temperature", 1, false, strconv.AppendFloat(nil, v, 'f', -1, 64), func(err error) {
				defer all.Done()
				cancel()
				f.note(x, err == nil)
			})
			if err != nil {
				all.Done()
				cancel()
				if !errors.Is(err, intake.ErrNotConnected) {
					f.note(x, false)
				}
				break // not sent
			}
			i, sent = i+1, sent+1
		}
		all.Wait()
		if sent == 0 {
			time.Sleep(5 * time.Millisecond)
			continue
		}
		time.Sleep(pause)
	}
}

// end stops publishing, with a last message behind which there is no other.
func (f *feeder) end() {
	f.t.Helper()
	close(f.quit)
	f.work.Wait()
	f.insist("rooms/last/temperature", []byte("1"))
}

// factsOf counts the readings on disk. The daemon must not run.
func factsOf(t *testing.T, dir string) map[fact]int {
	t.Helper()
	out := map[fact]int{}
	s := opened(t, dir)
	for _, name := range append(own(), bare()...) {
		err := s.EachDay(t.Context(), name, time.UnixMilli(0), func(day []room.Reading) error {
			for _, r := range day {
				out[factOf(r)]++
			}
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	return out
}

func factOf(r room.Reading) fact {
	x := fact{r.Room, r.Quantity, r.At.UnixMilli(), r.Quantity.Steps(r.Value)}
	if slices.Contains(bare(), r.Room) {
		x.at = 0
	}
	return x
}

// of is the tally of the fact whose publication may have been taken at most
// so often.
func (k *tally) most(x fact) int {
	if x.at != 0 {
		return 1 // it has a time of its own, and may have been sent again
	}
	return len(k.sure) + k.unsure
}

// check compares what is on disk with the book: each publication that the
// broker took is there, and none twice.
func (f *feeder) check(t *testing.T, dir string) {
	t.Helper()
	got := factsOf(t, dir)
	lost, twice, foreign, sure, unsure := 0, 0, 0, 0, 0
	for x, k := range f.book {
		n, least, most := got[x], len(k.sure), k.most(x)
		sure, unsure = sure+least, unsure+k.unsure
		if n < min(least, most) {
			lost += min(least, most) - n
			t.Logf("lost: %+v, %d of %d", x, n, least)
		}
		if n > most {
			twice += n - most
			t.Logf("twice: %+v, %d of %d", x, n, most)
		}
	}
	for x := range got {
		if f.book[x] == nil {
			foreign++
		}
	}
	if lost+twice+foreign > 0 {
		t.Errorf("of %d readings taken by the broker %d are lost, %d counted twice and %d on disk were never published", sure, lost, twice, foreign)
	}
	t.Logf("%d readings taken by the broker, %d more whose acknowledgement was lost", sure, unsure)
}
