package wire

import (
	"strings"
	"testing"

	"dryhold/internal/unit"
)

func FuzzDecodeNumber(f *testing.F) {
	for _, s := range []string{"", "21.5", " -3\n", "+1e1", "1e999", "1e-999", "21,5", "0x1p4", "inf", "NaN", "1_0", ".5", "5.", "\xff", "-0"} {
		f.Add([]byte(s))
	}
	m := larchHouse(f)
	f.Fuzz(func(t *testing.T, payload []byte) {
		check(t, m, "gateway/s1/temperature", payload, map[Cause]int{})
	})
}

func FuzzDecodeJSON(f *testing.F) {
	for _, s := range []string{
		"", "{}", "null", "[1,2]", `{"temperature":21.5}`, `{"temperature":"21.5","humidity":null}`, `{"t":1,"ts":1782858600}`,
		`{"t":1,"ts":"1e3"}`, `{"time":"2026-07-01T12:00:00Z","t":-0}`, `{"v":[{"t":1}],"ts":946684800}`,
		strings.Repeat("[", 70), `{"a":"\u0000\\\""}`, "{\"\xff\":1}", `{"temperature":1e400}`,
	} {
		f.Add([]byte(s), uint8(len(s)))
	}
	m := larchHouse(f)
	topics := []string{"larch/cellar/climate", "larch/loft/timed/s1", "seconds/s1", "millis"}
	f.Fuzz(func(t *testing.T, payload []byte, which uint8) {
		check(t, m, topics[int(which)%len(topics)], payload, map[Cause]int{})
	})
}

func FuzzPattern(f *testing.F) {
	for _, s := range [][2]string{
		{"a/{room}/b", "a/x/b"}, {"#", "a"}, {"a/#", "a"}, {"+/{sensor}", "/s1"}, {"{quantity}", "humidity"},
		{"$SYS/#", "$SYS/x"}, {"{room}/{sensor}/{quantity}", "a/b/c"}, {"//", "//"}, {"{", "{"}, {"a/b#", ""},
	} {
		f.Add(s[0], s[1])
	}
	f.Fuzz(func(t *testing.T, pattern, topic string) {
		mapping := Mapping{Pattern: pattern, Number: &Number{Quantity: unit.Temperature}}
		if !strings.Contains(pattern, levelRoom) {
			mapping.Room = "loft"
		}
		if strings.Contains(pattern, levelQuantity) {
			mapping.Number.Quantity = 0
		}
		m, err := NewMap([]Mapping{mapping}, nil)
		if (err == nil) != (CheckPattern(pattern) == nil) {
			t.Fatalf("%q: NewMap says %v, CheckPattern says %v", pattern, err, CheckPattern(pattern))
		}
		if err != nil {
			return
		}
		if got := m.Filters(); len(got) != 1 || strings.ContainsAny(got[0], "{}") || CheckPattern(got[0]) != nil {
			t.Fatalf("%q: filters %q", pattern, got)
		}
		got, errs := m.Decode(Message{Topic: topic, Payload: []byte("0.5"), ReceivedAt: received})
		if len(got.Readings)+len(errs) == 0 {
			t.Fatalf("%q %q: neither a reading nor an error", pattern, topic)
		}
		if _, c := m.find(topic); c != nil && !strings.HasPrefix(topic, "$") && !covers(c.filter, topic) && !strings.ContainsAny(topic, "+#") {
			t.Fatalf("%q matches %q but its filter %q does not", pattern, topic, c.filter)
		}
	})
}

func BenchmarkDecodeJSON(b *testing.B) {
	m := larchHouse(b)
	payload := []byte(`{"battery":87,"temperature":14.25,"linkquality":120,"voltage":2950,"update":{"state":"idle","installed_version":16777241},` +
		`"humidity":61.5,"light.level":3.5,"last_seen":"2026-07-01T12:00:00+02:00","id":"s1"}`)
	if len(payload) < 195 || len(payload) > 215 {
		b.Fatalf("the payload has %d bytes", len(payload))
	}
	msg := Message{Topic: "larch/cellar/climate", Payload: payload, ReceivedAt: received}
	b.ReportAllocs()
	b.SetBytes(int64(len(payload)))
	for b.Loop() {
		if got, errs := m.Decode(msg); len(got.Readings) != 3 || len(errs) != 0 {
			b.Fatal(got, errs)
		}
	}
}

func BenchmarkDecodeNumber(b *testing.B) {
	m := larchHouse(b)
	msg := Message{Topic: "gateway/s1/temperature", Payload: []byte("21.53"), ReceivedAt: received}
	b.ReportAllocs()
	for b.Loop() {
		if got, errs := m.Decode(msg); len(got.Readings) != 1 || len(errs) != 0 {
			b.Fatal(got, errs)
		}
	}
}
