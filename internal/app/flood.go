package app

import (
	"fmt"
	"time"

	"golang.org/x/time/rate"

	"dryhold/internal/health"
	"dryhold/internal/room"
	"dryhold/internal/wire"
)

const (
	// floodRate is how many readings of one series count for each second of
	// the time they are dated at. A room changes in minutes: what is more tells
	// of a fault, not of the room (judgement).
	floodRate = 10
	// floodBurst is how many more count at once. Numbers without a time of
	// their own are all dated at their receipt when a broker hands them over
	// after an outage: these are ten hours of one every ten seconds.
	floodBurst = 3600
	// floodShown is how long a flood is a finding of health after its last
	// message.
	floodShown = 10 * time.Minute
	// maxSensors bounds the sensors of one room that readings may open by
	// themselves: a room is folded over all of its own (judgement).
	maxSensors = 50
)

// Causes of refusal beside those of the codec.
const (
	tooOften       wire.Cause = "too often"
	tooManySensors wire.Cause = "too many sensors"
)

// flood thins what a sensor sends in a loop, before it can fill the disk and
// keep the writer from other sensors. Its measure is the time that readings are
// dated at, not that of their arrival: a sensor that was away for a month and
// hands over its log within a second sends one reading for each minute of that
// month, and all of them count, whether it begins with the oldest or the
// newest. Holding back instead of thinning would hurt the others, since a
// broker sends one client's messages in one order.
type flood struct {
	series map[room.Series]*pace // of accepted sensors, so it is bounded
	thin   uint64                // readings, since the start
	sensor string                // the last one thinned
	topic  string
	seen   time.Time // by the machine's clock
}

// pace is how close the readings of one series lie.
type pace struct {
	limit *rate.Limiter
	last  time.Time // date of the reading before
	clock time.Time // runs by the time from each reading to the next, either way
}

// thinned reports whether a reading is one too many.
func (f *flood) thinned(topic string, r room.Reading) bool {
	p := f.series[r.Series]
	if p == nil {
		if f.series == nil {
			f.series = map[room.Series]*pace{}
		}
		p = &pace{limit: rate.NewLimiter(floodRate, floodBurst), last: r.At, clock: time.Unix(0, 0)}
		f.series[r.Series] = p
	}
	p.clock = p.clock.Add(min(r.At.Sub(p.last).Abs(), time.Hour)) // more fills the bucket all the same
	p.last = r.At
	if p.limit.AllowN(p.clock, 1) {
		return false
	}
	f.thin++
	f.sensor, f.topic, f.seen = r.Sensor, topic, time.Now()
	return true
}

// floodError says of a reading that it was one too many.
func floodError(topic string, r room.Reading) *wire.Error {
	return &wire.Error{Topic: topic, Cause: tooOften, Err: fmt.Errorf(
		"sensor %s sends %s more than %d times a second; what is more is not stored: %s", r.Sensor, r.Quantity, floodRate, floodRemedy)}
}

const floodRemedy = "let it send every 10 s to 10 min, and see whether it is stuck in a loop"

// admits reports whether readings of a sensor are taken: of those that were
// heard before or that are listed, always; of others while there are not too
// many.
func (c *counters) admits(room, sensor string, ageUnknown bool) bool {
	k := [2]string{room, sensor}
	if c.sensors[k] || c.listed[sensor] {
		return true
	}
	if c.crowd[room] >= maxSensors {
		return false
	}
	if !ageUnknown {
		c.heard(room, sensor)
	}
	return true
}

// heard notes a sensor that is taken.
func (c *counters) heard(room, sensor string) {
	if c.sensors == nil {
		c.sensors, c.crowd = map[[2]string]bool{}, map[string]int{}
	}
	if k := [2]string{room, sensor}; !c.sensors[k] {
		c.sensors[k] = true
		c.crowd[room]++
	}
}

// checkFlood is not urgent: what the sensor sends at a sane pace is stored.
func (a *App) checkFlood(now time.Time) health.Check {
	c := &a.counters
	c.mu.Lock()
	defer c.mu.Unlock()
	f := &c.flood
	out := health.Check{Code: "flood", Title: "No sensor floods the others", OK: f.thin == 0 || now.Sub(f.seen) > floodShown, Text: "none sends more often than it should"}
	switch {
	case !out.OK:
		out.Text = fmt.Sprintf("sensor %s on %q sends more than %d readings a second: %d were not stored since the start: %s", f.sensor, f.topic, floodRate, f.thin, floodRemedy)
	case f.thin > 0:
		out.Text = fmt.Sprintf("over: %d readings of a flood were not stored since the start, the last of sensor %s on %q", f.thin, f.sensor, f.topic)
	}
	return out
}
