// Package influx sends readings, hours, results of lots and alarm events to a
// server that takes the write API of InfluxDB v2.
//
// The schema follows the vendor's guidance: what a point is of stands in tags
// of few and stable values, what may change in fields, the quality of a value
// in a field beside it. Two points of the same series and time are one, so that
// sending again changes nothing. Times are in milliseconds, UTC.
//
//	measurement       tags                            fields
//	dryhold_reading   site room sensor quantity       value (°C, fraction, lx, dBm), as the sensor sent it
//	dryhold_hour      site room                       temperature_mean, _min, _max (°C); humidity_mean (fraction), vapour_mean (Pa);
//	                                                  light_dose (lx h); exposure_days (at 21 °C, 83.144 kJ/mol), exposure_low, exposure_high;
//	                                                  n, measured_s, estimated_s, unknown_s, humidity_s, light_s;
//	                                                  quality: measured, partial, estimated, unknown
//	dryhold_lot       site lot                        remaining_low, remaining_likely, remaining_high (1 at packing, 0 at the end; not safety);
//	                                                  end, end_early, end_late (s since 1970), lost_days, moisture (wet basis), water_activity,
//	                                                  oxygen (fraction), estimated_days, unknown_days, finished;
//	                                                  quality: measured, estimated, unknown; room, food, container, limiting (text)
//	dryhold_alarm     site kind to, and of these what the alarm is of: room sensor lot
//	                                                  from (text), value, peak (in the unit of the kind), active, unknown; by, do (text)
//	dryhold_export    site                            dropped: points given up since the start
//
// A value that is not known has no field.
package influx

import (
	"fmt"
	"math"
	"strings"
	"time"

	"github.com/influxdata/influxdb-client-go/v2/api/write"
)

// The measurements.
const (
	MeasurementReading = "dryhold_reading"
	MeasurementHour    = "dryhold_hour"
	MeasurementLot     = "dryhold_lot"
	MeasurementAlarm   = "dryhold_alarm"
	MeasurementExport  = "dryhold_export"
)

// Quality says how a value is known.
type Quality string

// Qualities, from the best to the worst.
const (
	Measured  Quality = "measured"
	Partial   Quality = "partial" // a part of the time is estimated or unknown
	Estimated Quality = "estimated"
	Unknown   Quality = "unknown"
)

// Reading is one value as a sensor sent it, in the canonical unit of its
// quantity.
type Reading struct {
	Site, Room, Sensor, Quantity string
	At                           time.Time
	Value                        float64
}

// Line is the point in line protocol.
func (r Reading) Line() (string, error) {
	return line(MeasurementReading, r.At, []string{"site", r.Site, "room", r.Room, "sensor", r.Sensor, "quantity", r.Quantity},
		map[string]any{"value": r.Value})
}

// Hour is one hour of a room.
type Hour struct {
	Site, Room string
	At         time.Time // when it begins
	N          int       // readings of temperature in it
	// Temperature in °C; mean, least and highest over the measured part, or the
	// estimate and its bounds.
	Mean, Min, Max               float64
	Measured, Estimated, Unknown time.Duration // of the temperature
	Humidity                     float64       // relative, fraction
	Vapour                       float64       // pressure, Pa
	HumidityMeasured             time.Duration
	Dose                         float64 // lux hours
	DoseMeasured                 time.Duration
	Exposure                     float64 // days at 21 °C
	ExposureLow, ExposureHigh    float64
}

// Quality is that of the temperature.
func (h Hour) Quality() Quality {
	switch {
	case h.Measured > 0 && h.Estimated+h.Unknown == 0:
		return Measured
	case h.Measured > 0:
		return Partial
	case h.Estimated > 0:
		return Estimated
	}
	return Unknown
}

// Line is the point in line protocol.
func (h Hour) Line() (string, error) {
	f := map[string]any{
		"n": h.N, "measured_s": h.Measured.Seconds(), "estimated_s": h.Estimated.Seconds(), "unknown_s": h.Unknown.Seconds(),
		"humidity_s": h.HumidityMeasured.Seconds(), "light_s": h.DoseMeasured.Seconds(), "quality": string(h.Quality()),
	}
	if h.Measured+h.Estimated > 0 {
		f["temperature_mean"], f["temperature_min"], f["temperature_max"] = h.Mean, h.Min, h.Max
		f["exposure_days"], f["exposure_low"], f["exposure_high"] = h.Exposure, h.ExposureLow, h.ExposureHigh
	}
	if h.HumidityMeasured > 0 {
		f["humidity_mean"], f["vapour_mean"] = h.Humidity, h.Vapour
	}
	if h.DoseMeasured > 0 {
		f["light_dose"] = h.Dose
	}
	return line(MeasurementHour, h.At, []string{"site", h.Site, "room", h.Room}, f)
}

// Lot is what was found of a lot at an instant.
type Lot struct {
	Site, Lot string
	At        time.Time
	// Room, Food and Container are where and what it is, for people.
	Room, Food, Container string
	Low, Likely, High     float64 // remaining quality
	Limiting              string
	End, Early, Late      time.Time // zero: beyond 100 years, or finished
	LostDays              float64
	Moisture, Activity    float64 // wet basis; water activity
	Oxygen                float64 // fraction inside
	EstimatedDays         float64
	UnknownDays           float64
	Finished              bool
}

// Quality is the worst that its life holds for a day or more.
func (l Lot) Quality() Quality {
	switch {
	case l.UnknownDays >= 1:
		return Unknown
	case l.EstimatedDays >= 1:
		return Estimated
	}
	return Measured
}

// Line is the point in line protocol.
func (l Lot) Line() (string, error) {
	f := map[string]any{
		"room": l.Room, "food": l.Food, "container": l.Container, "limiting": l.Limiting,
		"remaining_low": l.Low, "remaining_likely": l.Likely, "remaining_high": l.High, "lost_days": l.LostDays,
		"moisture": l.Moisture, "water_activity": l.Activity, "oxygen": l.Oxygen,
		"estimated_days": l.EstimatedDays, "unknown_days": l.UnknownDays, "finished": l.Finished, "quality": string(l.Quality()),
	}
	for name, at := range map[string]time.Time{"end": l.End, "end_early": l.Early, "end_late": l.Late} {
		if !at.IsZero() {
			f[name] = at.Unix()
		}
	}
	return line(MeasurementLot, l.At, []string{"site", l.Site, "lot", l.Lot}, f)
}

// Alarm is one event of an alarm.
type Alarm struct {
	Site, Kind, Room, Sensor, Lot string // what it is not of is empty
	At                            time.Time
	From, To                      string // states
	Value, Peak                   float64
	Active, Unknown               bool
	Do, By                        string // what a person did, and who
}

// Line is the point in line protocol.
func (a Alarm) Line() (string, error) {
	f := map[string]any{"from": a.From, "value": a.Value, "peak": a.Peak, "active": a.Active, "unknown": a.Unknown, "do": a.Do, "by": a.By}
	return line(MeasurementAlarm, a.At, []string{"site", a.Site, "kind", a.Kind, "to", a.To, "room", a.Room, "sensor", a.Sensor, "lot", a.Lot}, f)
}

// ProbeLine is a point that is always right, of how the export fares.
func ProbeLine(site string, at time.Time, dropped uint64) (string, error) {
	return line(MeasurementExport, at, []string{"site", site}, map[string]any{"dropped": int64(dropped)})
}

// line writes a point. Empty tags and texts are left out, and numbers that are
// none.
func line(measurement string, at time.Time, tags []string, fields map[string]any) (string, error) {
	p := write.NewPointWithMeasurement(measurement).SetTime(at)
	for i := 0; i+1 < len(tags); i += 2 {
		// Parsers differ in what a backslash before a mark is in a tag.
		if v := strings.ReplaceAll(clean(tags[i+1]), `\`, "/"); v != "" {
			p.AddTag(tags[i], v)
		}
	}
	n := 0
	for k, v := range fields {
		switch x := v.(type) {
		case string:
			if v = clean(x); v == "" {
				continue
			}
		case float64:
			if math.IsNaN(x) || math.IsInf(x, 0) {
				continue
			}
		}
		p.AddField(k, v)
		n++
	}
	if n == 0 {
		return "", fmt.Errorf("a point of %s at %s holds no value", measurement, at.UTC().Format(time.RFC3339))
	}
	return strings.TrimSuffix(write.PointToLineProtocol(p.SortTags().SortFields(), time.Millisecond), "\n"), nil
}

// clean makes a text fit for one line, which a line break would end.
func clean(s string) string {
	return strings.TrimSpace(strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7f {
			return ' '
		}
		return r
	}, strings.ToValidUTF8(s, "?")))
}
