package app_test

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"testing"

	"dryhold/internal/app"
	"dryhold/internal/unit"
	"dryhold/internal/web"
)

// What arrives is shown as the decoder reads it, on both brokers; the intake
// gets its readings all the same, each once, before, during and after a look.
func TestTopicsAreShown(t *testing.T) {
	brokers(t, func(t *testing.T, url string) {
		a := daemon(t, app.Options{Settings: local(url), DataDir: t.TempDir()})
		c := publisher(t, a.BrokerURL())
		ctx := t.Context()
		publish(t, c, "rooms/cellar/temperature", false, "14.1")
		publish(t, c, "gw/shelf", true, `{"temperature":21.5,"humidity":44,"linkquality":120}`)
		if err := a.WatchTopics(ctx, "Mara"); err != nil {
			t.Fatal(err)
		}
		topic := func(name string) (v web.TopicView, found bool) {
			all, err := a.Topics(ctx)
			if err != nil {
				t.Fatal(err)
			}
			i := slices.IndexFunc(all.Topics, func(v web.TopicView) bool { return v.Topic == name })
			if i < 0 {
				return v, false
			}
			return all.Topics[i], true
		}
		eventually(t, "what the broker keeps", func() bool { _, found := topic("gw/shelf"); return found })
		if v, _ := topic("gw/shelf"); !v.Retained || v.Pattern != "" || len(v.Readings) != 0 || v.Problem != "" || v.Bytes != 52 {
			t.Errorf("%+v", v)
		}
		publish(t, c, "rooms/cellar/temperature", false, "14.2")
		publish(t, c, "rooms/cellar/temperature", false, "warm")
		publish(t, c, "camera/loft", false, "\xff\xd8\xff"+strings.Repeat("x", 9000))
		eventually(t, "what comes", func() bool { v, _ := topic("camera/loft"); return v.Count > 0 })
		v, _ := topic("camera/loft")
		if !v.Binary || !v.Cut || v.Bytes != 9003 || !strings.HasPrefix(v.Payload, "ffd8ff78") || len(v.Payload) > 128 {
			t.Errorf("%+v", v)
		}
		if v, _ := topic("rooms/cellar/temperature"); v.Count != 2 || !strings.HasPrefix(v.Problem, "not a number") || v.Pattern != "rooms/{room}/{quantity}" {
			t.Errorf("%+v", v)
		}
		eventually(t, "the readings, each once", func() bool { in := a.Snapshot().Intake; return in.Stored == 2 && in.Messages == 3 })

		proposals(t, a)
		if err := a.LeaveTopics(ctx); err != nil {
			t.Fatal(err)
		}
		publish(t, c, "rooms/cellar/temperature", false, "14.3")
		eventually(t, "the reading after the look", func() bool { return a.Snapshot().Intake.Stored == 3 })
		all, err := a.Topics(ctx)
		if err != nil || all.Looking || all.Ended.IsZero() || all.Why != "" || len(all.Topics) < 3 {
			t.Errorf("after the look: %v %+v", err, all)
		}
		if in := a.Snapshot().Intake; !in.Connected || in.Duplicates != 0 {
			t.Errorf("the intake after the look: %+v", in)
		}
	})
}

// proposals of what was seen: the lines are such that the configuration takes
// them, and say what the message reads.
func proposals(t *testing.T, a *app.App) {
	t.Helper()
	p, err := a.ProposeTopic(t.Context(), "gw/shelf", nil)
	if err != nil {
		t.Fatal(err)
	}
	if p.Shape != "json" || p.Pattern != "gw/shelf" || p.Sensor != "shelf" || len(p.Values) != 3 || len(p.Problems) != 1 || !strings.Contains(p.Problems[0], "the room of sensor \"shelf\" is not known") {
		t.Errorf("as guessed: %+v", p)
	}
	c := p.TopicChoice
	c.Room = "cellar"
	if p, err = a.ProposeTopic(t.Context(), "gw/shelf", &c); err != nil || len(p.Problems) != 0 {
		t.Fatalf("%v %+v", err, p)
	}
	var read []string
	for _, r := range p.Readings {
		read = append(read, fmt.Sprintf("%s/%s %s %g", r.Room, r.Sensor, r.Quantity, r.Value))
	}
	if got := strings.Join(read, ", "); got != "cellar/shelf temperature 21.5, cellar/shelf humidity 0.44" {
		t.Errorf("read %s by\n%s", got, p.YAML)
	}
	if !strings.Contains(p.YAML, "  - topic: gw/shelf\n    room: cellar\n    sensor: shelf\n    json:\n      fields:\n        - {path: temperature, quantity: temperature, unit: C}\n") {
		t.Errorf("lines:\n%s", p.YAML)
	}
	lux := unit.Illuminance
	c.Values = []web.ValueChoice{{Path: "temperature", Quantity: &lux, Unit: "C"}}
	if p, err = a.ProposeTopic(t.Context(), "gw/shelf", &c); err != nil || len(p.Problems) == 0 || !strings.Contains(p.Problems[0], "not a unit of illuminance") {
		t.Errorf("%v %+v", err, p)
	}
	if _, err := a.ProposeTopic(t.Context(), "nowhere", nil); err == nil {
		t.Error("a proposal for what nobody saw")
	}
}

// A broker full of strangers fills nothing: topics beyond the bound are counted
// and not kept.
func TestTopicsAreBounded(t *testing.T) {
	a := daemon(t, app.Options{Settings: local(""), DataDir: t.TempDir(), Throwaway: true})
	c := publisher(t, a.BrokerURL())
	if err := a.WatchTopics(t.Context(), "Mara"); err != nil {
		t.Fatal(err)
	}
	eventually(t, "the look", func() bool {
		publish(t, c, "first", false, "1")
		all, err := a.Topics(t.Context())
		return err == nil && all.Messages > 0
	})
	for i := range 1500 {
		publish(t, c, fmt.Sprintf("stranger/%d", i), false, "x")
	}
	publish(t, c, "long/"+strings.Repeat("x", 600), false, "x")
	eventually(t, "all of it seen", func() bool {
		all, err := a.Topics(t.Context())
		return err == nil && len(all.Topics) == 1000 && all.Elsewhere >= 502
	})
}

// A look ends with the daemon, and none begins after it.
func TestTopicsEndWithTheDaemon(t *testing.T) {
	a := daemon(t, app.Options{Settings: local(""), DataDir: t.TempDir(), Throwaway: true})
	if err := a.WatchTopics(t.Context(), "Mara"); err != nil {
		t.Fatal(err)
	}
	if err := a.WatchTopics(t.Context(), "Mara"); err != nil { // for longer
		t.Fatal(err)
	}
	if err := a.Stop(context.Background()); err != nil {
		t.Fatal(err)
	}
	if err := a.WatchTopics(t.Context(), "Mara"); err == nil {
		t.Error("a look began after the end")
	}
	if all, err := a.Topics(t.Context()); err != nil || all.Looking {
		t.Errorf("%v %+v", err, all)
	}
}

// The numbers of a daemon are those of what it does.
func TestVitals(t *testing.T) {
	a := daemon(t, app.Options{Settings: local(""), DataDir: t.TempDir(), Version: "0.1.0-test"})
	c := publisher(t, a.BrokerURL())
	publish(t, c, "rooms/cellar/temperature", false, "14.1")
	eventually(t, "the reading", func() bool { return a.Snapshot().Intake.Stored == 1 })
	v, err := a.Vitals(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if v.Version != "0.1.0-test" || v.Store.Readings != 1 || v.Store.Open != 1 || v.Store.Series != 1 || v.Store.Schema < 10 || v.Store.Bytes < 4096 || v.Store.Backup != nil ||
		v.Foods == 0 || v.Containers == 0 || !v.Broker.Embedded || v.Broker.URL != a.BrokerURL() || !v.Clock.Trusted || v.Export != nil || v.Ping != nil || len(v.Ways) == 0 {
		t.Errorf("%+v", v)
	}
}
