package audit

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"dryhold/internal/sensor"
	"dryhold/internal/unit"
)

// Sensors are the acts that changes of sensors are, in their order.
func Sensors(changes []sensor.Change) []Act {
	var book sensor.Book
	out := make([]Act, 0, len(changes))
	for _, c := range changes {
		a := Act{
			Told: c.Recorded, At: c.From, By: c.By, Kind: Sensor, Of: c.Room + "/" + c.Sensor,
			What: Words(c), Why: c.Note, Change: c.Seq,
		}
		switch target, known := book.Target(c); {
		case c.Kind == sensor.Revoked:
			a.At = c.Recorded
			if known {
				a.Old, a.Of = Words(target), target.Room+"/"+target.Sensor
			}
		case c.Kind == sensor.Calibrated:
			a.Old = "not calibrated"
			if old := book.Calibration(c.Room, c.Sensor, quantity(c), c.From); !old.From.IsZero() {
				a.Old = Line(quantity(c), old.Gain, old.Offset)
			}
		}
		book.Apply(c)
		out = append(out, a)
	}
	return out
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
	case sensor.Placed:
		if c.Place == "" {
			return "back in its place" + until
		}
		if c.In != "" {
			return fmt.Sprintf("placed in %s at %q%s", c.In, c.Place, until)
		}
		return fmt.Sprintf("placed at %q%s", c.Place, until)
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
