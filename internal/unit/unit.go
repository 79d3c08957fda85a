// Package unit names the quantities dryhold measures and the units they
// travel in, so that a humidity cannot pass as a temperature. Inside the
// program every value is in the canonical unit of its quantity; other units
// are converted once, at the edge.
package unit

import (
	"fmt"
	"math"
	"strings"
)

// Named physical values in their canonical units.
type (
	// Celsius is a temperature in degrees Celsius.
	Celsius float64
	// Kelvin is an absolute temperature in kelvin.
	Kelvin float64
	// Pascal is a pressure in pascal.
	Pascal float64
	// RH is a relative humidity over liquid water as a fraction, 0 to 1.
	RH float64
	// Lux is an illuminance in lux.
	Lux float64
	// KJPerMol is an activation energy in kJ/mol.
	KJPerMol float64
	// Hours is a duration in hours, used for time constants.
	Hours float64
	// Days is a duration in days of 86,400 s, used for life and exposure.
	Days float64
)

// ZeroCelsius is 0 degrees Celsius in kelvin (exact, SI).
const ZeroCelsius = 273.15

// Kelvin converts to absolute temperature.
func (c Celsius) Kelvin() Kelvin { return Kelvin(float64(c) + ZeroCelsius) }

// Celsius converts from absolute temperature.
func (k Kelvin) Celsius() Celsius { return Celsius(float64(k) - ZeroCelsius) }

// Quantity says what a reading measures. The zero value is not a quantity.
type Quantity uint8

// The quantities a reading can have. Their numbers are stored: never renumber.
const (
	Temperature Quantity = 1
	Humidity    Quantity = 2
	Illuminance Quantity = 3
	Oxygen      Quantity = 4
	Battery     Quantity = 5
	Link        Quantity = 6
)

// spec holds, for one quantity, its name, canonical unit, the resolution at
// which a value is kept and the physical range outside which a reading is
// implausible.
type spec struct {
	name, symbol string
	steps        float64 // steps per canonical unit: 1000 means a resolution of 0.001
	low, high    float64
}

func (q Quantity) spec() (spec, bool) {
	switch q {
	case Temperature:
		return spec{"temperature", "°C", 1e3, -60, 100}, true
	case Humidity:
		return spec{"humidity", "fraction", 1e5, 0, 1}, true
	case Illuminance:
		return spec{"illuminance", "lx", 1e3, 0, 200_000}, true
	case Oxygen:
		return spec{"oxygen", "fraction", 1e6, 0, 1}, true
	case Battery:
		return spec{"battery", "fraction", 1e4, 0, 1}, true
	case Link:
		return spec{"link", "dBm", 10, -150, 20}, true
	}
	return spec{}, false
}

// Quantities lists every quantity in the order of its number.
func Quantities() []Quantity {
	return []Quantity{Temperature, Humidity, Illuminance, Oxygen, Battery, Link}
}

// QuantityNames lists the names of Quantities in the same order.
func QuantityNames() []string {
	var names []string
	for _, q := range Quantities() {
		names = append(names, q.String())
	}
	return names
}

// String is the quantity's name as used in topics, configuration and pages.
func (q Quantity) String() string {
	s, ok := q.spec()
	if !ok {
		return fmt.Sprintf("quantity(%d)", uint8(q))
	}
	return s.name
}

// ParseQuantity reads a quantity's name.
func ParseQuantity(name string) (Quantity, error) {
	for _, q := range Quantities() {
		if q.String() == name {
			return q, nil
		}
	}
	return 0, fmt.Errorf("unknown quantity %q: it is one of %s", name, strings.Join(QuantityNames(), ", "))
}

// MarshalText writes the quantity's name.
func (q Quantity) MarshalText() ([]byte, error) { return []byte(q.String()), nil }

// UnmarshalText reads a quantity's name.
func (q *Quantity) UnmarshalText(b []byte) (err error) {
	*q, err = ParseQuantity(string(b))
	return err
}

// Symbol is the canonical unit's symbol.
func (q Quantity) Symbol() string { s, _ := q.spec(); return s.symbol }

// Plausible reports, as an error, a value that is not a number or outside the
// physical range of the quantity (in its canonical unit, bounds included).
func (q Quantity) Plausible(v float64) error {
	s, ok := q.spec()
	switch {
	case !ok:
		return fmt.Errorf("unknown quantity %d", uint8(q))
	case math.IsNaN(v) || math.IsInf(v, 0):
		return fmt.Errorf("%s is not a finite number", s.name)
	case (v < s.low || v > s.high) && s.symbol == "fraction":
		return fmt.Errorf("%s %g is outside the plausible range %g to %g (a fraction, not a percentage)", s.name, v, s.low, s.high)
	case v < s.low || v > s.high:
		return fmt.Errorf("%s %g %s is outside the plausible range %g to %g %s", s.name, v, s.symbol, s.low, s.high, s.symbol)
	}
	return nil
}

// Steps gives the value as a whole number of resolution steps, the form in
// which it is stored. The value must be plausible.
func (q Quantity) Steps(v float64) int64 {
	s, _ := q.spec()
	return int64(math.Round(v * s.steps))
}

// FromSteps is the inverse of Steps. FromSteps(Steps(v)) is v rounded to the
// resolution of the quantity, and repeating the round trip changes nothing.
func (q Quantity) FromSteps(n int64) float64 {
	s, _ := q.spec()
	return float64(n) / s.steps
}

// Round brings a plausible value to the resolution of its quantity: 0.001 °C,
// 0.001 % RH, 0.001 lx, 1 ppm oxygen, 0.01 % battery, 0.1 dBm. All are finer
// than any household sensor.
func (q Quantity) Round(v float64) float64 { return q.FromSteps(q.Steps(v)) }
