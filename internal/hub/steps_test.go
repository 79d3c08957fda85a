package hub

import (
	"encoding/json"
	"fmt"
	"maps"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"dryhold/internal/engine"
)

// kept is a broker's memory.
type kept map[string]string

func (k kept) publish(m Message) {
	if m.Payload == "" {
		delete(k, m.Topic)
		return
	}
	k[m.Topic] = m.Payload
}

// drawn is the house in any state: rooms and lots that come and go, of every
// name, known or not.
func drawn(t *rapid.T) *engine.Snapshot {
	s := larch()
	pick := func(what string) bool { return rapid.Bool().Draw(t, what) }
	number := func(what string) float64 { return rapid.Float64().Draw(t, what) }
	var rooms []engine.RoomView
	for _, r := range s.Rooms {
		if pick("gone") {
			continue
		}
		r.Name = rapid.SampledFrom([]string{r.Name, strings.ToUpper(r.Name), strings.ReplaceAll(r.Name, "-", "_")}).Draw(t, "name")
		r.Temperature = engine.Value{Known: pick("known"), Value: number("temperature")}
		r.Humidity = engine.Value{Known: pick("known"), Value: number("humidity")}
		rooms = append(rooms, r)
	}
	s.Rooms = rooms
	var lots []engine.LotView
	for _, l := range s.Lots {
		if pick("eaten") {
			l.FinishedAt = noon
		}
		if pick("new") {
			l.AsOf = time.Time{}
		}
		l.Remaining.Likely = number("left")
		if pick("there") {
			lots = append(lots, l)
		}
	}
	s.Lots = lots
	if pick("quiet") {
		s.Alarms = nil
	}
	return s
}

func configured(t *rapid.T) Config {
	c := larchHub()
	c.Prefix = rapid.SampledFrom([]string{"homeassistant", "homeassistant", "hub", ""}).Draw(t, "prefix")
	c.Homie, c.Lots = rapid.Bool().Draw(t, "homie"), rapid.Bool().Draw(t, "lots")
	c.Root = rapid.SampledFrom([]string{"dryhold", "dryhold/larch"}).Draw(t, "root")
	return c
}

// Whatever comes, the broker ends with what the last snapshot and configuration
// come to and nothing else, over broken connections, brokers that forget, and
// restarts that remember topics alone; and at no time does an announcement point
// to nothing, or a Homie device that is ready hold what its description does not
// say.
func TestStepsEndInWhatIsWanted(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		broker, known, version, described := kept{}, Known{}, int64(0), ""
		n := rapid.IntRange(1, 8).Draw(t, "turns")
		for turn := range n {
			c, s := configured(t), drawn(t)
			want := c.Messages(s, version)
			if d := c.Described(want); d != described {
				version++
				want = c.Messages(s, version)
				described = c.Described(want)
			}
			steps := Steps(known, want)
			cut := len(steps)
			if turn < n-1 {
				cut = rapid.IntRange(0, len(steps)).Draw(t, "cut")
			}
			for i, m := range steps[:cut] {
				before := broker[c.HomieState()]
				if m.Topic == c.description() && before == "ready" && broker[m.Topic] != m.Payload {
					t.Fatalf("the description changes while the device is ready, step %d of %v", i, steps)
				}
				broker.publish(m)
				known.Published(m)
				sound(t, broker, m, c.Device())
			}
			if broker[c.HomieState()] == stateReady {
				if faults := homieFaults(broker, c.Device()); len(faults) > 0 {
					t.Fatal(faults)
				}
			}
			switch {
			case turn == n-1:
			case rapid.Bool().Draw(t, "restart"):
				for topic := range known {
					known.Forget(topic)
				}
				version += 100
				described = ""
			}
		}
		c, s := configured(t), drawn(t)
		want := c.Messages(s, version+1)
		for _, m := range Steps(known, want) {
			broker.publish(m)
			known.Published(m)
		}
		all := kept{}
		for _, m := range want {
			all.publish(m)
		}
		if d := cmp.Diff(all, broker); d != "" {
			t.Fatalf("at the broker (-want +got):\n%s", d)
		}
		if again := Steps(known, want); len(again) != 0 {
			t.Fatalf("published without a change: %v", again)
		}
	})
}

// sound says what must never be wrong at the broker right after a message.
func sound(t *rapid.T, broker kept, m Message, device string) {
	if strings.HasSuffix(m.Topic, "/config") && m.Payload != "" {
		var a announced
		if err := json.Unmarshal([]byte(m.Payload), &a); err != nil {
			t.Fatal(err)
		}
		if broker[a.StateTopic] == "" {
			t.Fatalf("%s points to %s, where nothing is", m.Topic, a.StateTopic)
		}
	}
	for topic, payload := range broker {
		if m.Payload == "" && strings.HasSuffix(topic, "/config") && strings.Contains(payload, `"`+m.Topic+`"`) {
			t.Fatalf("%s points to %s, which was taken away", topic, m.Topic)
		}
	}
	base := "homie/5/" + device + "/"
	levels := strings.Split(strings.TrimPrefix(m.Topic, base), "/")
	if broker[base+"$state"] != stateReady || !strings.HasPrefix(m.Topic, base) || len(levels) != 2 || m.Payload == "" {
		return
	}
	var d description
	if err := json.Unmarshal([]byte(broker[base+"$description"]), &d); err != nil {
		t.Fatal(err)
	}
	if _, there := d.Nodes[levels[0]].Properties[levels[1]]; !there {
		t.Fatalf("%s is published while the device is ready and does not describe it", m.Topic)
	}
}

// A device that goes loses its state first; one whose rooms change says init and
// then ready; a value alone is published alone.
func TestOrderOfSteps(t *testing.T) {
	c := larchHub()
	c.Prefix, c.Lots = "", false
	known := Known{}
	topics := func(want []Message) []string {
		var out []string
		for _, m := range Steps(known, want) {
			out = append(out, fmt.Sprintf("%s=%.8s", strings.TrimPrefix(m.Topic, "homie/5/dryhold-larch-house/"), m.Payload))
			known.Published(m)
		}
		return out
	}
	topics(c.Messages(larch(), 1))
	s := larch()
	s.Rooms[0].Temperature.Value = 15
	if d := cmp.Diff([]string{"room-cellar/temperature=15"}, topics(c.Messages(s, 1))); d != "" {
		t.Error(d)
	}
	s.Rooms = s.Rooms[:2]
	got := topics(c.Messages(s, 2))
	if n := len(got); n < 4 || got[0] != "$state=init" || !strings.HasPrefix(got[1], "$description=") || got[n-1] != "$state=ready" || !strings.HasPrefix(got[n-2], "room-north-pantry/") {
		t.Errorf("a room goes: %v", got)
	}
	keptTopics := len(known)
	if got = topics(nil); got[0] != "$state=" || len(got) != keptTopics || len(known) != 0 {
		t.Errorf("the device goes: %v, left %v", got, maps.Clone(known))
	}
}
