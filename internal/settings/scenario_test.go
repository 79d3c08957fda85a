package settings

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"dryhold/internal/catalog"
	"dryhold/internal/scenario"
)

func shippedCatalog(t testing.TB) *catalog.Catalog {
	t.Helper()
	c, err := Catalog()
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// small is a scenario with a place for one more line.
func small(line string) string {
	return `name: small
start: 2026-07-10
length: 1d
rooms:
  - {name: loft, limits: {warm: {limit: 25 C, on_delay: 1h}}}
readings:
  - {room: loft, quantity: temperature, unit: C, steps: [[0h, 20], [6h, 30]]}
` + line
}

const expectWarm = "expect:\n  - {at: 12h, alarm: warm/loft, state: active}\n"

func TestScenarioProblems(t *testing.T) {
	cat := shippedCatalog(t)
	f := func(src string, want ...string) {
		t.Helper()
		_, _, err := ParseScenario("s.yaml", []byte(src), cat)
		if err == nil {
			t.Errorf("no problem in %q", src)
			return
		}
		if got := strings.Split(err.Error(), "\n"); len(got) != len(want) {
			t.Errorf("%q: %d problems, want %d:\n%v", src, len(got), len(want), err)
		}
		for _, w := range want {
			if !strings.Contains(err.Error(), w) {
				t.Errorf("%q: %v, want %q", src, err, w)
			}
		}
	}
	f("", "s.yaml: the file is empty")
	f(small(""), `s.yaml:1:1: the scenario needs the key "expect"`)
	f(small("expect: []"), "s.yaml:1:1: the scenario expects nothing")
	f(small("expect:\n  - {at: 12h, alarm: warm/attic, state: active}\n"), `s.yaml:9:22: alarm warm/attic: there is no room "attic"`)
	f(small("expect:\n  - {at: 30h, alarm: warm/loft, state: active}\n"), "s.yaml:9:10: at 30h lies outside of the scenario")
	f(small("expect:\n  - {at: 2h, alarm: warm/loft, state: on}\n"), `unknown state "on"`)
	f(small("expect:\n  - {at: 2h, alarm: warm/loft}\n"), "needs one of state, raised or messages")
	f(small("expect:\n  - {at: 2h, alarm: warm/loft, state: normal, raised: 2}\n"), "is of state and raised")
	f(small("expect:\n  - {alarm: warm/loft, state: normal}\n"), `needs the key "at"`)
	f(small("expect:\n  - {between: [1h, 2h], alarm: warm/loft, raised: 1, told: keeper}\n"), `has no key "told"`)
	f(small("expect:\n  - {between: [2h, 1h], messages: 1}\n"), "ends before it begins")
	f(small("expect:\n  - {between: [1h, 2h], messages: many}\n"), "messages must be a number")
	f(small("expect:\n  - {between: [1h, 2h], messages: 1, told: mora}\n"), `nobody is named "mora"`)
	f(small("outages:\n  - {what: water, between: [1h, 2h]}\n"+expectWarm), `unknown what "water"`)
	f(small("outages:\n  - {what: power, between: [1h, 3h]}\n  - {what: broker, between: [2h, 4h]}\n"+expectWarm), "two outages at one time")
	f(small("actions:\n  - {at: 1h, do: shelve, alarm: warm/loft, by: mara}\n"+expectWarm), `give "until"`)
	f(small("lots:\n  - {food: rice, container: pet-2l, room: loft, mass: 1}\n"+expectWarm), `s.yaml:9:5:`)
	series := func(text string) string {
		return strings.Replace(small(expectWarm), "steps: [[0h, 20], [6h, 30]]", text, 1)
	}
	f(series("constant: 20, list: [2]"), "has one course, and constant and list are several")
	f(series("noise: 1"), "s.yaml:7:5: a series needs a course")
	f(series("steps: [[6h, 20], [1h, 30]]"), "must come one after the other")
	f(series("steps: []"), "steps has no point")
	f(series("constant: 900"), "constant: ")
	f(series("constant: 20, every: 500ms"), "every 500ms is outside")
	f(strings.Replace(series("constant: 20, every: 1s"), "length: 1d", "length: 300d", 1), "readings are more than the 1000000")
	f(strings.Replace(small(expectWarm), "2026-07-10", "July", 1), `start must be a day such as 2026-07-10`)
	f(strings.Replace(small(expectWarm), "length: 1d", "length: 1m", 1), "length 1m is outside")
}

func FuzzScenario(f *testing.F) {
	f.Add(small(expectWarm))
	f.Add(small("expect:\n  - {between: [0h, \"2026-07-10 12:00\"], messages: at most 3, told: keeper, event: raised, subject: x}\n"))
	f.Add(small("outages: [{what: daemon, between: [1h, 2h]}]\nactions: [{at: 9h, do: shelve, alarm: warm/loft, by: a, until: 10h}]\nlots: [{food: sugar, container: pet-2l, room: loft, mass: 1}]\n" + expectWarm))
	files, _ := filepath.Glob("../../config/scenarios/*.yaml")
	for _, file := range files {
		if src, err := os.ReadFile(file); err == nil {
			f.Add(string(src))
		}
	}
	cat := shippedCatalog(f)
	f.Fuzz(func(t *testing.T, src string) {
		s, _, err := ParseScenario("f", []byte(src), cat)
		if err != nil {
			if _, listed := err.(Problems); !listed {
				t.Fatalf("%T", err)
			}
			return
		}
		if !s.Start.Before(s.End) || len(s.Expect) == 0 {
			t.Fatalf("taken: %+v", s)
		}
		if end := s.Start.Add(time.Hour); end.Before(s.End) {
			scenario.Readings(s.Series, s.Start, end, s.Seed)
		}
	})
}
