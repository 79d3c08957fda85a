package replay_test

import (
	"strings"
	"testing"

	"dryhold/internal/engine"
	"dryhold/internal/replay"
	"dryhold/internal/settings"
)

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

func TestScenarioFails(t *testing.T) {
	cat, err := settings.Catalog()
	if err != nil {
		t.Fatal(err)
	}
	f := func(line string, want ...string) {
		t.Helper()
		x, s, err := settings.ParseScenario("s.yaml", []byte(small(line)), cat)
		if err != nil {
			t.Fatal(err)
		}
		findings, _, err := replay.Run(x, engine.Config{
			Site: s.Site, Zone: s.Zone, Catalog: cat, Rules: s.Rules, Stale: s.StaleLimit, Dispatching: engine.Dispatching{Recipients: s.People()},
		})
		if err != nil {
			t.Fatal(err)
		}
		var got []string
		for _, x := range findings {
			if !x.Pass {
				got = append(got, x.Text+": "+x.Found)
			}
		}
		if len(got) != len(want) {
			t.Fatalf("%d findings failed, want %d:\n%s", len(got), len(want), strings.Join(got, "\n"))
		}
		for i := range want {
			if !strings.Contains(got[i], want[i]) {
				t.Errorf("%q does not say %q", got[i], want[i])
			}
		}
	}
	f(expectWarm)
	f("expect:\n  - {at: 3h, alarm: warm/loft, state: active}\n", "Fri 10 Jul 03:00: warm/loft is active: it is normal")
	f("expect:\n  - {between: [0h, 1d], alarm: warm/loft, raised: 2}\n", "raised 2 times: 1: Fri 10 Jul 07:")
	f("expect:\n  - {between: [0h, 1d], messages: 0}\n", "0 messages: 2: ")
	f("actions:\n  - {at: 1h, do: acknowledge, alarm: warm/loft, by: mara}\n"+expectWarm, "cannot acknowledge warm/loft")
}
