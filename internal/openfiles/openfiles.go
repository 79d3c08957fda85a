// Package openfiles writes everything of a site into a folder of open files,
// CSV (RFC 4180) and JSON Lines, and reads such a folder back: so that a keeper
// can leave with all data, and what comes back is what went out.
//
// What is a fact stands in full in the JSON Lines; the CSV beside them is for
// tables and people, with instants to the millisecond. Readings are whole in
// both. What was worked out of the facts is for people and is not read back: it
// follows from the facts again.
package openfiles

import (
	"reflect"
	"time"

	"dryhold/internal/alarm"
	"dryhold/internal/audit"
	"dryhold/internal/dispatch"
	"dryhold/internal/engine"
	"dryhold/internal/lot"
	"dryhold/internal/note"
	"dryhold/internal/review"
	"dryhold/internal/sensor"
	"dryhold/internal/unit"
)

// Kind is one kind of line.
type Kind struct {
	Name  string // of its files: lot_changes
	About string // what a line is, for the README of the folder
	Fact  bool   // it is read back
	Split bool   // a file for each room and calendar year (UTC)
	row   reflect.Type
}

// Kinds lists every kind, in the order in which they are read back.
func Kinds() []Kind {
	fact := func(name string, row reflect.Type, about string) Kind {
		return Kind{Name: name, About: about, Fact: true, row: row}
	}
	worked := func(name string, row reflect.Type, about string) Kind {
		return Kind{Name: name, About: about, row: row}
	}
	readings := fact("readings", reflect.TypeFor[Reading](), "one measured value. value is as the sensor sent it, in the unit named beside it. counts says whether it counts for its room (not where it was voided, or its sensor was replaced or stood elsewhere), value_as_counted is the value then, with calibrations and corrections")
	readings.Split = true
	hours := worked("hours", reflect.TypeFor[Hour](), "one hour of a room: its air, how much of it was measured, estimated and not known, light, and thermal exposure")
	hours.Split = true
	return []Kind{
		fact("series", reflect.TypeFor[Series](), "what one sensor measures in one room, and in which unit"),
		readings,
		fact("lot_changes", reflect.TypeFor[LotChange](), "one change of a lot, as it was told: packed, moved, noted, tested, used, split, finished, taken back, and rounds through a room (kind inspected)"),
		fact("sensor_changes", reflect.TypeFor[sensor.Change](), "what was told of a sensor: calibrated, corrected, voided, replaced, placed, or taken back; offset is in the unit of the quantity"),
		fact("room_notes", reflect.TypeFor[note.Change](), "what was said of a stretch of a room's time"),
		fact("operator_actions", reflect.TypeFor[Action](), "what a person did to an alarm"),
		fact("alarm_events", reflect.TypeFor[AlarmEvent](), "what an alarm went through; value and peak are in the unit of what its kind watches"),
		fact("imports", reflect.TypeFor[Import](), "one import of past readings, which stand among the readings"),
		fact("alarm_conditions", reflect.TypeFor[alarm.Condition](), "the state of an alarm at the instant of the export"),
		fact("told", reflect.TypeFor[dispatch.Told](), "what a person was told of an alarm"),
		fact("notices", reflect.TypeFor[Notice](), "one notice on one channel, and what became of it; without its links, which do something for whoever has them"),
		fact("stated_intervals", reflect.TypeFor[StatedInterval](), "the longest time that a sensor said it may take until its next reading"),
		fact("done_once", reflect.TypeFor[DoneOnce](), "what was done by a link in a notice or by a command, which works once"),
		fact("damaged_days", reflect.TypeFor[DamagedDay](), "a day of readings that was damaged on disk, as it was found; data is what is left of it (base64)"),

		worked("acts", reflect.TypeFor[audit.Act](), "what people did, in words, the newest first"),
		worked("rooms", reflect.TypeFor[engine.RoomView](), "a room at the instant of the export, with its limits"),
		worked("sensors", reflect.TypeFor[engine.SensorView](), "a sensor at the instant of the export"),
		worked("lots", reflect.TypeFor[engine.LotView](), "a lot as of the last whole hour: what is left of it, and when it is expected to end"),
		worked("reviews", reflect.TypeFor[review.Review](), "what the past has cost a lot, by month, year, room and event; days of life at plan storage"),
		hours,
	}
}

// Series is what one sensor measures in one room.
type Series struct {
	Room     string        `json:"room"`
	Sensor   string        `json:"sensor"`
	Quantity unit.Quantity `json:"quantity"`
	Unit     string        `json:"unit"`
}

// Reading is one measured value, in UTC to the millisecond and in the canonical
// unit of its quantity.
type Reading struct {
	Room     string        `json:"room"`
	Sensor   string        `json:"sensor"`
	Quantity unit.Quantity `json:"quantity"`
	Unit     string        `json:"unit"`
	At       time.Time     `json:"at"`
	Value    float64       `json:"value"`
	// Counts says whether it counts for its room, and AsCounted as which value;
	// null where it does not. Neither is read back.
	Counts    bool     `json:"counts"`
	AsCounted *float64 `json:"value_as_counted"`
}

// LotChange is one change of a lot.
type LotChange struct {
	Seq int64 `json:"seq"`
	lot.Change
}

// Action is what a person did to an alarm.
type Action struct {
	Seq    int64     `json:"seq"`
	At     time.Time `json:"at"`
	Action string    `json:"action"`
	Alarm  string    `json:"alarm"` // warm/loft
	By     string    `json:"by"`
	Note   string    `json:"note"`
	Until  time.Time `json:"until,omitzero"` // of shelving
}

// AlarmEvent is one transition of an alarm, or an act on it.
type AlarmEvent struct {
	Seq int64 `json:"seq"`
	alarm.Event
}

// Import is one import of past readings.
type Import struct {
	Seq    int64     `json:"seq"`
	At     time.Time `json:"at"`
	By     string    `json:"by"`
	Source string    `json:"source"`
	Stored int64     `json:"readings_stored"`
	Known  int64     `json:"readings_known"`
	First  time.Time `json:"first"`
	Last   time.Time `json:"last"`
}

// Notice is one notice on one channel.
type Notice struct {
	ID        int64        `json:"id"`
	Key       string       `json:"key"`
	Channel   string       `json:"channel"`
	Notice    alarm.Notice `json:"notice"`
	Queued    time.Time    `json:"queued"`
	Attempts  int64        `json:"attempts"`
	Due       time.Time    `json:"due"`
	Delivered time.Time    `json:"delivered,omitzero"`
	Refused   time.Time    `json:"refused,omitzero"`
	Cause     string       `json:"cause"`
}

// StatedInterval is the longest time a sensor said it may take until its next
// reading.
type StatedInterval struct {
	Sensor string `json:"sensor"`
	Within int64  `json:"within_ms"`
}

// DoneOnce is what may be done only once, and was.
type DoneOnce struct {
	ID   string    `json:"id"`
	At   time.Time `json:"at"`
	What string    `json:"what"`
	By   string    `json:"by"`
}

// DamagedDay is one packed day that failed its checksum.
type DamagedDay struct {
	Room     string        `json:"room"`
	Sensor   string        `json:"sensor"`
	Quantity unit.Quantity `json:"quantity"`
	Day      time.Time     `json:"day"` // its start, UTC
	Readings int64         `json:"readings"`
	Codec    int64         `json:"codec"`
	Data     []byte        `json:"data"`
	Found    time.Time     `json:"found"`
	Reason   string        `json:"reason"`
}

// Hour is one hour of a room. What is not known is null.
type Hour struct {
	Room string    `json:"room"`
	At   time.Time `json:"at"` // when it begins
	// Air temperature over the measured part; in an hour without any, the
	// estimate and its bounds.
	Mean *float32 `json:"temperature_mean_celsius"`
	Min  *float32 `json:"temperature_min_celsius"`
	Max  *float32 `json:"temperature_max_celsius"`
	// Seconds of the hour whose temperature was measured, estimated, not known.
	Measured  float64 `json:"measured_seconds"`
	Estimated float64 `json:"estimated_seconds"`
	Unknown   float64 `json:"unknown_seconds"`
	// Humidity and vapour pressure over the part in which both temperature and
	// humidity were measured.
	Humidity         *float32 `json:"humidity_mean_fraction"`
	Vapour           *float32 `json:"vapour_pressure_mean_pascal"`
	HumidityMeasured float64  `json:"humidity_measured_seconds"`
	// Dose of light over the measured part.
	Dose          *float32 `json:"light_dose_lux_hours"`
	LightMeasured float64  `json:"light_measured_seconds"`
	// Exposure of the air, days at the reference temperature, likely and its
	// bounds.
	Exposure     float64 `json:"exposure_days"`
	ExposureLow  float64 `json:"exposure_low_days"`
	ExposureHigh float64 `json:"exposure_high_days"`
}

// part is the file of a line of a kind that is split: its room and year.
type part struct {
	room string
	year int
}

func (r *Reading) part() part { return part{r.Room, r.At.Year()} }
func (h *Hour) part() part    { return part{h.Room, h.At.Year()} }
