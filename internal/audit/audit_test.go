package audit

import (
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"dryhold/internal/barrier"
	"dryhold/internal/lot"
	"dryhold/internal/sensor"
	"dryhold/internal/unit"
)

var noon = time.Date(2026, 7, 14, 12, 0, 0, 0, time.UTC)

func of(q unit.Quantity) *unit.Quantity { return &q }

// Larch House and all that is done in it are invented.
func TestLots(t *testing.T) {
	holds, leaks := barrier.Verified, barrier.Failed
	changes := []lot.Change{
		{Kind: lot.Added, Lot: "L-1", At: noon, Recorded: noon, By: "Ada", Packing: &lot.Packing{Food: "white-rice", Container: "pet-2l", Count: 12, NetMassKG: 1.6, Room: "cellar", PackedAt: noon, Note: "from the mill"}},
		{Kind: lot.Noted, Lot: "L-1", At: noon, Recorded: noon.Add(1), By: "Ada", Seal: &holds, Note: "buckled in"},
		{Kind: lot.Noted, Lot: "L-1", At: noon.Add(time.Hour), Recorded: noon.Add(2), By: "Bea", Seal: &leaks},
		{Kind: lot.Noted, Lot: "L-1", At: noon.Add(time.Hour), Recorded: noon.Add(3), By: "Bea", Note: "label faded"},
		{Kind: lot.Moved, Lot: "L-1", At: noon.Add(2 * time.Hour), Recorded: noon.Add(4), By: "Bea", Room: "loft"},
		{Kind: lot.Ended, Lot: "L-1", At: noon.Add(3 * time.Hour), Recorded: noon.Add(5), By: "Ada", Note: "eaten"},
		{Kind: lot.Moved, Lot: "L-9", At: noon, Recorded: noon, Room: "loft"}, // of a lot that is not there
	}
	want := []Act{
		{At: noon, By: "Ada", What: "packed 12 x 1.6 kg of white-rice in pet-2l, in cellar", Why: "from the mill"},
		{At: noon, By: "Ada", What: "noted, seal verified", Why: "buckled in", Old: "seal assumed"},
		{At: noon.Add(time.Hour), By: "Bea", What: "noted, seal failed", Old: "seal verified"},
		{At: noon.Add(time.Hour), By: "Bea", What: "noted", Why: "label faded"},
		{At: noon.Add(2 * time.Hour), By: "Bea", What: "moved to loft", Old: "in cellar"},
		{At: noon.Add(3 * time.Hour), By: "Ada", What: "finished", Why: "eaten", Old: "in loft"},
		{At: noon, What: "moved to loft"},
	}
	for i := range want {
		want[i].Told, want[i].Kind, want[i].Of = changes[i].Recorded, Lot, changes[i].Lot
	}
	if d := cmp.Diff(want, Lots(changes)); d != "" {
		t.Errorf("(-want +got):\n%s", d)
	}
}

func TestSensors(t *testing.T) {
	at := func(days int) time.Time { return noon.AddDate(0, 0, days) }
	changes := []sensor.Change{
		{Kind: sensor.Calibrated, Room: "cellar", Sensor: "c-1", Quantity: of(unit.Temperature), From: at(0), Gain: 1, Offset: -0.3, Due: at(365), By: "Ada"},
		{Kind: sensor.Calibrated, Room: "cellar", Sensor: "c-1", Quantity: of(unit.Humidity), From: at(0), Gain: 1.02, Offset: 0.01, By: "Ada"},
		{Kind: sensor.Calibrated, Room: "loft", Sensor: "c-1", Quantity: of(unit.Temperature), From: at(0), Gain: 1},
		{Kind: sensor.Calibrated, Room: "cellar", Sensor: "c-1", Quantity: of(unit.Temperature), From: at(10), Gain: 1, Offset: 0.5},
		{Kind: sensor.Voided, Room: "cellar", Sensor: "c-1", From: at(1), To: at(2), Note: "stood in the sun"},
		{Kind: sensor.Corrected, Room: "cellar", Sensor: "c-1", Quantity: of(unit.Temperature), From: at(1), To: at(2), Gain: 1, Offset: 1, Note: "hung by the stove"},
		{Kind: sensor.Revoked, Revokes: 5, Note: "it did not"},
		{Kind: sensor.Calibrated, Room: "cellar", Sensor: "c-1", Quantity: of(unit.Temperature), From: at(5), Gain: 1},
		{Kind: sensor.Revoked, Revokes: 4, Note: "a slip"},
		{Kind: sensor.Calibrated, Room: "cellar", Sensor: "c-1", Quantity: of(unit.Temperature), From: at(12), Gain: 1},
		{Kind: sensor.Swapped, Room: "cellar", Sensor: "c-1", From: at(20)},
		{Kind: sensor.Calibrated, Room: "cellar", Sensor: "c-1", Quantity: of(unit.Temperature), From: at(21), Gain: 1},
		{Kind: sensor.Swapped, Room: "cellar", Sensor: "c-1", New: "c-2", From: at(22)},
		{Kind: sensor.Revoked, Revokes: 99, Note: "of nothing"},
		{Kind: sensor.Placed, Room: "cellar", Sensor: "c-2", Place: "top shelf", From: at(30), To: at(37)},
		{Kind: sensor.Placed, Room: "cellar", Sensor: "c-2", Place: "floor", In: "loft", From: at(37)},
		{Kind: sensor.Placed, Room: "cellar", Sensor: "c-2", From: at(44)},
	}
	for i := range changes {
		changes[i].Seq, changes[i].Recorded = i+1, at(100+i)
	}
	want := []Act{
		{At: at(0), By: "Ada", What: "calibrated temperature: value - 0.3 K, due again 2027-07-14", Old: "not calibrated"},
		{At: at(0), By: "Ada", What: "calibrated humidity: 1.02 x value + 1 %, with no date to do so again", Old: "not calibrated"},
		{At: at(0), Of: "loft/c-1", What: "calibrated temperature: value + 0 K, with no date to do so again", Old: "not calibrated"},
		{At: at(10), What: "calibrated temperature: value + 0.5 K, with no date to do so again", Old: "value - 0.3 K"},
		{At: at(1), What: "voided everything it measures until 2026-07-16T12:00:00Z", Why: "stood in the sun"},
		{At: at(1), What: "corrected temperature until 2026-07-16T12:00:00Z: value + 1 K", Why: "hung by the stove"},
		{At: at(106), What: "revoked change 5", Why: "it did not", Old: "voided everything it measures until 2026-07-16T12:00:00Z"},
		{At: at(5), What: "calibrated temperature: value + 0 K, with no date to do so again", Old: "value - 0.3 K"}, // told later, of a time before
		{At: at(108), What: "revoked change 4", Why: "a slip", Old: "calibrated temperature: value + 0.5 K, with no date to do so again"},
		{At: at(12), What: "calibrated temperature: value + 0 K, with no date to do so again", Old: "value + 0 K"},
		{At: at(20), What: "swapped for another device of the same name"},
		{At: at(21), What: "calibrated temperature: value + 0 K, with no date to do so again", Old: "not calibrated"},
		{At: at(22), What: "swapped for c-2"},
		{At: at(113), Of: "/", What: "revoked change 99", Why: "of nothing"},
		{At: at(30), Of: "cellar/c-2", What: `placed at "top shelf" until 2026-08-20T12:00:00Z`},
		{At: at(37), Of: "cellar/c-2", What: `placed in loft at "floor"`},
		{At: at(44), Of: "cellar/c-2", What: "back in its place"},
	}
	for i := range want {
		want[i].Told, want[i].Kind, want[i].Change = changes[i].Recorded, Sensor, i+1
		if want[i].Of == "" {
			want[i].Of = "cellar/c-1"
		}
	}
	if d := cmp.Diff(want, Sensors(changes)); d != "" {
		t.Errorf("(-want +got):\n%s", d)
	}
}

func TestLine(t *testing.T) {
	f := func(q unit.Quantity, gain, offset float64, want string) {
		t.Helper()
		if got := Line(q, gain, offset); got != want {
			t.Errorf("%v %v %v: %q, want %q", q, gain, offset, got, want)
		}
	}
	f(unit.Temperature, 1, -0.3, "value - 0.3 K")
	f(unit.Temperature, 1, 0, "value + 0 K")
	f(unit.Temperature, 1, -1.0/6, "value - 0.166667 K")
	f(unit.Humidity, 1.05, -0.02, "1.05 x value - 2 %")
	f(unit.Illuminance, 0.9, 12, "0.9 x value + 12 lx")
	f(unit.Link, 1, -3, "value - 3 dBm")
}

// Whatever was told when, the list is the newest of all of it, newest first,
// and of acts told at one instant the later one of its kind comes first.
func TestNewest(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var lists [][]Act
		total, n := 0, 0
		since := noon.Add(time.Duration(rapid.IntRange(0, 8).Draw(t, "since")) * time.Minute)
		for range 3 {
			var list []Act
			for range rapid.IntRange(0, 6).Draw(t, "acts") {
				n++
				a := Act{Told: noon.Add(time.Duration(rapid.IntRange(0, 8).Draw(t, "minute")) * time.Minute), Change: n}
				list = append(list, a)
				if !a.Told.Before(since) {
					total++
				}
			}
			slices.SortStableFunc(list, func(a, b Act) int { return a.Told.Compare(b.Told) })
			lists = append(lists, list)
		}
		limit := rapid.IntRange(-1, 20).Draw(t, "limit")
		got := Newest(Filter{Since: since}, limit, lists...)
		if len(got) != min(total, max(0, limit)) {
			t.Fatalf("%d acts of %d, limit %d", len(got), total, limit)
		}
		all := Newest(Filter{}, n, lists...)
		if !slices.Equal(got, all[:len(got)]) {
			t.Fatalf("the newest %v are not the first of all %v", got, all)
		}
		for i := 1; i < len(all); i++ {
			if all[i].Told.After(all[i-1].Told) {
				t.Fatalf("%v comes after %v", all[i], all[i-1])
			}
		}
		for _, list := range lists {
			var order []Act
			for _, a := range all {
				if slices.Contains(list, a) {
					order = append(order, a)
				}
			}
			slices.Reverse(order)
			if !slices.Equal(order, list) {
				t.Fatalf("acts of one kind stand as %v, told as %v", order, list)
			}
		}
	})
}
