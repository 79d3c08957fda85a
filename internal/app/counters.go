package app

import (
	"cmp"
	"context"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"time"

	"dryhold/internal/engine"
	"dryhold/internal/nearest"
	"dryhold/internal/room"
	"dryhold/internal/settings"
	"dryhold/internal/wire"
)

const (
	// errorTopics bounds the topics whose errors of one cause are counted
	// apart: a stranger who publishes on many topics leaves room for the
	// errors of others.
	errorTopics = 50
	otherTopics = "(other)"
	atQoS0      = "(at QoS 0)"
	// maxRooms bounds the rooms that readings may open by themselves: a
	// co-op's 200 with room to spare (design section 9).
	maxRooms = 500
	// lastKnownLimit bounds the retained values shown.
	lastKnownLimit = 200
)

// Causes of refusal beside those of the codec.
const (
	unknownRoom  wire.Cause = "unknown room"
	tooManyRooms wire.Cause = "too many rooms"
	dropping     wire.Cause = "dropped"
)

// counters counts what came in. The writer and the client's goroutine share
// it.
type counters struct {
	mu      sync.Mutex
	intake  engine.IntakeView
	errs    map[[2]string]*engine.TopicErrors
	rows    map[wire.Cause]int // of errs
	open    map[string]bool    // rooms that exist
	sensors map[[2]string]bool // room and name of those heard
	crowd   map[string]int     // how many of each room
	listed  map[string]bool    // sensors of the configuration
	devices devices
	flood   flood
	dropped engine.TopicErrors // messages at QoS 0
	flow    flow
}

// rooms notes the rooms that exist, and the sensors heard in them.
func (c *counters) rooms(names []string, heard []engine.SensorView, listed []settings.Sensor) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.open, c.sensors, c.crowd, c.listed = map[string]bool{}, nil, nil, map[string]bool{}
	for _, n := range names {
		c.open[n] = true
	}
	for _, s := range heard {
		c.heard(s.Room, s.Name)
	}
	for _, s := range listed {
		c.listed[s.Name] = true
	}
}

// known keeps of a message the readings that are taken, refuses the others, and
// notes what devices say of themselves. Refused are readings from rooms that
// are not listed where only listed rooms are accepted, those beyond the bounds
// on rooms and sensors, and what is too much of one sensor. A value of unknown
// age is no reading and opens nothing.
func (a *App) known(x *arrival) {
	topic, decoded, c := x.delivery.Topic, &x.decoded, &a.counters
	c.mu.Lock()
	defer c.mu.Unlock()
	decoded.Readings = slices.DeleteFunc(decoded.Readings, func(r room.Reading) bool {
		err := c.refusal(topic, r, decoded.AgeUnknown, a.opts.Settings.AcceptNewRooms)
		if err != nil {
			x.errs = append(x.errs, err)
		}
		return err != nil
	})
	decoded.Updates = slices.DeleteFunc(decoded.Updates, func(u wire.Update) bool {
		return !c.sensors[[2]string{u.Room, u.Sensor}] && !c.listed[u.Sensor] // not taken
	})
	x.intervals = a.intervals(decoded.Updates)
	news, changed := c.said(topic, *decoded, x.received, func(u wire.Update) time.Duration {
		return limitFor(a.opts.Settings, u.Sensor, max(u.Within, a.stated.longest(u.Sensor)))
	})
	x.errs = append(x.errs, news...)
	if changed {
		a.messages.Info("a device says how it is", "device", decoded.Status.Device, "state", string(decoded.Status.State))
	}
}

// trace says of a message what is read of it, to who asked for that.
func (a *App) trace(x *arrival) {
	if !a.messages.Enabled(context.Background(), slog.LevelDebug) {
		return
	}
	var whys []string
	for _, err := range x.errs {
		whys = append(whys, err.Error())
	}
	a.messages.Debug("a message", "topic", x.delivery.Topic, "bytes", len(x.delivery.Payload), "readings", len(x.decoded.Readings), "not read", strings.Join(whys, "; "))
}

// refusal says why a reading is not taken; nil when it is.
func (c *counters) refusal(topic string, r room.Reading, ageUnknown, anyRoom bool) *wire.Error {
	refuse := func(cause wire.Cause, format string, args ...any) *wire.Error {
		return &wire.Error{Topic: topic, Cause: cause, Err: fmt.Errorf(format, args...)}
	}
	switch {
	case !c.open[r.Room] && !anyRoom:
		return refuse(unknownRoom, "room %q is not in the configuration%s", r.Room, nearest.Hint(r.Room, c.names()))
	case !c.open[r.Room] && len(c.open) >= maxRooms:
		return refuse(tooManyRooms, "room %q would be one more than %d: list the rooms in the configuration", r.Room, maxRooms)
	case !c.admits(r.Room, r.Sensor, ageUnknown):
		return refuse(tooManySensors, "sensor %q would be one more than %d in room %s: list the sensors in the configuration", r.Sensor, maxSensors, r.Room)
	case ageUnknown:
		return nil
	}
	c.open[r.Room] = true
	if c.flood.thinned(topic, r) {
		return floodError(topic, r)
	}
	return nil
}

func (c *counters) names() []string {
	var out []string
	for n := range c.open {
		out = append(out, n)
	}
	slices.Sort(out)
	return out
}

// count books a batch that is on disk.
func (c *counters) count(batch []arrival, stored, duplicates int, now time.Time) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.intake.Messages += uint64(len(batch))
	c.flow.add(len(batch), now)
	c.intake.Stored += uint64(stored)
	c.intake.Duplicates += uint64(duplicates)
	if stored > 0 {
		c.intake.LastStored = now
	}
	for _, x := range batch {
		for _, e := range x.errs {
			c.countError(e, x.received)
		}
		if s := x.decoded.Status; s != nil {
			c.back(x.delivery.Topic, s, x.received)
		}
		if x.decoded.AgeUnknown {
			c.remember(x.decoded.Readings)
		}
	}
}

func (c *counters) countError(e *wire.Error, at time.Time) {
	if c.errs == nil {
		c.errs, c.rows = map[[2]string]*engine.TopicErrors{}, map[wire.Cause]int{}
	}
	topic := strings.ToValidUTF8(e.Topic, "?")
	k := [2]string{topic, string(e.Cause)}
	if c.errs[k] == nil && c.rows[e.Cause] >= errorTopics {
		k[0] = otherTopics
	}
	if c.errs[k] == nil {
		c.rows[e.Cause]++
		c.errs[k] = &engine.TopicErrors{Topic: k[0], Cause: k[1]}
	}
	x := c.errs[k]
	x.Count, x.Last, x.At = x.Count+1, e.Err.Error(), at
}

// remember keeps a retained value of unknown age, for display only.
func (c *counters) remember(readings []room.Reading) {
	for _, r := range readings {
		k := engine.LastKnown{Room: r.Room, Sensor: r.Sensor, Quantity: r.Quantity, Value: r.Value}
		i := slices.IndexFunc(c.intake.LastKnown, func(o engine.LastKnown) bool {
			return o.Room == k.Room && o.Sensor == k.Sensor && o.Quantity == k.Quantity
		})
		switch {
		case i >= 0:
			c.intake.LastKnown[i] = k
		case len(c.intake.LastKnown) < lastKnownLimit:
			c.intake.LastKnown = append(c.intake.LastKnown, k)
		}
	}
}

// overrun notes how many messages at QoS 0 were dropped since the start.
func (c *counters) overrun(dropped int64, now time.Time) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if uint64(dropped) > c.dropped.Count {
		c.dropped = engine.TopicErrors{Topic: atQoS0, Cause: string(dropping), Count: uint64(dropped), At: now,
			Last: "more came at QoS 0 than could be taken, and a broker does not keep those: let the sensors publish at QoS 1"}
	}
}

// view is a copy for publication.
func (c *counters) view(connected bool) engine.IntakeView {
	c.mu.Lock()
	defer c.mu.Unlock()
	v := c.intake
	v.Connected = connected
	v.LastKnown = slices.Clone(v.LastKnown)
	v.Devices = c.devices.views()
	v.Errors = nil
	if c.dropped.Count > 0 {
		v.Errors = append(v.Errors, c.dropped)
	}
	for _, e := range c.errs {
		v.Errors = append(v.Errors, *e)
	}
	slices.SortFunc(v.Errors, func(a, b engine.TopicErrors) int {
		return cmp.Or(strings.Compare(a.Topic, b.Topic), strings.Compare(a.Cause, b.Cause))
	})
	return v
}
