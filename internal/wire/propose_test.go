package wire

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"dryhold/internal/unit"
)

var receipt = time.Date(2026, 7, 14, 12, 30, 0, 0, time.UTC)

// house are rooms that are known when a mapping is proposed.
func house() []string { return []string{"cellar", "north-pantry", "loft"} }

// proposed is what a proposal comes to: its shape, where it stands, what the
// decoder makes of the message by it, and its notes.
func proposed(t *testing.T, msg Message) string {
	t.Helper()
	p := Propose(msg, house())
	m := p.Mapping()
	if m.Room == "" && !strings.Contains(m.Pattern, levelRoom) {
		m.Room = "elsewhere"
	}
	out := []string{string(p.Shape), p.Pattern, p.Room + "/" + p.Sensor}
	if p.Time != nil {
		out = append(out, p.Time.Path+" in "+string(p.Time.Format))
	}
	if table, err := NewMap([]Mapping{m}, nil); err == nil {
		d, errs := table.Decode(msg)
		for _, r := range d.Readings {
			out = append(out, fmt.Sprintf("%s/%s %s %g", r.Room, r.Sensor, r.Quantity, r.Value))
		}
		for _, e := range errs {
			out = append(out, string(e.Cause))
		}
	}
	for _, n := range p.Notes {
		out = append(out, "note: "+n)
	}
	return strings.Join(out, "; ")
}

// Payloads as devices and gateways commonly write them; topics and values are
// invented.
func TestPropose(t *testing.T) {
	f := func(topic, payload, want string) {
		t.Helper()
		got := proposed(t, Message{Topic: topic, Payload: []byte(payload), ReceivedAt: receipt})
		if !strings.HasPrefix(got, want) {
			t.Errorf("%s %s\ngot  %s\nwant %s", topic, payload, got, want)
		}
	}
	// Bare numbers.
	f("attic/thermometer", "21.5", "number; attic/thermometer; /thermometer; note: the topic does not say what the number measures")
	f("house/cellar/temperature", " 14.2\n", "number; house/{room}/temperature; /; cellar/cellar temperature 14.2")
	f("house/cellar/shelf-1/humidity", "58.3", "number; house/{room}/{sensor}/humidity; /; cellar/shelf-1 humidity 0.583")
	f("x/shelf/humidity", "0.6", "number; x/shelf/humidity; /shelf; elsewhere/shelf humidity 0.6")
	f("x/shelf/temperature", "68.9", "number; x/shelf/temperature; /shelf; elsewhere/shelf temperature 20.5") // °F
	f("x/shelf/temperature", "215", "number; x/shelf/temperature; /shelf; implausible; note: the number seems to come in tenths")
	f("x/shelf/lux", "120", "number; x/shelf/lux; /shelf; elsewhere/shelf illuminance 120")
	f("x/shelf/battery_voltage", "3.02", "number; x/shelf/battery_voltage; /battery_voltage; note: the topic does not say")
	// JSON.
	f("loft/climate", `{"temperature": 33.4, "humidity": 41, "illuminance": 120}`,
		"json; {room}/climate; /; loft/loft temperature 33.4; loft/loft humidity 0.41; loft/loft illuminance 120")
	f("gw/0x00158d", `{"battery":87,"humidity":58.2,"linkquality":120,"pressure":967,"temperature":14.21,"voltage":2995}`,
		"json; gw/0x00158d; /0x00158d; elsewhere/0x00158d battery 0.87; elsewhere/0x00158d humidity 0.582; elsewhere/0x00158d temperature 14.21")
	f("radio/868/json", `{"time":"2026-07-14T12:29:00Z","id":77,"temperature_F":69.8,"humidity":44,"battery_ok":1}`,
		"json; radio/868/json; /868; time in rfc3339; ")
	f("larch/cellar/climate", `{"ts":1784032140000,"t":14.2,"rh":58}`, "json; larch/{room}/climate; /; ts in ms; cellar/cellar temperature 14.2; cellar/cellar humidity 0.58")
	f("a/b", `{"timestamp":1784032140,"outside":{"Temp":{"value":21.5}},"air":{"rh":0.44}}`, "json; a/b; /b; timestamp in s; elsewhere/b temperature 21.5; elsewhere/b humidity 0.44")
	f("a/b", `{"tenths":{"temp":215},"hum":5830}`, "json; a/b; /b; elsewhere/b temperature 21.5; elsewhere/b humidity 0.583")
	f("a/b", `{"temperature":"21.5","humidity":"58"}`, "json; a/b; /b; elsewhere/b temperature 21.5; elsewhere/b humidity 0.58")
	f("a/b", `{"temperature":"21.5 °C"}`, `json; a/b; /b; note: temperature is "21.5 °C": have the device send the number alone`)
	f("a/b", `{"a.b":{"temp":21},"tempK":294.15}`, `json; a/b; /b; elsewhere/b temperature 21`)
	f("a/b", `[{"temp":21.5},{"temp":99}]`, "json; a/b; /b; elsewhere/b temperature 21.5")
	f("a/b", `{"rssi":-71,"battery":0.9,"lux_klx":1}`, "json; a/b; /b; elsewhere/b link -71; elsewhere/b battery 0.9")
	f("a/b", `{"on":true,"name":"lamp"}`, "json; a/b; /b; note: no field of the payload is a number")
	f("a/b", `{"t":1784032140,"h":44}`, "json; a/b; /b; t in s; elsewhere/b humidity 0.44")
	// SenML (RFC 8428).
	f("senml/gw", `[{"bn":"urn:dev:ow:10e2:","bt":1784032140,"n":"temp","u":"Cel","v":14.2},{"n":"rh","u":"%RH","v":58},{"n":"charge","u":"%","v":87}]`,
		"senml; senml/gw; /gw; elsewhere/gw temperature 14.2; elsewhere/gw humidity 0.58; elsewhere/gw battery 0.87")
	f("senml/gw", `[{"n":"temperature","v":14.2}]`, "senml; senml/gw; /gw; elsewhere/gw temperature 14.2; note: the record \"temperature\" states no unit: Cel is assumed")
	// Homie.
	f("homie/5/cellar-1/climate/temperature", "14.2", "homie; homie/5/{sensor}/climate/+; /; elsewhere/cellar-1 temperature 14.2; note: the other properties")
	f("homie/cellar-1/climate/humidity", "58", "homie; homie/{sensor}/climate/+; /; elsewhere/cellar-1 humidity 0.58")
	f("homie/5/cellar-1/$state", "ready", "; homie/5/cellar-1/$state; /cellar-1; note: this is an attribute of the Homie convention: choose the topic of a property, such as homie/5/cellar-1/climate/temperature")
	// What is no reading.
	f("a/b", "", "; a/b; /b; note: the payload is empty")
	f("a/b", "ON", `; a/b; /b; note: "ON" is a text, and no number`)
	f("a/b", "21,5", `; a/b; /b; note: "21,5" is no decimal number`)
	f("a/b", "21.5C", `; a/b; /b; note: "21.5C" is a number with something behind it`)
	f("a/b", "\xff\xfe\x00", "; a/b; /b; note: the payload is binary")
	f("a/b", strings.Repeat("[", 100), "; a/b; /b; note: ")
	f("a/b", strings.Repeat("1", MaxPayload+1), "; a/b; /b; note: the payload has 65537 bytes")
	f("$SYS/broker/uptime", "12", "; $SYS/broker/uptime; ")
	f("home/{x}/temperature", "12", "number; home/+/temperature; ")
}

// A proposal of many numbers is bounded, and has each quantity once.
func TestProposeBounds(t *testing.T) {
	var fields []string
	for i := range 500 {
		fields = append(fields, fmt.Sprintf(`"temp%d":%d`, i, i%30))
	}
	p := Propose(Message{Topic: "a/b", Payload: []byte("{" + strings.Join(fields, ",") + "}"), ReceivedAt: receipt}, nil)
	if len(p.Values) != maxValues || len(p.Notes) != 1 {
		t.Errorf("%d values, notes %q", len(p.Values), p.Notes)
	}
	seen := map[unit.Quantity]int{}
	for _, c := range p.Values {
		seen[c.Quantity]++
	}
	if delete(seen, 0); len(seen) > 1 || seen[unit.Temperature] > 1 {
		t.Errorf("quantities %v", seen)
	}
}

func TestPatternOf(t *testing.T) {
	table, err := NewMap([]Mapping{{Pattern: "rooms/{room}/temperature", Number: &Number{Quantity: unit.Temperature}}}, nil)
	if err != nil {
		t.Fatal(err)
	}
	if got := table.PatternOf("rooms/cellar/temperature"); got != "rooms/{room}/temperature" {
		t.Errorf("%q", got)
	}
	if got := table.PatternOf("rooms/cellar"); got != "" {
		t.Errorf("%q", got)
	}
}

// FuzzPropose: whatever arrives, a proposal is made, and what it maps is read
// without a fault.
func FuzzPropose(f *testing.F) {
	for _, seed := range [][2]string{
		{"house/cellar/temperature", "14.2"}, {"loft/climate", `{"temperature":33.4,"time":"2026-07-14T12:29:00Z"}`}, {"homie/5/a/b/c", "1"},
		{"senml/gw", `[{"bn":"a:","n":"temp","u":"Cel","v":1}]`}, {"$SYS/x", "1"}, {"a/{room}/+", `{"a.b":{"\\":[1,2,{"t":1e9}]}}`}, {"", ""},
	} {
		f.Add(seed[0], []byte(seed[1]))
	}
	f.Fuzz(func(t *testing.T, topic string, payload []byte) {
		msg := Message{Topic: topic, Payload: payload, ReceivedAt: receipt}
		p := Propose(msg, house())
		m := p.Mapping()
		if m.Room == "" && !strings.Contains(m.Pattern, levelRoom) {
			m.Room = "elsewhere"
		}
		table, err := NewMap([]Mapping{m}, nil)
		if err != nil {
			return
		}
		d, errs := table.Decode(msg)
		if len(d.Readings)+len(errs) == 0 && !d.Ignored && d.Status == nil {
			t.Fatalf("%q %q: %+v says nothing", topic, payload, m)
		}
	})
}
