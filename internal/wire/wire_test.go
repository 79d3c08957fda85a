package wire

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"pgregory.net/rapid"

	"dryhold/internal/room"
	"dryhold/internal/unit"
)

var received = time.Date(2026, 7, 1, 12, 0, 0, 123_456_789, time.UTC)

func mustUnit(t testing.TB, q unit.Quantity, name string) unit.Unit {
	t.Helper()
	u, err := unit.Parse(q, name)
	if err != nil {
		t.Fatal(err)
	}
	return u
}

// larchHouse maps the topics of an invented household.
func larchHouse(t testing.TB) *Map {
	t.Helper()
	m, err := NewMap([]Mapping{
		{Pattern: "larch/{room}/climate", JSON: &JSON{Fields: []Field{
			{Path: "temperature", Quantity: unit.Temperature},
			{Path: "humidity", Quantity: unit.Humidity, Unit: mustUnit(t, unit.Humidity, "%")},
			{Path: `light\.level`, Quantity: unit.Illuminance},
		}}},
		{Pattern: "larch/{room}/timed/{sensor}", JSON: &JSON{
			Time:   &TimeField{Path: "time", Format: RFC3339},
			Fields: []Field{{Path: "t", Quantity: unit.Temperature}},
		}},
		{Pattern: "seconds/{sensor}/#", Room: "loft", JSON: &JSON{
			Time:   &TimeField{Path: "ts", Format: UnixSeconds},
			Fields: []Field{{Path: "v.0.t", Quantity: unit.Temperature, Scale: 0.1, Unit: mustUnit(t, unit.Temperature, "F")}},
		}},
		{Pattern: "millis", Room: "loft", Sensor: "probe", JSON: &JSON{
			Time:   &TimeField{Path: "ts", Format: UnixMillis},
			Fields: []Field{{Path: "t", Quantity: unit.Temperature}},
		}},
		{Pattern: "gateway/{sensor}/{quantity}", Number: &Number{Units: map[unit.Quantity]unit.Unit{
			unit.Humidity: mustUnit(t, unit.Humidity, "%"),
		}}},
		{Pattern: "plain/+/temperature", Sensor: "probe", Number: &Number{Quantity: unit.Temperature}},
	}, map[string]string{"probe": "cellar", "s1": "north-pantry"})
	if err != nil {
		t.Fatal(err)
	}
	return m
}

func reading(in, sensor string, q unit.Quantity, at time.Time, v float64) room.Reading {
	return room.Reading{Series: room.Series{Room: in, Sensor: sensor, Quantity: q}, At: at, Value: v}
}

func TestDecodeReadings(t *testing.T) {
	m := larchHouse(t)
	at := received.Truncate(time.Millisecond)
	f := func(topic, payload string, want Decoded) {
		t.Helper()
		got, errs := m.Decode(Message{Topic: topic, Payload: []byte(payload), ReceivedAt: received})
		if len(errs) > 0 {
			t.Errorf("%s %s: %v", topic, payload, errs[0])
		}
		if diff := cmp.Diff(want, got); diff != "" {
			t.Errorf("%s %s: (-want +got)\n%s", topic, payload, diff)
		}
	}
	single := func(r room.Reading) Decoded { return Decoded{Readings: []room.Reading{r}} }

	f("larch/cellar/climate", `{"temperature": 14.25, "humidity": 61.5, "light.level": 3}`, Decoded{Readings: []room.Reading{
		reading("cellar", "cellar", unit.Temperature, at, 14.25),
		reading("cellar", "cellar", unit.Humidity, at, 0.615),
		reading("cellar", "cellar", unit.Illuminance, at, 3),
	}})
	// A missing field and a null one are no error beside a good one.
	f("larch/cellar/climate", `{"temperature":null,"humidity":50}`, single(reading("cellar", "cellar", unit.Humidity, at, 0.5)))
	f("larch/cellar/climate", `{"temperature":" 21.5 "}`, single(reading("cellar", "cellar", unit.Temperature, at, 21.5)))
	f("larch/cellar/climate", `{"temperature":1,"temperature":2}`, single(reading("cellar", "cellar", unit.Temperature, at, 1)))
	f("larch/cellar/climate", `{"temp\u0065rature":2.15e1}`, single(reading("cellar", "cellar", unit.Temperature, at, 21.5)))
	f("larch/cellar/climate", `{"temperature":-0.0001}`, single(reading("cellar", "cellar", unit.Temperature, at, 0)))

	own := func(r room.Reading) Decoded { return Decoded{Readings: []room.Reading{r}, OwnTime: true} }
	early := time.Date(2026, 6, 30, 22, 30, 0, 250_000_000, time.UTC)
	f("larch/loft/timed/s1", `{"time":"2026-07-01T00:30:00.2509+02:00","t":30}`, own(reading("loft", "s1", unit.Temperature, early, 30)))
	f("seconds/s1/a/b", `{"ts":1782858600.25,"v":[{"t":"705"}]}`, own(reading("loft", "s1", unit.Temperature, early, 21.389)))
	f("seconds/s1", `{"ts":"1782858600.25","v":[{"t":705}]}`, own(reading("loft", "s1", unit.Temperature, early, 21.389)))
	f("millis", `{"ts":1782858600250,"t":-3}`, own(reading("loft", "probe", unit.Temperature, early, -3)))
	f("millis", `{"ts":1.78285860025e12,"t":-3}`, own(reading("loft", "probe", unit.Temperature, early, -3)))

	f("gateway/s1/humidity", "61.5", single(reading("north-pantry", "s1", unit.Humidity, at, 0.615)))
	f("gateway/s1/temperature", " \t+21.5e0\r\n", single(reading("north-pantry", "s1", unit.Temperature, at, 21.5)))
	f("plain//temperature", "-7", single(reading("cellar", "probe", unit.Temperature, at, -7)))
}

// TestDecodeRetained holds the rule for retained messages: without a time of
// its own a value is only the last known one.
func TestDecodeRetained(t *testing.T) {
	m := larchHouse(t)
	f := func(topic, payload string, retained, wantOwn, wantUnknown bool) {
		t.Helper()
		got, errs := m.Decode(Message{Topic: topic, Payload: []byte(payload), ReceivedAt: received, Retained: retained})
		if len(errs) > 0 || len(got.Readings) != 1 || got.OwnTime != wantOwn || got.AgeUnknown != wantUnknown {
			t.Errorf("%s retained=%v: got %+v, %v", topic, retained, got, errs)
		}
	}
	f("gateway/s1/temperature", "20", false, false, false)
	f("gateway/s1/temperature", "20", true, false, true)
	f("millis", `{"ts":1782858600250,"t":1}`, true, true, false)
	f("millis", `{"ts":1782858600250,"t":1}`, false, true, false)
}

func TestDecodeErrors(t *testing.T) {
	m := larchHouse(t)
	f := func(topic, payload string, want Cause, text string) {
		t.Helper()
		got, errs := m.Decode(Message{Topic: topic, Payload: []byte(payload), ReceivedAt: received})
		if len(got.Readings) > 0 || len(errs) != 1 {
			t.Fatalf("%s %.80q: got %v and errors %v, want one error", topic, payload, got.Readings, errs)
		}
		if errs[0].Cause != want || !strings.Contains(errs[0].Error(), text) {
			t.Errorf("%s %.80q: got %q %q, want cause %q with %q", topic, payload, errs[0].Cause, errs[0], want, text)
		}
		if (errs[0].Pattern == "") != (text == "no mapping") {
			t.Errorf("%s: pattern is %q", topic, errs[0].Pattern)
		}
	}
	f("elsewhere", "1", NotMapped, "no mapping")
	f("larch/cellar/climate/x", "{}", NotMapped, "no mapping")
	f("$SYS/broker", "1", NotMapped, "no mapping")
	f("gateway/s1/pressure", "1", NotMapped, "humidity")
	f("gateway/s9/humidity", "1", NotMapped, `"s9" has no room`)
	f("gateway/s\xff/humidity", "1", BadName, "sensor")
	f("larch/a b/climate", "{}", BadName, "room")
	f("larch//climate", "{}", BadName, "empty")
	f("larch/"+strings.Repeat("x", 65)+"/climate", "{}", BadName, "65 characters")

	number := func(payload string, want Cause, text string) {
		t.Helper()
		f("gateway/s1/temperature", payload, want, text)
	}
	number("", NotANumber, "empty")
	number("21,5", NotANumber, "decimal point")
	number("1,000.5", NotANumber, "not a decimal number")
	for _, p := range []string{"0x10", "inf", "-Infinity", "NaN", "1_000", "1e", "1e+", ".5", "5.", "--1", "21.5 C", "2 1", "٣", "1\x00", "true"} {
		number(p, NotANumber, "")
	}
	number("1e999", Implausible, "beyond")
	number("100.1", Implausible, "temperature")
	number("-60.01", Implausible, "temperature")
	number("\xff\xfe", NotUTF8, "")
	number(strings.Repeat("1", 65), NotANumber, "65 bytes")
	number(strings.Repeat("1", MaxPayload+1), TooLarge, "65537")

	object := func(payload string, want Cause, text string) {
		t.Helper()
		f("larch/cellar/climate", payload, want, text)
	}
	object("", NotJSON, "")
	object("21.5", MissingField, "temperature, humidity, light\\.level")
	object("{}", MissingField, "temperature")
	object(`{"temperature":null}`, MissingField, "temperature")
	object(`{"temperature":21.5`, NotJSON, "")
	object(`{"temperature":021.5}`, NotJSON, "")
	object(`{"temperature":NaN}`, NotJSON, "")
	object(`{"temperature":21.5}{}`, NotJSON, "")
	object(`{"temperature":true}`, NotANumber, "temperature is true")
	object(`{"temperature":[21.5]}`, NotANumber, "an array")
	object(`{"temperature":{"v":1}}`, NotANumber, "an object")
	object(`{"temperature":"warm"}`, NotANumber, `"warm"`)
	object(`{"temperature":"21,5"}`, NotANumber, "decimal comma")
	object(`{"temperature":""}`, NotANumber, "empty")
	object(`{"temperature":1e999}`, Implausible, "beyond")
	object(`{"humidity":101}`, Implausible, "humidity")
	object("{\"temperature\":\"\xff\"}", NotUTF8, "")
	object(strings.Repeat("[", maxDepth+1), TooDeep, "64")
	object(strings.Repeat("[", maxDepth), NotJSON, "")
	object(`{"a":"`+strings.Repeat("[", 100)+`"}`, MissingField, "")
	object(strings.Repeat("[", MaxPayload), TooDeep, "")
	object(`{"a":"`+strings.Repeat("x", 1<<20)+`"}`, TooLarge, "")

	timed := func(value string, want Cause, text string) {
		t.Helper()
		f("larch/loft/timed/s1", `{"t":20,"time":`+value+`}`, want, text)
	}
	f("larch/loft/timed/s1", `{"t":20}`, MissingField, "no time")
	timed("null", MissingField, "no time")
	timed("1782858600", BadTime, "not a text")
	timed(`"2026-07-01 12:00:00"`, BadTime, "zone")
	timed(`"2026-07-01T12:00:00"`, BadTime, "zone")
	timed(`"1999-12-31T23:59:59.999Z"`, TooOld, "clock")
	timed(`"0000-01-01T00:00:00Z"`, TooOld, "clock")
	timed(`"9999-12-31T23:59:59Z"`, FromFuture, "clock")
	timed(`"2026-07-01T12:05:00.124Z"`, FromFuture, "5m0s")
	f("millis", `{"t":1,"ts":true}`, BadTime, "true")
	f("millis", `{"t":1,"ts":"x"}`, BadTime, "x")
	f("millis", `{"t":1,"ts":1e999}`, BadTime, "beyond")
	f("millis", `{"t":1,"ts":1e300}`, FromFuture, "")
	f("millis", `{"t":1,"ts":-1e300}`, TooOld, "")
	f("millis", `{"t":1,"ts":1782858600}`, TooOld, "clock")
	f("seconds/s1", `{"ts":1782858600250,"v":[{"t":1}]}`, FromFuture, "milliseconds?")
	f("seconds/s1", `{"ts":0,"v":[{"t":1}]}`, TooOld, "clock")
}

// TestDecodeBounds checks the edges that are still allowed.
func TestDecodeBounds(t *testing.T) {
	m := larchHouse(t)
	f := func(value string) {
		t.Helper()
		got, errs := m.Decode(Message{Topic: "larch/loft/timed/s1", Payload: []byte(`{"t":20,"time":"` + value + `"}`), ReceivedAt: received})
		if len(errs) > 0 || len(got.Readings) != 1 {
			t.Errorf("%s: %v %v", value, got, errs)
		}
	}
	f("2000-01-01T00:00:00Z")
	f("2026-07-01T12:05:00.123Z")
}

// TestDecodeKeepsGoodFields: a bad field does not lose the good ones.
func TestDecodeKeepsGoodFields(t *testing.T) {
	got, errs := larchHouse(t).Decode(Message{Topic: "larch/cellar/climate", ReceivedAt: received,
		Payload: []byte(`{"temperature":"warm","humidity":50,"light.level":-1}`)})
	if len(got.Readings) != 1 || got.Readings[0].Value != 0.5 {
		t.Errorf("got %v, want the humidity", got.Readings)
	}
	if len(errs) != 2 || errs[0].Cause != NotANumber || errs[1].Cause != Implausible {
		t.Errorf("got errors %v, want temperature and light", errs)
	}
	var asError *Error
	if !errors.As(fmt.Errorf("wrapped: %w", errs[0]), &asError) || asError.Unwrap() == nil {
		t.Error("the error does not unwrap")
	}
}

func TestFirstMappingDecides(t *testing.T) {
	number := func(pattern, in string) Mapping {
		return Mapping{Pattern: pattern, Room: in, Number: &Number{Quantity: unit.Temperature}}
	}
	m, err := NewMap([]Mapping{
		number("a/b", "one"), number("a/+", "two"), number("a/c", "three"), number("+/d", "four"), number("#", "five"),
	}, nil)
	if err != nil {
		t.Fatal(err)
	}
	f := func(topic, want string) {
		t.Helper()
		got, errs := m.Decode(Message{Topic: topic, Payload: []byte("1"), ReceivedAt: received})
		if len(errs) > 0 || got.Readings[0].Room != want {
			t.Errorf("%s: got %v %v, want room %s", topic, got, errs, want)
		}
	}
	f("a/b", "one")
	f("a/c", "two")
	f("a/d", "two")
	f("b/d", "four")
	f("x/y/z", "five")
}

func TestFilters(t *testing.T) {
	f := func(want []string, patterns ...string) {
		t.Helper()
		var ms []Mapping
		for _, p := range patterns {
			ms = append(ms, Mapping{Pattern: p, Number: &Number{Quantity: unit.Temperature}})
			if !strings.Contains(p, "{room}") {
				ms[len(ms)-1].Room = "cellar"
			}
		}
		m, err := NewMap(ms, nil)
		if err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(want, m.Filters()); diff != "" {
			t.Errorf("%v: (-want +got)\n%s", patterns, diff)
		}
	}
	f([]string{"a/+/b"}, "a/{room}/b", "a/{sensor}/b", "a/x/b")
	f([]string{"a/#"}, "a", "a/b", "a/#", "a/+/c")
	f([]string{"+/b", "a/+"}, "{room}/b", "a/{sensor}")
	f([]string{"#", "$SYS/load"}, "#", "a/b", "$SYS/load")
	f([]string{"a/+/c", "a/b"}, "a/+/c", "a/b")
	f(nil)
}

func TestNewMapRefuses(t *testing.T) {
	temperature := &Number{Quantity: unit.Temperature}
	field := Field{Path: "t", Quantity: unit.Temperature}
	f := func(want string, ms ...Mapping) {
		t.Helper()
		_, err := NewMap(ms, map[string]string{"s1": "loft"})
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("got %v, want an error with %q", err, want)
		}
	}
	f("give one of", Mapping{Pattern: "{room}"})
	f("give one of", Mapping{Pattern: "{room}", Number: temperature, JSON: &JSON{Fields: []Field{field}}})
	f("names no room", Mapping{Pattern: "a", Number: temperature})
	f("names no room", Mapping{Pattern: "a", Sensor: "s2", Number: temperature})
	f("leave out the fixed room", Mapping{Pattern: "{room}", Room: "loft", Number: temperature})
	f("leave out the fixed sensor", Mapping{Pattern: "{sensor}", Sensor: "s1", Number: temperature})
	f("outside A-Z", Mapping{Pattern: "a", Room: "the loft", Number: temperature})
	f("outside A-Z", Mapping{Pattern: "{room}", Sensor: "ü", Number: temperature})
	f("what the number measures", Mapping{Pattern: "{room}", Number: &Number{}})
	f("leave out the fixed quantity", Mapping{Pattern: "{room}/{quantity}", Number: temperature})
	f("not of temperature", Mapping{Pattern: "{room}", Number: &Number{Quantity: unit.Temperature,
		Units: map[unit.Quantity]unit.Unit{unit.Temperature: mustUnit(t, unit.Illuminance, "lx")}}})
	f("no field", Mapping{Pattern: "{room}", JSON: &JSON{}})
	f("use + in its place", Mapping{Pattern: "{room}/{quantity}", JSON: &JSON{Fields: []Field{field}}})
	f("given twice", Mapping{Pattern: "{room}", JSON: &JSON{Fields: []Field{field, field}}})
	f("unknown quantity", Mapping{Pattern: "{room}", JSON: &JSON{Fields: []Field{{Path: "t"}}}})
	f("path is empty", Mapping{Pattern: "{room}", JSON: &JSON{Fields: []Field{{Quantity: unit.Temperature}}}})
	f("time format", Mapping{Pattern: "{room}", JSON: &JSON{Fields: []Field{field}, Time: &TimeField{Path: "t", Format: "iso"}}})
	f("mapped twice", Mapping{Pattern: "a", Room: "x", Number: temperature}, Mapping{Pattern: "a", Room: "y", Number: temperature})
	f("mapping 2: topic pattern \"b\"", Mapping{Pattern: "{room", Number: temperature}, Mapping{Pattern: "b", Number: temperature})
}

func TestCheckPattern(t *testing.T) {
	f := func(pattern, want string) {
		t.Helper()
		err := CheckPattern(pattern)
		if (err == nil) != (want == "") || err != nil && !strings.Contains(err.Error(), want) {
			t.Errorf("%q: got %v, want %q", pattern, err, want)
		}
	}
	f("a/{room}/{sensor}/{quantity}/+/#", "")
	f("/a//b/", "")
	f("#", "")
	f("", "empty")
	f("a/#/b", "only at the end")
	f("a/b#", "whole level")
	f("a/+b", "whole level")
	f("{room}/{room}", "twice")
	f("a-{room}", "not a named wildcard")
	f("{place}", "not a named wildcard")
	f("a/}", "not a named wildcard")
	f("$share/group/a", "broker.share")
	f("a\x00", "control")
	f("a\xff", "UTF-8")
	f(strings.Repeat("a", 65536), "65536")
}

func TestCheckPath(t *testing.T) {
	f := func(path string, want []string) {
		t.Helper()
		got, err := splitPath(path)
		if (err == nil) != (want != nil) || (CheckPath(path) == nil) != (want != nil) {
			t.Errorf("%q: error %v", path, err)
		}
		if diff := cmp.Diff(want, got); diff != "" {
			t.Errorf("%q: %s", path, diff)
		}
	}
	f("t", []string{"t"})
	f("a.0.b", []string{"a", "0", "b"})
	f(`a\.b.c\\`, []string{"a.b", `c\`})
	f("@this|#(x)*?", []string{"@this|#(x)*?"})
	f("", nil)
	f(".", nil)
	f("a..b", nil)
	f("a.", nil)
	f(`a\`, nil)
	f(`a\b`, nil)
	f("\xff", nil)
	f(strings.Repeat("a.", 64)+"a", nil)
}

// TestPathIsPlain: whatever a key is made of, its path finds it and nothing
// else, in spite of the query language of the library below.
func TestPathIsPlain(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		key := rapid.StringN(1, 12, -1).Draw(t, "key")
		inner := rapid.SampledFrom([]string{"@this", "#", "*", "?", "..0", "a|b", "!", "{x}", "[0]", "~", "x"}).Draw(t, "inner")
		doc, err := json.Marshal(map[string]any{key: map[string]any{inner: 12.5}})
		if err != nil {
			t.Fatal(err)
		}
		escape := strings.NewReplacer(`\`, `\\`, `.`, `\.`)
		m, err := NewMap([]Mapping{{Pattern: "{room}", JSON: &JSON{Fields: []Field{
			{Path: escape.Replace(key) + "." + escape.Replace(inner), Quantity: unit.Temperature}}}}}, nil)
		if err != nil {
			t.Fatal(err)
		}
		got, errs := m.Decode(Message{Topic: "loft", Payload: doc, ReceivedAt: received})
		if len(errs) > 0 || len(got.Readings) != 1 || got.Readings[0].Value != 12.5 {
			t.Fatalf("%s: got %v %v", doc, got.Readings, errs)
		}
	})
}

// TestDecodeAgreesWithJSON compares with the standard library on documents it
// writes.
func TestDecodeAgreesWithJSON(t *testing.T) {
	m := larchHouse(t)
	rapid.Check(t, func(t *rapid.T) {
		v := rapid.Float64Range(-200, 200).Draw(t, "v")
		doc, err := json.Marshal(map[string]any{"x": rapid.String().Draw(t, "x"), "temperature": v})
		if err != nil {
			t.Fatal(err)
		}
		got, errs := m.Decode(Message{Topic: "larch/loft/climate", Payload: doc, ReceivedAt: received})
		if unit.Temperature.Plausible(v) != nil {
			if len(errs) != 1 || errs[0].Cause != Implausible {
				t.Fatalf("%s: got %v %v", doc, got, errs)
			}
			return
		}
		if len(errs) > 0 || got.Readings[0].Value != unit.Temperature.Round(v) {
			t.Fatalf("%s: got %v %v", doc, got, errs)
		}
	})
}

// TestDecodeSurvives throws 10,000 damaged payloads at every mapping.
func TestDecodeSurvives(t *testing.T) {
	m := larchHouse(t)
	rnd := rand.New(rand.NewPCG(1, 2))
	good := []string{
		`{"temperature": 14.25, "humidity": 61.5, "light.level": 3}`,
		`{"time":"2026-07-01T00:30:00+02:00","t":30,"ts":1782858600.25,"v":[{"t":"705"}]}`, "21.5",
	}
	topics := []string{"larch/cellar/climate", "larch/loft/timed/s1", "seconds/s1/x", "millis", "gateway/s1/humidity", "plain/x/temperature"}
	huge := make([]byte, 1<<20)
	causes := map[Cause]int{}
	for i := range 10_000 {
		topic := topics[rnd.IntN(len(topics))]
		payload := []byte(good[rnd.IntN(len(good))])
		switch i % 5 {
		case 0: // random bytes
			payload = make([]byte, rnd.IntN(300))
			for j := range payload {
				payload[j] = byte(rnd.Uint32())
			}
		case 1: // truncated
			payload = payload[:rnd.IntN(len(payload))]
		case 2: // damaged
			for range 1 + rnd.IntN(4) {
				payload[rnd.IntN(len(payload))] = byte(rnd.Uint32())
			}
		case 3: // nested
			n := rnd.IntN(1 << 15)
			payload = bytes.Repeat([]byte([]string{"[", `{"a":`, `[{"temperature":`}[rnd.IntN(3)]), 1+n%4096)
		case 4: // huge
			payload = huge[:rnd.IntN(len(huge)+1)]
		}
		check(t, m, topic, payload, causes)
	}
	for _, want := range []Cause{TooLarge, NotUTF8, NotJSON, TooDeep, NotANumber} {
		if causes[want] == 0 {
			t.Errorf("no payload was refused as %q: the test does not reach it", want)
		}
	}
}

// check decodes a payload and holds what must be true of every outcome.
func check(t *testing.T, m *Map, topic string, payload []byte, causes map[Cause]int) {
	t.Helper()
	got, errs := m.Decode(Message{Topic: topic, Payload: payload, ReceivedAt: received})
	if len(got.Readings)+len(errs) == 0 && got.Status == nil && !got.Ignored {
		t.Fatalf("%s %.200q: neither a reading nor an error", topic, payload)
	}
	for _, u := range got.Updates {
		if u.Within <= 0 || !slices.ContainsFunc(got.Readings, func(r room.Reading) bool { return r.Series == u.Series }) {
			t.Fatalf("%s %.200q: update %v", topic, payload, u)
		}
	}
	for _, r := range got.Readings {
		if err := r.Quantity.Plausible(r.Value); err != nil || r.Value != r.Quantity.Round(r.Value) {
			t.Fatalf("%s %.200q: reading %v: %v", topic, payload, r, err)
		}
		if CheckName(r.Room) != nil || CheckName(r.Sensor) != nil || r.At.Location() != time.UTC ||
			r.At.After(received.Add(MaxAhead)) || r.At.Unix() < earliestUnix || !r.At.Equal(r.At.Truncate(time.Millisecond)) {
			t.Fatalf("%s %.200q: reading %v", topic, payload, r)
		}
	}
	again, _ := m.Decode(Message{Topic: topic, Payload: payload, ReceivedAt: received})
	if !cmp.Equal(got, again, cmpopts.EquateEmpty()) {
		t.Fatalf("%s %.200q: decoded differently the second time", topic, payload)
	}
	for _, e := range errs {
		if e.Error() == "" || e.Cause == "" {
			t.Fatalf("%s %.200q: empty error", topic, payload)
		}
		causes[e.Cause]++
	}
}

func TestOptionalTime(t *testing.T) {
	m, err := NewMap([]Mapping{{Pattern: "rooms/{room}", JSON: &JSON{
		Time:   &TimeField{Path: "time", Format: RFC3339, Optional: true},
		Fields: []Field{{Path: "t", Quantity: unit.Temperature}},
	}}}, nil)
	if err != nil {
		t.Fatal(err)
	}
	received := time.Date(2026, 7, 1, 12, 0, 0, 0, time.UTC)
	f := func(payload string, own bool, at time.Time, faults int) {
		t.Helper()
		d, errs := m.Decode(Message{Topic: "rooms/loft", Payload: []byte(payload), ReceivedAt: received})
		if len(errs) != faults || d.OwnTime != own || faults == 0 && !d.Readings[0].At.Equal(at) {
			t.Errorf("%s: %+v %v", payload, d, errs)
		}
	}
	f(`{"t": 20}`, false, received, 0)
	f(`{"t": 20, "time": "2026-07-01T11:00:00Z"}`, true, received.Add(-time.Hour), 0)
	f(`{"t": 20, "time": null}`, false, received, 0)
	f(`{"t": 20, "time": "soon"}`, false, received, 1)
}
