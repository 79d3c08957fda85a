package engine_test

import (
	"math"
	"slices"
	"testing"
	"time"

	"dryhold/internal/catalog"
	"dryhold/internal/demo"
	"dryhold/internal/engine"
	"dryhold/internal/lot"
	"dryhold/internal/room"
	"dryhold/internal/settings"
	"dryhold/internal/unit"
	"dryhold/internal/wire"
)

// TestHotWeekByFirstPrinciples plays the weeks around the hot week of Larch
// House through a whole engine, message by message, and holds exposure and
// cost of two lots of wheat (80 kJ/mol) against an integral that shares no
// code with it: air straight between readings, the core by the closed form of
// a first-order lag, the rate by math.Exp, and Simpson's rule.
func TestHotWeekByFirstPrinciples(t *testing.T) {
	cat := shipped(t)
	from, hot, end := demo.HotStart().AddDate(0, 0, -25), demo.HotStart(), demo.End()
	lots := []lot.Packing{
		{Food: "hard-wheat", Container: "pail-20l-foil", Room: demo.Cellar},
		{Food: "hard-wheat", Container: "pet-2l", Room: demo.Loft},
	}
	var changes []lot.Change
	for i, p := range lots {
		p.Count, p.NetMassKG, p.PackedAt, p.Shading, p.Treatment.Kind = 1, 1, from, lot.DarkRoom, lot.NoTreatment
		changes = append(changes, lot.Change{Kind: lot.Added, Lot: []string{"L-1", "L-2"}[i], At: from, Recorded: from, Packing: &p})
	}
	house := demo.Settings()
	e, err := engine.New(engine.Config{
		Site: house.Site, Zone: time.UTC, Catalog: cat, Rules: house.Rules, Stale: house.StaleLimit, Started: from, Lots: changes,
	})
	if err != nil {
		t.Fatal(err)
	}
	topics, err := wire.NewMap(house.Topics, nil)
	if err != nil {
		t.Fatal(err)
	}
	air, snapshots := map[string][]room.Reading{}, map[time.Time]*engine.Snapshot{}
	scenario := demo.NewScenario(1)
	for at := demo.Start(); !at.After(end); at = at.Add(demo.Interval) {
		for _, m := range scenario.Next() {
			if m.At.Before(from) {
				continue
			}
			d, errs := topics.Decode(wire.Message{Topic: "larch/" + m.Room + "/climate", Payload: m.Payload, ReceivedAt: m.At})
			if len(errs) > 0 {
				t.Fatal(errs)
			}
			if fx := e.Observe(m.At, d.Readings); len(fx.Refold) > 0 {
				t.Fatalf("readings in order ask for a refold: %+v", fx.Refold)
			}
			for _, r := range d.Readings {
				if r.Quantity == unit.Temperature {
					air[r.Room] = append(air[r.Room], r)
				}
			}
		}
		if at.Equal(hot) || at.Equal(end) {
			snapshots[at] = e.Snapshot(at)
		}
	}
	for _, c := range changes {
		p := c.Packing
		lag := container(t, cat, p.Container).Lag.Likely
		before, after := view(t, snapshots[hot], c.Lot), view(t, snapshots[end], c.Lot)
		i := slices.IndexFunc(after.Modes, func(m engine.ModeView) bool { return m.Name == after.Limiting })
		exposure := firstPrinciples(air[p.Room], hot, end, lag)
		plan := rate(e.Plan(p.Room))
		cost := (exposure - 7*plan) / plan
		f := func(what string, got, want float64) {
			t.Helper()
			if rel := math.Abs(got-want) / math.Abs(want); !(rel <= 1e-6) {
				t.Errorf("%s in the %s: %s %.12g, by first principles %.12g, relative error %.2g", p.Food, p.Room, what, got, want, rel)
			} else {
				t.Logf("%s in the %s: %s %.6g days, relative error %.2g", p.Food, p.Room, what, got, rel)
			}
		}
		f("exposure", after.Modes[i].Exposure.Likely-before.Modes[i].Exposure.Likely, exposure)
		f("cost", after.LostBeyondPlan-before.LostBeyondPlan, cost)
	}
}

// rate is the Arrhenius factor against 21 °C for 80 kJ/mol.
func rate[T ~float64](celsius T) float64 {
	const ea, gas = 80_000, 8.314462618 // J/mol, J/(mol K)
	return math.Exp(-ea / gas * (1/(float64(celsius)+273.15) - 1/294.15))
}

// firstPrinciples is the exposure of a stretch, days at 21 °C. The core
// starts at the first reading's air.
func firstPrinciples(air []room.Reading, from, to time.Time, tau float64) float64 {
	const pieces = 20 // Simpson intervals between two readings, even
	core, sum := air[0].Value, 0.0
	for i := 1; i < len(air); i++ {
		a, b := air[i-1], air[i]
		dt := b.At.Sub(a.At).Hours()
		slope := (b.Value - a.Value) / dt
		at := func(h float64) float64 { // dT/dt = (a + slope h - T)/tau
			return a.Value + slope*(h-tau) + (core-a.Value+slope*tau)*math.Exp(-h/tau)
		}
		if !a.At.Before(from) && !b.At.After(to) {
			piece := rate(at(0)) + rate(at(dt))
			for k := 1; k < pieces; k++ {
				piece += float64(2+2*(k%2)) * rate(at(dt*float64(k)/pieces))
			}
			sum += piece * dt / pieces / 3 / 24
		}
		core = at(dt)
	}
	return sum
}

func view(t *testing.T, s *engine.Snapshot, id string) engine.LotView {
	t.Helper()
	i := slices.IndexFunc(s.Lots, func(l engine.LotView) bool { return l.ID == id })
	if i < 0 {
		t.Fatalf("no lot %s", id)
	}
	return s.Lots[i]
}

func container(t *testing.T, c *catalog.Catalog, id string) catalog.Container {
	t.Helper()
	k, err := c.Container(id)
	if err != nil {
		t.Fatal(err)
	}
	return k
}

// shipped is the catalog as it ships, of which the wheat must be that of the
// test.
func shipped(t *testing.T) *catalog.Catalog {
	t.Helper()
	c, err := settings.Catalog()
	if err != nil {
		t.Fatal(err)
	}
	wheat, err := c.Food("hard-wheat")
	if err != nil || wheat.Modes[0].Ea.Likely != 80 || wheat.Modes[0].Nutrient {
		t.Fatalf("the test wants hard wheat to end by a mode of 80 kJ/mol: %+v, %v", wheat.Modes, err)
	}
	return c
}
