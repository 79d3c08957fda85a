package bench_test

import (
	"context"
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"dryhold/internal/app"
	"dryhold/internal/bench"
	"dryhold/internal/intake/mosquittotest"
	"dryhold/internal/room"
	"dryhold/internal/settings"
	"dryhold/internal/store"
	"dryhold/internal/unit"
	"dryhold/internal/wire"
)

// perDay is how many messages of two readings the house sends in a day.
const perDay = 20 * bench.Minutes

// message is what one sensor sends at once.
type message struct {
	temperature, humidity room.Reading
}

// messages gives those of a day of the house, in the order in which they are sent.
func messages(h bench.House, day int) (out []message) {
	for sensor := range h.Sensors {
		rs := h.Day(sensor, day)
		for i := 0; i < len(rs); i += 2 {
			out = append(out, message{rs[i], rs[i+1]})
		}
	}
	slices.SortStableFunc(out, func(a, b message) int { return a.temperature.At.Compare(b.temperature.At) })
	return out
}

func (m message) topic() string { return "larch/" + m.temperature.Room + "/" + m.temperature.Sensor }

func (m message) payload() string {
	return fmt.Sprintf(`{"time":"%s","temperature":%.2f,"humidity":%.2f}`,
		m.temperature.At.Format("2006-01-02T15:04:05.000Z07:00"), m.temperature.Value, 100*m.humidity.Value)
}

// written is how many bytes this process has sent towards the disk, by the
// kernel: pages of files that were not to be written already.
func written(b *testing.B) int64 {
	b.Helper()
	text, err := os.ReadFile("/proc/self/io")
	if err != nil {
		b.Skip("the kernel does not tell what a process writes:", err)
	}
	field := func(name string) (n int64) {
		_, rest, _ := strings.Cut(string(text), "\n"+name+": ")
		if _, err := fmt.Sscan(rest, &n); err != nil {
			b.Fatal(err)
		}
		return n
	}
	return field("write_bytes") - field("cancelled_write_bytes")
}

// BenchmarkWrittenByDaemon takes messages of the house through mosquitto one
// after the other, as they come on a usual day: each has a commit of its own. It
// reports what went to the disk a message, in a day of 20 sensors, and for each
// byte of payload.
func BenchmarkWrittenByDaemon(b *testing.B) {
	server := mosquittotest.Start(b)
	cfg := settings.Default()
	cfg.Broker = settings.Broker{URL: server.URL, ClientID: "dryhold"}
	cfg.HTTP.Listen = "127.0.0.1:0"
	cfg.Topics = topics(b)
	catalog, err := settings.Catalog()
	if err != nil {
		b.Fatal(err)
	}
	a, err := app.New(app.Options{Settings: cfg, Catalog: catalog, DataDir: b.TempDir()})
	if err != nil {
		b.Fatal(err)
	}
	if err := a.Start(b.Context()); err != nil {
		b.Fatal(err)
	}
	defer func() {
		if err := a.Stop(context.Background()); err != nil {
			b.Error(err)
		}
	}()
	c := mqtt.NewClient(mqtt.NewClientOptions().AddBroker(server.URL).SetClientID("sensors"))
	if token := c.Connect(); token.Wait() && token.Error() != nil {
		b.Fatal(token.Error())
	}
	defer c.Disconnect(100)
	h := bench.Larch()
	h.From = time.Now().UTC().Truncate(24*time.Hour).AddDate(0, 0, -1)
	day := messages(h, 0)
	if b.N > len(day) {
		b.Fatalf("%d messages: a day has %d", b.N, len(day))
	}
	payload := 0
	b.ResetTimer()
	before := written(b)
	for i, m := range day[:b.N] {
		text := m.payload()
		payload += len(text)
		if token := c.Publish(m.topic(), 1, false, text); token.Wait() && token.Error() != nil {
			b.Fatal(token.Error())
		}
		for deadline := time.Now().Add(time.Minute); a.Snapshot().Intake.Stored < 2*uint64(i+1); time.Sleep(100 * time.Microsecond) {
			if time.Now().After(deadline) {
				b.Fatal("a message is not stored")
			}
		}
	}
	report(b, written(b)-before, payload, b.N)
}

// report tells what was written for messages.
func report(b *testing.B, n int64, payload, messages int) {
	each := float64(n) / float64(messages)
	b.ReportMetric(each, "B-disk/message")
	b.ReportMetric(each*perDay/1e6, "MB-disk/day")
	b.ReportMetric(float64(n)/float64(payload), "B-disk/B-payload")
}

func topics(b *testing.B) []wire.Mapping {
	b.Helper()
	celsius, err := unit.Parse(unit.Temperature, "C")
	if err != nil {
		b.Fatal(err)
	}
	percent, err := unit.Parse(unit.Humidity, "%")
	if err != nil {
		b.Fatal(err)
	}
	return []wire.Mapping{{Pattern: "larch/{room}/{sensor}", JSON: &wire.JSON{
		Time: &wire.TimeField{Path: "time", Format: wire.RFC3339},
		Fields: []wire.Field{
			{Path: "temperature", Quantity: unit.Temperature, Unit: celsius, Scale: 1},
			{Path: "humidity", Quantity: unit.Humidity, Unit: percent, Scale: 1},
		},
	}}}
}

// BenchmarkWrittenByStore is the same by the store alone, with as many messages
// in a commit as the name says. Fewer commits are fewer bytes; what waits for
// one is not acknowledged, so that the broker keeps it, but alarms wait too.
func BenchmarkWrittenByStore(b *testing.B) {
	h := bench.Larch()
	day := messages(h, 0)
	for _, spacing := range []int{1, 5, 20, 100} {
		b.Run(fmt.Sprint("messages=", spacing), func(b *testing.B) {
			s := quiet(b, b.TempDir())
			if b.N > len(day) {
				b.Fatalf("%d messages: a day has %d", b.N, len(day))
			}
			payload := 0
			before := written(b)
			for batch := range slices.Chunk(day[:b.N], spacing) {
				var in store.Batch
				for _, m := range batch {
					payload += len(m.payload())
					in.Readings = append(in.Readings, m.temperature, m.humidity)
				}
				if err := s.Commit(b.Context(), in, nil, h.From, nothing); err != nil {
					b.Fatal(err)
				}
			}
			report(b, written(b)-before, payload, b.N)
		})
	}
}
