package hub

import (
	"bytes"
	"encoding/json"
	"flag"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"dryhold/internal/engine"
)

var update = flag.Bool("update", false, "write the golden files anew")

// The announcements of the Larch House, as a broker keeps them.
func TestGolden(t *testing.T) {
	f := func(name string, c Config) {
		t.Helper()
		var b bytes.Buffer
		for _, m := range c.Messages(larch(), 7) {
			fmt.Fprintf(&b, "%s\n", m.Topic)
			var whole bytes.Buffer
			if json.Indent(&whole, []byte(m.Payload), "    ", "  ") != nil {
				whole.Reset()
				whole.WriteString(m.Payload)
			}
			fmt.Fprintf(&b, "    %s\n", whole.String())
		}
		file := filepath.Join("testdata", name+".golden")
		if *update {
			if err := os.WriteFile(file, b.Bytes(), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		want, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		if d := cmp.Diff(string(want), b.String()); d != "" {
			t.Errorf("%s (-want +got; -update writes it):\n%s", file, d)
		}
	}
	discovery, homie := larchHub(), larchHub()
	discovery.Homie, homie.Prefix = false, ""
	f("discovery", discovery)
	f("homie", homie)
	if got := (Config{Site: "larch-house"}).Messages(larch(), 7); len(got) != 0 {
		t.Errorf("announced without being asked: %v", got)
	}
}

// payloads gives what is announced, by topic.
func payloads(c Config, s *engine.Snapshot) map[string]string {
	out := map[string]string{}
	for _, m := range c.Messages(s, 1) {
		out[m.Topic] = m.Payload
	}
	return out
}

// A room whose readings stopped, or never came, shows no number, and nothing of
// it is said to be good.
func TestUnknownIsToldAsUnknown(t *testing.T) {
	s := larch()
	s.Alarms = nil
	s.Rooms[0].Temperature.Value, s.Rooms[1].Humidity.Value = math.NaN(), math.Inf(1)
	s.Lots[0].AsOf = time.Time{}
	all := payloads(larchHub(), s)
	f := func(topic string, unknown ...string) {
		t.Helper()
		var state map[string]any
		if err := json.Unmarshal([]byte(all[topic]), &state); err != nil {
			t.Fatal(err)
		}
		for _, key := range unknown {
			if v, there := state[key]; !there || v != nil {
				t.Errorf("%s of %s is %v, want null", key, topic, v)
			}
		}
	}
	f("dryhold/rooms/north-pantry", "temperature_celsius", "relative_humidity_percent", "dew_point_celsius", "illuminance_lux", "too_warm", "too_damp", "too_bright", "alarm")
	f("dryhold/rooms/cellar", "temperature_celsius", "worst_lot", "worst_lot_remaining_percent")
	f("dryhold/rooms/loft", "relative_humidity_percent", "illuminance_lux", "too_bright")
	f("dryhold/lots/L-1", "remaining_percent", "at_risk", "projected_end")
	for _, property := range []string{"temperature", "humidity", "dew-point", "illuminance", "too-warm", "alarm"} {
		if v := all["homie/5/dryhold-larch-house/room-north-pantry/"+property]; v != "" {
			t.Errorf("Homie says %s is %q", property, v)
		}
	}
	if v := all["homie/5/dryhold-larch-house/room-north-pantry/measured"]; v != "false" {
		t.Errorf("Homie says measured %q", v)
	}
	if !strings.Contains(all["dryhold/store"], `"lots_at_risk":2`) { // the one with a warning, and the one of which nothing is known
		t.Errorf("the store: %s", all["dryhold/store"])
	}
	for i := range s.Rooms {
		s.Rooms[i].Temperature.Known = false
	}
	all = payloads(larchHub(), s)
	f("dryhold/store", "alarm", "unacknowledged")
	// A limit that is switched off says nothing of a room.
	s = larch()
	s.Rooms[0].DampLimit, s.Rooms[0].BrightLimit = 0, 0
	all = payloads(larchHub(), s)
	f("dryhold/rooms/cellar", "too_damp", "too_bright")
}

func TestAtRisk(t *testing.T) {
	f := func(what string, want bool, change func(l *engine.LotView)) {
		t.Helper()
		l := larch().Lots[0]
		change(&l)
		if got := AtRisk(l); got != want {
			t.Errorf("%s: %v", what, got)
		}
	}
	f("as planned", false, func(*engine.LotView) {})
	f("not known", true, func(l *engine.LotView) { l.AsOf = time.Time{} })
	f("a warning", true, func(l *engine.LotView) { l.Warnings = []string{"spent"} })
	f("damp", true, func(l *engine.LotView) { l.Moisture.Red.Past = true })
	f("insects", true, func(l *engine.LotView) { l.Insects = &engine.InsectView{Generations: engine.Estimate{Likely: 1.2}} })
	f("insects were killed", false, func(l *engine.LotView) {
		l.Insects = &engine.InsectView{Generations: engine.Estimate{Likely: 1.2}, Ended: true}
	})
	f("ends a twentieth early", false, func(l *engine.LotView) { l.LostBeyondPlan = 0.05 * l.End.Sub(l.Packing.PackedAt).Hours() / 24 })
	f("ends a fifth early", true, func(l *engine.LotView) { l.LostBeyondPlan = 0.25 * l.End.Sub(l.Packing.PackedAt).Hours() / 24 })
	f("plan beyond what is looked at", false, func(l *engine.LotView) { l.EndAtPlan = time.Time{} })
	f("loss not known", false, func(l *engine.LotView) { l.LostBeyondPlan = math.NaN() })
}

func TestID(t *testing.T) {
	f := func(name, want string) {
		t.Helper()
		if got := ID(name); got != want {
			t.Errorf("%q: %q, want %q", name, got, want)
		}
	}
	f("cellar", "cellar")
	f("north-pantry", "north-pantry")
	f("L-1", "l-1-df42f6f9")
	f("north_pantry", "north-pantry-"+strings.TrimPrefix(ID("north_pantry"), "north-pantry-"))
	f("", "811c9dc5")
	f("-", ID("-"))
	for _, name := range []string{"", "-", "--", "é", "Larch House", "a--b", "-a", "a.b", "a_b", "A-B"} {
		if id := ID(name); !idForm.MatchString(id) || id == "a-b" {
			t.Errorf("%q: %q", name, id)
		}
	}
}

// What stands on the daemon's own topics is known to be its own.
func TestOwn(t *testing.T) {
	c := larchHub()
	for _, m := range c.Messages(larch(), 1) {
		if config := strings.HasSuffix(m.Topic, "/config"); c.Own(m.Topic) == config {
			t.Errorf("%s: own %v", m.Topic, !config)
		}
	}
	for _, topic := range []string{"dryhold2/rooms/cellar", "homie/5/dryhold-larch-house-2/a/b", "rooms/cellar", "", "dryhold/cellar/temperature", "dryhold/rooms/cellar/temperature", "dryhold/notices", "dryhold/rooms"} {
		if c.Own(topic) {
			t.Errorf("%q is taken for its own", topic)
		}
	}
	c.Prefix, c.Homie = "", false
	if c.Own("dryhold/rooms/cellar") || c.Own("homie/5/dryhold-larch-house/room-cellar/temperature") {
		t.Error("a topic is taken for its own where nothing is announced")
	}
}

// The lots that are announced one by one are bounded.
func TestManyLots(t *testing.T) {
	s := larch()
	for i := range 2 * mostLots {
		l := s.Lots[0]
		l.ID = fmt.Sprintf("L-%d", i+10)
		s.Lots = append(s.Lots, l)
	}
	c := larchHub()
	c.Homie = false
	if n := len(c.Messages(s, 1)); n != 2*(1+3+mostLots) {
		t.Errorf("%d messages", n)
	}
}

// All of a house of 500 lots, announced one by one by both conventions, as each
// second may want.
func BenchmarkMessages500(b *testing.B) {
	s := larch()
	for i := range mostLots - 3 {
		l := s.Lots[0]
		l.ID = fmt.Sprintf("L-%d", i+10)
		s.Lots = append(s.Lots, l)
	}
	c := larchHub()
	known := Known{}
	for _, m := range c.Messages(s, 1) {
		known.Published(m)
	}
	for b.Loop() {
		if len(Steps(known, c.Messages(s, 1))) != 0 {
			b.Fatal("something has changed")
		}
	}
}
