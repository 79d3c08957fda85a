// Package sensor keeps what people say about sensors (calibrated, replaced,
// wrong for a while) as facts beside the readings, which stay as they came,
// and finds sensors that are stuck, jump, drift or disagree. It is pure.
package sensor

import (
	"time"

	"dryhold/internal/unit"
)

// Kind is what a change says of a sensor.
type Kind string

// Kinds of change. They are stored: never rename.
const (
	// Calibrated: from From on, a reading of the quantity is taken as
	// Gain × value + Offset, until the next Calibrated or Swapped of it. Due is
	// when to calibrate again.
	Calibrated Kind = "calibrated"
	// Corrected: within From and To the same, on top of the calibration.
	Corrected Kind = "corrected"
	// Voided: readings within From and To do not count.
	Voided Kind = "voided"
	// Swapped: at From the device was replaced: by one of the name New, or by
	// one under the same name when New is empty. Its calibration ends; where
	// New is another name, the sensor is no longer expected to speak.
	Swapped Kind = "swapped"
	// Placed: from From up to To, or until the next Placed of the sensor, it
	// stood at Place in the room In, or in its own where In is empty. What it
	// reads then is of that place and does not count for its room. With an empty
	// Place it is back, and counts again.
	Placed Kind = "placed"
	// Revoked takes back the change of the sequence number Revokes.
	Revoked Kind = "revoked"
)

// Change is one fact about a sensor: who said what, when, why. Changes are only
// ever appended; how a reading counts is their fold.
type Change struct {
	Kind     Kind      `json:"kind"`
	Seq      int       `json:"seq"` // 1, 2, ... in the order they were told
	Room     string    `json:"room,omitempty"`
	Sensor   string    `json:"sensor,omitempty"`
	Recorded time.Time `json:"recorded"` // when it was told
	By       string    `json:"by,omitempty"`
	Note     string    `json:"note,omitempty"` // the reason; Corrected, Voided and Revoked must have one

	// Quantity is of Calibrated, Corrected and Voided; nil in a Voided means
	// every quantity of the sensor.
	Quantity *unit.Quantity `json:"quantity,omitempty"`
	From     time.Time      `json:"from,omitzero"`
	To       time.Time      `json:"to,omitzero"`      // excluded; of Corrected, Voided and, if it is known, Placed
	Gain     float64        `json:"gain,omitempty"`   // 0.5 to 2; of Calibrated and Corrected
	Offset   float64        `json:"offset,omitempty"` // in the canonical unit of the quantity
	Due      time.Time      `json:"due,omitzero"`     // of Calibrated; zero when none is planned
	New      string         `json:"new,omitempty"`    // of Swapped
	Place    string         `json:"place,omitempty"`  // of Placed: "top shelf by the window"
	In       string         `json:"in,omitempty"`     // of Placed
	Revokes  int            `json:"revokes,omitempty"`
}
