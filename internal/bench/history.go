// Package bench makes the invented histories that dryhold is measured with,
// keeps the figures that were measured, and holds what a change costs against a
// baseline. It is used by tests only.
package bench

import (
	"fmt"
	"math"
	"math/rand/v2"
	"time"

	"dryhold/internal/room"
	"dryhold/internal/unit"
)

// House is an invented house whose sensors have sent a temperature and a
// humidity each minute. Each day of a sensor follows from Seed alone, so that
// any part of thirty years is made without the rest, and always the same.
type House struct {
	Seed uint64
	// Sensors is how many there are; sensor i stands in room i modulo Rooms.
	Sensors, Rooms int
	// From is the UTC day of the first reading.
	From time.Time
}

// Larch is the house of the bars of the design: 20 sensors in 8 rooms.
func Larch() House {
	return House{Seed: 1, Sensors: 20, Rooms: 8, From: time.Date(2000, time.July, 1, 0, 0, 0, 0, time.UTC)}
}

// Minutes is how many readings of a quantity a sensor takes in a day; those
// lost on the way are fewer.
const Minutes = 24 * 60

// RoomNames lists the rooms.
func (h House) RoomNames() []string {
	out := make([]string, h.Rooms)
	for i := range out {
		out[i] = h.room(i)
	}
	return out
}

func (h House) room(sensor int) string { return fmt.Sprintf("room-%d", sensor%h.Rooms+1) }

// Series gives the two series of a sensor.
func (h House) Series(sensor int) (temperature, humidity room.Series) {
	name := fmt.Sprintf("sensor-%02d", sensor+1)
	return room.Series{Room: h.room(sensor), Sensor: name, Quantity: unit.Temperature},
		room.Series{Room: h.room(sensor), Sensor: name, Quantity: unit.Humidity}
}

// Kind is how a sensor measures and how its time comes about.
type Kind struct {
	// Step is the resolution: 0.01 or 0.1 °C, and as many percent of humidity.
	Step float64
	// Noise is the standard deviation of a temperature in °C; that of a
	// humidity is ten times as many percent.
	Noise float64
	// Grid says that a gateway asks at each full minute; otherwise the sensor
	// sleeps a minute by a clock of its own, which is Drift too slow.
	Grid  bool
	Drift float64
	// Latency is the mean of the delay after which a message is stamped.
	Latency time.Duration
}

// Kind gives that of a sensor. By turns: fine and coarse ones, asked by a gateway
// and with clocks of their own. Figures are judgement, of what data sheets of
// household sensors promise: resolution 0.01 and 0.1 °C, noise of one to three
// hundredths, crystals within 20 ppm and RC clocks within 1 %.
func (h House) Kind(sensor int) Kind {
	k := Kind{Step: 0.01, Noise: 0.012, Grid: sensor%2 == 0, Latency: 40 * time.Millisecond}
	switch sensor % 4 {
	case 1:
		k.Noise, k.Drift = 0.03, 20e-6
	case 2:
		k.Step, k.Noise, k.Latency = 0.1, 0.03, 15*time.Millisecond
	case 3:
		k.Step, k.Noise, k.Drift, k.Latency = 0.1, 0.02, 4e-3, 120*time.Millisecond
	}
	return k
}

// Faults of sending: one message in lost does not arrive, one day in silentDays
// has a silence of one to ten hours (judgement).
const (
	lost       = 300
	silentDays = 45
)

// Day gives the readings of a sensor on a day, counted from From, in order of
// time: temperature and humidity by turns, each pair at one instant, to the
// millisecond.
func (h House) Day(sensor, day int) []room.Reading {
	rng := rand.New(rand.NewPCG(h.Seed, uint64(sensor)<<32|uint64(uint32(day))))
	k := h.Kind(sensor)
	temperature, humidity := h.Series(sensor)
	start := h.From.AddDate(0, 0, day)
	silent, loud := silence(rng)
	out := make([]room.Reading, 0, 2*Minutes)
	for minute, offset := range k.beats(day) {
		// Drawn whether it arrives or not: the rest of the day stays as it is.
		gone, late := rng.IntN(lost) == 0, time.Duration(rng.ExpFloat64()*float64(k.Latency))
		t, rh := h.climate(sensor, float64(day)+float64(minute)/Minutes)
		t += k.Noise * rng.NormFloat64()
		rh += 10 * k.Noise * rng.NormFloat64()
		at := start.Add(offset + late).Truncate(time.Millisecond)
		if gone || minute >= silent && minute < loud || !at.Before(start.AddDate(0, 0, 1)) {
			continue
		}
		out = append(out,
			room.Reading{Series: temperature, At: at, Value: unit.Temperature.Round(rounded(t, k.Step))},
			room.Reading{Series: humidity, At: at, Value: unit.Humidity.Round(rounded(min(max(rh, 0), 100), k.Step) / 100)})
	}
	return out
}

// silence draws the minutes between which nothing comes; mostly there are none.
func silence(rng *rand.Rand) (from, to int) {
	some, begin, hours := rng.IntN(silentDays) == 0, rng.IntN(Minutes), 1+rng.IntN(10)
	if !some {
		return 0, 0
	}
	return begin, begin + 60*hours
}

// beats gives when the messages of a day leave, after midnight. A clock of its
// own goes on from day to day, so that its minutes wander through those of others.
func (k Kind) beats(day int) []time.Duration {
	step, first := time.Minute, time.Duration(0)
	if !k.Grid {
		step += time.Duration(k.Drift * float64(time.Minute))
		const length = 24 * time.Hour
		if over := time.Duration(day) * length % step; over > 0 {
			first = step - over
		}
	}
	out := make([]time.Duration, 0, Minutes)
	for at := first; at < 24*time.Hour; at += step {
		out = append(out, at)
	}
	return out
}

// climate is the true temperature in °C and humidity in percent beside a sensor,
// days after From: the wave of a year and of a day, weather that comes and goes
// within a week, and a hot week in some summers. Rooms differ in how much of it
// they feel; the first hardly any, as a cellar.
func (h House) climate(sensor int, days float64) (t, rh float64) {
	r := float64(sensor % h.Rooms)
	feels := 0.15 + 0.85*r/float64(max(h.Rooms-1, 1))
	phase := float64(h.Seed%1000) + 0.7*r
	year := math.Cos(2 * math.Pi * (days - 20) / 365.25) // warmest three weeks after the first of July
	day := math.Sin(2*math.Pi*(days-0.4)) + 0.3*math.Sin(4*math.Pi*days+r)
	weather := math.Sin(days/1.7+phase) + 0.6*math.Sin(days/0.73+2*phase) + 0.8*math.Sin(days/4.9+3*phase)
	door := 0.05 * math.Sin(2*math.Pi*days*24/0.6+phase) // what a heating or cooling machine does
	t = 15 + feels*(9*year+1.5*day+1.3*weather) + door + 0.2*float64(sensor/h.Rooms)
	rh = 55 - 6*feels*(day+weather) + 5*year - 4*door
	return t, rh
}

// rounded brings a value to a sensor's resolution.
func rounded(v, step float64) float64 { return math.Round(v/step) * step }
