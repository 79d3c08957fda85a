package app_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"dryhold/internal/app"
	"dryhold/internal/engine"
	"dryhold/internal/unit"
	"dryhold/internal/wire"
)

// TestDeviceGoneIsToldAndIsNoReading: a last will is counted once however
// often the broker sends it, makes no reading, and is told to be over when
// the device is back; and a sensor that sends less often than its stale limit
// is told.
func TestDeviceGoneIsToldAndIsNoReading(t *testing.T) {
	brokers(t, func(t *testing.T, url string) {
		cfg := local(url)
		celsius, err := unit.Parse(unit.Temperature, "C")
		if err != nil {
			t.Fatal(err)
		}
		cfg.Topics = append(cfg.Topics,
			wire.Mapping{Pattern: "homie/5/{room}/climate/+", Homie: &wire.Homie{Properties: []wire.Property{
				{Name: "temperature", Quantity: unit.Temperature, Unit: celsius}}}},
			wire.Mapping{Pattern: "senml/{room}", SenML: &wire.SenML{Records: []wire.Record{{Quantity: unit.Temperature}, {Quantity: unit.Battery}}}})
		a := daemon(t, app.Options{Settings: cfg, DataDir: t.TempDir()})
		c := publisher(t, a.BrokerURL())
		taken := uint64(0)
		send := func(topic string, retained bool, payload string) engine.IntakeView {
			t.Helper()
			taken++
			publish(t, c, topic, retained, payload)
			eventually(t, "the message taken", func() bool { return a.Snapshot().Intake.Messages >= taken })
			return a.Snapshot().Intake
		}
		told := func(in engine.IntakeView, topic, cause string) engine.TopicErrors {
			if i := slices.IndexFunc(in.Errors, func(e engine.TopicErrors) bool { return e.Topic == topic && e.Cause == cause }); i >= 0 {
				return in.Errors[i]
			}
			return engine.TopicErrors{}
		}
		const state = "homie/5/cellar/$state"
		shown := func() string {
			var out []string
			for _, d := range statusOf(t, a.URL()).Snapshot.Intake.Devices {
				if d.Heard.IsZero() || time.Since(d.Heard) > time.Hour {
					t.Errorf("heard at %v: %+v", d.Heard, d)
				}
				out = append(out, fmt.Sprintf("%s in %s is %s, gone %v", d.Device, d.Room, d.State, d.Gone))
			}
			return strings.Join(out, "; ")
		}
		in := send(state, true, "ready")
		in = send("homie/5/cellar/climate/temperature", true, "12.5")
		if in.Stored != 1 || len(in.Errors) > 0 {
			t.Fatalf("a good device: %+v", in)
		}
		if got := shown(); got != "homie/5/cellar in cellar is ready, gone false" {
			t.Errorf("devices: %s", got)
		}
		for range 3 {
			in = send(state, true, "lost")
		}
		if got := shown(); got != "homie/5/cellar in cellar is lost, gone true" {
			t.Errorf("devices: %s", got)
		}
		if e := told(in, state, "sensor gone"); e.Count != 1 || !strings.Contains(e.Last, "homie/5/cellar is lost") || in.Stored != 1 {
			t.Errorf("after the last will: %+v", in)
		}
		if r := a.Snapshot().Rooms; len(r) != 1 || !r[0].Temperature.Known || r[0].Temperature.Value != 12.5 {
			t.Errorf("the room after the last will: %+v", r)
		}
		if e := told(send(state, true, "ready"), state, "sensor gone"); e.Count != 1 || !strings.Contains(e.Last, "is back") {
			t.Errorf("after its return: %+v", e)
		}
		if e := told(send(state, true, "disconnected"), state, "sensor gone"); e.Count != 2 || !strings.Contains(e.Last, "disconnected") {
			t.Errorf("gone again: %+v", e)
		}

		within := func(ut string) string {
			return `[{"bn":"x:","n":"t","u":"Cel","v":9,"ut":` + ut + `},{"n":"b","u":"%EL","v":90,"ut":86400}]`
		}
		for _, ut := range []string{"600", "7200"} {
			if in = send("senml/loft", false, within(ut)); len(in.Errors) != 1 {
				t.Errorf("a sensor with a limit that fits it: %+v", in)
			}
		}
		send("senml/loft", false, within("90000"))
		in = send("senml/loft", false, within("90000"))
		if e := told(in, "senml/loft", "stale limit too short"); e.Count != 1 || !strings.Contains(e.Last, "every "+(25*time.Hour).String()) {
			t.Errorf("a sensor beyond its limit: %+v", in)
		}
	})
}
