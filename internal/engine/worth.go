package engine

import (
	"time"

	"dryhold/internal/course"
	"dryhold/internal/forecast"
	"dryhold/internal/lot"
	"dryhold/internal/review"
	"dryhold/internal/room"
	"dryhold/internal/unit"
)

// Outdoors is where a Question hangs a sensor in the air outdoors.
const Outdoors = "outdoors"

// Narrowing is what one more sensor, read for a year, would be worth for a lot:
// how much narrower its projected end would have been today, had the sensor hung
// there for the year before. What it will read is unknown; how far it narrows
// what is open does not depend on it.
type Narrowing struct {
	// Now and Then are the widths of the 10 to 90 % band of the projected end,
	// days, an end beyond 100 years taken as there.
	Now  float64 `json:"band_days_now"`
	Then float64 `json:"band_days_then"`
	// Share is by how much narrower it would be, 0 to 1.
	Share float64 `json:"narrower_share"`
}

// Days by which the band would narrow.
func (n *Narrowing) Days() float64 { return n.Now - n.Then }

// checkSensor refuses a place that is none of the house.
func (e *Engine) checkSensor(at string) error {
	if at != Outdoors && e.find(at) == nil {
		return lot.NotFound("there is no room %q%s: name a room, or %s", at, hintOf(at, append(e.Rooms(), Outdoors)), Outdoors)
	}
	return nil
}

// hangs says which sensor it is for a room; any is false where it tells nothing
// of that room.
func (t *Trial) hangs(in string) (s forecast.Sensor, any bool) {
	switch t.sensor {
	case in:
		return forecast.SensorHere, true
	case Outdoors, t.e.cfg.Forecasting.Outdoors:
		return forecast.SensorOutdoors, true
	}
	return 0, false
}

// surer is a lot with one more sensor.
func (t *Trial) surer(c course.Course, l lot.Lot) (g review.Gain, n *Narrowing, err error) {
	g.Lot = l.ID
	if l.Finished() {
		g.Not = review.NotFinished
		return g, nil, nil
	}
	in := l.Room()
	now := t.e.prospectOf(in, c.At.Truncate(24*time.Hour))
	t.learned(in, now)
	if g.Now, err = t.e.follower.Forecast(c, l, now, false); err != nil {
		return g, nil, err
	}
	g.Then, g.Beyond = g.Now, g.Now.By == ""
	if s, any := t.hangs(in); any {
		then := t.another(in, now, func() *prospect {
			return &prospect{day: now.day, model: now.model.Surer(now.day, s), aging: map[room.Key]*forecast.Exposure{}}
		})
		if g.Then, err = t.e.follower.Forecast(c, l, surer{now, then}, false); err != nil {
			return g, nil, err
		}
	}
	a, b := g.Now.Band(), g.Then.Band()
	n = &Narrowing{Now: a.High - a.Low, Then: b.High - b.Low}
	n.Then = min(n.Then, n.Now) // to a draw
	if n.Now > 0 {
		n.Share = 1 - n.Then/n.Now
	}
	return g, n, nil
}

// surer is the climate ahead of a room, of which less is open then.
type surer struct {
	*prospect
	then *prospect
}

// Ageing implements course.Ahead.
func (s surer) Ageing(ea unit.KJPerMol, lag unit.Hours) course.Ageing {
	return surerAgeing{s.exposure(ea, lag), s.then.exposure(ea, lag)}
}

type surerAgeing struct {
	*forecast.Exposure
	then *forecast.Exposure
}

// LnSpread implements course.Ageing.
func (s surerAgeing) LnSpread(days float64) float64 {
	return min(s.Exposure.LnSpread(days), s.then.LnSpread(days))
}
