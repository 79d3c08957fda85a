package engine

import (
	"encoding/json"
	"math"
	"strconv"
	"time"

	"dryhold/internal/review"
	"dryhold/internal/unit"
)

type (
	// RoomCourse is what a room was like over a stretch of time, in buckets whose
	// edges lie on minutes or hours of UTC or on days of the site's zone. What is
	// not known is null, whatever the rest of the bucket was like.
	RoomCourse struct {
		Site string    `json:"site"`
		Room string    `json:"room"`
		From time.Time `json:"from"` // of the first bucket
		To   time.Time `json:"to"`   // end of the last
		// AsOf is the instant up to which the room is judged: what lies after it is
		// in no bucket. It is zero, as is Since, before the first reading.
		AsOf  time.Time `json:"as_of,omitzero"`
		Since time.Time `json:"first_hour,omitzero"`
		// Step is the width of a bucket as ISO 8601 has it: PT5M, PT1H, P1D.
		Step       string      `json:"step"`
		Limits     RoomLimits  `json:"limits"`
		Core       CoreClass   `json:"core"`
		Buckets    Buckets     `json:"buckets"`
		Summary    Summary     `json:"summary"`
		Events     []RoomEvent `json:"events"` // in order of time
		EventsMore int         `json:"events_more"`
		Strip      Strip       `json:"strip"`
	}
	// RoomLimits are those of warm, which is plan storage, damp and bright; null
	// where the room has none.
	RoomLimits struct {
		Warm   Number `json:"warm_celsius"`
		Damp   Number `json:"damp_fraction"`
		Bright Number `json:"bright_lux"`
	}
	// CoreClass says of which containers the core temperature is told.
	CoreClass struct {
		Container string     `json:"container"`
		Name      string     `json:"container_name"`
		Lag       unit.Hours `json:"lag_hours"`
		Chosen    CoreChoice `json:"chosen"`
		KG        float64    `json:"kg"` // of food behind such a lag, where it was chosen by food
	}
	// Buckets are columns, one row a bucket. Seconds are those judged, by
	// temperature. Mean, least and greatest temperature are over what was measured
	// or estimated; in a bucket that was estimated throughout the latter two are the
	// bounds of the estimate. Where the step is an hour or longer, the least and the
	// greatest humidity and light are means of an hour, else of the step.
	Buckets struct {
		Start     []time.Time   `json:"start"`
		State     []BucketState `json:"state"`
		Measured  []int64       `json:"measured_seconds"`
		Estimated []int64       `json:"estimated_seconds"`
		Unknown   []int64       `json:"unknown_seconds"`
		TempMean  Column        `json:"temperature_mean_celsius"`
		TempMin   Column        `json:"temperature_min_celsius"`
		TempMax   Column        `json:"temperature_max_celsius"`
		CoreMean  Column        `json:"core_mean_celsius"`
		RHMean    Column        `json:"humidity_mean_fraction"`
		RHMin     Column        `json:"humidity_min_fraction"`
		RHMax     Column        `json:"humidity_max_fraction"`
		DewPoint  Column        `json:"dew_point_mean_celsius"` // of the mean vapour pressure
		LuxMean   Column        `json:"illuminance_mean_lux"`
		LuxMax    Column        `json:"illuminance_max_lux"`
		Dose      Column        `json:"light_dose_lux_hours"`
		Ageing    Column        `json:"acceleration_against_plan"`
	}
	// Summary is the whole stretch. Time above a limit is measured time, by the
	// mean of an hour or of a shorter step.
	Summary struct {
		Measured   int64    `json:"measured_seconds"`
		Estimated  int64    `json:"estimated_seconds"`
		Unknown    int64    `json:"unknown_seconds"`
		Humid      int64    `json:"humidity_measured_seconds"` // together with temperature
		Lit        int64    `json:"illuminance_measured_seconds"`
		Temp       Extremes `json:"temperature_celsius"`
		Core       Extremes `json:"core_celsius"`
		RH         Extremes `json:"humidity_fraction"`
		DewPoint   Extremes `json:"dew_point_celsius"`
		Lux        Extremes `json:"illuminance_lux"`
		Dose       Number   `json:"light_dose_lux_hours"`
		Ageing     Extremes `json:"acceleration_against_plan"`
		OverWarm   int64    `json:"above_warm_limit_seconds"`
		OverDamp   int64    `json:"above_damp_limit_seconds"`
		OverBright int64    `json:"above_bright_limit_seconds"`
	}
	// Extremes are the least and the greatest there was, as the buckets have them,
	// and the mean of the stretch.
	Extremes struct {
		Lowest  Number `json:"lowest"`
		Mean    Number `json:"mean"`
		Highest Number `json:"highest"`
	}
	// RoomEvent is a spell of the room and what it has cost the lots in it, as
	// their reviews tell it.
	RoomEvent struct {
		review.Spell
		Lots []EventLot `json:"lots"` // that lost most days first, at most eventLots
		More int        `json:"lots_more"`
		Days float64    `json:"days_lost"` // of all lots together
		KG   float64    `json:"kg_lost"`
	}
	// EventLot is what a spell has cost one lot.
	EventLot struct {
		Lot  string  `json:"lot"`
		Food string  `json:"food_name"`
		Days float64 `json:"days_lost"`
		KG   float64 `json:"kg_lost"`
	}
	// Strip is the mean acceleration factor of each day of the site's zone, or of
	// each week counted from 1 January where there are many.
	Strip struct {
		Unit   string        `json:"unit"`  // day or week
		Start  []string      `json:"start"` // dates
		State  []BucketState `json:"state"`
		Ageing Column        `json:"acceleration_against_plan"`
	}
)

// CoreChoice says why the core of one class of containers is told.
type CoreChoice string

// Choices of a core. They are shown to programs: never rename.
const (
	CoreOfRoom    CoreChoice = "most-food-in-room"
	CoreOfHouse   CoreChoice = "most-food-in-house"
	CoreOfCatalog CoreChoice = "middle-of-catalog"
)

// BucketState is what most of a bucket is.
type BucketState string

// States of a bucket. They are shown to programs: never rename.
const (
	BucketMeasured  BucketState = "measured"  // at least half of it
	BucketEstimated BucketState = "estimated" // at least half of it, what was measured with it
	BucketPartial   BucketState = "partial"   // less than half is known: values are those of that part
	BucketUnknown   BucketState = "unknown"   // all of it: there are no values
)

// Number is a number that may not be known: not-a-number, in JSON null.
type Number float64

// Known says that there is a number.
func (n Number) Known() bool { return !math.IsNaN(float64(n)) && !math.IsInf(float64(n), 0) }

// MarshalJSON implements json.Marshaler.
func (n Number) MarshalJSON() ([]byte, error) { return appendNumber(nil, float64(n)), nil }

// UnmarshalJSON implements json.Unmarshaler.
func (n *Number) UnmarshalJSON(b []byte) error {
	var v *float64
	if err := json.Unmarshal(b, &v); err != nil {
		return err
	}
	*n = Number(math.NaN())
	if v != nil {
		*n = Number(*v)
	}
	return nil
}

// Column is a column of numbers that may not be known.
type Column []Number

// MarshalJSON implements json.Marshaler.
func (c Column) MarshalJSON() ([]byte, error) {
	out := make([]byte, 1, 8*len(c)+2)
	out[0] = '['
	for i, v := range c {
		if i > 0 {
			out = append(out, ',')
		}
		out = appendNumber(out, float64(v))
	}
	return append(out, ']'), nil
}

func appendNumber(b []byte, v float64) []byte {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return append(b, "null"...)
	}
	return strconv.AppendFloat(b, v, 'f', -1, 64)
}

// rounded keeps so many decimals: a chart shows no more.
func rounded(v float64, decimals int) float64 {
	scale := math.Pow10(decimals)
	return math.Round(v*scale) / scale
}
