package engine

import (
	"fmt"
	"time"

	"dryhold/internal/course"
	"dryhold/internal/forecast"
	"dryhold/internal/lot"
	"dryhold/internal/unit"
)

// Receiving is a room as a lot that is yet to be packed would find it.
type Receiving struct {
	Name string
	// Temperature at which food aged there in the last 30 days, or plan storage
	// where that is not known.
	Temperature unit.Celsius
	// Known says that enough is known of the room to send a lot there.
	Known bool
}

// Receivings lists the rooms but that of the air outdoors.
func (e *Engine) Receivings(now time.Time) ([]Receiving, error) {
	if err := e.workOut(now); err != nil {
		return nil, fmt.Errorf("cannot say what the rooms are like: %w", err)
	}
	var out []Receiving
	for _, name := range e.Rooms() {
		if name == e.cfg.Forecasting.Outdoors {
			continue
		}
		r := Receiving{Name: name, Temperature: e.Plan(name)}
		if k, _, ok := e.follower.Lately(name, now.Truncate(time.Hour)); ok {
			r.Temperature = k.Temperature
		}
		p := e.prospectOf(name, now.Truncate(24*time.Hour))
		r.Known = p.known >= leastKnown || p.stated
		out = append(out, r)
	}
	return out, nil
}

// Unpacked looks ahead for a lot that is not there yet, packed now into a room,
// under the forecast of that room; warmest holds the room at most at it, nil
// leaves it as it comes. The error wraps lot.ErrNotFound for a room that is not
// there.
func (e *Engine) Unpacked(now time.Time, l lot.Lot, in string, warmest *unit.Celsius) (course.Ends, error) {
	if e.find(in) == nil {
		return course.Ends{}, lot.NotFound("there is no room %q%s", in, hintOf(in, e.Rooms()))
	}
	if err := e.workOut(now); err != nil {
		return course.Ends{}, fmt.Errorf("cannot look ahead for a lot: %w", err)
	}
	l.Packing.Room, l.Packing.PackedAt = in, now
	l.Stays = []lot.Stay{{Room: in, From: now}}
	c, err := e.follower.Start(l)
	if err != nil {
		return course.Ends{}, err
	}
	p := e.prospectOf(in, now.Truncate(24*time.Hour))
	if warmest != nil {
		p = p.held(forecast.Hold{Warmest: warmest})
	}
	return e.follower.Forecast(c, l, p, false)
}
