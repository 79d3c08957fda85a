// Package barrier follows oxygen and water through the wall and the closure of
// a container over years: oxygen in the gas space against wall, closure,
// absorber and food, and the moisture of the food against the room.
//
// Volumes of gas are cm3 at room conditions, oxygen a partial pressure in
// atmospheres (which is its volume fraction while the total pressure is one
// atmosphere), water grams, moisture a fraction of the dry matter, time days,
// temperature that of the core in °C. Equations, constants and check values:
// models section 5.
//
// Steps are exact, or stable at any length, so that a wall of glass and a
// paper sack can be followed by the hour, the day or the year. What they give
// is an estimate of quality: it does not say that food is safe, and least of
// all that a low-oxygen pack of moist food is.
package barrier

import (
	"fmt"
	"math"

	"dryhold/internal/kinetics"
	"dryhold/internal/unit"
)

// Transport figures in the units of the trade's tables.
type (
	// OxygenConductance is cm3/(d atm) through a whole wall or leak.
	OxygenConductance float64
	// WaterPermeance is g/(d kPa) through a whole wall or leak.
	WaterPermeance float64
	// OxygenPermeability is cm3 mm/(m2 d atm) of a material.
	OxygenPermeability float64
	// WaterPermeability is g mm/(m2 d kPa) of a material.
	WaterPermeability float64
)

// WallReference is the temperature at which a wall's oxygen conductance is
// stated (models 5.1: factors of the PET bottle against 23 °C).
const WallReference unit.Celsius = 23

// AirOxygen is the oxygen of air at sea level, atm (models 5.2).
const AirOxygen = 0.209

const (
	mil          = 0.0254   // mm, exact
	hundredInch2 = 0.064516 // m2, exact
	// tropical is the vapour pressure difference of the 38 °C, 90 % test of
	// water vapour transmission against dry air, kPa (models 5.1).
	tropical = 5.968
)

// OxygenFromMil converts cm3 mil/(100 in2 d atm), the unit of American tables.
func OxygenFromMil(p float64) OxygenPermeability {
	return OxygenPermeability(p * mil / hundredInch2)
}

// WaterFromMil converts g mil/(100 in2 d) measured at 38 °C with 90 % against
// dry air.
func WaterFromMil(p float64) WaterPermeability {
	return WaterPermeability(p * mil / hundredInch2 / tropical)
}

// WaterFromDiffusion is the permeability of a material that dissolves
// solubility g of water per m3 and kPa, with diffusivity m2/s.
func WaterFromDiffusion(solubility, diffusivity float64) WaterPermeability {
	return WaterPermeability(solubility * diffusivity * 86_400 * 1000)
}

// DiffusionLag is how long a wall of thickness mm takes before it passes what
// the steady state says: l2/(6 D), diffusivity in m2/s.
func DiffusionLag(thickness, diffusivity float64) unit.Hours {
	l := thickness / 1000
	return unit.Hours(l * l / (6 * diffusivity) / 3600)
}

// Through is the conductance of area m2 of the material, thickness mm thick.
func (p OxygenPermeability) Through(area, thickness float64) OxygenConductance {
	return OxygenConductance(float64(p) * area / thickness)
}

// Through is the permeance of area m2 of the material, thickness mm thick.
func (p WaterPermeability) Through(area, thickness float64) WaterPermeance {
	return WaterPermeance(float64(p) * area / thickness)
}

// ToReference brings a conductance stated at t to WallReference.
func (g OxygenConductance) ToReference(ea unit.KJPerMol, t unit.Celsius) OxygenConductance {
	return g * OxygenConductance(kinetics.AccelerationFactor(ea, WallReference, t))
}

// Leak is a way through beside the wall: closure, seam, hole. It counts as
// independent of temperature: diffusion in a gas grows only by 0.6 % per
// kelvin.
type Leak struct {
	Oxygen OxygenConductance
	Water  WaterPermeance
}

// Wall is what parts the inside of one container from the room. The zero Wall
// lets nothing through, as glass and steel do.
type Wall struct {
	Oxygen   OxygenConductance // at WallReference
	OxygenEa unit.KJPerMol     // PET bottle 32.8 kJ/mol
	// Water is taken as independent of temperature: for PET the energy is 0
	// to 5 kJ/mol (models 5.1, from memory), and the saturation pressure
	// carries the rest.
	Water   WaterPermeance
	Closure Leak
}

// OxygenAt is the oxygen conductance of wall and closure at t.
func (w Wall) OxygenAt(t unit.Celsius) OxygenConductance {
	return OxygenConductance(float64(w.Oxygen)*kinetics.AccelerationFactor(w.OxygenEa, t, WallReference)) + w.Closure.Oxygen
}

// WaterAll is the water permeance of wall and closure.
func (w Wall) WaterAll() WaterPermeance { return w.Water + w.Closure.Water }

// WithSeal is the wall as its seal leaves it: a failed one adds FailedLeak.
func (w Wall) WithSeal(s Seal) Wall {
	if s == Failed {
		leak := FailedLeak()
		w.Closure.Oxygen += leak.Oxygen
		w.Closure.Water += leak.Water
	}
	return w
}

// Check reports, as an error, figures that make no wall.
func (w Wall) Check() error {
	if err := kinetics.CheckEa(w.OxygenEa); err != nil {
		return fmt.Errorf("oxygen through the wall: %w", err)
	}
	for _, f := range []struct {
		what  string
		value float64
	}{
		{"oxygen conductance of the wall", float64(w.Oxygen)},
		{"water permeance of the wall", float64(w.Water)},
		{"oxygen conductance of the closure", float64(w.Closure.Oxygen)},
		{"water permeance of the closure", float64(w.Closure.Water)},
	} {
		if err := amount(f.what, f.value); err != nil {
			return err
		}
	}
	return nil
}

// amount reports a value that is negative or not a finite number.
func amount(what string, v float64) error {
	if v >= 0 && !math.IsInf(v, 0) {
		return nil
	}
	return fmt.Errorf("%s is %g: it must be a finite number of 0 or more", what, v)
}

// Polymer is a wall material with the range that its published figures span.
type Polymer struct {
	Name                  string
	OxygenLow, OxygenHigh OxygenPermeability // at 25 °C
	WaterLow, WaterHigh   WaterPermeability
	OxygenEa              unit.KJPerMol
	Source, EaSource      string
}

// Polymers lists the common wall materials (models 5.1).
func Polymers() []Polymer {
	const (
		handbook = "biosystems engineering handbook, table 11.2"
		memory   = "Polymer Handbook (Pauly), from memory"
	)
	p := func(name string, o1, o2, w1, w2 float64, ea unit.KJPerMol, eaSource string) Polymer {
		return Polymer{name, OxygenFromMil(o1), OxygenFromMil(o2), WaterFromMil(w1), WaterFromMil(w2), ea, handbook, eaSource}
	}
	return []Polymer{
		p("PET", 3, 6, 1, 2, 32.8, "BrewingScience 64 (2011) 161: bottles, 5 to 55 °C, measured"),
		p("HDPE", 100, 250, 0.3, 0.6, 35.1, memory),
		p("LDPE", 300, 600, 1, 2, 42.7, memory),
		p("PP, oriented", 100, 160, 0.2, 0.5, 47.7, memory),
	}
}
