package unit

import (
	"fmt"
	"strings"
)

// Unit converts values of one quantity from a unit of the outside world to
// the canonical one: canonical = value*scale + offset.
type Unit struct {
	Quantity Quantity
	Name     string
	scale    float64
	offset   float64
}

// Canonical converts a value from the unit.
func (u Unit) Canonical(v float64) float64 { return float64(v*u.scale) + u.offset }

// known lists the accepted spellings by quantity, the canonical one first.
func known(q Quantity) []Unit {
	switch q {
	case Temperature:
		return []Unit{
			{q, "C", 1, 0}, {q, "°C", 1, 0}, {q, "degC", 1, 0}, {q, "celsius", 1, 0},
			{q, "F", 5.0 / 9, -160.0 / 9}, {q, "°F", 5.0 / 9, -160.0 / 9}, {q, "degF", 5.0 / 9, -160.0 / 9},
			{q, "K", 1, -ZeroCelsius},
		}
	case Humidity, Oxygen, Battery:
		return []Unit{{q, "fraction", 1, 0}, {q, "1", 1, 0}, {q, "%", 0.01, 0}, {q, "percent", 0.01, 0}}
	case Illuminance:
		return []Unit{{q, "lx", 1, 0}, {q, "lux", 1, 0}, {q, "klx", 1000, 0}}
	case Link:
		return []Unit{{q, "dBm", 1, 0}}
	}
	return nil
}

// Names lists the unit spellings accepted for a quantity.
func Names(q Quantity) []string {
	var names []string
	for _, u := range known(q) {
		names = append(names, u.Name)
	}
	return names
}

// Parse finds the unit of a quantity by its spelling.
func Parse(q Quantity, name string) (Unit, error) {
	for _, u := range known(q) {
		if u.Name == name {
			return u, nil
		}
	}
	return Unit{}, fmt.Errorf("%q is not a unit of %s: use one of %s", name, q, strings.Join(Names(q), ", "))
}
