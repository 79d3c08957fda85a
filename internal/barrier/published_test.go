package barrier

import (
	"math"
	"testing"

	"dryhold/internal/climate"
	"dryhold/internal/kinetics"
	"dryhold/internal/reference"
	"dryhold/internal/sorption"
	"dryhold/internal/unit"
)

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s: got %.8g, want %.8g within %.2g", what, got, want, tolerance)
	}
}

// rice is rough rice, Henderson, ASAE D245.4.
func rice() sorption.Isotherm { return sorption.ModifiedHenderson{K: 1.9187e-5, N: 2.4451, C: 51.161} }

// at is plain room air at WallReference, so that a conductance counts as it stands.
func at(c unit.Celsius) Surroundings { return Surroundings{Core: c, Activity: 0.5, Outside: AirOxygen} }

// Conversions and ranges of models 5.1: the table of a biosystems engineering
// handbook (11.2) and what it comes to in metric units.
func TestPolymersPublished(t *testing.T) {
	near(t, "1 cm3 mil", float64(OxygenFromMil(1)), 0.3937, 5e-5)
	want := map[string][4]float64{ // O2 low, high; H2O low, high; half of the last digit
		"PET": {1.18, 2.36, 0.066, 0.132}, "HDPE": {39, 98, 0.020, 0.040},
		"LDPE": {118, 236, 0.066, 0.132}, "PP, oriented": {39, 63, 0.013, 0.033},
	}
	for _, p := range Polymers() {
		w, ok := want[p.Name]
		if !ok || p.Source == "" || p.EaSource == "" {
			t.Errorf("polymer %+v is unknown or lacks a source", p)
			continue
		}
		near(t, p.Name, float64(p.OxygenLow), w[0], w[0]*0.011)
		near(t, p.Name, float64(p.OxygenHigh), w[1], w[1]*0.011)
		near(t, p.Name, float64(p.WaterLow), w[2], 5.1e-4)
		near(t, p.Name, float64(p.WaterHigh), w[3], 5.1e-4)
	}
	// PET water by solubility (0.8 % by volume at saturation, 25 °C) and
	// diffusivity of cast PET (models 5.1: composite-agency.com 1392).
	saturation, err := climate.SaturationOverLiquid(25)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "PET water", float64(WaterFromDiffusion(8000/(float64(saturation)/1000), 4e-13)), 0.0872, 5e-5)
	near(t, "time lag of 0.3 mm, h", float64(DiffusionLag(0.3, 4e-13)), 10.4, 0.05)
}

// Factors of the PET bottle against 23 °C (models 5.1, BrewingScience 64).
func TestWallTemperaturePublished(t *testing.T) {
	w := Wall{Oxygen: 1, OxygenEa: 32.8}
	for c, want := range map[unit.Celsius]float64{5: 0.4223, 15: 0.6909, 30: 1.3601, 40: 2.0609} {
		near(t, "wall", float64(w.OxygenAt(c)), want, 5e-5)
		near(t, "to reference", float64(OxygenConductance(want).ToReference(32.8, c)), 1, 2e-4)
	}
}

// Conductances of whole packages (models 5.2).
func TestPackagesPublished(t *testing.T) {
	pet, hdpe := Polymers()[0], Polymers()[1]
	f := func(p OxygenPermeability, area, thickness, want, tolerance float64) {
		t.Helper()
		near(t, "conductance", float64(p.Through(area, thickness)), want, tolerance)
	}
	f(pet.OxygenLow, 0.105, 0.30, 0.413, 5e-4)
	f(pet.OxygenHigh, 0.105, 0.30, 0.8268, 5e-5)
	f(pet.OxygenLow, 0.045, 0.30, 0.177, 5e-4)
	f(pet.OxygenHigh, 0.045, 0.30, 0.354, 5e-4)
	f(hdpe.OxygenLow, 0.44, 2.2, 7.87, 5e-3)
	f(hdpe.OxygenHigh, 0.44, 2.2, 19.7, 0.05)
	near(t, "water through a bottle", float64(WaterPermeability(0.0872).Through(0.105, 0.30)), 0.03052, 5e-6)
}

func TestBottleOxygenPublished(t *testing.T) {
	for _, r := range reference.Published(t, "bottle-oxygen.csv") {
		g := Gas{Volume: 800, Wall: Wall{Oxygen: OxygenConductance(r.Num(t, "conductance")), OxygenEa: 32.8}}
		days, percent := r.Num(t, "days"), r.Num(t, "percent")
		if passed := math.Trunc(days) != days || percent == 1 || percent == 2 || percent == 5; passed {
			got, ok := g.Passes(percent/100, GasState{}, at(23))
			if !ok {
				t.Errorf("%v: never", r)
			}
			near(t, "passes "+r["percent"], float64(got), days, 0.05)
			continue
		}
		s, _ := g.Step(GasState{}, at(23), unit.Days(days))
		near(t, "oxygen after "+r["days"], 100*s.Oxygen, percent, 0.005)
	}
	near(t, "time constant, d", 800/0.8268, 967.59, 0.005)
}

func TestBottleAbsorberPublished(t *testing.T) {
	for _, r := range reference.Published(t, "bottle-absorber.csv") {
		g := Gas{
			Volume:   800,
			Wall:     Wall{Oxygen: OxygenConductance(r.Num(t, "conductance")), OxygenEa: 32.8},
			Absorber: NewAbsorber(SelfActivated, r.Num(t, "rated_cm3")),
		}
		spent, ok := g.Spent(g.Packed(), at(23))
		if !ok {
			t.Fatalf("%v: never spent", r)
		}
		if r["rests_percent"] != "" {
			s, _ := g.Step(g.Packed(), at(23), spent)
			near(t, "rests at", 100*s.Oxygen, r.Num(t, "rests_percent"), 0.05)
			continue
		}
		near(t, "absorber of "+r["rated_cm3"]+" spent", float64(spent), r.Num(t, "days"), 1)
	}
}

func TestBottleWaterPublished(t *testing.T) {
	m, err := rice().Moisture(0.5, 20)
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range reference.Published(t, "bottle-water.csv") {
		c := unit.Celsius(r.Num(t, "celsius"))
		m := sorption.MoistureClamped(rice(), 0.5, c)
		dry := DryMatter(1.66, m.WetBasis())
		w := Water{Dry: dry, Isotherm: rice(), Wall: Wall{Water: WaterPermeability(0.0872).Through(0.105, 0.30)}}
		vapour := climate.VapourPressure(c, unit.RH(r.Num(t, "rh")))
		_, gained := w.Step(m, c, vapour, 0.01)
		near(t, r["celsius"]+" °C, "+r["rh"], gained*36500, r.Num(t, "gram_per_year"), 0.0051)
		if r["points_per_year"] != "" {
			near(t, "points", 100*gained*36500/1660, r.Num(t, "points_per_year"), 0.0051)
		}
		// Over the whole year the food comes nearer to the room, so it gains less.
		_, year := w.Step(m, c, vapour, 365)
		if share := year / (gained * 36500); !(share > 0.85 && share < 1) {
			t.Errorf("%v: a year gives %.3f of the first day's rate", r, share)
		}
	}
	// The time constant of a full bottle is 6 to 12 years (models 5.2).
	for c := unit.Celsius(15); c <= 25; c += 5 {
		_, slope := sorption.ActivitySlope(rice(), m, c)
		years := 1000 * DryMatter(1.66, m.WetBasis()) / (0.03052 * float64(climate.VapourPressure(c, 1)) / 1000 * slope) / 365
		if years < 5.5 || years > 12.5 {
			t.Errorf("time constant at %v °C: %.1f years", c, years)
		}
	}
}

func TestAbsorberNeedPublished(t *testing.T) {
	for _, r := range reference.Published(t, "absorber-need.csv") {
		gas, err := GasSpace(r.Num(t, "litres"), r.Num(t, "headspace"), r.Num(t, "void"))
		if err != nil {
			t.Fatal(err)
		}
		if r["gas_cm3"] != "" {
			near(t, r["container"]+" gas", gas, r.Num(t, "gas_cm3"), 0.5)
		}
		tolerance := 0.051
		if r.Num(t, "litres") == 20 {
			tolerance = 0.5
		}
		near(t, r["container"]+" oxygen", EnclosedOxygen(gas), r.Num(t, "oxygen_cm3"), tolerance)
		near(t, r["container"]+" with margin", EnclosedOxygen(gas)*Margin, r.Num(t, "with_margin_cm3"), 0.5)
	}
}

// The rest of models 5.5.
func TestAbsorberPublished(t *testing.T) {
	near(t, "oxygen per gram of iron", 22414/55.845*3/4, IronLimit, 0.1)
	ea, err := kinetics.EaFromRatio(7.1, 25, -1.5)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "energy from the half-lives of Tewari et al. 2002", float64(ea), float64(AbsorberEa), 0.05)
	damp := NewAbsorber(MoistureActivated, 43.40)
	near(t, "moisture-activated at 75 %", 43.40*damp.Usable(0.75), 43.40, 1e-9)
	near(t, "moisture-activated at 43 %", 43.40*damp.Usable(0.43), 3.82, 1e-9)
	near(t, "self-activated at 20 %", NewAbsorber(SelfActivated, 300).Usable(0.2), 1, 0)
	near(t, "pull of all oxygen, kPa", PressureDrop(AirOxygen, 0, 20, 20), 21.2, 0.05)
	near(t, "pull of cooling, kPa", PressureDrop(0, 0, 20, 10), 3.5, 0.05)
	near(t, "breathing of 10 l, cm3/K", Breathing(10_000, 20), 34, 0.5)
}

// A half-life measured in air comes back from a step (models 5.5, Tewari et
// al. 2002: 1.0 h at 25 °C, 7.1 h at -1.5 °C).
func TestAbsorberHalfLife(t *testing.T) {
	g := Gas{Volume: 100, Absorber: Absorber{Rated: 1000, Rate: math.Ln2, Ea: AbsorberEa}}
	for c, hours := range map[unit.Celsius]float64{25: 1, -1.5: 7.1} {
		s, _ := g.Step(g.Packed(), at(c), unit.Days(hours/24))
		near(t, "half", s.Oxygen/AirOxygen, 0.5, 1e-3)
	}
}

// A failed seal lets air in within days and hardly any water (textbook
// diffusivities, from memory).
func TestHole(t *testing.T) {
	near(t, "0.1 mm hole 1 mm long", float64(Hole(0.1, 1).Oxygen), 0.2*86400*math.Pi*1e-4/4/(0.1+math.Pi*0.01/4), 1e-9)
	g := Gas{Volume: 800, Wall: Wall{}.WithSeal(Failed)}
	if days, ok := g.Passes(0.05, GasState{}, at(20)); !ok || days > 3 {
		t.Errorf("failed seal: 5 %% after %v days, %v", days, ok)
	}
	if leak, wall := FailedLeak().Water, 0.0305; float64(leak) > wall/5 {
		t.Errorf("failed seal passes %v g/(d kPa) of water, a bottle's wall %v", leak, wall)
	}
	sound := Wall{Oxygen: 0.4, Water: 0.03}
	if sound.WithSeal(Assumed) != sound || sound.WithSeal(Verified) != sound {
		t.Error("a seal that holds changes the wall")
	}
}

func TestSeal(t *testing.T) {
	for _, s := range Seals() {
		text, err := s.MarshalText()
		if err != nil {
			t.Fatal(err)
		}
		var back Seal
		if err := back.UnmarshalText(text); err != nil || back != s {
			t.Errorf("%v comes back as %v, %v", s, back, err)
		}
		low, likely, high := s.FailureShare()
		if !(low >= 0 && low <= likely && likely <= high && high <= 1) {
			t.Errorf("%v: shares %v, %v, %v", s, low, likely, high)
		}
	}
	if _, err := ParseSeal("tight"); err == nil {
		t.Error("an unknown word passes")
	}
	if _, err := Seal(7).MarshalText(); err == nil {
		t.Error("an unknown state is written")
	}
	last := 0.0
	for _, p := range Priors() {
		if p.Share < last || p.Source == "" || p.Of > 0 && math.Abs(float64(p.Failed)/float64(p.Of)-p.Share) > 1e-12 {
			t.Errorf("prior %+v", p)
		}
		last = p.Share
	}
}
