// Package catalog holds food and container classes as values: their
// deterioration modes, geometry and barriers, each number with a unit, a band
// and a source. It knows nothing of files; package settings reads them.
package catalog

import (
	"fmt"
	"slices"

	"dryhold/internal/nearest"
	"dryhold/internal/sorption"
	"dryhold/internal/unit"
)

// Band is an uncertain number: a likely value inside a low to high range
// (read as 10 to 90 %), with the source it comes from. A figure that is a
// rule of the trade says "common practice, no source"; one recalled but not
// checked says "from memory"; a choice of ours says "judgement".
type Band struct {
	Low, Likely, High float64
	Source            string
}

// Order is the order of a deterioration reaction in what is left.
type Order int

// Orders of reaction.
const (
	ZeroOrder  Order = 0
	FirstOrder Order = 1
)

// Mode is one way a food comes to its end.
type Mode struct {
	Name  string // oxidation, browning, staling, hardening, caking, thiamin, ...
	Order Order
	// Limit is the fraction of the measured attribute left at the end of
	// life for a first-order mode, in (0,1); zero for a zero-order mode.
	Limit float64
	Ea    Band // activation energy, kJ/mol
	// Life is the time to the limit at the reference temperature in a
	// sealed container holding air, dry, in days.
	Life Band
	// LowOxygenGain multiplies Life while the container holds little oxygen
	// (about 1 % or less); 1 for a mode that oxygen does not drive.
	LowOxygenGain Band
	// OxygenHalf is the oxygen fraction at which the part of the rate that
	// oxygen drives is half of what it would be in plenty, 0 to 0.209.
	OxygenHalf Band
	// ActivityAt is the water activity for which Life is stated, and
	// PerTenth by how much the rate grows for each 0.1 of water activity
	// above it (and falls below it); 1 for a mode that water does not drive.
	ActivityAt, PerTenth Band
	// LightRate is the first-order rate per lux hour in a clear container on
	// an open shelf, 1/(lx h); zero for a mode that light does not drive.
	LightRate Band
	// Nutrient marks a loss that is shown as retention in percent and does
	// not end the lot, however short its life: food stays food without its
	// vitamins. Whoever looks for the mode that limits a lot passes it over.
	Nutrient bool
}

// Food is one food class.
type Food struct {
	ID          string // kebab-case: white-rice
	Name        string
	Modes       []Mode
	BulkDensity Band // kg/m3
	Void        Band // fraction of the bulk volume that is gas, 0 to 1
	// Isotherm relates moisture and water activity; nil for crystals that
	// take up nothing below their deliquescence.
	Isotherm sorption.Isotherm
	// IsothermSource says where its constants come from.
	IsothermSource string
	// Moisture usual at packing, fraction of wet mass, for lots whose own was
	// not measured.
	Moisture Band
	// Amber and Red are the water activities at which the food wants
	// attention and at which it is lost for keeping, and Limit what then
	// happens: mould, caking, crystallisation, deliquescence.
	Amber, Red Band
	Limit      string
	// Uptake is the oxygen the food itself takes up at 21 °C in air,
	// cm3/(kg d); zero when negligible.
	Uptake Band
	// Energy of the food as it is stored, kcal/kg, by a table of food
	// composition. Without a Source it is not known.
	Energy Band
	// Species names the seed whose germination can be estimated (package
	// germination); empty for food that does not sprout.
	Species string
	// NoAbsorber says why an absorber must not be used with the food (sugar,
	// salt); empty when one may be.
	NoAbsorber string
	// Caution is shown wherever the food is; empty when there is none beyond
	// the general one.
	Caution string
}

// Container is one container class.
type Container struct {
	ID     string // kebab-case: pet-2l
	Name   string
	Volume Band // litres, brimful
	// Lag is the time constant of the core behind the room air, hours (the
	// slowest mode of the transient solution, models section 10).
	Lag   Band
	Clear bool // lets light through
	// OxygenWall is the oxygen conductance of the wall at 23 °C and
	// WallEa its activation energy, kJ/mol; OxygenClosure that of the closure
	// in good order. cm3/(d atm).
	OxygenWall, OxygenClosure, WallEa Band
	// WaterWall and WaterClosure are the water vapour permeance of wall and
	// closure in good order, g/(d kPa).
	WaterWall, WaterClosure Band
	// Sealed says that the class is closed tightly at all: a paper sack is
	// not.
	Sealed bool
	// SealFailure is the share of such containers whose seal, not verified,
	// leaks: the published prior.
	SealFailure Band
}

// Catalog is a checked set of classes, sorted by ID.
type Catalog struct {
	Reference  unit.Celsius // temperature at which Life is stated, 21 °C
	Foods      []Food
	Containers []Container
}

// Food finds a food class; the error names the nearest known one.
func (c *Catalog) Food(id string) (Food, error) {
	i := slices.IndexFunc(c.Foods, func(f Food) bool { return f.ID == id })
	if i < 0 {
		return Food{}, fmt.Errorf("unknown food class %q%s", id, nearest.Hint(id, c.FoodIDs()))
	}
	return c.Foods[i], nil
}

// Container finds a container class; the error names the nearest known one.
func (c *Catalog) Container(id string) (Container, error) {
	i := slices.IndexFunc(c.Containers, func(k Container) bool { return k.ID == id })
	if i < 0 {
		return Container{}, fmt.Errorf("unknown container class %q%s", id, nearest.Hint(id, c.ContainerIDs()))
	}
	return c.Containers[i], nil
}

// FoodIDs lists the food classes in order.
func (c *Catalog) FoodIDs() []string {
	var ids []string
	for _, f := range c.Foods {
		ids = append(ids, f.ID)
	}
	return ids
}

// ContainerIDs lists the container classes in order.
func (c *Catalog) ContainerIDs() []string {
	var ids []string
	for _, k := range c.Containers {
		ids = append(ids, k.ID)
	}
	return ids
}
