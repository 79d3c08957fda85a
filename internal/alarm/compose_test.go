package alarm

import (
	"encoding/json"
	"flag"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
	_ "time/tzdata" // the golden texts need a zone wherever they run
	"unicode/utf8"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

// noon is the start of the invented spells at Larch House.
func noon() time.Time { return time.Date(2031, 7, 12, 12, 0, 0, 0, time.UTC) }

func warmRule() Rule {
	return Rule{Kind: Warm, Limit: 21, Deadband: 0.5, OnDelay: 2 * time.Hour, OffDelay: time.Hour, Priority: Medium, Stale: time.Hour}
}

func dampRule() Rule {
	return Rule{Kind: Damp, Limit: 0.60, Deadband: 0.03, OnDelay: 6 * time.Hour, OffDelay: 2 * time.Hour, Priority: Medium}
}

func brightRule() Rule {
	return Rule{Kind: Bright, Limit: 50, Deadband: 10, Priority: Low}
}

func silentRule() Rule {
	return Rule{Kind: Silent, Limit: 3600, OnDelay: 30 * time.Minute, Priority: Medium}
}

// spell is a condition after an excursion of five hours, raised at its end;
// and, for Returned, a day later.
func spell(key Key, r Rule, ev NoticeEvent, value, peak float64) Condition {
	c := Condition{
		Key: key, State: ActiveUnacknowledged, Spell: 3, Active: true,
		Since: noon(), RaisedAt: noon().Add(5 * time.Hour), Changed: noon().Add(5 * time.Hour),
		Peak: peak, PeakAt: noon().Add(4 * time.Hour),
		Value: value, ValueAt: noon().Add(5 * time.Hour),
	}
	if ev == Returned {
		c.State, c.Active = ReturnedUnack, false
		c.Changed, c.ValueAt = noon().Add(29*time.Hour), noon().Add(29*time.Hour)
	}
	return c
}

func stores() []LotCost {
	return []LotCost{
		{Lot: "salt-1", Food: "salt", Days: 0, Week: 0},
		{Lot: "white-rice-2", Food: "white rice", Days: 1.24, Week: 5.91},
		{Lot: "brown-rice-1", Food: "brown rice", Days: 2.55, Week: 11.7},
		{Lot: "oats-1", Food: "rolled oats", Days: 1.24, Week: 6.02},
		{Lot: "milk-1", Food: "nonfat dry milk", Days: 6.18, Week: 24.3},
	}
}

var update = flag.Bool("update", false, "write the golden texts anew")

// TestComposeGolden holds the texts as a keeper gets them. All data invented.
func TestComposeGolden(t *testing.T) {
	zone, err := time.LoadLocation("Europe/Vienna")
	if err != nil {
		t.Fatal(err)
	}
	f := func(name string, c Condition, r Rule, ev NoticeEvent, costs []LotCost) {
		t.Helper()
		n := Compose("Larch House", c, r, ev, c.Changed, zone, Context{Costs: costs})
		got := n.Key + "\nSubject: " + n.Subject + "\n\n" + n.Body
		path := filepath.Join("testdata", name+".txt")
		if *update {
			if err := os.WriteFile(path, []byte(got), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		want, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(string(want), got); diff != "" {
			t.Errorf("%s differs from its golden text (-want +got):\n%s", name, diff)
		}
	}
	loft, cellar := Key{Kind: Warm, Room: "loft"}, Key{Kind: Damp, Room: "cellar"}
	pantry, silent := Key{Kind: Bright, Room: "north-pantry"}, Key{Kind: Silent, Room: "loft", Sensor: "loft-1"}
	f("warm-raised", spell(loft, warmRule(), Raised, 31.4, 31.9), warmRule(), Raised, stores())
	f("warm-returned", spell(loft, warmRule(), Returned, 20.3, 33.2), warmRule(), Returned, stores())
	f("damp-raised", spell(cellar, dampRule(), Raised, 0.718, 0.72), dampRule(), Raised, nil)
	f("damp-returned", spell(cellar, dampRule(), Returned, 0.56, 0.74), dampRule(), Returned, nil)
	f("bright-raised", spell(pantry, brightRule(), Raised, 850, 1200), brightRule(), Raised, stores()[:1])
	f("bright-returned", spell(pantry, brightRule(), Returned, 3, 1200), brightRule(), Returned, stores()[:1])
	f("silent-raised", spell(silent, silentRule(), Raised, 5400, 5400), silentRule(), Raised, nil)
	f("silent-returned", spell(silent, silentRule(), Returned, 0, 93600), silentRule(), Returned, nil)

	dark := spell(loft, warmRule(), Raised, 31.4, 31.9)
	dark.Unknown, dark.Gap = true, 90*time.Minute
	costs := append(stores(), LotCost{Lot: "beans-1", Food: "dry beans", Days: math.NaN()})
	f("warm-raised-unknown", dark, warmRule(), Raised, costs)
}

func TestComposeFits(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		kind := rapid.SampledFrom(append(Kinds(), "", "x")).Draw(t, "kind")
		ev := rapid.SampledFrom([]NoticeEvent{Raised, Returned, Reminder, Escalated}).Draw(t, "event")
		number := rapid.OneOf(rapid.Float64(), rapid.SampledFrom([]float64{math.NaN(), math.Inf(1), math.Inf(-1)}))
		key := Key{Kind: kind, Room: rapid.String().Draw(t, "room"), Sensor: rapid.String().Draw(t, "sensor"), Lot: rapid.String().Draw(t, "lot of the key")}
		r := Rule{Kind: kind, Limit: rapid.Float64Range(-1e3, 1e5).Draw(t, "limit")}
		c := spell(key, r, ev, rapid.Float64Range(-60, 2e5).Draw(t, "value"), 0)
		c.Unknown = rapid.Bool().Draw(t, "unknown")
		c.Note, c.NoteBy = rapid.String().Draw(t, "note"), rapid.String().Draw(t, "by")
		costs := rapid.SliceOfN(rapid.Custom(func(t *rapid.T) LotCost {
			return LotCost{Lot: rapid.String().Draw(t, "lot"), Food: rapid.String().Draw(t, "food"), Days: number.Draw(t, "days"), Week: number.Draw(t, "week")}
		}), 0, 6).Draw(t, "costs")
		before := append([]LotCost(nil), costs...)
		n := Compose(rapid.String().Draw(t, "site"), c, r, ev, noon(), nil, Context{
			Costs: costs, Ahead: rapid.Bool().Draw(t, "ahead"), Until: noon(), Detail: rapid.String().Draw(t, "detail"),
			Food: rapid.String().Draw(t, "food of the lot"), Room: rapid.String().Draw(t, "room of the lot"),
			Advice: rapid.SliceOfN(rapid.Custom(func(t *rapid.T) Advice { return Advice{Text: rapid.String().Draw(t, "advice")} }), 0, 4).Draw(t, "all advice"),
		})

		if got := utf8.RuneCountInString(n.Subject); got > 60 || strings.ContainsAny(n.Subject, "\r\n") {
			t.Fatalf("subject of %d characters: %q", got, n.Subject)
		}
		for line := range strings.SplitSeq(n.Body, "\n") {
			if got := utf8.RuneCountInString(line); got >= 78 {
				t.Fatalf("line of %d characters: %q", got, line)
			}
		}
		if !strings.Contains(n.Body, "never a statement of safety") {
			t.Fatalf("no caution in %q", n.Body)
		}
		if c.Unknown && kind != Silent && kind != CalibrationDue && kind != HoldComplete && !strings.Contains(n.Body, "NOT KNOWN") {
			t.Fatalf("an unknown value is passed off as known in %q", n.Body)
		}
		if _, err := json.Marshal(n); err != nil {
			t.Fatalf("notice has no JSON: %v", err)
		}
		for i := range costs {
			if costs[i].Lot != before[i].Lot {
				t.Fatal("Compose changed the caller's costs")
			}
		}
	})
}

func TestComposeSubject(t *testing.T) {
	f := func(room string, value float64, costs []LotCost, want string) {
		t.Helper()
		c := spell(Key{Kind: Warm, Room: room}, warmRule(), Raised, value, value)
		if got := Compose("Larch House", c, warmRule(), Raised, noon(), nil, Context{Costs: costs}).Subject; got != want {
			t.Errorf("got %q, want %q", got, want)
		}
	}
	f("loft", 31.4, stores(), "Loft too warm: 31.4 °C, up to 6.2 days of life lost")
	f("loft", 31.4, nil, "Loft too warm: 31.4 °C")
	f("loft", 31.4, []LotCost{{Lot: "a", Days: 0.02, Week: 0.3}}, "Loft too warm: 31.4 °C, up to 0.3 days of life a week")
	f("loft", 31.4, []LotCost{{Lot: "a", Days: 0.02, Week: 0.03}}, "Loft too warm: 31.4 °C")
	f("the-long-corridor-beside-the-kitchen", 31.4, stores(), "The long corridor beside the kitchen too warm: 31.4 °C")
	f("the-very-long-corridor-beside-the-old-summer-kitchen", 31.4, nil, "The very long corridor beside the old sum… too warm: 31.4 °C")
}

func TestSpan(t *testing.T) {
	f := func(d time.Duration, want string) {
		t.Helper()
		if got := span(d); got != want {
			t.Errorf("span(%v) = %q, want %q", d, got, want)
		}
	}
	f(-time.Second, "0 s")
	f(59*time.Second+900*time.Millisecond, "59 s")
	f(time.Minute, "1 min")
	f(60*time.Minute, "1 h")
	f(130*time.Minute, "2 h 10 min")
	f(24*time.Hour, "1 day")
	f(26*time.Hour+5*time.Minute, "1 day 2 h")
	f(49*time.Hour, "2 days 1 h")
}
