package settings_test

import (
	"math"
	"strings"
	"testing"
)

// The barriers of a PET bottle and a pail are computed from the handbook's
// permeabilities as the containers' file says.
func TestBarriersAreComputed(t *testing.T) {
	const (
		mil = 0.3937 // 1 cm3 mil/(100 in2 d atm) in cm3 mm/(m2 d atm)
		gas = 8.314462618e-3
	)
	cooled := func(ea float64) float64 { return math.Exp(-ea / gas * (1/296.15 - 1/298.15)) }
	s := shippedShelf(t)
	f := func(id string, area float64) {
		t.Helper()
		k := s.container(id)
		o := mil / 0.30 * area * cooled(32.8)
		s.band(id+" oxygen", k.OxygenWall, 3*o, 4.5*o, 6*o, 0.005)
		w := area / 0.30
		s.band(id+" water", k.WaterWall, 0.066*w, 0.0872*w, 0.132*w, 0.005)
		s.near(id+" activation energy", k.WallEa.Likely, 32.8, 0) // BrewingScience 64 (2011) 161
		// Closures at 0.01 to 0.25 cm3/d from air.
		s.band(id+" cap", k.OxygenClosure, 0.01/0.209, math.Sqrt(0.01*0.25)/0.209, 0.25/0.209, 0.01)
	}
	f("pet-0.5l", 0.045)
	f("pet-1l", 0.105*math.Pow(0.5, 2.0/3))
	f("pet-2l", 0.105)
	f("pet-4l", 0.105*math.Pow(2, 2.0/3))

	// Models section 5.2 at 25 °C: 2 L 0.413 to 0.827, pail 7.87 to 19.7.
	bottle, pail := s.container("pet-2l"), s.container("pail-20l")
	s.near("2 L at 25 C, low", bottle.OxygenWall.Low/cooled(32.8), 0.413, 0.003)
	s.near("2 L at 25 C, high", bottle.OxygenWall.High/cooled(32.8), 0.827, 0.003)
	s.near("pail at 25 C, low", pail.OxygenWall.Low/cooled(pail.WallEa.Likely), 7.87, 0.05)
	s.near("pail at 25 C, high", pail.OxygenWall.High/cooled(pail.WallEa.Likely), 19.7, 0.1)
	s.band("pail, water", pail.WaterWall, 0.020*0.44/2.2, 0.030*0.44/2.2, 0.040*0.44/2.2, 0.005)

	// Models section 5.2: rice at 0.5 in a 2 L bottle gains 2.61 g a year at
	// 20 °C and 60 % RH, 7.82 at 80 %, and 14.19 at 30 °C and 80 %.
	gain := func(kPa, outside float64) float64 { return bottle.WaterWall.Likely * kPa * (outside - 0.5) * year }
	s.near("water at 20 C, 60 %", gain(2.33880, 0.60), 2.61, 0.02)
	s.near("water at 20 C, 80 %", gain(2.33880, 0.80), 7.82, 0.05)
	s.near("water at 30 C, 80 %", gain(4.24603, 0.80), 14.19, 0.1)
}

// What a packaging engineer would say.
func TestContainersArePlausible(t *testing.T) {
	s := shippedShelf(t)
	oxygen := func(id string) float64 {
		k := s.container(id)
		return (k.OxygenWall.Likely + k.OxygenClosure.Likely) / k.Volume.Likely
	}
	water := func(id string) float64 {
		k := s.container(id)
		return (k.WaterWall.Likely + k.WaterClosure.Likely) / k.Volume.Likely
	}
	s.rising("oxygen a litre", oxygen("foil-pouch-4l"), oxygen("glass-jar-1l"), oxygen("pet-4l"), oxygen("pet-2l"), oxygen("pet-1l"), oxygen("pet-0.5l"), oxygen("paper-sack-10kg"))
	s.rising("oxygen a litre", oxygen("can-no10"), oxygen("glass-jar-1l"), oxygen("pail-20l"), oxygen("paper-sack-10kg"))
	s.rising("water a litre", water("can-no10"), water("glass-jar-1l"), water("foil-pouch-4l"), water("pail-20l"), water("pet-4l"), water("pet-2l"), water("paper-sack-10kg"))
	s.rising("a liner improves a pail", oxygen("pail-20l-foil"), oxygen("pail-20l"))
	for _, k := range s.Containers {
		if paper := k.ID == "paper-sack-10kg"; k.Sealed == paper {
			t.Errorf("%s is sealed: %v", k.ID, k.Sealed)
		}
		if clear := strings.HasPrefix(k.ID, "pet") || strings.HasPrefix(k.ID, "glass"); k.Clear != clear {
			t.Errorf("%s: clear %v", k.ID, k.Clear)
		}
		// The prior: 1/4 of rice cans, 1/5 of oat cans, 14/20 of milk cans.
		if k.Sealed && !(k.SealFailure.Low > 0 && k.SealFailure.Likely >= 0.2 && k.SealFailure.Likely <= 0.4 && k.SealFailure.High >= 0.4 && k.SealFailure.High < 1) {
			t.Errorf("%s: seal failure %+v", k.ID, k.SealFailure)
		}
		if tight := k.ID == "can-no10" || k.ID == "glass-jar-1l"; tight != (k.OxygenWall.High == 0 && k.WaterWall.High == 0) {
			t.Errorf("%s: walls %+v, %+v", k.ID, k.OxygenWall, k.WaterWall)
		}
		// Vapour goes through the closure of a plastic bottle as well, but
		// next to the wall that is nothing.
		if k.WaterWall.Likely > 0 && k.WaterClosure.Likely > 0.1*k.WaterWall.Likely {
			t.Errorf("%s: closure passes %g of the %g g/(d kPa) of the wall", k.ID, k.WaterClosure.Likely, k.WaterWall.Likely)
		}
	}
	s.band("cans", s.container("can-no10").SealFailure, 1.0/5, 1.0/4, 14.0/20, 0)
	// A closure at the upper end exceeds the whole wall of a 2 L bottle.
	s.rising("a bad cap dominates", s.container("pet-2l").OxygenWall.High, s.container("pet-2l").OxygenClosure.High)
	// Food in paper follows the room in weeks: water that 10 kg of flour take
	// up for 1 kPa, over the permeance.
	rise := s.moisture("white-flour", 0.6) - s.moisture("white-flour", 0.4)
	perKPa := 10_000 * rise / 100 / (0.2 * 2.4873) // saturation at 21 °C, Hyland-Wexler
	weeks := perKPa / s.container("paper-sack-10kg").WaterWall.Likely / 7
	if weeks < 1 || weeks > 12 {
		t.Errorf("flour in paper follows the room in %.1f weeks", weeks)
	}
	// A full 2 L bottle of rice does so in 6 to 12 years (models section 5.2).
	bottle := s.container("pet-2l")
	rise = s.moisture("white-rice", 0.6) - s.moisture("white-rice", 0.4)
	years := 1000 * bottle.Volume.Likely * 0.83 * rise / 100 / (0.2 * 2.4873) / bottle.WaterWall.Likely / year
	if years < 6 || years > 12 {
		t.Errorf("rice in a 2 L bottle follows the room in %.1f years", years)
	}
}
