// Package engine is the one reducer: events in (readings, lot changes,
// operator actions, ticks), state changed, effects out. Time comes inside the
// event; it does no I/O.
//
// Where a room has several sensors of a quantity, ageing goes by their mean
// (see package room), since food stands everywhere in the room and an error of
// one is halved; the value shown is the mean of those not stale. Alarms go by
// the highest of them, since the warmest or dampest shelf is the one at risk.
// How far they are apart is shown beside the mean and has an alarm of its own.
// What does not count, voided or of a retired sensor, is in neither.
package engine

import (
	"time"

	"dryhold/internal/alarm"
	"dryhold/internal/unit"
)

// Snapshot is the published state: immutable once published, read by pages,
// metrics and the command line without a lock.
type Snapshot struct {
	Site    string       `json:"site"`
	At      time.Time    `json:"at"`
	Rooms   []RoomView   `json:"rooms"`
	Lots    []LotView    `json:"lots"`
	Alarms  []AlarmView  `json:"alarms"` // every condition that is not normal, worst first
	Sensors []SensorView `json:"sensors"`
	Intake  IntakeView   `json:"intake"`
}

// IntakeView counts what came over MQTT since the daemon started.
type IntakeView struct {
	Connected  bool          `json:"connected"`
	Messages   uint64        `json:"messages"`   // on mapped topics
	Stored     uint64        `json:"stored"`     // readings now on disk
	Duplicates uint64        `json:"duplicates"` // readings that were on disk already
	LastStored time.Time     `json:"last_stored,omitzero"`
	Errors     []TopicErrors `json:"errors"` // by topic and cause, bounded; the rest under topic "(other)"
	// LastKnown holds retained values without a time of their own: age
	// unknown, shown only, never counted.
	LastKnown []LastKnown `json:"last_known"`
	// Devices is what devices say of themselves, by topic.
	Devices []DeviceView `json:"devices"`
}

// TopicErrors counts the messages or fields of one topic that could not be
// used, for one cause.
type TopicErrors struct {
	Topic string    `json:"topic"`
	Cause string    `json:"cause"`
	Count uint64    `json:"count"`
	Last  string    `json:"last"` // text of the newest
	At    time.Time `json:"at"`
}

// LastKnown is a retained value of unknown age.
type LastKnown struct {
	Room     string        `json:"room"`
	Sensor   string        `json:"sensor"`
	Quantity unit.Quantity `json:"quantity"`
	Value    float64       `json:"value"`
}

// Value is the present value of a quantity in a room. Unknown is a state of
// its own: Known is false when no sensor has reported within its stale limit,
// and then Value is the last known one, if At is set.
type Value struct {
	Known bool      `json:"known"`
	Value float64   `json:"value"` // canonical unit of the quantity
	At    time.Time `json:"at,omitzero"`
}

// RoomView is one room now.
type RoomView struct {
	Name        string `json:"name"`
	Temperature Value  `json:"temperature_celsius"`
	Humidity    Value  `json:"relative_humidity_fraction"`
	Illuminance Value  `json:"illuminance_lux"`
	DewPoint    Value  `json:"dew_point_celsius"`
	// Disagree is how far the sensors of the room are apart by what they said
	// last, the highest less the lowest; 0 where fewer than two speak. The
	// temperature shown is their mean.
	Disagree         float64 `json:"temperature_disagreement_kelvin"`
	DisagreeHumidity float64 `json:"humidity_disagreement_fraction"`
	// Limits of warm, damp and bright in canonical units; the plan storage
	// temperature is the warm limit.
	WarmLimit   unit.Celsius `json:"warm_limit_celsius"`
	DampLimit   unit.RH      `json:"damp_limit_fraction"`
	BrightLimit unit.Lux     `json:"bright_limit_lux"`
	// Acceleration of ageing at the present temperature against plan
	// storage, for an activation energy of 80 kJ/mol.
	Acceleration Value `json:"acceleration_against_plan"`
	// MeanKinetic temperature of the last 30 days (83.144 kJ/mol).
	MeanKinetic Value `json:"mean_kinetic_temperature_30d_celsius"`
	// Coverage of the last 24 h with measured temperature, fraction.
	Coverage24h  float64 `json:"coverage_24h_fraction"`
	LightDose30d float64 `json:"light_dose_30d_lux_hours"`
	LotCount     int     `json:"lots"`
	// Mould index of the surfaces of the room; none while its humidity was
	// never known. MouldCaveat belongs beside it.
	Mould []MouldView `json:"mould"`
	// GrowthNow is how fast mould spreads on a dirty surface at the present
	// temperature and humidity; empty where it does not, or is not known to.
	GrowthNow string `json:"mould_growth_now,omitempty"`
}

// AlarmView is one alarm condition that is not normal.
type AlarmView struct {
	Key      alarm.Key      `json:"key"`
	State    alarm.State    `json:"state"`
	Priority alarm.Priority `json:"priority"`
	Since    time.Time      `json:"since"`
	Unknown  bool           `json:"unknown"` // no reading now: the state is held
	Value    float64        `json:"value"`
	Peak     float64        `json:"peak"`
	Limit    float64        `json:"limit"`
	By       string         `json:"acknowledged_by,omitempty"`
	// Spell names the present spell, as Condition.SpellKey does.
	Spell string `json:"spell,omitempty"`
	// Active says what the readings say, also while it is set aside.
	Active bool `json:"active"`
	// Note is what a person noted of it last.
	Note   string    `json:"note,omitempty"`
	NoteBy string    `json:"note_by,omitempty"`
	NoteAt time.Time `json:"note_at,omitzero"`
	// ShelvedUntil is the end of shelving, AsideBy who shelved it or took it
	// out of service.
	ShelvedUntil time.Time       `json:"shelved_until,omitzero"`
	AsideBy      string          `json:"aside_by,omitempty"`
	Text         string          `json:"text"`
	Costs        []alarm.LotCost `json:"costs"`
	Advice       []alarm.Advice  `json:"advice"` // the cheapest first
}
