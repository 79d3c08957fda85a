package unit

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// Difference converts a difference of two values from the unit: one of 9 °F is
// one of 5 K.
func (u Unit) Difference(v float64) float64 { return float64(v * u.scale) }

// Split parts a number from the unit written behind it: 0.4C, -0.5 °F, 33%.
// Both must be there; a bare number could be in any unit.
func Split(q Quantity, text string) (float64, Unit, error) {
	if _, known := q.spec(); !known {
		return 0, Unit{}, fmt.Errorf("unknown quantity %d", uint8(q))
	}
	text = strings.TrimSpace(text)
	end := 0
	for end < len(text) && strings.IndexByte("+-.0123456789", text[end]) >= 0 {
		end++
	}
	v, err := strconv.ParseFloat(text[:end], 64)
	name := strings.TrimSpace(text[end:])
	switch {
	case err != nil || math.IsInf(v, 0):
		return 0, Unit{}, fmt.Errorf("%q is not an amount: write a number and its unit, such as 0.4%s", text, Names(q)[0])
	case name == "":
		return 0, Unit{}, fmt.Errorf("%q has no unit: write one of %s behind it", text, strings.Join(Names(q), ", "))
	}
	u, err := Parse(q, name)
	return v, u, err
}
