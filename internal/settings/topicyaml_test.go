package settings

import (
	"os"
	"strings"
	"testing"
	"unicode"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"dryhold/internal/unit"
	"dryhold/internal/wire"
)

// What is written is read as what it was, for every topic of the example and
// the default ones.
func TestTopicYAMLIsReadAgain(t *testing.T) {
	src, err := os.ReadFile("../../config/dryhold.example.yaml")
	if err != nil {
		t.Fatal(err)
	}
	s, err := Parse("example", src)
	if err != nil {
		t.Fatal(err)
	}
	all := append(s.Topics, DefaultTopics()...)
	s.Topics, s.AcceptNewRooms = nil, true
	for _, m := range all {
		text := TopicYAML(m)
		got, err := s.CheckTopic(text)
		if err != nil {
			t.Errorf("%v in\n%s", err, text)
		}
		if d := cmp.Diff(m, got, cmp.AllowUnexported(unit.Unit{})); d != "" {
			t.Errorf("%s(-want +got):\n%s", text, d)
		}
	}
	if len(all) < 6 {
		t.Errorf("%d topics", len(all))
	}
}

// Any path and any name that a mapping may have is read again as it was.
func TestTopicYAMLQuotes(t *testing.T) {
	s := Default()
	s.Topics, s.AcceptNewRooms = nil, true
	celsius := mustUnit(unit.Temperature, "°C")
	rapid.Check(t, func(t *rapid.T) {
		m := wire.Mapping{Pattern: rapid.String().Draw(t, "pattern"), Room: "loft", JSON: &wire.JSON{Fields: []wire.Field{
			{Path: rapid.String().Draw(t, "path"), Quantity: unit.Temperature, Unit: celsius, Scale: rapid.SampledFrom([]float64{1, 0.1, 1e-9, 12345.678}).Draw(t, "scale")}}}}
		// As every text of a configuration is.
		trimmed := func(s string) bool { return s == strings.TrimSpace(s) && !strings.ContainsFunc(s, unicode.IsControl) }
		if !trimmed(m.Pattern) || !trimmed(m.JSON.Fields[0].Path) {
			return
		}
		if wire.CheckPattern(m.Pattern) != nil || wire.CheckPath(m.JSON.Fields[0].Path) != nil || strings.Contains(m.Pattern, "{") {
			return
		}
		got, err := s.CheckTopic(TopicYAML(m))
		if err != nil {
			t.Fatalf("%v in\n%s", err, TopicYAML(m))
		}
		if d := cmp.Diff(m, got, cmp.AllowUnexported(unit.Unit{})); d != "" {
			t.Fatalf("%s(-want +got):\n%s", TopicYAML(m), d)
		}
	})
}

func TestCheckTopic(t *testing.T) {
	s, err := Parse("x", []byte("rooms: [{name: cellar}]\nsensors: [{name: c-1, room: cellar}]\ntopics:\n  - {topic: a/b, room: cellar, number: {quantity: temperature, unit: C}}\n"))
	if err != nil {
		t.Fatal(err)
	}
	if !s.OwnTopics() || Default().OwnTopics() {
		t.Error("whether topics are the configuration's own is not told")
	}
	f := func(entry, want string) {
		t.Helper()
		_, err := s.CheckTopic(entry)
		got := "well"
		if err != nil {
			got = err.Error()
		}
		if !strings.Contains(got, want) || strings.Contains(got, "topics:") {
			t.Errorf("%s\ngot  %s\nwant %s", entry, got, want)
		}
	}
	number := ", number: {quantity: temperature, unit: C}}\n"
	f("  - {topic: a/c, room: cellar"+number, "well")
	f("  - {topic: a/c, sensor: c-1"+number, "well")
	f("  - {topic: a/b, room: cellar"+number, "listed already")
	f("  - {topic: a/c, room: celar"+number, `"cellar"`)
	f("  - {topic: a/c"+number, "names neither {room} nor {sensor}")
	f("  - {topic: a/c, room: cellar, number: {quantity: temperature, unit: lx}}\n", "not a unit of temperature")
	f("  - topic: a\n  - topic: b\n", "needs")
	f("", "topics")
}
