package audit

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"dryhold/internal/sensor"
	"dryhold/internal/unit"
)

// Sensors are the acts that changes of sensors are, in their order.
func Sensors(changes []sensor.Change) []Act {
	out := make([]Act, 0, len(changes))
	for i, c := range changes {
		a := Act{
			Told: c.Recorded, At: c.From, By: c.By, Kind: Sensor, Of: c.Room + "/" + c.Sensor,
			What: Words(c), Why: c.Note, Change: c.Seq,
		}
		switch c.Kind {
		case sensor.Calibrated:
			a.Old = "not calibrated"
			if old, any := inForce(changes[:i], c); any {
				a.Old = lineOf(old)
			}
		case sensor.Revoked:
			a.At = c.Recorded
			if k := slices.IndexFunc(changes[:i], func(o sensor.Change) bool { return o.Seq == c.Revokes }); k >= 0 {
				a.Old, a.Of = Words(changes[k]), changes[k].Room+"/"+changes[k].Sensor
			}
		}
		out = append(out, a)
	}
	return out
}

// inForce finds, among what was told before, the calibration that held when
// another one begins.
func inForce(told []sensor.Change, c sensor.Change) (old sensor.Change, any bool) {
	revoked := map[int]bool{}
	for _, o := range told {
		if o.Kind == sensor.Revoked {
			revoked[o.Revokes] = true
		}
	}
	for _, o := range told {
		if revoked[o.Seq] || o.Room != c.Room || o.Sensor != c.Sensor || o.From.After(c.From) || any && o.From.Before(old.From) {
			continue
		}
		switch {
		case o.Kind == sensor.Swapped:
			old, any = o, true
		case o.Kind == sensor.Calibrated && quantity(o) == quantity(c):
			old, any = o, true
		}
	}
	return old, any && old.Kind == sensor.Calibrated
}

// quantity is that of a change; zero, which is none, where it has none.
func quantity(c sensor.Change) unit.Quantity {
	if c.Quantity == nil {
		return 0
	}
	return *c.Quantity
}

// Words says what a change of a sensor does, with units; not when it begins,
// nor to which sensor.
func Words(c sensor.Change) string {
	of := "everything it measures"
	if c.Quantity != nil {
		of = c.Quantity.String()
	}
	until := ""
	if !c.To.IsZero() {
		until = " until " + c.To.UTC().Format(time.RFC3339)
	}
	switch c.Kind {
	case sensor.Calibrated:
		due := ", with no date to do so again"
		if !c.Due.IsZero() {
			due = ", due again " + c.Due.UTC().Format(time.DateOnly)
		}
		return "calibrated " + of + ": " + lineOf(c) + due
	case sensor.Corrected:
		return "corrected " + of + until + ": " + lineOf(c)
	case sensor.Voided:
		return "voided " + of + until
	case sensor.Swapped:
		if c.New == "" {
			return "swapped for another device of the same name"
		}
		return "swapped for " + c.New
	case sensor.Revoked:
		return fmt.Sprintf("revoked change %d", c.Revokes)
	}
	return string(c.Kind)
}

// lineOf is Line of a change.
func lineOf(c sensor.Change) string {
	return Line(quantity(c), c.Gain, c.Offset)
}

// Line says how a reading of a quantity is taken, as a formula: "value - 0.3 K",
// "1.02 x value + 1 %". The offset is in the quantity's canonical unit.
func Line(q unit.Quantity, gain, offset float64) string {
	value := "value"
	if gain != 1 {
		value = number(gain) + " x value"
	}
	sign := "+"
	if offset < 0 {
		sign = "-"
	}
	amount, symbol := math.Abs(offset), q.Symbol()
	switch symbol {
	case "fraction":
		amount, symbol = amount*100, "%"
	case "°C":
		symbol = "K" // a difference
	}
	return strings.TrimSpace(fmt.Sprintf("%s %s %s %s", value, sign, number(amount), symbol))
}

// number has as many digits as anything measured at home has.
func number(v float64) string {
	n, err := strconv.ParseFloat(strconv.FormatFloat(v, 'g', 6, 64), 64)
	if err != nil {
		n = v
	}
	return strconv.FormatFloat(n, 'f', -1, 64)
}
