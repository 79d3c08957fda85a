package demo_test

import (
	"bytes"
	"context"
	"errors"
	"log/slog"
	"math"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"dryhold/internal/catalog"
	"dryhold/internal/demo"
	"dryhold/internal/engine"
	"dryhold/internal/kinetics"
	"dryhold/internal/lot"
	"dryhold/internal/room"
	"dryhold/internal/settings"
	"dryhold/internal/unit"
	"dryhold/internal/wire"
)

func shipped(t *testing.T) *catalog.Catalog {
	t.Helper()
	c, err := settings.Catalog()
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// readings are those of the scenario from an instant to its end.
func readings(t *testing.T, from time.Time) []room.Reading {
	t.Helper()
	m, err := wire.NewMap(demo.Settings().Topics, nil)
	if err != nil {
		t.Fatal(err)
	}
	var out []room.Reading
	s := demo.NewScenario(1)
	for at := demo.Start(); at.Before(demo.End()); at = at.Add(demo.Interval) {
		for _, x := range s.Next() {
			if x.At.Before(from) {
				continue
			}
			d, errs := m.Decode(wire.Message{Topic: "larch/" + x.Room + "/climate", Payload: x.Payload, ReceivedAt: x.At})
			if len(errs) > 0 {
				t.Fatal(errs)
			}
			out = append(out, d.Readings...)
		}
	}
	return out
}

// TestHotWeekCostsWhatIndependentIntegrationSays takes the readings of the
// hot week through the whole engine and, beside it, through a plain
// integration of its own: air straight between readings, the core by tiny
// exact steps, the factor by math.Exp.
func TestHotWeekCostsWhatIndependentIntegrationSays(t *testing.T) {
	const ea, lag = 80.0, 3.84 // pasta in a 4 L jug: its likely activation energy and lag
	cat := shipped(t)
	food, err := cat.Food("pasta")
	if err != nil {
		t.Fatal(err)
	}
	jug, err := cat.Container("pet-4l")
	if err != nil {
		t.Fatal(err)
	}
	mode := slices.IndexFunc(food.Modes, func(m catalog.Mode) bool { return m.Ea.Likely == ea && !m.Nutrient })
	if mode < 0 || jug.Lag.Likely != lag {
		t.Fatal("the catalog has changed: choose a lot with 80 kJ/mol")
	}
	from := demo.HotStart().AddDate(0, 0, -2)
	cfg := demo.Settings()
	e, err := engine.New(engine.Config{
		Site: cfg.Site, Zone: time.UTC, Catalog: cat, Rules: cfg.Rules, Stale: cfg.StaleLimit, Started: from,
		Lots: []lot.Change{{Kind: lot.Added, Lot: "L-1", At: from, Recorded: from, Packing: &lot.Packing{
			Food: "pasta", Container: "pet-4l", Count: 1, NetMassKG: 2, PackedAt: from, Room: demo.Loft,
			Treatment: lot.Treatment{Kind: lot.NoTreatment}, Shading: lot.Boxed,
		}}},
	})
	if err != nil {
		t.Fatal(err)
	}
	var air []room.Reading
	var before *engine.Snapshot
	for _, r := range readings(t, from) {
		if before == nil && r.At.After(demo.HotStart()) {
			before = e.Snapshot(demo.HotStart())
		}
		if fx := e.Observe(r.At, []room.Reading{r}); len(fx.Refold) > 0 {
			t.Fatalf("readings in order ask for a refold: %+v", fx.Refold)
		}
		if r.Room == demo.Loft && r.Quantity == unit.Temperature {
			air = append(air, r)
		}
	}
	after := e.Snapshot(air[len(air)-1].At)
	end := after.Lots[0].AsOf // the last whole hour

	plan := 24.0 // the loft's warm limit
	factor := func(c float64) float64 { return kinetics.AccelerationFactor(ea, unit.Celsius(c), room.Reference) }
	exposure := plain(air, demo.HotStart(), end, lag, factor)
	days := end.Sub(demo.HotStart()).Hours() / 24
	cost := (exposure - days*factor(plan)) / factor(plan)
	near := func(what string, got, want float64) {
		t.Helper()
		if math.Abs(got-want) > 1e-6*math.Abs(want) {
			t.Errorf("%s: %.10g, independently %.10g, relative error %.2g", what, got, want, math.Abs(got/want-1))
		}
	}
	near("exposure, d at 21 °C", after.Lots[0].Modes[mode].Exposure.Likely-before.Lots[0].Modes[mode].Exposure.Likely, exposure)
	if after.Lots[0].Limiting == food.Modes[mode].Name {
		near("cost, days of life", after.Lots[0].LostBeyondPlan-before.Lots[0].LostBeyondPlan, cost)
	} else {
		t.Errorf("limited by %s, not by the mode of 80 kJ/mol", after.Lots[0].Limiting)
	}
}

// plain integrates from one instant to another, with steps of two seconds.
func plain(air []room.Reading, from, to time.Time, lag float64, factor func(float64) float64) float64 {
	core, sum := air[0].Value, 0.0
	for i := 1; i < len(air) && air[i-1].At.Before(to); i++ {
		a, b := air[i-1], air[i]
		if b.At.After(to) {
			b.Value = a.Value + (b.Value-a.Value)*to.Sub(a.At).Hours()/b.At.Sub(a.At).Hours()
			b.At = to
		}
		hours := b.At.Sub(a.At).Hours()
		n := int(math.Ceil(hours * 1800))
		decay := math.Exp(-hours / float64(n) / lag)
		for k := range n {
			mid := a.Value + (b.Value-a.Value)*(float64(k)+0.5)/float64(n)
			next := mid + (core-mid)*decay
			if !a.At.Before(from) {
				sum += factor((core+next)/2) * hours / float64(n) / 24
			}
			core = next
		}
	}
	return sum
}

func TestScenarioIsTheSameForASeed(t *testing.T) {
	a, b, c := demo.NewScenario(7), demo.NewScenario(7), demo.NewScenario(8)
	differs := false
	for range 1000 {
		x, y, z := a.Next(), b.Next(), c.Next()
		for i := range x {
			if !bytes.Equal(x[i].Payload, y[i].Payload) {
				t.Fatalf("the same seed gives %s and %s", x[i].Payload, y[i].Payload)
			}
			differs = differs || !bytes.Equal(x[i].Payload, z[i].Payload)
		}
	}
	if !differs {
		t.Error("another seed gives the same weather")
	}
}

// TestDemo reads what the whole demonstration said, played as fast as it goes.
func TestDemo(t *testing.T) {
	y := played()
	if y.err != nil {
		t.Fatalf("%v\n%s", y.err, y.said)
	}
	if y.said == "" {
		t.Skip("the year was played before (" + yearEnv + ")")
	}
	t.Logf("played in %v", y.took)
	text := y.said
	for _, want := range []string{"invented", "Loft: sensor loft silent", "Cellar too damp", "Loft too warm", "Loft cool again", "Quality is not safety"} {
		if !strings.Contains(text, want) {
			t.Errorf("the demo does not say %q", want)
		}
	}
	left, lost := map[string]float64{}, map[string]float64{}
	for line := range strings.Lines(text[strings.Index(text, "After the hot week:"):]) {
		f := strings.Fields(line)
		if len(f) < 8 || !strings.HasPrefix(f[0], "L-") {
			continue
		}
		food := f[1] + " " + f[2]
		for _, where := range []string{demo.Cellar, demo.Loft, demo.Pantry} {
			if slices.Contains(f, where) {
				left[food+" "+where] = number(t, f[len(f)-4])
				lost[food+" "+where] = number(t, f[len(f)-2])
			}
		}
	}
	for _, where := range []string{demo.Cellar, demo.Loft} {
		if brown, white := left["Brown rice "+where], left["White rice, "+where]; !(brown < white-20) {
			t.Errorf("in the %s brown rice has %.1f %% left and white rice %.1f %%", where, brown, white)
		}
	}
	if loft, cellar := lost["White rice, loft"], lost["White rice, cellar"]; !(loft > cellar && loft > 1) {
		t.Errorf("the hot week cost white rice %.1f days in the loft and %.1f in the cellar", loft, cellar)
	}
}

// Interrupted in the middle, a demo without a directory of its own leaves
// nothing behind.
func TestDemoLeavesNothing(t *testing.T) {
	tmp := t.TempDir()
	t.Setenv("TMPDIR", tmp)
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	made := 0
	out := stopper(func(text []byte) {
		if bytes.Contains(text, []byte("readings")) { // the first line of progress
			rest, _ := os.ReadDir(tmp)
			made = len(rest)
			cancel()
		}
	})
	err := demo.Run(ctx, demo.Options{Catalog: shipped(t), Version: "test", Out: out, Log: slog.New(slog.DiscardHandler), Seed: 1})
	if !errors.Is(err, context.Canceled) {
		t.Errorf("interrupted: %v", err)
	}
	if rest, err := os.ReadDir(tmp); err != nil || len(rest) > 0 || made == 0 {
		t.Errorf("made %d, left behind: %v %v", made, rest, err)
	}
}

// stopper sees what is written.
type stopper func(text []byte)

func (s stopper) Write(text []byte) (int, error) {
	s(text)
	return len(text), nil
}

func number(t *testing.T, s string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}
