package app_test

import (
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"math/rand/v2"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"dryhold/internal/app"
	"dryhold/internal/health"
	"dryhold/internal/intake/mosquittotest"
	"dryhold/internal/servertest"
	"dryhold/internal/settings"
	"dryhold/internal/unit"
	"dryhold/internal/web"
	"dryhold/internal/wire"
)

// hubMirror is what a hub hears: the newest message of each topic, and all in
// order. It comes back to a broker that went away.
type hubMirror struct {
	mu   sync.Mutex
	kept map[string]string
	all  []string // topic and payload
}

func mirror(t testing.TB, url string) *hubMirror {
	t.Helper()
	m := &hubMirror{kept: map[string]string{}}
	see := func(_ mqtt.Client, x mqtt.Message) {
		m.mu.Lock()
		defer m.mu.Unlock()
		m.all = append(m.all, x.Topic()+" "+string(x.Payload()))
		if len(x.Payload()) == 0 {
			delete(m.kept, x.Topic())
			return
		}
		m.kept[x.Topic()] = string(x.Payload())
	}
	subscribed := make(chan error, 10)
	c := mqtt.NewClient(mqtt.NewClientOptions().AddBroker(url).SetClientID(fmt.Sprintf("hub-%d", rand.Uint32())).SetMaxReconnectInterval(time.Second).
		SetOnConnectHandler(func(c mqtt.Client) {
			token := c.Subscribe("#", 1, see)
			go func() {
				token.Wait()
				subscribed <- token.Error()
			}()
		}))
	if token := c.Connect(); token.Wait() && token.Error() != nil {
		t.Fatal(token.Error())
	}
	t.Cleanup(func() { c.Disconnect(100) })
	if err := <-subscribed; err != nil {
		t.Fatal(err)
	}
	return m
}

func (m *hubMirror) at(topic string) string {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.kept[topic]
}

// count is how many messages so far began so.
func (m *hubMirror) count(begin string) (n int) {
	m.mu.Lock()
	defer m.mu.Unlock()
	for _, x := range m.all {
		if strings.HasPrefix(x, begin) {
			n++
		}
	}
	return n
}

// announced are the topics at the broker that are told to hubs.
func (m *hubMirror) announced() (out []string) {
	m.mu.Lock()
	defer m.mu.Unlock()
	for _, topic := range slices.Sorted(maps.Keys(m.kept)) {
		own := strings.HasPrefix(topic, "dryhold/") && topic != "dryhold/status" && topic != "dryhold/daemon" && topic != "dryhold/notices"
		if own || strings.HasPrefix(topic, "homie/") || strings.HasSuffix(topic, "/config") {
			out = append(out, topic)
		}
	}
	return out
}

const (
	cellarConfig = "homeassistant/device/dryhold_larch-house_room_cellar/config"
	cellarState  = "dryhold/rooms/cellar"
	homieDevice  = "homie/5/dryhold-larch-house/"
)

// hubHouse is a house that announces everything to hubs.
func hubHouse(h *house) *house {
	h.opts.Settings.Site = "larch-house"
	h.opts.Settings.Hub = &settings.Hub{DiscoveryPrefix: "homeassistant", StatusTopic: "homeassistant/status", Homie: true, Lots: true}
	return h
}

// reads gives a value of a state; nil where it is null.
func (m *hubMirror) reads(t *testing.T, topic, key string) any {
	t.Helper()
	text := m.at(topic)
	if text == "" {
		return nil
	}
	var state map[string]any
	if err := json.Unmarshal([]byte(text), &state); err != nil {
		t.Fatalf("%s: %v", topic, err)
	}
	return state[key]
}

// Rooms and lots are announced, told anew when the hub starts, and taken away
// when they are gone or announcing is switched off, also after a restart.
func TestHubIsTold(t *testing.T) {
	houses(t, func(t *testing.T, h *house) {
		hubHouse(h).start()
		m := mirror(t, h.brokerURL())
		c := publisher(t, h.brokerURL())
		publish(t, c, "rooms/cellar/temperature", false, "21.5")
		eventually(t, "the room at the hub", func() bool {
			return m.at(cellarConfig) != "" && m.reads(t, cellarState, "temperature_celsius") == 21.5 && m.at(homieDevice+"room-cellar/temperature") == "21.5" && m.at(homieDevice+"$state") == "ready"
		})
		if got := m.reads(t, cellarState, "relative_humidity_percent"); got != nil {
			t.Errorf("a humidity nobody measured: %v", got)
		}
		describes(t, m)
		m.mu.Lock()
		first := slices.IndexFunc(m.all, func(x string) bool { return x == homieDevice+"$state ready" })
		said := m.all[:first]
		m.mu.Unlock()
		if !slices.Contains(said, homieDevice+"$state init") || !slices.ContainsFunc(said, func(x string) bool { return strings.HasPrefix(x, homieDevice+"$description") }) {
			t.Errorf("ready before it was described: %q", said)
		}

		if code, answer := h.post("/api/v1/lots", lotOf("cellar")); code != http.StatusCreated {
			t.Fatal(code, answer)
		}
		lot := func() bool {
			return slices.ContainsFunc(m.announced(), func(topic string) bool {
				return strings.HasPrefix(topic, "homeassistant/device/dryhold_larch-house_lot_l-1-")
			})
		}
		eventually(t, "the lot at the hub", func() bool {
			return lot() && m.at("dryhold/lots/L-1") != "" && strings.Contains(m.at(homieDevice+"$description"), `"lot-l-1-`) && m.at(homieDevice+"$state") == "ready"
		})

		configs, descriptions := m.count(cellarConfig), m.count(homieDevice+"$description")
		publish(t, c, "homeassistant/status", false, "offline")
		publish(t, c, "homeassistant/status", false, "online")
		states := m.count(cellarState)
		eventually(t, "all of it told anew to the hub that started", func() bool { return m.count(cellarConfig) > configs && m.count(cellarState) > states })
		if n := m.count(homieDevice + "$description"); n != descriptions {
			t.Errorf("the Homie device is described anew %d times for another convention's hub", n-descriptions)
		}

		if code, answer := h.post("/api/v1/lots/L-1/finish", web.FinishLot{Note: "eaten", By: "Ada"}); code != http.StatusNoContent {
			t.Fatal(code, answer)
		}
		eventually(t, "the lot gone from the hub", func() bool { return !lot() && m.at("dryhold/lots/L-1") == "" && m.count("dryhold/lots/L-1 ") > 0 })

		h.stop()
		if h.mosquitto != nil { // the other one goes with the daemon
			eventually(t, "the daemon away", func() bool {
				return m.at("dryhold/status") == "offline" && m.at(homieDevice+"$state") == "disconnected"
			})
		}
		h.opts.Settings.Hub.DiscoveryPrefix, h.opts.Settings.Hub.Homie = "hub", false
		h.start()
		again := mirror(t, h.brokerURL())
		eventually(t, "another prefix", func() bool {
			left := again.announced()
			return again.at("hub/device/dryhold_larch-house_room_cellar/config") != "" &&
				!slices.ContainsFunc(left, func(topic string) bool {
					return strings.HasPrefix(topic, "homeassistant/") || strings.HasPrefix(topic, "homie/")
				})
		})
		h.stop()
		h.opts.Settings.Hub = nil
		var log servertest.Buffer
		h.opts.Log = slog.New(slog.NewTextHandler(&log, nil))
		h.start()
		last := mirror(t, h.brokerURL())
		eventually(t, "nothing left at the broker", func() bool { return len(last.announced()) == 0 })
		eventually(t, "that to be told", func() bool { return strings.Contains(log.String(), "what was announced to hubs is taken away") })
		h.stop()
		if left := remembered(t, h.opts.DataDir); len(left) > 0 {
			t.Errorf("remembered: %q", left)
		}
		h.start()
	})
}

// remembered are the topics that the store says may be at the broker.
func remembered(t *testing.T, dir string) []string {
	t.Helper()
	s := opened(t, dir)
	topics, err := s.Announced(t.Context())
	if err := errors.Join(err, s.Close()); err != nil {
		t.Fatal(err)
	}
	return topics
}

// describes checks that the Homie device has what it says it has.
func describes(t *testing.T, m *hubMirror) {
	t.Helper()
	var d struct {
		Homie string
		Nodes map[string]struct {
			Properties map[string]struct{ Datatype, Unit string }
		}
	}
	if err := json.Unmarshal([]byte(m.at(homieDevice+"$description")), &d); err != nil {
		t.Fatal(err)
	}
	if x := d.Nodes["room-cellar"].Properties["temperature"]; d.Homie != "5.0" || x.Datatype != "float" || x.Unit != "°C" {
		t.Errorf("described: %+v", d)
	}
	for _, topic := range m.announced() {
		if path, is := strings.CutPrefix(topic, homieDevice); is && !strings.HasPrefix(path, "$") {
			node, property, _ := strings.Cut(path, "/")
			if _, known := d.Nodes[node].Properties[property]; !known {
				t.Errorf("%s is not described", topic)
			}
		}
	}
}

// Readings that stop make the room unknown at the hub: no number is left, and
// nothing says that it is well.
func TestHubHearsOfSilence(t *testing.T) {
	houses(t, func(t *testing.T, h *house) {
		h.opts.Settings.Stale = 3 * time.Second // less than a configuration may say
		hubHouse(h).start()
		m := mirror(t, h.brokerURL())
		publish(t, publisher(t, h.brokerURL()), "rooms/cellar/temperature", false, "14.5")
		eventually(t, "the room at the hub", func() bool {
			return m.reads(t, cellarState, "temperature_celsius") == 14.5 && m.at(homieDevice+"room-cellar/temperature") == "14.5"
		})
		eventually(t, "the room unknown", func() bool {
			return m.at(cellarState) != "" && m.reads(t, cellarState, "temperature_celsius") == nil && m.at(homieDevice+"room-cellar/temperature") == "" && m.at(homieDevice+"room-cellar/measured") == "false"
		})
		if warm := m.reads(t, cellarState, "too_warm"); warm != nil {
			t.Errorf("a silent room is said to be too warm: %v", warm)
		}
	})
}

// What does not change is told again before it lapses at the hub.
func TestHubIsToldAgain(t *testing.T) {
	h := hubHouse(newHouse(t, nil))
	h.opts = h.opts.Refreshed(2 * time.Second)
	h.start()
	m := mirror(t, h.brokerURL())
	publish(t, publisher(t, h.brokerURL()), "rooms/cellar/temperature", false, "14.5")
	eventually(t, "the room at the hub", func() bool {
		return m.reads(t, cellarState, "temperature_celsius") == 14.5 && m.at(homieDevice+"$state") == "ready"
	})
	state, config, before := m.at(cellarState), m.count(cellarConfig), m.count(cellarState+" ")
	eventually(t, "the same state again, and again", func() bool { return m.count(cellarState+" ") >= before+3 })
	if m.at(cellarState) != state || m.count(cellarConfig) != config {
		t.Errorf("told otherwise: %s, then %s; %d configurations, then %d", state, m.at(cellarState), config, m.count(cellarConfig))
	}
}

// A daemon that is killed is away at the hub, by its last wills.
func TestHubHearsOfAKill(t *testing.T) {
	s := mosquittotest.Start(t)
	dir := t.TempDir()
	file := filepath.Join(dir, "larch.yaml")
	text := "site: larch-house\naccept_new_rooms: true\nbroker: {url: '" + s.URL + "'}\nhttp: {listen: '127.0.0.1:0'}\nhub: {discovery_prefix: homeassistant, homie: true}\n"
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), "DRYHOLD_TEST_DAEMON="+filepath.Join(dir, "data"), "DRYHOLD_TEST_CONFIG="+file)
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	killed := false
	kill := func() {
		if !killed {
			killed = true
			_ = cmd.Process.Kill()
			_ = cmd.Wait()
		}
	}
	t.Cleanup(kill)
	m := mirror(t, s.URL)
	eventually(t, "the daemon at the hub", func() bool { return m.at(homieDevice+"$state") == "ready" && m.at("dryhold/status") == "online" })
	kill()
	eventually(t, "its wills", func() bool { return m.at(homieDevice+"$state") == "lost" && m.at("dryhold/status") == "offline" })
	if c := m.at("homeassistant/device/dryhold_larch-house/config"); !strings.Contains(c, `"availability":[{"topic":"dryhold/status"},`) {
		t.Errorf("availability does not rest on the will: %s", c)
	}
	// Nothing of it is left behind when it comes back and announces no more.
	daemon(t, app.Options{Settings: local(s.URL), DataDir: filepath.Join(dir, "data")})
	eventually(t, "what was announced before the kill gone", func() bool { return len(m.announced()) == 0 })
}

// A broker that lost everything is told everything when it is back.
func TestHubAtABrokerThatForgot(t *testing.T) {
	s := mosquittotest.Start(t, mosquittotest.WithLine("persistence false"))
	h := hubHouse(newHouse(t, s)).start()
	m := mirror(t, s.URL)
	publish(t, publisher(t, s.URL), "rooms/cellar/temperature", false, "14.5")
	eventually(t, "the room at the hub", func() bool { return m.at(cellarConfig) != "" && m.at(homieDevice+"$state") == "ready" })
	s.Kill()
	s.Restart()
	again := mirror(t, s.URL)
	eventually(t, "all of it again", func() bool {
		return again.at(cellarConfig) != "" && again.at(cellarState) != "" && again.at(homieDevice+"$description") != "" && again.at(homieDevice+"$state") == "ready"
	})
	for _, c := range h.app.Health() {
		if c.Code == "hub" && c.Urgent {
			t.Errorf("hubs are urgent: %+v", c)
		}
	}
	if !slices.ContainsFunc(h.app.Health(), func(c health.Check) bool { return c.Code == "hub" }) {
		t.Error("health says nothing of hubs")
	}
}

// What dryhold says of a room is never read as a reading of it, whatever the
// configuration maps.
func TestHubIsNoSensor(t *testing.T) {
	brokersOf := func(t *testing.T, h *house) {
		celsius, err := unit.Parse(unit.Temperature, "C")
		if err != nil {
			t.Fatal(err)
		}
		h.opts.Settings.Topics = append(h.opts.Settings.Topics,
			wire.Mapping{Pattern: "+/rooms/{room}", JSON: &wire.JSON{Fields: []wire.Field{{Path: "temperature_celsius", Quantity: unit.Temperature, Unit: celsius}}}},
			wire.Mapping{Pattern: "homie/5/{sensor}/{room}/+", Homie: &wire.Homie{Properties: []wire.Property{{Name: "temperature", Quantity: unit.Temperature, Unit: celsius}}}})
		hubHouse(h).start()
		m := mirror(t, h.brokerURL())
		c := publisher(t, h.brokerURL())
		publish(t, c, "rooms/cellar/temperature", false, "14.5")
		eventually(t, "the room at the hub", func() bool { return m.at(cellarState) != "" && m.at(homieDevice+"room-cellar/temperature") == "14.5" })
		publish(t, c, "homie/5/shelf-1/cellar/temperature", false, "15.5")
		eventually(t, "the sensor beside it", func() bool { return h.app.Snapshot().Intake.Stored == 2 })
		eventually(t, "their mean at the hub", func() bool { return m.at(homieDevice+"room-cellar/temperature") == "15" })
		if in := h.app.Snapshot(); in.Intake.Stored != 2 || len(in.Rooms) != 1 || len(in.Intake.LastKnown) != 0 || len(in.Intake.Devices) != 0 {
			t.Errorf("read of itself: %+v", in.Intake)
		}
	}
	houses(t, brokersOf)
}
