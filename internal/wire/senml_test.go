package wire

import (
	"encoding/json"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"dryhold/internal/room"
	"dryhold/internal/unit"
)

// packs maps packs of an invented household, and the shapes of the examples
// of RFC 8428.
func packs(t testing.TB) *Map {
	t.Helper()
	m, err := NewMap([]Mapping{
		{Pattern: "any/{room}", SenML: &SenML{Records: []Record{
			{Quantity: unit.Temperature}, {Quantity: unit.Humidity}, {Quantity: unit.Battery}, {Quantity: unit.Illuminance}, {Quantity: unit.Link},
		}}},
		{Pattern: "named/{room}", SenML: &SenML{Records: []Record{
			{Name: "temp", Quantity: unit.Temperature, Unit: "Cel"}, {Name: "o2", Quantity: unit.Oxygen},
			{Name: "charge", Quantity: unit.Battery, Scale: 0.01}, {Name: "rh", Quantity: unit.Humidity},
		}}},
		{Pattern: "gateway", SenML: &SenML{Records: []Record{
			{Name: "{sensor}/temperature", Quantity: unit.Temperature}, {Name: "{sensor}/humidity", Quantity: unit.Humidity},
			{Name: "{sensor}:+:t", Quantity: unit.Temperature},
		}}},
		{Pattern: "house", SenML: &SenML{Records: []Record{{Name: "{room}/{sensor}/t", Quantity: unit.Temperature}}}},
	}, map[string]string{"1": "cellar", "2": "loft", "s1": "north-pantry"})
	if err != nil {
		t.Fatal(err)
	}
	return m
}

func senml(t *testing.T, topic, payload string) Decoded {
	t.Helper()
	got, errs := packs(t).Decode(Message{Topic: topic, Payload: []byte(payload), ReceivedAt: received})
	if len(errs) > 0 {
		t.Errorf("%s %s: %v", topic, payload, errs[0])
	}
	return got
}

// TestSenMLExamples reads the examples of RFC 8428, sections 5.1.1 to 5.1.6.
func TestSenMLExamples(t *testing.T) {
	at := received.Truncate(time.Millisecond)
	f := func(topic, payload string, want Decoded) {
		t.Helper()
		if diff := cmp.Diff(want, senml(t, topic, payload)); diff != "" {
			t.Errorf("%s %s: (-want +got)\n%s", topic, payload, diff)
		}
	}
	one := func(r room.Reading) Decoded { return Decoded{Readings: []room.Reading{r}} }
	// 5.1.1, at the receipt: the sensor has no clock.
	f("any/cellar", `[{"n":"urn:dev:ow:10e2073a01080063","u":"Cel","v":23.1}]`, one(reading("cellar", "cellar", unit.Temperature, at, 23.1)))

	// 5.1.3: of one device over time, with positions and a battery between.
	// 1.320067464e+09 is Mon Oct 31 13:24:24 UTC 2011, as the section says.
	const multiple = `[{"bn":"urn:dev:ow:10e2073a01080063","bt":1.320067464e+09,"bu":"%RH","v":20},
		{"u":"lon","v":24.30621},{"u":"lat","v":60.07965},{"t":60,"v":20.3},{"u":"lon","t":60,"v":24.30622},{"u":"lat","t":60,"v":60.07965},
		{"t":120,"v":20.7},{"u":"lon","t":120,"v":24.30623},{"u":"lat","t":120,"v":60.07966},{"u":"%EL","t":150,"v":98},
		{"t":180,"v":21.2},{"u":"lon","t":180,"v":24.30628},{"u":"lat","t":180,"v":60.07967}]`
	began := time.Date(2011, 10, 31, 13, 24, 24, 0, time.UTC)
	humid := func(after int, v float64) room.Reading {
		return reading("cellar", "cellar", unit.Humidity, began.Add(time.Duration(after)*time.Second), v)
	}
	resolved := Decoded{OwnTime: true, Readings: []room.Reading{
		humid(0, 0.2), humid(60, 0.203), humid(120, 0.207),
		reading("cellar", "cellar", unit.Battery, began.Add(150*time.Second), 0.98), humid(180, 0.212),
	}}
	f("any/cellar", multiple, resolved)
	// 5.1.4: the same, resolved.
	const plain = `[{"n":"urn:dev:ow:10e2073a01080063","u":"%RH","t":1.320067464e+09,"v":20},
		{"n":"urn:dev:ow:10e2073a01080063","u":"lon","t":1.320067464e+09,"v":24.30621},
		{"n":"urn:dev:ow:10e2073a01080063","u":"%RH","t":1.320067524e+09,"v":20.3},
		{"n":"urn:dev:ow:10e2073a01080063","u":"%RH","t":1.320067584e+09,"v":20.7},
		{"n":"urn:dev:ow:10e2073a01080063","u":"%EL","t":1.320067614e+09,"v":98},
		{"n":"urn:dev:ow:10e2073a01080063","u":"%RH","t":1.320067644e+09,"v":21.2}]`
	f("any/cellar", plain, resolved)

	// 5.1.2, the stream: humidity each 10 s.
	stream := senml(t, "any/cellar", `[{"bn":"urn:dev:ow:10e2073a01080063","bt":1.320067464e+09,"bu":"%RH","v":21.2},
		{"t":10,"v":21.3},{"t":20,"v":21.4},{"t":30,"v":21.4},{"t":40,"v":21.5},{"t":50,"v":21.5},{"t":60,"v":21.5},{"t":70,"v":21.6},{"t":80,"v":21.7}]`)
	if len(stream.Readings) != 9 || !stream.OwnTime || stream.Readings[8] != humid(80, 0.217) {
		t.Errorf("the stream: %+v", stream)
	}

	// 5.1.5: a text, a boolean and data beside a number.
	f("named/loft", `[{"bn":"urn:dev:ow:10e2073a01080063:","n":"temp","u":"Cel","v":23.1},
		{"n":"label","vs":"Machine Room"},{"n":"open","vb":false},{"n":"nfv-reader","vd":"aGkgCg"}]`,
		one(reading("loft", "loft", unit.Temperature, at, 23.1)))

	// 5.1.6: two devices behind one, the last record with the base name of
	// the third and the base time of the first: Mon Oct 31 16:27:09 UTC 2011.
	fetched := time.Date(2011, 10, 31, 16, 27, 9, 0, time.UTC)
	f("gateway", `[{"bn":"2001:db8::2/","bt":1.320078429e+09,"n":"temperature","u":"Cel","v":25.2},{"n":"humidity","u":"%RH","v":30},
		{"bn":"2001:db8::1/","n":"temperature","u":"Cel","v":12.3},{"n":"humidity","u":"%RH","v":67}]`,
		Decoded{OwnTime: true, Readings: []room.Reading{
			reading("loft", "2", unit.Temperature, fetched, 25.2), reading("loft", "2", unit.Humidity, fetched, 0.3),
			reading("cellar", "1", unit.Temperature, fetched, 12.3), reading("cellar", "1", unit.Humidity, fetched, 0.67),
		}})
}

func TestSenMLTimes(t *testing.T) {
	at := received.Truncate(time.Millisecond)
	f := func(payload string, own bool, want ...time.Time) {
		t.Helper()
		got := senml(t, "any/cellar", payload)
		if got.OwnTime != own || len(got.Readings) != len(want) {
			t.Fatalf("%s: %+v", payload, got)
		}
		for i, w := range want {
			if !got.Readings[i].At.Equal(w) {
				t.Errorf("%s: reading %d at %v, want %v", payload, i, got.Readings[i].At, w)
			}
		}
	}
	// The shape of the second example of 5.1.2, in Cel: the five seconds
	// before Tue Jun 8 18:01:16.001 UTC 2010; and the order is that of time.
	first := time.Date(2010, 6, 8, 18, 1, 16, 1_000_000, time.UTC)
	f(`[{"bn":"a","bt":1.276020076001e+09,"bu":"Cel","bver":5,"v":1},{"t":-5,"v":2},{"t":-1,"v":3}]`, true, first.Add(-5*time.Second), first.Add(-time.Second), first)
	// Relative to the receipt (4.5.3), into both directions.
	f(`[{"n":"a","u":"Cel","v":1,"t":-90.25}]`, false, at.Add(-90*time.Second-250*time.Millisecond))
	f(`[{"n":"a","u":"Cel","v":1,"bt":-60},{"n":"a","u":"Cel","t":1,"v":2},{"n":"a","u":"Cel","t":65,"v":2}]`, false,
		at.Add(-60*time.Second), at.Add(-59*time.Second), at.Add(5*time.Second))
	f(`[{"n":"a","u":"Cel","v":1,"t":300}]`, false, at.Add(MaxAhead))
	// One reading without a clock makes the pack one.
	f(`[{"n":"a","u":"Cel","v":1,"t":1.7e9},{"n":"a","u":"Cel","v":2}]`, false, time.Unix(1_700_000_000, 0), at)
	// Just below 2^28 is 8.5 years from now, 2^28 is 1978: neither is used.
	refusedSenML(t, "any/cellar", `[{"n":"a","u":"Cel","v":1,"t":268435455}]`, FromFuture, "record 1 (a)")
	refusedSenML(t, "any/cellar", `[{"n":"a","u":"Cel","v":1,"t":268435456}]`, TooOld, "before 2000")
	refusedSenML(t, "any/cellar", `[{"n":"a","u":"Cel","v":1,"t":300.001}]`, FromFuture, "5m0s")
	refusedSenML(t, "any/cellar", `[{"n":"a","u":"Cel","v":1,"t":1e300}]`, FromFuture, "1e+300")
	refusedSenML(t, "any/cellar", `[{"n":"a","u":"Cel","v":1,"t":-1e300}]`, TooOld, "-1e+300")
	refusedSenML(t, "any/cellar", `[{"n":"a","u":"Cel","v":1,"t":1.7e308,"bt":1.7e308}]`, FromFuture, "+Inf")
}

// TestSenMLRetained: a kept pack counts only with times of its own.
func TestSenMLRetained(t *testing.T) {
	f := func(payload string, unknown bool) {
		t.Helper()
		got, errs := packs(t).Decode(Message{Topic: "any/cellar", Payload: []byte(payload), ReceivedAt: received, Retained: true})
		if len(errs) > 0 || got.AgeUnknown != unknown || got.OwnTime == unknown {
			t.Errorf("%s: %+v %v", payload, got, errs)
		}
	}
	f(`[{"n":"a","u":"Cel","v":1,"t":1.7e9}]`, false)
	f(`[{"n":"a","u":"Cel","v":1}]`, true)
	f(`[{"n":"a","u":"Cel","v":1,"t":-5}]`, true)
	f(`[{"n":"a","u":"Cel","v":1,"t":1.7e9},{"n":"a","u":"Cel","v":1,"t":-5}]`, true)
}

func TestSenMLUnits(t *testing.T) {
	f := func(topic, record string, q unit.Quantity, want float64) {
		t.Helper()
		got := senml(t, topic, "["+record+"]")
		if len(got.Readings) != 1 || got.Readings[0].Quantity != q || got.Readings[0].Value != want {
			t.Errorf("%s: %+v, want %s %g", record, got.Readings, q, want)
		}
	}
	f("any/x", `{"n":"a","u":"K","v":294.65}`, unit.Temperature, 21.5)
	f("any/x", `{"n":"a","u":"%RH","v":61.5}`, unit.Humidity, 0.615)
	f("any/x", `{"n":"a","u":"lx","v":3.5e0}`, unit.Illuminance, 3.5)
	f("any/x", `{"n":"a","u":"%EL","v":87}`, unit.Battery, 0.87)
	f("any/x", `{"n":"a","u":"dBm","v":-87}`, unit.Link, -87)
	f("named/x", `{"n":"a:temp","v":21}`, unit.Temperature, 21) // the unit of the mapping
	f("named/x", `{"n":"a:temp","u":"K","v":294.65}`, unit.Temperature, 21.5)
	f("named/x", `{"n":"o2","u":"ppm","v":5000}`, unit.Oxygen, 0.005)
	f("named/x", `{"n":"o2","u":"/","v":0.209}`, unit.Oxygen, 0.209)
	// In SenML % is a ratio (RFC 8428, 12.1, note 2).
	f("named/x", `{"n":"rh","u":"%","v":0.6}`, unit.Humidity, 0.6)
	f("named/x", `{"n":"charge","u":"%","v":87}`, unit.Battery, 0.87) // scale 0.01
	// The base value is added before the conversion; sums change nothing.
	f("named/x", `{"n":"temp","bu":"K","bv":273.15,"v":21.5,"s":5,"bs":7}`, unit.Temperature, 21.5)
	f("named/x", `{"n":"temp","u":"","bu":"Cel","v":-0.0001}`, unit.Temperature, 0)

	refusedSenML(t, "named/x", `[{"n":"rh","u":"%","v":60}]`, Implausible, "ratio")
	refusedSenML(t, "named/x", `[{"n":"rh","v":60}]`, WrongUnit, "no unit")
	refusedSenML(t, "named/x", `[{"n":"temp","u":"C","v":21}]`, WrongUnit, "Cel, K") // coulomb
	refusedSenML(t, "named/x", `[{"n":"temp","u":"F","v":70}]`, WrongUnit, `"F"`)    // farad
	refusedSenML(t, "any/x", `[{"n":"a","u":"%","v":0.5}]`, MissingField, `"a"`)     // of which quantity?
}

func TestSenMLNames(t *testing.T) {
	f := func(topic, name string, want room.Series) {
		t.Helper()
		got := senml(t, topic, `[{"n":"`+name+`","u":"Cel","v":1}]`)
		if len(got.Readings) != 1 || got.Readings[0].Series != want {
			t.Errorf("%s: %+v", name, got.Readings)
		}
	}
	f("named/loft", "temp", room.Series{Room: "loft", Sensor: "loft", Quantity: unit.Temperature})
	f("named/loft", "urn:dev:ow:1/temp", room.Series{Room: "loft", Sensor: "loft", Quantity: unit.Temperature})
	f("gateway", "s1/temperature", room.Series{Room: "north-pantry", Sensor: "s1", Quantity: unit.Temperature})
	f("gateway", "urn:dev:s1:x:t", room.Series{Room: "north-pantry", Sensor: "s1", Quantity: unit.Temperature})
	f("house", "urn:cellar/s9/t", room.Series{Room: "cellar", Sensor: "s9", Quantity: unit.Temperature})
	refusedSenML(t, "named/loft", `[{"n":"outtemp","u":"Cel","v":1},{"n":"temp:x","u":"Cel","v":1}]`, MissingField, `"outtemp", "temp:x"`)
	refusedSenML(t, "house", `[{"n":"cellar:s9/t","u":"Cel","v":1}]`, MissingField, "")
	refusedSenML(t, "gateway", `[{"n":"new/temperature","u":"Cel","v":1}]`, NotMapped, `"new" has no room`)
	refusedSenML(t, "gateway", `[{"n":"`+strings.Repeat("x", 65)+`/temperature","u":"Cel","v":1}]`, BadName, "65")
	refusedSenML(t, "any/a b", `[{"n":"a","u":"Cel","v":1}]`, BadName, "room")
	// Section 4.5.1.
	refusedSenML(t, "any/x", `[{"u":"Cel","v":1}]`, BadName, "no name")
	refusedSenML(t, "any/x", `[{"n":"_a","u":"Cel","v":1}]`, BadName, "begin")
	refusedSenML(t, "any/x", `[{"n":":a","u":"Cel","v":1}]`, BadName, "begin")
	refusedSenML(t, "any/x", `[{"n":"a b","u":"Cel","v":1}]`, BadName, "character")
	refusedSenML(t, "any/x", `[{"bn":"ü","u":"Cel","v":1}]`, BadName, "character")
}

// refusedSenML expects one error and no reading.
func refusedSenML(t *testing.T, topic, payload string, want Cause, text string) {
	t.Helper()
	got, errs := packs(t).Decode(Message{Topic: topic, Payload: []byte(payload), ReceivedAt: received})
	if len(got.Readings) > 0 || len(errs) != 1 || errs[0].Cause != want || !strings.Contains(errs[0].Error(), text) || !strings.Contains(errs[0].Error(), topic) {
		t.Errorf("%.80s: got %v, %v, want %q with %q", payload, got.Readings, errs, want, text)
	}
}

// TestSenMLPackRefused: what the RFC wants refused as a whole is.
func TestSenMLPackRefused(t *testing.T) {
	f := func(payload string, want Cause, text string) {
		t.Helper()
		refusedSenML(t, "any/x", payload, want, text)
	}
	good := `{"n":"a","u":"Cel","v":1}`
	f("", NotJSON, "")
	f("[", NotJSON, "")
	f("\xff", NotUTF8, "")
	f(strings.Repeat("[", maxDepth+1), TooDeep, "")
	f("["+good+strings.Repeat(" ", MaxPayload)+"]", TooLarge, "")
	f("{}", BadPack, "an object")
	f("null", BadPack, "null")
	f("1", BadPack, "a number")
	f("[]", MissingField, "none of the 0 records")
	f("["+good+",1]", BadPack, "record 2: it is a number")
	// Section 4.4: the version, and fields that must be understood.
	f("["+good+`,{"bver":11,"v":1}]`, BadPack, "record 2: SenML version 11 (bver) is newer than 10")
	f(`[{"bver":11,"n":"a","u":"Cel","v":1}]`, BadPack, "record 1: SenML version 11")
	f(`[{"bver":5,"n":"a","u":"Cel","v":1},{"bver":6}]`, BadPack, "differs")
	f("["+good+`,{"bver":5}]`, BadPack, "differs")
	f(`[{"bver":0}]`, BadPack, "above 0")
	f(`[{"bver":9.5}]`, BadPack, "whole number")
	f(`[{"bver":"10"}]`, NotANumber, "bver is a text")
	f("["+good+`,{"n":"b","calibrated_":true,"v":1}]`, BadPack, `record 2: the field "calibrated_" must be understood`)
	f(`[{"bx_":1,"n":"a","u":"Cel","v":1}]`, BadPack, "bx_")
	f(`[{"n":"a","u":"Cel","v":1,"v":2}]`, BadPack, "twice")
	f(`[{"bn":1}]`, BadPack, "bn is a number, not a text")
	f(`[{"bt":"1"}]`, NotANumber, "bt is a text, not a number")
	f(`[{"t":1e999}]`, Implausible, "t: ")
	f(`[{"u":null}]`, BadPack, "null")
}

// TestSenMLRecordsRefused: a record that is wrong by itself loses no other.
func TestSenMLRecordsRefused(t *testing.T) {
	f := func(bad string, want Cause, text string) {
		t.Helper()
		got, errs := packs(t).Decode(Message{Topic: "any/x", ReceivedAt: received, Payload: []byte(
			`[{"bn":"d:","n":"a","u":"%RH","v":50},` + bad + `,{"n":"c","u":"lx","v":2}]`)})
		if len(got.Readings) != 2 || len(errs) != 1 || errs[0].Cause != want || !strings.Contains(errs[0].Error(), text) || !strings.Contains(errs[0].Error(), "record 2 (d:") {
			t.Errorf("%s: got %v, %v, want %q with %q", bad, got.Readings, errs, want, text)
		}
	}
	f(`{"n":"t","u":"Cel","v":"21"}`, NotANumber, "v is a text")
	f(`{"n":"t","u":"Cel","v":true}`, NotANumber, "v is true")
	f(`{"n":"t","u":"Cel","v":[1]}`, NotANumber, "an array")
	f(`{"n":"t","u":"Cel","v":1e999}`, Implausible, "beyond")
	f(`{"n":"t","u":"Cel","v":101}`, Implausible, "temperature")
	f(`{"n":"t","u":"Cel","v":1,"vs":"x"}`, BadPack, "2 values")
	f(`{"n":"t x","u":"Cel","v":1}`, BadName, "character")
	f(`{"n":"t","u":"%RH","v":51}`, BadPack, "a second humidity of sensor x at the same time")
	f(`{"n":"t","u":"Cel","v":1,"t":-1e9}`, TooOld, "before 2000")

	// The same value twice is one reading.
	got, errs := packs(t).Decode(Message{Topic: "any/x", ReceivedAt: received, Payload: []byte(`[{"n":"a","u":"lx","v":1},{"n":"b","u":"lx","v":1}]`)})
	if len(got.Readings) != 1 || len(errs) != 0 {
		t.Errorf("twice the same: %+v %v", got, errs)
	}
	// Refusals of one pack are bounded.
	many := strings.Repeat(`{"n":"a","u":"Cel","v":999},`, 100)
	_, errs = packs(t).Decode(Message{Topic: "any/x", ReceivedAt: received, Payload: []byte("[" + strings.TrimSuffix(many, ",") + "]")})
	if len(errs) != maxRefused+1 || !strings.Contains(errs[maxRefused].Error(), "84 more records") {
		t.Errorf("%d errors, the last %v", len(errs), errs[len(errs)-1])
	}
	// Unknown fields are passed over, and a record may only carry base values
	// (5.1.7).
	got = senml(t, "any/x", `[{"bn":"d:","unheard":{"of":[1]}},{"n":"t","u":"Cel","v":23.1,"x":null}]`)
	if len(got.Readings) != 1 {
		t.Errorf("unknown fields: %+v", got)
	}
}

// TestSenMLUpdate: ut is told for each series and loses no reading.
func TestSenMLUpdate(t *testing.T) {
	s := func(q unit.Quantity) room.Series { return room.Series{Room: "x", Sensor: "x", Quantity: q} }
	f := func(payload string, faults int, want ...Update) {
		t.Helper()
		got, errs := packs(t).Decode(Message{Topic: "any/x", Payload: []byte(payload), ReceivedAt: received})
		if diff := cmp.Diff(want, got.Updates); diff != "" || len(errs) != faults || len(got.Readings) == 0 {
			t.Errorf("%s: %+v %v (-want +got)\n%s", payload, got.Readings, errs, diff)
		}
	}
	f(`[{"n":"a","u":"Cel","v":1,"ut":600},{"n":"a","u":"%EL","v":1,"ut":86400}]`, 0,
		Update{s(unit.Temperature), 10 * time.Minute}, Update{s(unit.Battery), 24 * time.Hour})
	f(`[{"n":"a","u":"Cel","v":1,"ut":600,"t":-9},{"n":"a","u":"Cel","v":1,"ut":0.25}]`, 0, Update{s(unit.Temperature), 250 * time.Millisecond})
	f(`[{"n":"a","u":"Cel","v":1}]`, 0)
	f(`[{"n":"a","u":"Cel","v":1,"ut":0}]`, 1)
	f(`[{"n":"a","u":"Cel","v":1,"ut":-1}]`, 1)
	f(`[{"n":"a","u":"Cel","v":1,"ut":1e300}]`, 1)
	f(`[{"n":"a","u":"Cel","v":1,"ut":"600"}]`, 1)
}

func TestSenMLMappingRefused(t *testing.T) {
	f := func(want, pattern string, records ...Record) {
		t.Helper()
		_, err := NewMap([]Mapping{{Pattern: pattern, SenML: &SenML{Records: records}}}, nil)
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: got %v, want an error with %q", pattern, err, want)
		}
	}
	temp := Record{Name: "t", Quantity: unit.Temperature}
	f("no record", "{room}")
	f("names no room", "a", temp)
	f("names no room", "a", Record{Name: "{room}/t", Quantity: unit.Temperature}, Record{Name: "h", Quantity: unit.Humidity})
	f("use + in its place", "{room}/{quantity}", temp)
	f("unknown quantity", "{room}", Record{Name: "t"})
	f("two records", "{room}", temp, Record{Name: "u", Quantity: unit.Temperature})
	f("two records", "{room}", Record{Name: "{sensor}/t", Quantity: unit.Temperature}, temp)
	f("keep one", "{room}", Record{Name: "{room}/t", Quantity: unit.Temperature})
	f("keep one", "{room}/{sensor}", Record{Name: "{sensor}/t", Quantity: unit.Temperature})
	f("twice", "a", Record{Name: "{sensor}/{sensor}", Quantity: unit.Temperature})
	f("as a whole", "a", Record{Name: "x{sensor}", Quantity: unit.Temperature})
	f("as a whole", "{room}", Record{Name: "a b", Quantity: unit.Temperature})
	f("no SenML unit of its own", "{room}", Record{Quantity: unit.Oxygen})
	f("needs a name", "{room}", Record{Quantity: unit.Temperature, Unit: "Cel"})
	f("use one of Cel, K", "{room}", Record{Name: "t", Quantity: unit.Temperature, Unit: "C"})
	f("not a finite number", "{room}", Record{Name: "t", Quantity: unit.Temperature, Scale: math.Inf(1)})
}

// TestSenMLResolution holds packs written with base values against the same
// records written out (section 4.6).
func TestSenMLResolution(t *testing.T) {
	m := packs(t)
	rapid.Check(t, func(t *rapid.T) {
		base := 1_700_000_000 + float64(rapid.IntRange(0, 1000).Draw(t, "base"))
		bv := float64(rapid.IntRange(-8, 8).Draw(t, "bv")) / 4
		compact := []map[string]any{{"bn": "urn:dev:ow:1:", "bt": base, "bu": "Cel", "bv": bv}}
		var plain []map[string]any
		for i := range rapid.IntRange(1, 8).Draw(t, "n") {
			v := float64(rapid.IntRange(-200, 320).Draw(t, "v")) / 4
			compact = append(compact, map[string]any{"n": "t", "t": i, "v": v})
			plain = append(plain, map[string]any{"n": "urn:dev:ow:1:t", "u": "Cel", "t": base + float64(i), "v": v + bv})
		}
		decode := func(pack any) Decoded {
			payload, err := json.Marshal(pack)
			if err != nil {
				t.Fatal(err)
			}
			got, errs := m.Decode(Message{Topic: "any/x", Payload: payload, ReceivedAt: received})
			if len(errs) > 0 {
				t.Fatal(errs)
			}
			return got
		}
		a, b := decode(compact), decode(plain)
		if diff := cmp.Diff(a, b); diff != "" || len(a.Readings) != len(plain) || !a.OwnTime {
			t.Fatalf("%v\n%v\n%s", compact, plain, diff)
		}
	})
}

func FuzzSenML(f *testing.F) {
	for _, s := range []string{
		"", "[]", "[{}]", "null", `[{"n":"a","u":"Cel","v":1}]`, `[{"bn":"urn:dev:ow:1:","bt":1.320067464e+09,"bu":"%RH","v":20},{"t":60,"v":20.3}]`,
		`[{"bver":11}]`, `[{"x_":1}]`, `[{"n":"a","vs":"x"},{"vb":true},{"vd":"aGkgCg"}]`, `[{"n":"1/temperature","u":"K","v":290,"ut":60}]`,
		`[{"n":"o2","u":"%","v":1e999}]`, `[{"t":-1e308,"bt":-1e308,"n":"temp","v":1}]`, `[{"n":":","v":0,"u":"lx"}]`, strings.Repeat("[", 70), `[{"\u006e":"a"}]`,
	} {
		for i := range 4 {
			f.Add([]byte(s), uint8(i))
		}
	}
	m := packs(f)
	topics := []string{"any/cellar", "named/loft", "gateway", "house"}
	f.Fuzz(func(t *testing.T, payload []byte, which uint8) {
		check(t, m, topics[int(which)%len(topics)], payload, map[Cause]int{})
	})
}

func FuzzSenMLName(f *testing.F) {
	for _, s := range [][2]string{{"t", "a:t"}, {"{sensor}:t", "urn:s1:t"}, {"+/{room}/t", "a/b/t"}, {"::", "::"}, {"{", "{"}, {"a/b:c", "x:a/b:c"}} {
		f.Add(s[0], s[1])
	}
	f.Fuzz(func(t *testing.T, pattern, name string) {
		record := Record{Name: pattern, Quantity: unit.Temperature, Unit: "Cel"}
		compiled, err := compileRecord(record)
		if pattern != "" && (err == nil) != (CheckSenMLName(pattern) == nil) {
			t.Fatalf("%q: %v, CheckSenMLName says %v", pattern, err, CheckSenMLName(pattern))
		}
		if err != nil {
			return
		}
		parts, separators := splitName(name)
		var c capture
		if compiled.fits(parts, separators, &c) && !strings.ContainsAny(pattern, "{+") && !strings.HasSuffix(name, pattern) {
			t.Fatalf("%q fits %q", pattern, name)
		}
		if !strings.Contains(name, c.sensor) || !strings.Contains(name, c.room) {
			t.Fatalf("%q fits %q with %+v", pattern, name, c)
		}
	})
}

func BenchmarkDecodeSenML(b *testing.B) {
	m := packs(b)
	for name, payload := range map[string]string{
		"usual":   `[{"bn":"urn:dev:ow:10e2073a01080063:","bt":1782858600,"n":"temp","u":"Cel","v":14.25,"ut":600},{"n":"rh","u":"%RH","v":61.5},{"n":"charge","u":"%EL","v":87}]`,
		"hostile": "[" + strings.Repeat(`{"v":1},`, 8000) + `{}]`,
	} {
		b.Run(name, func(b *testing.B) {
			msg := Message{Topic: "any/cellar", Payload: []byte(payload), ReceivedAt: received}
			b.ReportAllocs()
			b.SetBytes(int64(len(payload)))
			for b.Loop() {
				if got, errs := m.Decode(msg); len(got.Readings)+len(errs) == 0 {
					b.Fatal(got, errs)
				}
			}
		})
	}
}
