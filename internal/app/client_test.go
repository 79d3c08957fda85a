package app_test

import (
	"context"
	"fmt"
	"net"
	"net/http"
	"os/exec"
	"runtime"
	"strings"
	"testing"
	"time"

	"dryhold/internal/app"
	"dryhold/internal/engine"
	"dryhold/internal/intake/mosquittotest"
	"dryhold/internal/lot"
	"dryhold/internal/servertest"
	"dryhold/internal/unit"
	"dryhold/internal/web"
)

func lotOf(name string) web.AddLot {
	return web.AddLot{By: "Ada", Packing: lot.Packing{
		Food: "white-rice", Container: "pet-2l", Count: 12, NetMassKG: 1.6, PackedAt: time.Now().Add(-24 * time.Hour).UTC(),
		Treatment: lot.Treatment{Kind: lot.NoTreatment}, Shading: lot.Boxed, Room: name,
	}}
}

// What the command line of a foreign program publishes is seen. How long that
// took is logged: a second is the aim, and too close to assert on a busy
// machine.
func TestReadingOfAnotherProgram(t *testing.T) {
	pub := servertest.Program(t, "mosquitto_pub", "mosquitto-clients")
	houses(t, func(t *testing.T, h *house) {
		h.start()
		host, port, err := net.SplitHostPort(strings.TrimPrefix(h.brokerURL(), "mqtt://"))
		if err != nil {
			t.Fatal(err)
		}
		out, err := exec.Command(pub, "-h", host, "-p", port, "-q", "1", "-t", "rooms/north-pantry/temperature", "-m", "19.25").CombinedOutput()
		if err != nil {
			t.Fatalf("mosquitto_pub: %v\n%s", err, out)
		}
		took := within(t, time.Minute, "the reading everywhere", func() bool {
			_, page := get(t, h.app.URL()+"/")
			return strings.Contains(page, "19.2") && h.room("north-pantry").Temperature.Value == 19.25 &&
				scrape(t, h.app.URL(), `dryhold_room_temperature_celsius{room="north-pantry",site="home"}`) == 19.25
		})
		t.Logf("shown on page, in metrics and status after %v", took)
	})
}

// The line the start-up text gives publishes a first reading.
func TestFirstReadingLine(t *testing.T) {
	servertest.Program(t, "mosquitto_pub", "mosquitto-clients")
	h := newHouse(t, nil).start()
	if out, err := exec.Command("sh", "-c", h.app.FirstReading()).CombinedOutput(); err != nil {
		t.Fatalf("%s: %v\n%s", h.app.FirstReading(), err, out)
	}
	eventually(t, "the first reading", func() bool { return h.room("cellar").Temperature.Value == 21.5 })
	h.stop()
	h.opts.Settings.AcceptNewRooms = false
	if line := h.start().app.FirstReading(); line != "" {
		t.Errorf("a daemon that accepts no new rooms offers %q", line)
	}
}

// On the embedded broker a retained value without a time of its own comes
// back at every start, and is no reading then.
func TestRetainedOnTheEmbeddedBroker(t *testing.T) {
	h := newHouse(t, nil).start()
	c := publisher(t, h.brokerURL())
	at := time.Now().Add(-time.Hour).UTC().Truncate(time.Second)
	publish(t, c, "rooms/cellar/temperature", true, "17.25") // live: a reading
	publish(t, c, "rooms/loft", true, fmt.Sprintf(`{"temperature":23,"time":%q}`, at.Format(time.RFC3339)))
	eventually(t, "the live readings", func() bool { return h.status().Snapshot.Intake.Stored == 2 })
	want := engine.LastKnown{Room: "cellar", Sensor: "cellar", Quantity: unit.Temperature, Value: 17.25}
	for range 10 {
		h.restart()
		eventually(t, "the retained value", func() bool {
			known := h.status().Snapshot.Intake.LastKnown
			return len(known) == 1 && known[0] == want
		})
	}
	h.stop()
	if got := onDisk(t, h.opts.DataDir, "cellar"); len(got) != 1 {
		t.Errorf("ten restarts made of one reading %v", got)
	}
	if got := onDisk(t, h.opts.DataDir, "loft"); len(got) != 1 || !got[0].At.Equal(at) {
		t.Errorf("ten restarts made of one reading at %v: %v", at, got)
	}
}

// A retained value of unknown age opens no room: nothing has been read there.
func TestRetainedOpensNoRoom(t *testing.T) {
	m := mosquittotest.Start(t)
	c := publisher(t, m.URL)
	publish(t, c, "rooms/attic/temperature", true, "30")
	h := newHouse(t, m).start()
	eventually(t, "the retained value", func() bool { return len(h.status().Snapshot.Intake.LastKnown) == 1 })
	publish(t, c, "rooms/cellar/temperature", false, "12")
	eventually(t, "the cellar", func() bool { return h.room("cellar").Temperature.Known })
	if code, answer := h.post("/api/v1/lots", lotOf("attic")); code != http.StatusUnprocessableEntity || !strings.Contains(answer, "attic") {
		t.Errorf("a lot in a room without a reading: %d %s", code, answer)
	}
	if code, answer := h.post("/api/v1/lots", lotOf("cellar")); code != http.StatusCreated {
		t.Errorf("a lot in the cellar: %d %s", code, answer)
	}
}

// Bare numbers that arrive within one millisecond, as after a reconnection,
// are as many readings as messages, also across a restart, and the newest is
// the one that stands.
func TestBareNumbersOfOneInstant(t *testing.T) {
	h := newHouse(t, nil)
	frozen := time.Now().Truncate(time.Millisecond)
	h.opts.Now = func() time.Time { return frozen }
	for round := range 3 {
		h.start()
		c := publisher(t, h.brokerURL())
		for i := range 20 {
			publish(t, c, "rooms/cellar/temperature", false, fmt.Sprint(20*round+i))
		}
		eventually(t, "20 messages", func() bool { return h.status().Snapshot.Intake.Messages == 20 })
		if in := h.status().Snapshot.Intake; in.Stored != 20 || in.Duplicates != 0 {
			t.Errorf("round %d: 20 messages made %d readings and %d duplicates", round, in.Stored, in.Duplicates)
		}
		if v := h.room("cellar").Temperature.Value; v != float64(20*round+19) {
			t.Errorf("round %d: the room shows %g °C, not the newest", round, v)
		}
		h.stop()
	}
	for i, r := range onDisk(t, h.opts.DataDir, "cellar") {
		if r.Value != float64(i) {
			t.Fatalf("number %d on disk is %v", i, r)
		}
	}
}

// A stopped daemon leaves no goroutine, whatever it was doing, and cannot be
// started again.
func TestNothingRunsOn(t *testing.T) {
	houses(t, func(t *testing.T, h *house) {
		settle := func() int {
			http.DefaultTransport.(*http.Transport).CloseIdleConnections()
			time.Sleep(20 * time.Millisecond)
			return runtime.NumGoroutine()
		}
		before := settle()
		h.start()
		c := publisher(t, h.brokerURL())
		for i := range 200 {
			c.Publish("rooms/loft/temperature", 1, false, fmt.Sprint(i%40))
		}
		h.post("/api/v1/lots", lotOf("loft"))
		a := h.app
		h.stop()
		c.Disconnect(100)
		within(t, time.Minute, "all goroutines to end", func() bool {
			if n := settle(); n <= before {
				return true
			}
			return false
		})
		if err := a.Start(t.Context()); err == nil || !strings.Contains(err.Error(), "stopped") {
			t.Errorf("a stopped daemon starts again: %v", err)
		}
		ctx, cancel := context.WithTimeout(t.Context(), 10*time.Second)
		defer cancel()
		if _, err := a.AddLot(ctx, lotOf("loft").Packing, "Ada"); err == nil || ctx.Err() != nil {
			t.Errorf("a lot given to a stopped daemon: %v", err)
		}
	})
	idle, err := app.New(app.Options{Settings: local(""), Catalog: shipped(t), DataDir: t.TempDir()})
	if err != nil {
		t.Fatal(err)
	}
	if err := idle.Stop(t.Context()); err != nil {
		t.Error(err)
	}
	if err := idle.Start(t.Context()); err == nil {
		t.Error("a daemon stopped before its start starts all the same")
	}
}
