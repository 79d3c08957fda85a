package catalog

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"dryhold/internal/germination"
	"dryhold/internal/unit"
)

// ReferenceTemperature is the temperature at which every Life is stated. The
// long household studies and the extension figures the catalog rests on were
// made near it.
const ReferenceTemperature unit.Celsius = 21

// Check reports what is wrong with the band, nil when it is in order: three
// finite numbers, low <= likely <= high, within the range, with a source.
func (b Band) Check(r Range) error {
	for _, v := range []float64{b.Low, b.Likely, b.High} {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return errors.New("holds a value that is not a finite number")
		}
	}
	switch {
	case b.Low > b.Likely || b.Likely > b.High:
		return fmt.Errorf("low %g, likely %g and high %g %s are not in rising order", b.Low, b.Likely, b.High, r.Unit)
	case b.Low < r.Low || b.High > r.High:
		return fmt.Errorf("%g to %g %s is outside the plausible %g to %g %s", b.Low, b.High, r.Unit, r.Low, r.High, r.Unit)
	case strings.TrimSpace(b.Source) == "":
		return errors.New(`has no source: name one, or say "from memory" or "judgement"`)
	}
	return nil
}

// CheckID reports a class id that is not 1 to 40 of a-z, 0-9, dots and single
// hyphens, beginning and ending with a letter or digit.
func CheckID(id string) error {
	inner := strings.Trim(id, "-.") == id && id != "" && !strings.Contains(id, "--")
	if !inner || len(id) > 40 || strings.Trim(id, "abcdefghijklmnopqrstuvwxyz0123456789-.") != "" {
		return fmt.Errorf("id %q is not kebab-case: write for example white-rice", id)
	}
	return nil
}

// check names the field of a failing band.
func check(field string, b Band, r Range) error {
	if err := b.Check(r); err != nil {
		return fmt.Errorf("%s %w", field, err)
	}
	return nil
}

// Check reports everything wrong with the mode.
func (m Mode) Check() error {
	var faults []error
	if m.Name == "" {
		faults = append(faults, errors.New("the mode has no name"))
	}
	f := FractionRange()
	switch {
	case m.Order == ZeroOrder && m.Limit != 0:
		faults = append(faults, errors.New("a zero-order mode has no limit"))
	case m.Order == FirstOrder && !(m.Limit >= f.Low && m.Limit <= f.High):
		faults = append(faults, fmt.Errorf("limit %g of a first-order mode is outside %g to %g", m.Limit, f.Low, f.High))
	case m.Order != ZeroOrder && m.Order != FirstOrder:
		faults = append(faults, fmt.Errorf("order %d is neither zero nor first", m.Order))
	}
	// Retention and light act on a share of what is left: first order.
	switch {
	case m.Order == ZeroOrder && m.Nutrient:
		faults = append(faults, errors.New("a nutrient is lost in first order"))
	case m.Order == ZeroOrder && m.LightRate.High > 0:
		faults = append(faults, errors.New("light drives first-order modes only"))
	}
	return errors.Join(append(faults,
		check("activation energy", m.Ea, EaRange()),
		check("life", m.Life, LifeRange()),
		check("low-oxygen gain", m.LowOxygenGain, GainRange()),
		check("oxygen half-value", m.OxygenHalf, OxygenHalfRange()),
		check("water activity of the life", m.ActivityAt, ActivityRange()),
		check("growth per tenth of water activity", m.PerTenth, PerTenthRange()),
		check("light rate", m.LightRate, LightRange()))...)
}

// Check reports everything wrong with the food class.
func (f Food) Check() error {
	faults := []error{
		CheckID(f.ID), check("bulk density", f.BulkDensity, BulkDensityRange()), check("void", f.Void, FractionRange()),
		check("moisture", f.Moisture, MoistureRange()), check("amber", f.Amber, ActivityRange()), check("red", f.Red, ActivityRange()),
		check("oxygen uptake", f.Uptake, UptakeRange()), f.checkIsotherm(), f.CheckLines(),
	}
	if f.Name == "" {
		faults = append(faults, errors.New("the food has no name"))
	}
	if f.Energy != (Band{}) {
		faults = append(faults, check("energy", f.Energy, EnergyRange()))
	}
	if strings.TrimSpace(f.Limit) == "" {
		faults = append(faults, errors.New("the food does not say what happens at its red line"))
	}
	if !slices.ContainsFunc(f.Modes, func(m Mode) bool { return !m.Nutrient }) {
		faults = append(faults, errors.New("the food has no deterioration mode, so nothing could ever end it"))
	}
	if f.Species != "" {
		faults = append(faults, CheckSpecies(f.Species))
	}
	seen := map[string]bool{}
	for _, m := range f.Modes {
		if seen[m.Name] {
			faults = append(faults, fmt.Errorf("mode %q stands twice", m.Name))
		}
		seen[m.Name] = true
		if err := m.Check(); err != nil {
			faults = append(faults, fmt.Errorf("mode %q: %w", m.Name, err))
		}
	}
	if err := errors.Join(faults...); err != nil {
		return fmt.Errorf("food class %q: %w", f.ID, err)
	}
	return nil
}

// CheckLines reports a red line that does not lie above the amber one.
func (f Food) CheckLines() error {
	if f.Amber.Likely >= f.Red.Likely {
		return fmt.Errorf("red line %g is not above the amber line %g", f.Red.Likely, f.Amber.Likely)
	}
	return nil
}

// CheckMoisture reports a moisture at packing that does not go with the
// isotherm: outside its range at 21 °C, or already at the red line. It needs
// an isotherm in order; without one there is nothing to compare.
func (f Food) CheckMoisture() error {
	if f.Isotherm == nil {
		return nil
	}
	for _, m := range []float64{f.Moisture.Low, f.Moisture.Likely, f.Moisture.High} {
		w := unit.WetBasis(m)
		aw, err := f.Isotherm.Activity(w.DryBasis(), ReferenceTemperature)
		if err != nil {
			return fmt.Errorf("moisture %v does not go with the isotherm: %w", w, err)
		}
		if m == f.Moisture.Likely && aw >= f.Red.Likely {
			return fmt.Errorf("moisture %v is water activity %.2f at %g °C, at or above the red line %g", w, aw, float64(ReferenceTemperature), f.Red.Likely)
		}
	}
	return nil
}

func (f Food) checkIsotherm() error {
	switch {
	case f.Isotherm == nil:
		return nil
	case strings.TrimSpace(f.IsothermSource) == "":
		return errors.New("the isotherm has no source")
	}
	if err := f.Isotherm.Check(); err != nil {
		return err
	}
	return f.CheckMoisture()
}

// CheckSpecies reports a species that package germination does not know; the
// error names the nearest known one.
func CheckSpecies(id string) error {
	_, err := germination.Lookup(id)
	return err
}

// CheckSeal reports what contradicts the seal: a class that is not closed has
// none that could be good.
func (k Container) CheckSeal() error {
	if !k.Sealed && !(k.SealFailure.Low >= 1) {
		return errors.New("a container that is not sealed has a seal failure of 1")
	}
	return nil
}

// Check reports everything wrong with the container class.
func (k Container) Check() error {
	faults := []error{
		CheckID(k.ID), check("volume", k.Volume, VolumeRange()), check("lag", k.Lag, LagRange()),
		check("oxygen through the wall", k.OxygenWall, OxygenRange()), check("oxygen through the closure", k.OxygenClosure, OxygenRange()),
		check("activation energy of the wall", k.WallEa, WallEaRange()),
		check("water through the wall", k.WaterWall, WaterRange()), check("water through the closure", k.WaterClosure, WaterRange()),
		check("seal failure", k.SealFailure, ShareRange()), k.CheckSeal(),
	}
	if k.Name == "" {
		faults = append(faults, errors.New("the container has no name"))
	}
	if err := errors.Join(faults...); err != nil {
		return fmt.Errorf("container class %q: %w", k.ID, err)
	}
	return nil
}

// Check reports everything wrong with the catalog: its classes, their order
// and ids that stand twice.
func (c *Catalog) Check() error {
	var faults []error
	if k := float64(c.Reference); !(k >= 0 && k <= 40) {
		faults = append(faults, fmt.Errorf("reference temperature %g °C is outside 0 to 40 °C", k))
	}
	for _, f := range c.Foods {
		faults = append(faults, f.Check())
	}
	for _, k := range c.Containers {
		faults = append(faults, k.Check())
	}
	faults = append(faults, rising("food", c.FoodIDs()), rising("container", c.ContainerIDs()))
	return errors.Join(faults...)
}

// rising reports ids that are not sorted or stand twice.
func rising(what string, ids []string) error {
	for i := 1; i < len(ids); i++ {
		if ids[i-1] >= ids[i] {
			return fmt.Errorf("%s classes %q and %q are out of order or the same", what, ids[i-1], ids[i])
		}
	}
	return nil
}
