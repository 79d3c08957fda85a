package catalog

import (
	"errors"
	"fmt"
	"math"
	"strings"

	"dryhold/internal/unit"
)

// ReferenceTemperature is the temperature at which every Life is stated. The
// long household studies and the extension figures the catalog rests on were
// made near it.
const ReferenceTemperature unit.Celsius = 21

// daysPerYear is the mean length of a year of the Julian calendar.
const daysPerYear = 365.25

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

// HoldRange of the time low in oxygen, days; 0 for a container that does not
// hold it.
func HoldRange() Range { return Range{0, 100 * daysPerYear, "d"} }

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
	return errors.Join(append(faults,
		check("activation energy", m.Ea, EaRange()),
		check("life", m.Life, LifeRange()),
		check("low-oxygen gain", m.LowOxygenGain, GainRange()))...)
}

// Check reports everything wrong with the food class.
func (f Food) Check() error {
	faults := []error{CheckID(f.ID), check("bulk density", f.BulkDensity, BulkDensityRange()), check("void", f.Void, FractionRange())}
	if f.Name == "" {
		faults = append(faults, errors.New("the food has no name"))
	}
	if len(f.Modes) == 0 {
		faults = append(faults, errors.New("the food has no deterioration mode, so nothing could ever end it"))
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

// Check reports everything wrong with the container class.
func (k Container) Check() error {
	faults := []error{
		CheckID(k.ID), check("volume", k.Volume, VolumeRange()), check("lag", k.Lag, LagRange()),
		check("low-oxygen hold", k.LowOxygenHold, HoldRange()),
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
