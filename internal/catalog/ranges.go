package catalog

// daysPerYear is the mean length of a year of the Julian calendar.
const daysPerYear = 365.25

// airOxygen is the oxygen fraction of air.
const airOxygen = 0.209

// Range is where a number of the catalog can lie without being a slip of the
// pen, bounds included. The ranges are wide on purpose (judgement): they part
// a wrong unit from an unusual food.
type Range struct {
	Low, High float64
	Unit      string
}

// EaRange of activation energies, kJ/mol: from a step that diffusion limits
// (0-35) to the browning of milk powder near its glass transition (about
// 200), models of Labuza & Riboh 1982 and Thomsen et al. 2005.
func EaRange() Range { return Range{0, 250, "kJ/mol"} }

// LifeRange of the time to the limit of a mode, days.
func LifeRange() Range { return Range{1, 500 * daysPerYear, "d"} }

// GainRange of the life in low oxygen over that in air. Below 1 it would say
// that air preserves.
func GainRange() Range { return Range{1, 100, "times"} }

// BulkDensityRange of dry foods, kg/m3.
func BulkDensityRange() Range { return Range{50, 2000, "kg/m3"} }

// FractionRange of a share that is neither none nor all.
func FractionRange() Range { return Range{0.01, 0.99, "fraction"} }

// VolumeRange of containers, litres: from a sachet to a bulk bag.
func VolumeRange() Range { return Range{0.05, 2000, "L"} }

// LagRange of the core behind the room, hours.
func LagRange() Range { return Range{0.01, 1000, "h"} }

// OxygenHalfRange of the oxygen fraction at half the oxygen-driven rate, up to
// that of air. Not zero: the rate would be undefined without oxygen.
func OxygenHalfRange() Range { return Range{0.0001, airOxygen, "fraction"} }

// ActivityRange of water activities.
func ActivityRange() Range { return Range{0, 1, "fraction"} }

// PerTenthRange of the growth of a rate with each 0.1 of water activity. Below
// 1 it would say that water preserves.
func PerTenthRange() Range { return Range{1, 20, "times"} }

// LightRange of the first-order rate by light, 1/(lx h). Liquid milk in clear
// bottles, the worst case found, loses vitamin A at 1.9e-6 (models section 9).
func LightRange() Range { return Range{0, 1e-4, "1/(lx h)"} }

// MoistureRange at packing, fraction of wet mass.
func MoistureRange() Range { return Range{0, 0.5, "fraction"} }

// UptakeRange of oxygen by the food, cm3/(kg d).
func UptakeRange() Range { return Range{0, 100, "cm3/(kg d)"} }

// EnergyRange of food, kcal/kg: from salt to pure fat.
func EnergyRange() Range { return Range{0, 9000, "kcal/kg"} }

// OxygenRange of the oxygen conductance of a wall or closure, cm3/(d atm):
// from none to paper that breathes.
func OxygenRange() Range { return Range{0, 1e7, "cm3/(d atm)"} }

// WaterRange of the water vapour permeance of a wall or closure, g/(d kPa).
func WaterRange() Range { return Range{0, 1000, "g/(d kPa)"} }

// WallEaRange of the permeation of oxygen through a wall, kJ/mol.
func WallEaRange() Range { return Range{0, 100, "kJ/mol"} }

// ShareRange of a share that may be none or all.
func ShareRange() Range { return Range{0, 1, "fraction"} }
