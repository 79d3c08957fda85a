package main

import (
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"dryhold/internal/barrier"
	"dryhold/internal/engine"
	"dryhold/internal/lot"
	"dryhold/internal/web"
)

// Larch House and all that is stored in it are invented.

func between(low, likely, high float64) engine.Estimate {
	return engine.Estimate{Low: low, Likely: likely, High: high}
}

func day(y int, m time.Month) time.Time { return time.Date(y, m, 14, 12, 0, 0, 0, time.UTC) }

// oats is a lot of which everything can be said.
func oats() engine.LotView {
	failed := barrier.Failed
	return engine.LotView{
		Lot: lot.Lot{ID: "L-1", Seal: barrier.Failed, Stays: []lot.Stay{{Room: "north-pantry", From: day(2026, 3)}},
			Packing: lot.Packing{Food: "rolled-oats", PackedAt: day(2026, 3), Count: 4, NetMassKG: 0.8, Shading: lot.OpenShelf, Room: "north-pantry",
				Treatment: lot.Treatment{Kind: lot.Absorber, CapacityCM3: 100}, MoistureWB: 0.13, Note: "from the mill"},
			Notes: []lot.Note{{At: day(2026, 5), Seal: &failed, Text: "hisses", By: "Ada"}}},
		FoodName: "Rolled oats, not of the quick kind", ContainerName: "PET bottle, 2 L", AsOf: day(2026, 7),
		Caution: "Contains gluten.", Warnings: []string{"Water activity 0.62 is past the amber line of 0.60: mould comes next.", "The seal leaks: repack it or eat it first."},
		Remaining: between(-4.2, -0.95, 0.68), Limiting: "rancidity", LostBeyondPlan: 12.5, EstimatedDays: 1.5, UnknownDays: 0.5,
		EndEarly: day(2026, 11), End: day(2027, 3), EndLate: day(2028, 3), EndBy: "rancidity",
		PlanEarly: day(2027, 11), EndAtPlan: day(2028, 3), PlanLate: day(2029, 3), PlanBy: "staling",
		Moisture: engine.MoistureView{WetBasis: between(0.12, 0.13, 0.14), Activity: between(0.58, 0.62, 0.66), Limit: "mould",
			Amber: engine.Passing{Level: 0.6, Past: true}, Red: engine.Passing{Level: 0.65, At: day(2027, 9), Early: day(2027, 2), Late: day(2029, 2)}},
		Oxygen: engine.OxygenView{Words: "18 % oxygen", Note: "absorber too small: 100 of 462 cm3", Fraction: between(0.17, 0.176, 0.209), Enclosed: 461.75,
			Spent: engine.Passing{Past: true}, Rises: []engine.Passing{{Level: 0.01, Past: true}, {Level: 0.05}}, SealFailure: between(1, 1, 1)},
		Insects: &engine.InsectView{Words: "low-oxygen hold 0 % complete", Species: "Plodia interpunctella", Generations: between(2, 2.9, 3.9), UnknownDays: 0.5},
		Viable:  &engine.Estimate{Low: 0.61, Likely: 0.74, High: 0.82}, LightDose: 73_779.6,
		Modes: []engine.ModeView{
			{Name: "rancidity", Consumed: between(0.32, 1.95, 5.2), Exposure: between(220, 223, 228), Water: 1.5, Oxygen: 0.84, Light: 0.021},
			{Name: "thiamin", Nutrient: true, Consumed: between(0.03, 0.05, 0.08), Exposure: between(216, 218, 222),
				Retention: &engine.Estimate{Low: 0.929, Likely: 0.955, High: 0.973}, Water: 1.6, Oxygen: 1},
		},
	}
}

func wants(t *testing.T, got string, want ...string) {
	t.Helper()
	flat := strings.Join(strings.Fields(got), " ")
	for _, w := range want {
		if !strings.Contains(flat, w) {
			t.Errorf("no %q in:\n%s", w, got)
		}
	}
}

func fits(t *testing.T, got string) {
	t.Helper()
	for line := range strings.Lines(got) {
		if n := utf8.RuneCountInString(strings.TrimRight(line, "\n")); n > screen {
			t.Errorf("%d characters, at most %d wanted: %s", n, screen, line)
		}
		if strings.TrimRight(line, " \n") != strings.TrimSuffix(line, "\n") {
			t.Errorf("spaces at the end of %q", line)
		}
	}
}

func TestShowSaysEverything(t *testing.T) {
	var b strings.Builder
	if err := printLot(&b, oats()); err != nil {
		t.Fatal(err)
	}
	fits(t, b.String())
	if !strings.HasPrefix(b.String(), "!! warning ") {
		t.Errorf("warnings come first:\n%s", b.String())
	}
	wants(t, b.String(), "!! warning The seal leaks: repack it or eat it first.", "moisture at packing 13 % of wet mass", "absorber of 100 cm3 in each container",
		"seal failed, noted for 2026-05-14; of such containers 100.0 % leak", "stands in north-pantry since 2026-03-14",
		"quality left -95.0 % (-420.0 to 68.0 %), limited by rancidity", "projected end 2027-03, 2026-11 to 2028-03, by rancidity, under the forecast of its room", "end at plan 2028-03, 2027-11 to 2029-03, by staling, if kept at plan",
		"lost to heat 12.5 days of life beyond plan", "1.5 days estimated, 0.5 days unknown",
		"rancidity 195.0 % (32.0 to 520.0 %) of its life spent; 223.0 (220.0 to 228.0) equivalent days at 21 °C, water x 1.5, oxygen x 0.84, light 2.1 %",
		"thiamin 95.5 % (92.9 to 97.3 %) kept; nutrient, ends no lot", "moisture 13.0 % (12.0 to 14.0 %) of wet mass",
		"water activity 0.62 (0.58 to 0.66): ! past amber 0.60, red is 0.65", "amber 0.6: passed", "red 0.65: Sep 2027; Feb 2027 to Feb 2029; then: mould",
		"oxygen 18 % (17 to 21 %): ! 18 % oxygen in spite of an absorber", "462 cm3 in each container (absorber too small: 100 of 462 cm3)",
		"absorber spent rises past 1 % passed", "rises past 5 % not in sight", "insects !! low-oxygen hold 0 % complete; 2.9 generations possible",
		"Plodia interpunctella 2.9 (2.0 to 3.9) generations", "0.5 days not known", "seed that sprouts 74.0 % (61.0 to 82.0 %)", "light received 73780 lux hours",
		"note from the mill", "seen 2026-05-14, seal failed: hisses (Ada)", "caution Contains gluten.", "Quality is not safety")
}

// TestListFitsTheScreen with all that is long.
func TestListFitsTheScreen(t *testing.T) {
	l := oats()
	l.ID, l.Stays[0].Room = "L-1234", "the-room-behind-the-stairs"
	dry := oats()
	dry.ID, dry.Warnings, dry.Packing.Treatment, dry.Oxygen.Fraction = "L-2", nil, lot.Treatment{}, between(0, 0, 0.2)
	dry.EndEarly, dry.End, dry.EndLate = day(2074, 1), time.Time{}, time.Time{}
	dry.Moisture.Amber.Past, dry.Moisture.Activity = false, between(0.3, 0.35, 0.4)
	var b strings.Builder
	lots := []engine.LotView{l, dry, {Lot: lot.Lot{ID: "L-3", Stays: l.Stays}}}
	if err := printLots(&b, lots, 0); err != nil {
		t.Fatal(err)
	}
	if err := printWarnings(&b, lots); err != nil {
		t.Fatal(err)
	}
	fits(t, b.String())
	wants(t, b.String(), "L-1234 Rolled oats, no… the-room-… -95 % <-100 to 68 2027-03, 2026-11 to 2028-03 0.62 ! 18 %",
		">2126, 2074 to >2126 0.35 ? <0.1 %", // the humidity of its room is not known
		"!! L-1234 Rolled oats, not of the quick kind: The seal leaks: repack it or eat it first.")
	if strings.Contains(b.String(), "L-2 Rolled oats, not of") {
		t.Errorf("a warning of a lot that has none:\n%s", b.String())
	}
}

func TestStatusShowsWarningsAndMould(t *testing.T) {
	snap := &engine.Snapshot{Site: "Larch House", At: day(2026, 7), Lots: []engine.LotView{oats()}, Rooms: []engine.RoomView{
		{Name: "north-pantry", Temperature: engine.Value{Known: true, Value: 20, At: day(2026, 7)}, Humidity: engine.Value{Known: true, Value: 0.9, At: day(2026, 7)},
			Mould: []engine.MouldView{{Surface: "wood shelves", Index: 3.2, Peak: 3.2, Words: "growth seen by eye"}}, GrowthNow: "1 to 2 mm a day on a dirty surface"},
		{Name: "loft"},
	}}
	var b strings.Builder
	if err := printStatus(&b, web.StatusAnswer{Snapshot: snap}); err != nil {
		t.Fatal(err)
	}
	fits(t, b.String())
	wants(t, b.String(), "north-pantry wood shelves 3.2 !! growth seen by eye", "north-pantry second opinion 1 to 2 mm a day on a dirty surface",
		"loft all surfaces not known ? no humidity", "loft second opinion not known, temperature and humidity are wanted", engine.MouldCaveat,
		"!! L-1 Rolled oats, not of the quick kind: Water activity 0.62 is past the amber line of 0.60: mould comes next.")
}

// TestEndsAreShown: an end that is too far to tell is no date.
func TestEndsAreShown(t *testing.T) {
	f := func(end, finished time.Time, want string, never ...string) {
		t.Helper()
		l := oats()
		l.EndEarly, l.End, l.EndLate, l.FinishedAt = end, end, end, finished
		var one, all strings.Builder
		if err := printLot(&one, l); err != nil {
			t.Fatal(err)
		}
		if err := printLots(&all, []engine.LotView{l}, 0); err != nil {
			t.Fatal(err)
		}
		for _, got := range []string{one.String(), all.String()} {
			if !strings.Contains(strings.ReplaceAll(got, "beyond ", ">"), want) {
				t.Errorf("no %q in:\n%s", want, got)
			}
			for _, no := range append(never, "0001-01") {
				if strings.Contains(got, no) {
					t.Errorf("%q in:\n%s", no, got)
				}
			}
		}
	}
	f(day(2041, 5), time.Time{}, "2041")
	f(day(2027, 5), time.Time{}, "2027-05")
	f(time.Time{}, time.Time{}, ">2126")
	f(time.Time{}, day(2041, 5), "2041-05-14", "2126")
}

func TestUnknownLotIsShown(t *testing.T) {
	var b strings.Builder
	if err := printLot(&b, engine.LotView{Lot: lot.Lot{ID: "L-1"}}); err != nil {
		t.Fatal(err)
	}
	wants(t, b.String(), "projected end not known", "end at plan not known")
	if strings.Contains(b.String(), "water activity") {
		t.Errorf("says what is inside of a lot that was never worked out:\n%s", b.String())
	}
}
