package app

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"dryhold/internal/engine"
	"dryhold/internal/room"
	"dryhold/internal/wire"
)

// Causes of what devices say of themselves, counted beside the refusals.
const (
	sensorGone wire.Cause = "sensor gone"
	shortLimit wire.Cause = "stale limit too short"
)

// maxDevices bounds what is remembered of devices; what those beyond say is
// counted each time it comes.
const maxDevices = 1000

// devices holds what devices said of themselves, so that what a broker sends
// again at each connection counts once.
type devices struct {
	states  map[string]engine.DeviceView // by topic of the device
	updates map[room.Series]time.Duration
}

// said notes what a message says of its device, and gives what the keeper
// must know of it. A device that is gone clears nothing and starts nothing:
// its readings stand, and fall silent, by their stale limit.
func (c *counters) said(topic string, decoded wire.Decoded, at time.Time, stale func(wire.Update) time.Duration) (news []*wire.Error, changed bool) {
	if s := decoded.Status; s != nil {
		if changed = c.devices.changed(s, at); changed && s.State.Gone() {
			news = append(news, &wire.Error{Topic: topic, Cause: sensorGone,
				Err: fmt.Errorf("device %s is %s by its own word or its last will: see to its power and its link", s.Device, s.State)})
		}
	}
	for _, u := range decoded.Updates {
		limit := stale(u)
		if !judges(u) || u.Within < limit {
			continue
		}
		if differs(&c.devices.updates, u.Series, u.Within) {
			news = append(news, &wire.Error{Topic: topic, Cause: shortLimit, Err: fmt.Errorf(
				"sensor %s says that it may send %s only every %v, and counts as silent after %v: give it a longer stale limit under sensors",
				u.Sensor, u.Quantity, u.Within, limit)})
		}
	}
	return news, changed
}

// changed keeps what a device says of itself and reports whether it is news.
func (d *devices) changed(s *wire.Status, at time.Time) bool {
	before, known := d.states[s.Device]
	if known && before.State == string(s.State) {
		return false
	}
	if d.states == nil {
		d.states = map[string]engine.DeviceView{}
	}
	if known || len(d.states) < maxDevices {
		d.states[s.Device] = engine.DeviceView{
			Device: s.Device, Room: s.Room, Sensor: s.Sensor, State: string(s.State), Gone: s.State.Gone(), Heard: at,
		}
	}
	return true
}

// views lists what devices say of themselves, by topic.
func (d *devices) views() []engine.DeviceView {
	return slices.SortedFunc(maps.Values(d.states), func(a, b engine.DeviceView) int { return strings.Compare(a.Device, b.Device) })
}

// differs keeps a value and reports whether it is another than before.
func differs[K, V comparable](in *map[K]V, k K, v V) bool {
	if *in == nil {
		*in = map[K]V{}
	}
	if before, known := (*in)[k]; known && before == v {
		return false
	} else if known || len(*in) < maxDevices {
		(*in)[k] = v
	}
	return true
}

// back notes of a device that was gone that it is there again; how often it
// was gone stays.
func (c *counters) back(topic string, s *wire.Status, at time.Time) {
	if e := c.errs[[2]string{topic, string(sensorGone)}]; e != nil && !s.State.Gone() {
		e.Last, e.At = fmt.Sprintf("device %s is back: it says %s", s.Device, s.State), at
	}
}
