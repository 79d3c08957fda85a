// Package room turns the readings of a room into hour slots, core
// temperatures and thermal exposure. It is pure: what it computes depends on
// the readings and the instant asked for, never on the order they came in.
//
// Several sensors of a quantity in a room are fused by their mean: at every
// instant the mean of those that have a trace there, each between two of its
// readings no further apart than its own stale limit. One that falls silent
// drops out and the others carry on; only where none is left is the room
// estimated, with a bound on either side. (Alarms are not judged by the mean;
// see package engine.)
package room

import (
	"fmt"
	"time"

	"dryhold/internal/unit"
)

// Series names one stream of readings: what one sensor measures in one room.
// A sensor moved to another room starts a new series there.
type Series struct {
	Room     string
	Sensor   string
	Quantity unit.Quantity
}

func (s Series) String() string { return fmt.Sprintf("%s/%s/%s", s.Room, s.Sensor, s.Quantity) }

// Reading is one measured value: At in UTC to the millisecond, Value in the
// canonical unit of the quantity, rounded to its resolution (unit.Round).
type Reading struct {
	Series
	At    time.Time
	Value float64
}
