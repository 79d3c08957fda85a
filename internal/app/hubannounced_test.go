package app_test

import (
	"fmt"
	"maps"
	"net/url"
	"slices"
	"strings"
	"testing"

	"dryhold/internal/app"
	"dryhold/internal/web"
)

// gateways are announcements of invented gateways: of a device, and of one value.
var gateways = map[string]string{
	"homeassistant/device/ea33/config": `{"dev":{"ids":"ea33","name":"Cellar climate","sa":"Cellar"},"o":{"name":"gateway"},"~":"gw/shelf","stat_t":"~/state","cmps":{` +
		`"t":{"p":"sensor","dev_cla":"temperature","unit_of_meas":"°F","val_tpl":"{{ value_json.t1 | float }}","uniq_id":"ea33_t"},` +
		`"h":{"p":"sensor","dev_cla":"humidity","unit_of_meas":"%","val_tpl":"{{ value_json['air']['wet'] }}","uniq_id":"ea33_h"},` +
		`"x":{"p":"sensor","dev_cla":"temperature","unit_of_meas":"°C","val_tpl":"{{ value_json.t2 * 0.1 }}","uniq_id":"ea33_x"}}}`,
	"homeassistant/sensor/lamp/config": `{"name":"Lamp","device_class":"illuminance","unit_of_measurement":"lx","state_topic":"gw/lamp","unique_id":"lamp","device":{"name":"Lamp","identifiers":["lamp"]}}`,
	"homeassistant/switch/fan/config":  `{"name":"Fan","command_topic":"gw/fan/set"}`,
	"homeassistant/device/big/config":  `{"dev":{"name":"` + strings.Repeat("x", 8000) + `"},"o":{"name":"gateway"},"cmps":{"t":{"p":"sensor","dev_cla":"temperature","unit_of_meas":"°C","stat_t":"gw/big","uniq_id":"b"}}}`,
	"gw/shelf/state":                   `{"t1":57.2,"t2":142,"air":{"wet":58}}`,
}

// topicOf finds a topic of a look; without it the count is 0.
func topicOf(t *testing.T, a *app.App, name string) (v web.TopicView) {
	t.Helper()
	all, err := a.Topics(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if i := slices.IndexFunc(all.Topics, func(v web.TopicView) bool { return v.Topic == name }); i >= 0 {
		return all.Topics[i]
	}
	return v
}

// What gateways announce to hubs is read by a look, and proposed in the place of
// guesses, from either topic.
func TestAnnouncedIsProposed(t *testing.T) {
	brokers(t, func(t *testing.T, broker string) {
		a := daemon(t, app.Options{Settings: local(broker), DataDir: t.TempDir()})
		c := publisher(t, a.BrokerURL())
		publish(t, c, "rooms/cellar/temperature", false, "14.1")
		for topic, payload := range gateways {
			publish(t, c, topic, true, payload)
		}
		eventually(t, "the room", func() bool { return len(a.Snapshot().Rooms) == 1 })
		if err := a.WatchTopics(t.Context(), "Mara"); err != nil {
			t.Fatal(err)
		}
		eventually(t, "what the broker keeps", func() bool {
			return !slices.ContainsFunc(slices.Collect(maps.Keys(gateways)), func(topic string) bool { return topicOf(t, a, topic).Count == 0 })
		})
		f := func(topic, announced, says string) {
			t.Helper()
			if v := topicOf(t, a, topic); v.Announced != announced || !strings.HasPrefix(v.Says, says) || (says == "") != (v.Says == "") {
				t.Errorf("%s: %q, %q", topic, v.Announced, v.Says)
			}
		}
		f("homeassistant/device/ea33/config", "announces temperature in F on gw/shelf/state, humidity in % on gw/shelf/state", "a gateway announces to hubs what it has")
		f("homeassistant/sensor/lamp/config", "announces illuminance in lx on gw/lamp", "a gateway announces")
		f("homeassistant/switch/fan/config", "", "a gateway announces to hubs what it has: nothing that is announced here is of use")
		f("homeassistant/device/big/config", "announces temperature in C on gw/big", "a gateway announces")
		f("gw/shelf/state", "announced to hubs: temperature in F, humidity in %", "")

		propose := func(topic string) web.TopicProposal {
			t.Helper()
			p, err := a.ProposeTopic(t.Context(), topic, nil)
			if err != nil {
				t.Fatal(err)
			}
			return p
		}
		for _, topic := range []string{"gw/shelf/state", "homeassistant/device/ea33/config"} {
			p := propose(topic)
			var read []string
			for _, r := range p.Readings {
				read = append(read, fmt.Sprintf("%s/%s %s %.4g", r.Room, r.Sensor, r.Quantity, r.Value))
			}
			if got := strings.Join(read, ", "); got != "cellar/shelf temperature 14, cellar/shelf humidity 0.58" || len(p.Problems) > 0 || p.Topic != "gw/shelf/state" {
				t.Errorf("by %s: read %s, %q, by\n%s", topic, got, p.Problems, p.YAML)
			}
			if !strings.Contains(p.YAML, "- topic: gw/shelf/state\n    room: cellar\n    sensor: shelf\n    json:\n      fields:\n        - {path: t1, quantity: temperature, unit: F}\n        - {path: air.wet, quantity: humidity, unit: \"%\"}\n") {
				t.Errorf("lines:\n%s", p.YAML)
			}
			if !slices.ContainsFunc(p.Notes, func(n string) bool {
				return strings.Contains(n, `its template "{{ value_json.t2 * 0.1 }}" is not understood`)
			}) {
				t.Errorf("notes %q", p.Notes)
			}
			_, page := get(t, a.URL()+"/sensors/proposal?"+url.Values{"topic": {topic}}.Encode())
			if !strings.Contains(page, "14.0 °C") || !strings.Contains(page, "is announced as temperature in F") {
				t.Errorf("the page of %s shows no value", topic)
			}
		}
		// What was announced and never came is proposed by its announcement.
		if p := propose("homeassistant/sensor/lamp/config"); p.Topic != "gw/lamp" || p.Shape != "number" || len(p.Readings) != 0 || !strings.Contains(p.YAML, "number: {quantity: illuminance, unit: lx}") {
			t.Errorf("%+v", p)
		}
		if p := propose("homeassistant/switch/fan/config"); p.YAML != "" || len(p.Values) != 0 || len(p.Notes) != 1 || !strings.Contains(p.Payload, "gw/fan/set") {
			t.Errorf("%+v", p)
		}
		_, page := get(t, a.URL()+"/sensors/topics")
		if !strings.Contains(page, "announced to hubs: temperature in F") || !strings.Contains(page, "/sensors/proposal?topic=homeassistant%2Fdevice%2Fea33%2Fconfig") {
			t.Error("the page says nothing of what is announced")
		}
		publish(t, c, "homeassistant/sensor/lamp/config", true, "")
		eventually(t, "the lamp gone", func() bool { return topicOf(t, a, "homeassistant/sensor/lamp/config").Says == "" })
		if _, err := a.ProposeTopic(t.Context(), "gw/lamp", nil); err == nil {
			t.Error("proposed what is not announced any more")
		}
	})
}

// What dryhold itself announces is no sensor, and announcements are bounded.
func TestAnnouncedIsBounded(t *testing.T) {
	h := hubHouse(newHouse(t, nil)).start()
	c := publisher(t, h.brokerURL())
	publish(t, c, "rooms/cellar/temperature", false, "14.1")
	m := mirror(t, h.brokerURL())
	eventually(t, "the room at the hub", func() bool { return m.at(cellarConfig) != "" })
	for i := range 700 {
		publish(t, c, fmt.Sprintf("homeassistant/sensor/s%d/config", i), true, fmt.Sprintf(`{"name":"s","dev_cla":"temperature","stat_t":"gw/%d"}`, i))
	}
	publish(t, c, "gw/first", true, "12")
	if err := h.app.WatchTopics(t.Context(), "Mara"); err != nil {
		t.Fatal(err)
	}
	eventually(t, "all of it seen", func() bool {
		all, err := h.app.Topics(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		n := 0
		for _, v := range all.Topics {
			if strings.HasSuffix(v.Topic, "/config") {
				n++
			}
		}
		return n <= 500 && all.Elsewhere > 150 && topicOf(t, h.app, "gw/first").Count > 0
	})
	for _, topic := range []string{"dryhold/status", "dryhold/rooms/cellar", "dryhold/store"} {
		eventually(t, topic, func() bool {
			v := topicOf(t, h.app, topic)
			return v.Count > 0 && v.Says == "dryhold itself says this: it is no sensor"
		})
	}
	publish(t, c, "homeassistant/device/x", false, "wait for it")
	eventually(t, "the own announcement", func() bool {
		p, err := h.app.ProposeTopic(t.Context(), cellarConfig, nil)
		return err != nil || slices.ContainsFunc(p.Notes, func(n string) bool { return strings.Contains(n, "dryhold itself announces this") }) && p.YAML == ""
	})
}
