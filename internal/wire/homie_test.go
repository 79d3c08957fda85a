package wire

import (
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"dryhold/internal/room"
	"dryhold/internal/unit"
)

func climate(t testing.TB) *Homie {
	t.Helper()
	return &Homie{Properties: []Property{
		{Name: "temperature", Quantity: unit.Temperature, Unit: mustUnit(t, unit.Temperature, "°C")},
		{Name: "humidity", Quantity: unit.Humidity, Unit: mustUnit(t, unit.Humidity, "%")},
	}}
}

// homies maps devices of an invented household, of both versions of the
// convention.
func homies(t testing.TB) *Map {
	t.Helper()
	battery := &Homie{Properties: []Property{{Name: "level", Quantity: unit.Battery, Unit: mustUnit(t, unit.Battery, "%")}}}
	m, err := NewMap([]Mapping{
		{Pattern: "homie/{sensor}/climate/+", Homie: climate(t)}, // version 4
		{Pattern: "homie/5/{sensor}/climate/+", Homie: climate(t)},
		{Pattern: "homie/5/{sensor}/power/+", Homie: battery},
		{Pattern: "homie/5/bridge/{room}/+", Homie: climate(t)},
		{Pattern: "attic/5/box/+/+", Room: "loft", Homie: &Homie{Properties: []Property{
			{Name: "tenths", Quantity: unit.Temperature, Scale: 0.1}}}},
	}, map[string]string{"probe": "cellar"})
	if err != nil {
		t.Fatal(err)
	}
	return m
}

func TestHomieReadings(t *testing.T) {
	m := homies(t)
	at := received.Truncate(time.Millisecond)
	f := func(topic, payload string, want room.Reading) {
		t.Helper()
		got, errs := m.Decode(Message{Topic: topic, Payload: []byte(payload), ReceivedAt: received})
		if diff := cmp.Diff(Decoded{Readings: []room.Reading{want}}, got); diff != "" || len(errs) > 0 {
			t.Errorf("%s: %v (-want +got)\n%s", topic, errs, diff)
		}
	}
	// The convention's own example value, 21.5.
	f("homie/probe/climate/temperature", "21.5", reading("cellar", "probe", unit.Temperature, at, 21.5))
	f("homie/probe/climate/humidity", "61", reading("cellar", "probe", unit.Humidity, at, 0.61))
	f("homie/5/probe/climate/temperature", "-1.5e1", reading("cellar", "probe", unit.Temperature, at, -15))
	f("homie/5/probe/power/level", "87", reading("cellar", "probe", unit.Battery, at, 0.87))
	f("homie/5/bridge/north-pantry/temperature", "12", reading("north-pantry", "north-pantry", unit.Temperature, at, 12))
	f("attic/5/box/any/tenths", "215", reading("loft", "loft", unit.Temperature, at, 21.5))
}

// TestHomieState: what a device says of itself is no reading and no error.
func TestHomieState(t *testing.T) {
	m := homies(t)
	f := func(topic, payload string, want Status, gone bool) {
		t.Helper()
		for _, retained := range []bool{false, true} {
			got, errs := m.Decode(Message{Topic: topic, Payload: []byte(payload), ReceivedAt: received, Retained: retained})
			if diff := cmp.Diff(Decoded{Status: &want}, got); diff != "" || len(errs) > 0 {
				t.Errorf("%s %q: %v (-want +got)\n%s", topic, payload, errs, diff)
			}
		}
		if want.State.Gone() != gone {
			t.Errorf("%s: gone is %v", want.State, !gone)
		}
	}
	// The six states of version 4 and the five of version 5, which keeps
	// alerts elsewhere (the convention's section Device Lifecycle).
	f("homie/probe/$state", "init", Status{"homie/probe", "cellar", "probe", Init}, false)
	f("homie/probe/$state", "ready", Status{"homie/probe", "cellar", "probe", Ready}, false)
	f("homie/probe/$state", "sleeping", Status{"homie/probe", "cellar", "probe", Sleeping}, false)
	f("homie/probe/$state", "alert", Status{"homie/probe", "cellar", "probe", Alert}, false)
	f("homie/5/probe/$state", "disconnected", Status{"homie/5/probe", "cellar", "probe", Disconnected}, true)
	f("homie/5/probe/$state", " lost\n", Status{"homie/5/probe", "cellar", "probe", Lost}, true)
	f("homie/5/probe/$state", "", Status{"homie/5/probe", "cellar", "probe", Removed}, true)
	// A device whose room nobody told, one of several rooms, one of a fixed
	// room.
	f("homie/5/other/$state", "lost", Status{"homie/5/other", "", "other", Lost}, true)
	f("attic/5/box/$state", "ready", Status{"attic/5/box", "loft", "loft", Ready}, false)
	several, err := NewMap([]Mapping{{Pattern: "homie/5/bridge/{room}/+", Homie: climate(t)}}, nil)
	if err != nil {
		t.Fatal(err)
	}
	m = several
	f("homie/5/bridge/$state", "lost", Status{"homie/5/bridge", "", "", Lost}, true)
}

// TestHomieOther: attributes, broadcasts, commands and values taken away are
// passed over without counting as errors; properties that nobody mapped are
// not subscribed to.
func TestHomieOther(t *testing.T) {
	m := homies(t)
	f := func(topic, payload string) {
		t.Helper()
		got, errs := m.Decode(Message{Topic: topic, Payload: []byte(payload), ReceivedAt: received, Retained: true})
		if diff := cmp.Diff(Decoded{Ignored: true}, got); diff != "" || len(errs) > 0 {
			t.Errorf("%s: %v (-want +got)\n%s", topic, errs, diff)
		}
	}
	for _, topic := range []string{
		"homie/probe/$homie", "homie/probe/$name", "homie/probe/$nodes", "homie/probe/$extensions", "homie/probe/$fw/version",
		"homie/probe/$stats/interval", "homie/probe/climate/$name", "homie/probe/climate/$properties",
		"homie/probe/climate/temperature/$unit", "homie/probe/climate/temperature/$datatype", "homie/probe/climate/temperature/set",
		"homie/$broadcast/alert", "homie/$broadcast/climate/temperature",
		"homie/5/probe/$description", "homie/5/probe/$log/warn", "homie/5/probe/$alert/battery", "homie/5/probe/climate/temperature/$target",
		"homie/5/probe/climate/temperature/set", "homie/5/$broadcast/alert", "homie/5/bridge/$name", "homie/5/$broadcast/climate/temperature",
	} {
		f(topic, "text")
	}
	f("homie/5/probe/climate/temperature", "")

	refused := func(topic, payload string, want Cause, text string) {
		t.Helper()
		got, errs := m.Decode(Message{Topic: topic, Payload: []byte(payload), ReceivedAt: received})
		if len(got.Readings) > 0 || got.Status != nil || len(errs) != 1 || errs[0].Cause != want ||
			!strings.Contains(errs[0].Error(), text) || !strings.Contains(errs[0].Error(), topic) {
			t.Errorf("%s: %+v %v, want %q with %q", topic, got, errs, want, text)
		}
	}
	refused("homie/probe/climate/pressure", "1", NotMapped, "no mapping")
	refused("homie/probe/climate/temperature", "true", NotANumber, "true")
	refused("homie/probe/climate/temperature", "\x00", NotANumber, "") // the empty text of version 5
	refused("homie/probe/climate/humidity", "101", Implausible, "humidity")
	refused("homie/probe/$state", "gone", BadState, `"gone"`)
	refused("homie/probe/$state", "Ready", BadState, "sleeping")
	refused("homie/probe/$state", " ", BadState, "")
	refused("homie/a b/$state", "lost", BadName, "sensor")
	refused("homie/unknown/climate/temperature", "1", NotMapped, `"unknown" has no room`)
	refused("homie/probe/$state", strings.Repeat("x", MaxPayload+1), TooLarge, "65537")
}

// TestHomieRetained: a kept value is the last known one, as elsewhere.
func TestHomieRetained(t *testing.T) {
	got, errs := homies(t).Decode(Message{Topic: "homie/probe/climate/temperature", Payload: []byte("20"), ReceivedAt: received, Retained: true})
	if len(errs) > 0 || len(got.Readings) != 1 || !got.AgeUnknown || got.OwnTime {
		t.Errorf("%+v %v", got, errs)
	}
}

func TestHomieFilters(t *testing.T) {
	want := []string{
		"homie/+/climate/temperature", "homie/+/climate/humidity", "homie/+/$state",
		"homie/5/+/climate/temperature", "homie/5/+/climate/humidity", "homie/5/+/$state", "homie/5/+/power/level",
		"homie/5/bridge/+/temperature", "homie/5/bridge/+/humidity", "attic/5/box/+/tenths", "attic/5/box/$state",
	}
	if diff := cmp.Diff(want, homies(t).Filters()); diff != "" {
		t.Errorf("(-want +got)\n%s", diff)
	}
}

func TestHomieMappingRefused(t *testing.T) {
	f := func(want, pattern string, h Homie) {
		t.Helper()
		_, err := NewMap([]Mapping{{Pattern: pattern, Room: "loft", Homie: &h}}, nil)
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: got %v, want an error with %q", pattern, err, want)
		}
	}
	good := Property{Name: "temperature", Quantity: unit.Temperature}
	one := Homie{Properties: []Property{good}}
	f("not that of a Homie property", "homie/a/+", one)
	f("write + there", "homie/5/a/b/temperature", one)
	f("write + there", "homie/5/a/#", one)
	f("leave {quantity} out", "homie/5/a/{quantity}/+", one)
	f("is an attribute", "homie/5/a/$x/+", one)
	f("no property", "homie/5/a/b/+", Homie{})
	f("unknown quantity", "homie/5/a/b/+", Homie{[]Property{{Name: "x"}}})
	f("the name is empty", "homie/5/a/b/+", Homie{[]Property{{Quantity: unit.Link}}})
	f("given twice", "homie/5/a/b/+", Homie{[]Property{good, good}})
	f("not of temperature", "homie/5/a/b/+", Homie{[]Property{{"t", unit.Temperature, mustUnit(t, unit.Link, "dBm"), 0}}})
	if _, err := NewMap([]Mapping{{Pattern: "homie/5/a/b/+", Room: "loft", Homie: &one}, {Pattern: "homie/5/a/b/+", Room: "cellar", Homie: &one}}, nil); err == nil || !strings.Contains(err.Error(), "mapped twice") {
		t.Errorf("a topic mapped twice: %v", err)
	}
	if _, err := NewMap([]Mapping{{Pattern: "homie/5/a/b/+", Homie: &one}}, nil); err == nil || !strings.Contains(err.Error(), "names no room") {
		t.Errorf("no room: %v", err)
	}
}

func FuzzHomie(f *testing.F) {
	for _, s := range [][2]string{
		{"homie/probe/climate/temperature", "21.5"}, {"homie/5/probe/$state", "lost"}, {"homie/5/probe/$state", ""},
		{"homie/5/bridge/loft/humidity", "61"}, {"homie/$broadcast/x", ""}, {"homie/5/probe/climate/temperature/set", "1"},
		{"$SYS/5/a/b", ""}, {"homie//climate/temperature", "1"}, {"homie/5", ""}, {"attic/5/box/$state", "\xff"}, {"", ""},
	} {
		f.Add(s[0], []byte(s[1]))
	}
	m := homies(f)
	f.Fuzz(func(t *testing.T, topic string, payload []byte) {
		check(t, m, topic, payload, map[Cause]int{})
		got, _ := m.Decode(Message{Topic: topic, Payload: payload, ReceivedAt: received})
		if s := got.Status; s != nil && (!strings.HasSuffix(topic, "/$state") || s.State == "" || s.Sensor != "" && CheckName(s.Sensor) != nil || s.Room != "" && CheckName(s.Room) != nil) {
			t.Fatalf("%q %q: %+v", topic, payload, s)
		}
		if got.Ignored && (len(got.Readings) > 0 || got.AgeUnknown) {
			t.Fatalf("%q: %+v", topic, got)
		}
	})
}
