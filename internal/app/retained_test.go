package app_test

import (
	"fmt"
	"os"
	"slices"
	"testing"
	"time"

	"dryhold/internal/engine"
	"dryhold/internal/settings"
	"dryhold/internal/unit"
	"dryhold/internal/wire"
)

// retainedTopics are mappings of every way to read a payload.
func retainedTopics(t *testing.T) []wire.Mapping {
	t.Helper()
	celsius, err := unit.Parse(unit.Temperature, "C")
	if err != nil {
		t.Fatal(err)
	}
	homie := &wire.Homie{Properties: []wire.Property{{Name: "temperature", Quantity: unit.Temperature, Unit: celsius}}}
	return append(settings.DefaultTopics(), senmlTopics(),
		wire.Mapping{Pattern: "homie/{room}/climate/+", Homie: homie},
		wire.Mapping{Pattern: "homie/5/{room}/climate/+", Homie: homie})
}

// TestHundredRestartsAddNothing: retained values of every convention, with a
// time of their own and without, make the readings they make once, and no more
// at any of a hundred restarts; what devices said of themselves is known again
// after each.
func TestHundredRestartsAddNothing(t *testing.T) {
	houses(t, func(t *testing.T, h *house) {
		h.opts.Settings.Topics = retainedTopics(t)
		h.start()
		c := publisher(t, h.brokerURL())
		at := time.Now().Add(-time.Hour).UTC().Truncate(time.Second)
		const own, live = 2, 4
		publish(t, c, "rooms/loft", true, fmt.Sprintf(`{"temperature":23,"time":%q}`, at.Format(time.RFC3339)))
		publish(t, c, "senml/north-pantry", true, fmt.Sprintf(`[{"bn":"x:","bt":%d,"n":"t","u":"Cel","v":15,"ut":7200}]`, at.Unix()))
		// Live, these are readings at their receipt; retained, of unknown age.
		publish(t, c, "rooms/cellar/temperature", true, "17.25")
		publish(t, c, "senml/south-pantry", true, `[{"bn":"x:","n":"t","u":"Cel","v":16}]`)
		publish(t, c, "homie/attic/climate/temperature", true, "18")
		publish(t, c, "homie/5/garage/climate/temperature", true, "19")
		publish(t, c, "homie/attic/$state", true, "lost") // as a last will would
		publish(t, c, "homie/5/garage/$state", true, "sleeping")
		eventually(t, "the live readings", func() bool {
			return h.app.Snapshot().Intake.Stored == own+live && len(h.app.Snapshot().Intake.Devices) == 2
		})
		known := []string{"attic 18", "cellar 17.25", "garage 19", "south-pantry 16"}
		devices := []string{"homie/5/garage is sleeping, gone false", "homie/attic is lost, gone true"}
		restarts := 100
		if h.mosquitto == nil && os.Getenv(longEnv) == "" {
			restarts = 25 // each opens the broker's own database too
		}
		for range restarts {
			h.restart()
			eventually(t, "all that is retained", func() bool {
				in := h.app.Snapshot().Intake
				return in.Messages == 8 && slices.Equal(lastKnown(in), known) && slices.Equal(said(in), devices)
			})
			if in := h.app.Snapshot().Intake; in.Stored != 0 {
				t.Fatalf("a restart made %d readings", in.Stored)
			}
		}
		h.stop()
		for _, name := range []string{"loft", "cellar", "north-pantry", "south-pantry", "attic", "garage"} {
			if got := onDisk(t, h.opts.DataDir, name); len(got) != 1 {
				t.Errorf("%s has %d readings after the restarts, want the one", name, len(got))
			}
		}
	})
}

func lastKnown(in engine.IntakeView) (out []string) {
	for _, k := range in.LastKnown {
		out = append(out, fmt.Sprint(k.Room, " ", k.Value))
	}
	slices.Sort(out)
	return out
}

func said(in engine.IntakeView) (out []string) {
	for _, d := range in.Devices {
		out = append(out, fmt.Sprintf("%s is %s, gone %v", d.Device, d.State, d.Gone))
	}
	return out
}
