// Package alarm is the pure state machine of one alarm condition, with the
// state names of ISA-18.2 / IEC 62682, and the text of the notices it calls
// for. Time comes in with each event; missing data never clears an alarm.
package alarm

import "time"

// Kind is what an alarm condition watches.
type Kind string

// The conditions of a room or a sensor.
const (
	Warm   Kind = "warm"   // air temperature above its limit
	Damp   Kind = "damp"   // relative humidity above its limit
	Bright Kind = "bright" // illuminance above its limit
	Silent Kind = "silent" // a sensor has sent nothing for its stale limit
)

// Priority orders alarms for the keeper.
type Priority int

// Priorities, low to high.
const (
	Low    Priority = 1
	Medium Priority = 2
	High   Priority = 3
)

// Rule is the setting of one condition. Limit and Deadband are in the
// canonical unit of the quantity watched (°C, fraction, lx), or that which the
// kind names; spans of time are in seconds. For Silent the limit is the stale
// limit and only OnDelay counts, as for CalibrationDue. For LowBattery, Quality,
// OxygenSpent, AbsorberSmall and Disk the trouble is below the limit.
//
// A rule without delays is instant, one with an on-delay continuous, and one
// with a window that looks back accumulated.
type Rule struct {
	Kind     Kind
	Limit    float64
	Deadband float64       // returns only below Limit-Deadband (a battery above Limit+Deadband), >= 0
	OnDelay  time.Duration // above the limit this long before it is active
	OffDelay time.Duration // below the deadband this long before it returns
	Priority Priority
	// Over is the temperature, °C, of HoursOver and Ahead.
	Over float64
	// Window is how far Ageing and HoursOver look back and Ahead looks ahead.
	Window time.Duration
	// Planned is when the lot of EndsEarly is planned to be used; zero where
	// nobody has said so.
	Planned time.Time
	// Stale is how long a reading stands: past it the value is unknown
	// without a call of Missing. Zero: only Missing makes it unknown.
	Stale time.Duration
}

// State is a state of the alarm life cycle.
type State string

// States by the standard's names.
const (
	Normal               State = "normal"
	ActiveUnacknowledged State = "active unacknowledged"
	ActiveAcknowledged   State = "active acknowledged"
	ReturnedUnack        State = "returned unacknowledged"
	Shelved              State = "shelved"
	OutOfService         State = "out of service"
)

// Key identifies a condition: its kind, its room and, for a condition of one
// sensor, the sensor. A condition of a lot has only the lot, since the lot may
// move; one of the whole site has none of them.
type Key struct {
	Kind   Kind   `json:"kind"`
	Room   string `json:"room"`
	Sensor string `json:"sensor,omitempty"`
	Lot    string `json:"lot,omitempty"`
}

// String is the key as shown and as typed to acknowledge: warm/loft,
// silent/loft/loft-1, quality/L-3, disk. ParseKey reads it.
func (k Key) String() string {
	s := string(k.Kind)
	for _, part := range []string{k.Room, k.Sensor, k.Lot} {
		if part != "" {
			s += "/" + part
		}
	}
	return s
}
