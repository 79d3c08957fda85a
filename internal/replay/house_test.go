package replay_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"dryhold/internal/catalog"
	"dryhold/internal/climate"
	"dryhold/internal/engine"
	"dryhold/internal/lot"
	"dryhold/internal/room"
	"dryhold/internal/scenario"
	"dryhold/internal/settings"
	"dryhold/internal/unit"
)

// Larch House, its weather and all that is stored in it are invented.

// rooms of the house with their limits.
const house = `
site: Larch House
zone: Europe/Berlin
rooms:
  - {name: cellar, limits: {warm: 18 C, damp: 65 %}}
  - {name: north-pantry}
  - {name: loft, limits: {warm: {limit: 27 C, on_delay: 4h}, damp: 65 %}}
  - {name: garden, limits: {warm: off, damp: off, bright: off}}
outdoor: garden
mail: {host: localhost, tls: none, from: hearth@larch.example, to: [mara@larch.example]}
`

func parsed(t testing.TB) (*settings.Settings, *catalog.Catalog) {
	t.Helper()
	s, err := settings.Parse("house.yaml", []byte(house))
	if err != nil {
		t.Fatal(err)
	}
	c, err := settings.Catalog()
	if err != nil {
		t.Fatal(err)
	}
	return s, c
}

// weather is the air outdoors and in the rooms, by the quarter of an hour.
type weather struct {
	from                                   time.Time
	outdoor, cellar, northPantry, loft     []float64 // °C
	dampGarden, dampCellar, damp, dampLoft []float64 // fractions
}

const quarter = 15 * time.Minute

// makeWeather plays the weather outdoors, a season, a day and what an AR(1) of
// three days adds, through rooms of first order (models, section 11: x += (1 -
// exp(-dt/tau)) (u - x)): a loft of 6 h under the sun, a pantry of 48 h, and a
// cellar that goes by the ground. heat is added outdoors, K.
func makeWeather(from, to time.Time, seed uint64, heat func(at time.Time) float64) *weather {
	rng := rand.New(rand.NewPCG(seed, 1))
	w := &weather{from: from}
	n := int(to.Sub(from)/quarter) + 1
	relax := func(x, u, tau float64) float64 { return x + (1-math.Exp(-quarter.Hours()/tau))*(u-x) }
	slow, loft, pantry, odd := 0.0, 0.0, 0.0, 0.0
	for i := range n {
		at := from.Add(time.Duration(i) * quarter)
		season := math.Cos(2 * math.Pi * float64(at.YearDay()-200) / 365.25)
		hour := at.Sub(at.Truncate(24 * time.Hour)).Hours()
		a := math.Exp(-quarter.Hours() / 72)
		odd = a*odd + math.Sqrt(1-a*a)*2.5*rng.NormFloat64()
		out := 9.5 + 8.5*season + (3+1.5*season)*math.Cos(2*math.Pi*(hour-14)/24) + odd + heat(at)
		sun := max(0, math.Sin(math.Pi*(hour-4)/15)) * (0.6 + 0.4*season)
		if i == 0 {
			slow, loft, pantry = out, out+3, 14+0.3*out
		}
		slow = relax(slow, out, 40*24)
		loft = relax(loft, out+1.5+3*sun, 6)
		pantry = relax(pantry, 13.5+0.32*out, 48)
		cellar := 10 + 0.25*slow + 0.03*(out-slow)
		dew := min(out-1, 4+6*season+0.3*odd)
		vapour := float64(climate.VapourPressure(unit.Celsius(dew), 1))
		rh := func(t, more, most float64) float64 {
			return min(most, (vapour+more)/float64(climate.VapourPressure(unit.Celsius(t), 1)))
		}
		w.outdoor, w.dampGarden = append(w.outdoor, out), append(w.dampGarden, rh(out, 0, 0.97))
		w.cellar, w.northPantry, w.loft = append(w.cellar, cellar), append(w.northPantry, pantry), append(w.loft, loft)
		w.dampCellar = append(w.dampCellar, rh(cellar, 60, 0.59))
		w.damp = append(w.damp, rh(pantry, 120, 0.58))
		w.dampLoft = append(w.dampLoft, rh(loft, 50, 0.62))
	}
	return w
}

// course is a value of the weather over time.
type course struct {
	from   time.Time
	values []float64
	add    float64 // of a sensor that is off by as much
}

// At implements replay.Shape.
func (c course) At(at time.Time) float64 {
	x := at.Sub(c.from).Hours() / quarter.Hours()
	i := max(0, min(int(x), len(c.values)-2))
	return c.values[i] + (c.values[i+1]-c.values[i])*(x-float64(i)) + c.add
}

// sensor is what a household sensor sends: temperature and humidity each ten
// minutes, with the noise of its kind and off by a little; some messages are
// lost.
func sensor(w *weather, in, name string, rng *rand.Rand, to time.Time) []scenario.Series {
	t, h := w.loft, w.dampLoft
	switch in {
	case "cellar":
		t, h = w.cellar, w.dampCellar
	case "north-pantry":
		t, h = w.northPantry, w.damp
	case "garden":
		t, h = w.outdoor, w.dampGarden
	}
	var gaps []scenario.Span
	for at := w.from; at.Before(to); at = at.Add(time.Duration(rng.ExpFloat64() * float64(8*time.Hour))) {
		gaps = append(gaps, scenario.Span{From: at, To: at.Add(15 * time.Minute)})
	}
	s := func(q unit.Quantity, values []float64, off, noise float64) scenario.Series {
		return scenario.Series{
			Series: room.Series{Room: in, Sensor: name, Quantity: q}, Every: 10 * time.Minute,
			Shape: course{w.from, values, off}, Noise: noise, Gaps: gaps,
		}
	}
	return []scenario.Series{
		s(unit.Temperature, t, 0.15*rng.NormFloat64(), 0.08), s(unit.Humidity, h, 0.008*rng.NormFloat64(), 0.006),
	}
}

// pantry lists so many lots in each room, packed at an instant.
func pantry(t testing.TB, c *catalog.Catalog, packed time.Time, each int) (out []lot.Change) {
	t.Helper()
	kinds := []lot.Packing{
		{Food: "white-rice", Container: "pet-2l", NetMassKG: 1.6, Treatment: lot.Treatment{Kind: lot.Absorber, CapacityCM3: 300}},
		{Food: "hard-wheat", Container: "pail-20l-foil", NetMassKG: 15, Treatment: lot.Treatment{Kind: lot.Absorber, CapacityCM3: 2500}},
		{Food: "dry-beans", Container: "pet-2l", NetMassKG: 1.5, Treatment: lot.Treatment{Kind: lot.Absorber, CapacityCM3: 300}},
		{Food: "rolled-oats", Container: "can-no10", NetMassKG: 1.1, Treatment: lot.Treatment{Kind: lot.Absorber, CapacityCM3: 500}},
		{Food: "nonfat-dry-milk", Container: "foil-pouch-4l", NetMassKG: 1.8, Treatment: lot.Treatment{Kind: lot.Absorber, CapacityCM3: 1000}},
		{Food: "sugar", Container: "glass-jar-1l", NetMassKG: 0.8, Treatment: lot.Treatment{Kind: lot.NoTreatment}},
	}
	for _, name := range []string{"cellar", "north-pantry", "loft"} {
		for i := range each {
			p := kinds[i%len(kinds)]
			p.Count, p.Room, p.PackedAt, p.Shading = 4, name, packed, lot.Boxed
			if err := p.Check(c, packed); err != nil {
				t.Fatal(err)
			}
			out = append(out, lot.Change{Kind: lot.Added, Lot: fmt.Sprintf("L-%d", len(out)+1), At: packed, Recorded: packed, Packing: &p})
		}
	}
	return out
}

// larch is the house with its sensors over a stretch of weather, and how its
// engine is made.
func larch(t testing.TB, w *weather, before, start, end time.Time, each int, sensors map[string][]string) (*scenario.Scenario, engine.Config) {
	t.Helper()
	s, cat := parsed(t)
	rng := rand.New(rand.NewPCG(7, 7))
	x := &scenario.Scenario{Name: "Larch House", Before: before, Start: start, End: end, Seed: 3, Lots: pantry(t, cat, before, each)}
	for _, in := range []string{"cellar", "north-pantry", "loft", "garden"} {
		for _, name := range sensors[in] {
			x.Series = append(x.Series, sensor(w, in, name, rng, end)...)
		}
	}
	return x, engine.Config{
		Site: s.Site, Zone: s.Zone, Catalog: cat, Rules: s.Rules, Stale: s.StaleLimit,
		ShelfRules: s.ShelfRules, LotRules: s.LotRules, Volume: s.Volume,
		Forecasting: engine.Forecasting{Outdoors: s.Outdoor, Futures: 2}, Dispatching: engine.Dispatching{Recipients: s.People()},
	}
}
