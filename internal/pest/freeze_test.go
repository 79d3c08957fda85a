package pest

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"dryhold/internal/reference"
	"dryhold/internal/thermal"
	"dryhold/internal/unit"
)

func treatment(t testing.TB, cycles int) FreezeHold {
	t.Helper()
	h, err := NewFreezeHold(cycles)
	if err != nil {
		t.Fatal(err)
	}
	return h
}

func frozen(t testing.TB, h FreezeHold, core unit.Celsius, hours int) FreezeHold {
	t.Helper()
	for range hours {
		var err error
		if h, err = h.Step(core, 1); err != nil {
			t.Fatal(err)
		}
	}
	return h
}

func TestFreezeTimePublished(t *testing.T) {
	rows := reference.Published(t, "frost-kill.csv")
	for _, r := range rows {
		hours, ok, err := FreezeTime(Stage(r["stage"]), unit.Celsius(r.Num(t, "celsius")))
		if err != nil || !ok {
			t.Fatalf("%t (%v)", ok, err)
		}
		near(t, r["stage"]+" "+r["celsius"]+" °C", float64(hours), r.Num(t, "hours"), 0)
	}
	if len(rows) != 5 {
		t.Errorf("%d rows, want 5", len(rows))
	}
}

// Between two rows the time is never less than a curve that falls by a
// constant factor per kelvin through both.
func TestFreezeTimeBetweenRowsIsCautious(t *testing.T) {
	for c := -19.75; c < -15; c += 0.25 {
		hours, _, err := FreezeTime(RestingLarva, unit.Celsius(c))
		if err != nil {
			t.Fatal(err)
		}
		if curve := 72 * math.Pow(24.0/72, (-15-c)/5); float64(hours) < curve {
			t.Errorf("%g °C: %g h, below the curve's %g h", c, float64(hours), curve)
		}
	}
	f := func(s Stage, core unit.Celsius, want float64) {
		t.Helper()
		hours, ok, err := FreezeTime(s, core)
		if err != nil || !ok {
			t.Fatalf("%t (%v)", ok, err)
		}
		near(t, string(s), float64(hours), want, 1e-9)
	}
	f(RestingLarva, -12.5, 300)
	f(RestingLarva, -18, 72-48*0.6)
	f(RestingLarva, -40, 24) // colder than the table counts as its end
	f(Egg, -18, 1)
	if _, ok, err := FreezeTime(Egg, -9.9); ok || err != nil {
		t.Errorf("the table is silent above -10 °C, but %t (%v)", ok, err)
	}
}

// The hardiest stage decides, and four days are the least (common practice).
func TestSpellTime(t *testing.T) {
	f := func(core unit.Celsius, want float64) {
		t.Helper()
		hours, ok, err := SpellTime(core)
		if err != nil || !ok {
			t.Fatalf("%t (%v)", ok, err)
		}
		near(t, "spell", float64(hours), want, 1e-9)
	}
	f(-10, 528)
	f(-12.5, 300)
	f(-15, 96)
	f(-18, 96)
	f(-25, 96)
	if _, ok, err := SpellTime(-9); ok || err != nil {
		t.Errorf("a spell at -9 °C: %t (%v)", ok, err)
	}
}

func TestFreezeThawCycles(t *testing.T) {
	h := frozen(t, treatment(t, 2), 10, 5) // still cooling
	h = frozen(t, h, -18, 95)
	if h.Spells != 0 || h.Phase != Freezing {
		t.Fatalf("too soon: %+v", h)
	}
	if h.Eggs < 1 {
		t.Errorf("eggs live after 95 h: %+v", h)
	}
	h = frozen(t, h, -18, 1)
	if h.Spells != 1 || h.Phase != Thawing {
		t.Fatalf("after four days: %+v", h)
	}
	h = frozen(t, h, -18, 100) // more frost is not a second spell
	h = frozen(t, h, 10, 30)   // not room temperature yet
	h = frozen(t, h, 20, 23)
	if h.Spells != 1 || h.Phase != Thawing || h.Warm != 23 {
		t.Fatalf("before a day of warmth: %+v", h)
	}
	throughJSON(t, h)
	h = frozen(t, h, 20, 1)
	if h.Phase != Freezing || h.Share != 0 {
		t.Fatalf("after a day of warmth: %+v", h)
	}
	h = frozen(t, h, 20, 200) // the second spell can wait
	if h.Resets != 0 {
		t.Errorf("waiting counted as a reset: %+v", h)
	}
	start := h.Hours
	h = frozen(t, h, -18, 96)
	if !h.Done() || h.Spells != 2 {
		t.Fatalf("after the second spell: %+v", h)
	}
	near(t, "done after", h.DoneAfter, start+96, 1e-6)
	warm := frozen(t, h, 25, 1000)
	if !warm.Done() || warm.Spells != 2 || warm.DoneAfter != h.DoneAfter {
		t.Errorf("done does not stay done: %+v", warm)
	}
	throughJSON(t, warm)
}

func TestPowerCut(t *testing.T) {
	half := frozen(t, treatment(t, 1), -18, 48)
	f := func(what string, h FreezeHold, share float64, resets int) {
		t.Helper()
		near(t, what, h.Share, share, 1e-9)
		if h.Resets != resets {
			t.Errorf("%s: %d resets, want %d", what, h.Resets, resets)
		}
	}
	f("half", half, 0.5, 0)
	f("door shut", frozen(t, half, -5, 72), 0.5, 0)
	f("just at 0 °C", frozen(t, half, 0, 1), 0.5, 0)
	f("thawed", frozen(t, half, 0.1, 3), 0, 1)
	f("back in time", frozen(t, frozen(t, half, -5, 12), -18, 24), 0.75, 0)
	missed := func(h FreezeHold, hours int) FreezeHold {
		t.Helper()
		for range hours {
			var err error
			if h, err = h.Miss(1); err != nil {
				t.Fatal(err)
			}
		}
		return h
	}
	f("sensor gone a day", missed(half, 24), 0.5, 0)
	f("sensor gone longer", missed(half, 25), 0, 1)
	f("sensor back in between", missed(frozen(t, missed(half, 24), -18, 1), 24), 49.0/96, 0)
	thaw := frozen(t, frozen(t, treatment(t, 2), -18, 96), 20, 5)
	if got := missed(thaw, 100); got.Spells != 1 || got.Warm != 5 || got.Phase != Thawing {
		t.Errorf("unknown time in the thaw: %+v", got)
	}
}

// The lag of the core: a 20 L pail of rice put into a freezer of -18 °C. By
// the air four days would do; the core needs the time to freeze through on
// top.
func TestFreezingCountsAtTheCore(t *testing.T) {
	rice := thermal.Stuff{Conductivity: 0.12, Density: 830, HeatCapacity: 1600, Film: 8}
	pail, err := rice.Can(0.145, 0.33)
	if err != nil {
		t.Fatal(err)
	}
	h := treatment(t, 1)
	hours := 0
	for ; !h.Done(); hours++ {
		if hours > 1000 {
			t.Fatal("never done")
		}
		core := -18 + unit.Celsius(39*pail.Left(unit.Hours(hours+1)))
		if h, err = h.Step(core, 1); err != nil {
			t.Fatal(err)
		}
	}
	frost, err := pail.TimeTo(21, -18, Frost)
	if err != nil {
		t.Fatal(err)
	}
	if least := 96 + int(frost); hours < least || hours > least+24 {
		t.Errorf("done after %d h, want a little more than %d h", hours, least)
	}
}

func TestFreezeRefusals(t *testing.T) {
	for _, n := range []int{0, -1, 11} {
		_, err := NewFreezeHold(n)
		refused(t, "cycles", err)
	}
	kept := frozen(t, treatment(t, 1), -18, 10)
	for _, core := range noTemperature() {
		got, err := kept.Step(core, 1)
		refused(t, "core", err)
		if got != kept {
			t.Errorf("an error changed the hold to %+v", got)
		}
		_, _, err = FreezeTime(Egg, core)
		refused(t, "core", err)
		_, _, err = SpellTime(core)
		refused(t, "core", err)
	}
	for _, h := range nonsense() {
		_, err := kept.Step(-18, h)
		refused(t, "hours", err)
		_, err = kept.Miss(h)
		refused(t, "hours", err)
	}
	_, err := FreezeHold{}.Step(-18, 1)
	refused(t, "no treatment", err)
	_, err = FreezeHold{}.Miss(1)
	refused(t, "no treatment", err)
	_, _, err = FreezeTime("pupa", -18)
	refused(t, "stage", err)
}

// Colder never needs longer, and a colder course is never behind: compared
// within one spell, since a warmer course may be in its thaw.
func TestColderNeverNeedsLonger(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		core := rapid.Float64Range(-40, -10).Draw(t, "core")
		colder := core - rapid.Float64Range(0, 19).Draw(t, "colder")
		for _, s := range Stages() {
			a, okA, errA := FreezeTime(s, unit.Celsius(core))
			b, okB, errB := FreezeTime(s, unit.Celsius(colder))
			if errA != nil || errB != nil || !okA || !okB || b > a {
				t.Fatalf("%s: %g h at %g °C, %g h at %g °C", s, float64(a), core, float64(b), colder)
			}
		}
		warmHold, coldHold := FreezeHold{Cycles: 1, Phase: Freezing}, FreezeHold{Cycles: 1, Phase: Freezing}
		for range rapid.IntRange(1, 60).Draw(t, "steps") {
			at := rapid.Float64Range(-30, 5).Draw(t, "at")
			less := at - rapid.Float64Range(0, 20).Draw(t, "less")
			hours := unit.Hours(rapid.Float64Range(0.1, 24).Draw(t, "hours"))
			var errA, errB error
			warmHold, errA = warmHold.Step(unit.Celsius(at), hours)
			coldHold, errB = coldHold.Step(unit.Celsius(less), hours)
			if errA != nil || errB != nil {
				t.Fatal(errA, errB)
			}
			if warmHold.Done() && !coldHold.Done() || !coldHold.Done() && warmHold.Share > coldHold.Share+1e-12 {
				t.Fatalf("warm %+v, cold %+v", warmHold, coldHold)
			}
		}
	})
}

func BenchmarkFreezeStep(b *testing.B) {
	h := treatment(b, 10)
	for b.Loop() {
		h, _ = h.Step(-17.3, 1)
	}
}
