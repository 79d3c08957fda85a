package alarm

import (
	"strings"
	"testing"
	"time"
	"unicode/utf8"
)

func TestFaultTexts(t *testing.T) {
	since := time.Date(2026, time.July, 1, 0, 0, 0, 0, time.UTC)
	f := func(kind Kind, limit, v float64, subject, over string, body ...string) {
		t.Helper()
		r := Rule{Kind: kind, Limit: limit, Priority: Low}
		c := New(Key{Kind: kind, Room: "north-pantry", Sensor: "pantry-1"})
		if kind.aged() {
			c, _ = c.ObserveAge(r, since.Add(time.Hour), since)
		} else {
			c, _ = c.Observe(r, since, v)
		}
		if !c.Active {
			t.Fatalf("%s is not active at %g", kind, v)
		}
		n := Compose("larch-house", c, r, Raised, since.Add(time.Hour), nil, Context{})
		if n.Subject != subject {
			t.Errorf("%s: subject %q, want %q", kind, n.Subject, subject)
		}
		text := strings.Join(strings.Fields(n.Body), " ")
		for _, want := range append(body, "pantry-1", "north pantry at larch-house", "What to do now: ", "How sure: ", "never a statement of safety", "Alarm "+c.Key.String()) {
			if !strings.Contains(text, want) {
				t.Errorf("%s: the body does not say %q:\n%s", kind, want, n.Body)
			}
		}
		if strings.Contains(text, "No cost") || strings.Contains(text, "beyond its limit") {
			t.Errorf("%s:\n%s", kind, n.Body)
		}
		n = Compose("larch-house", c, r, Returned, since.Add(time.Hour), nil, Context{})
		if n.Subject != over {
			t.Errorf("%s: subject of the return %q, want %q", kind, n.Subject, over)
		}
		for line := range strings.Lines(n.Body) {
			if utf8.RuneCountInString(line) > bodyWidth+1 {
				t.Errorf("%s: a long line: %s", kind, line)
			}
		}
	}
	const at = "North pantry: "
	f(Stuck, 30*86_400, 31*86_400, at+"sensor pantry-1 stuck for 31 days", at+"sensor pantry-1 moves again", "one and the same value for 31 days", "Limit 30 days")
	f(Spike, 5, 12.34, at+"sensor pantry-1 jumped by 12.3 K", at+"sensor pantry-1 is steady again", "12.3 K away from those just before and after", "void the reading")
	f(SpikeHumidity, 0.25, 0.4, at+"sensor pantry-1 jumped by 40.0 % RH", at+"sensor pantry-1 is steady again", "40.0 % RH away")
	f(Drift, 1, 1.25, at+"sensor pantry-1 drifts: 1.2 K in 90 days", at+"sensor pantry-1 no longer drifts", "moved by 1.2 K")
	f(DriftHumidity, 0.06, 0.09, at+"sensor pantry-1 drifts: 9.0 % RH in 90 days", at+"sensor pantry-1 no longer drifts", "Limit 6.0 % RH")
	f(Disagree, 2, 3, at+"sensor pantry-1 is 3.0 K off the others", at+"sensor pantry-1 agrees with the others again", "3.0 K away from the other sensors", "Wed 1 Jul 2026 00:00 UTC")
	f(DisagreeHumidity, 0.1, 0.2, at+"sensor pantry-1 is 20.0 % RH off the others", at+"sensor pantry-1 agrees with the others again")
	f(LowBattery, 0.15, 0.08, at+"battery of sensor pantry-1 low: 8 %", at+"battery of sensor pantry-1 is good again", "8 % left", "Lowest 8 %", "Limit 15 %")
	f(CalibrationDue, 0, 0, at+"calibration of sensor pantry-1 is due", at+"sensor pantry-1 is calibrated", "by Wed 1 Jul 2026 00:00 UTC")
}

// TestBatteryIsWatchedFromAbove: the trouble of a battery is a low value.
func TestBatteryIsWatchedFromAbove(t *testing.T) {
	r := Rule{Kind: LowBattery, Limit: 0.15, Deadband: 0.05, OnDelay: time.Hour, OffDelay: time.Hour, Priority: Low}
	c := New(Key{Kind: LowBattery, Room: "loft", Sensor: "a"})
	from := time.Date(2026, time.July, 1, 0, 0, 0, 0, time.UTC)
	f := func(hours float64, v float64, want State) {
		t.Helper()
		c, _ = c.Observe(r, from.Add(time.Duration(hours*float64(time.Hour))), v)
		if c.State != want {
			t.Errorf("at %g h with %g: %s, want %s", hours, v, c.State, want)
		}
	}
	f(0, 0.9, Normal)
	f(1, 0.15, Normal) // at the limit
	f(3, 0.15, Normal)
	f(4, 0.14, Normal) // the delay begins
	f(5, 0.12, ActiveUnacknowledged)
	f(6, 0.10, ActiveUnacknowledged)
	f(7, 0.19, ActiveUnacknowledged) // within the deadband
	f(9, 0.19, ActiveUnacknowledged)
	f(10, 0.2, ActiveUnacknowledged) // the return begins
	f(11, 0.9, ReturnedUnack)
	if c.Peak != 0.10 {
		t.Errorf("the worst is %g, want the lowest", c.Peak)
	}
}

func TestEnd(t *testing.T) {
	from := time.Date(2026, time.July, 1, 0, 0, 0, 0, time.UTC)
	r := Rule{Kind: Disagree, Limit: 2, Priority: Low}
	active, _ := New(Key{Kind: Disagree, Room: "loft", Sensor: "a"}).Observe(r, from, 3)
	f := func(c Condition, moves int) {
		t.Helper()
		ended, moved := c.End(from.Add(time.Hour))
		if len(moved) != moves || ended.State != Normal || ended.Active || !ended.ShelvedUntil.IsZero() {
			t.Errorf("%s ends in %+v", c.State, ended)
		}
		for _, m := range moved {
			if m.Event != "" {
				t.Errorf("who replaced it knows: %+v", m)
			}
		}
		again, moved := ended.Observe(r, from.Add(2*time.Hour), 3)
		if len(moved) != 1 || again.State != ActiveUnacknowledged || again.Spell != c.Spell+1 {
			t.Errorf("after its end it is raised anew: %+v", again)
		}
	}
	f(active, 1)
	shelved, _, err := active.Shelve(from, from.Add(99*time.Hour), "Ada")
	if err != nil {
		t.Fatal(err)
	}
	f(shelved, 1)
	aside, _, err := active.RemoveFromService(from, "Ada")
	if err != nil {
		t.Fatal(err)
	}
	f(aside, 1)
	f(New(active.Key), 0)
}

func TestQuietly(t *testing.T) {
	from := time.Date(2026, time.July, 1, 0, 0, 0, 0, time.UTC)
	r := Rule{Kind: Disagree, Limit: 2, OnDelay: time.Hour, Priority: Low}
	c := New(Key{Kind: Disagree, Room: "loft", Sensor: "a"})
	f := func(v float64, kept bool) {
		t.Helper()
		next, moved := c.Observe(r, from, v)
		got, _ := c.Quietly(next, moved)
		if (got == next) != kept || (got == c) == kept {
			t.Errorf("%g: kept %v, want %v", v, got == next, kept)
		}
		c, from = got, from.Add(time.Hour)
	}
	f(1, false)
	f(3, true) // a delay runs
	f(3, true) // raised
	f(3, true) // stands
}

func TestKinds(t *testing.T) {
	seen := map[Kind]bool{}
	for _, k := range Kinds() {
		if seen[k] {
			t.Errorf("%s twice", k)
		}
		seen[k] = true
		if k.fault() && (draft{c: Condition{Key: Key{Kind: k}}, r: Rule{Kind: k}}).phrases().subject == "" {
			t.Errorf("%s has no words", k)
		}
	}
}
