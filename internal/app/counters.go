package app

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"

	"dryhold/internal/engine"
	"dryhold/internal/nearest"
	"dryhold/internal/room"
	"dryhold/internal/wire"
)

const (
	// errorTopics bounds the topics whose errors are counted apart.
	errorTopics = 200
	otherTopics = "(other)"
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
)

// counters counts what came in. The writer and the client's goroutine share
// it.
type counters struct {
	mu      sync.Mutex
	intake  engine.IntakeView
	errs    map[[2]string]*engine.TopicErrors
	open    map[string]bool // rooms that exist
	devices devices
}

// rooms notes the rooms that exist.
func (c *counters) rooms(names []string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.open = map[string]bool{}
	for _, n := range names {
		c.open[n] = true
	}
}

// known notes what devices say of themselves, and refuses readings from rooms that are not listed where only listed
// rooms are accepted, or beyond the bound on rooms. A value of unknown age is
// no reading and opens no room.
func (a *App) known(topic string, decoded wire.Decoded, errs []*wire.Error) ([]room.Reading, []*wire.Error) {
	c := &a.counters
	c.mu.Lock()
	defer c.mu.Unlock()
	kept := slices.DeleteFunc(decoded.Readings, func(r room.Reading) bool {
		switch {
		case c.open[r.Room]:
			return false
		case !a.opts.Settings.AcceptNewRooms:
			why := fmt.Errorf("room %q is not in the configuration%s", r.Room, nearest.Hint(r.Room, c.names()))
			errs = append(errs, &wire.Error{Topic: topic, Cause: unknownRoom, Err: why})
			return true
		case len(c.open) >= maxRooms:
			why := fmt.Errorf("room %q would be one more than %d: list the rooms in the configuration", r.Room, maxRooms)
			errs = append(errs, &wire.Error{Topic: topic, Cause: tooManyRooms, Err: why})
			return true
		}
		if !decoded.AgeUnknown {
			c.open[r.Room] = true
		}
		return false
	})
	news, changed := c.said(topic, decoded, a.opts.Settings.StaleLimit)
	if changed {
		a.log.Info("a device says how it is", "device", decoded.Status.Device, "state", string(decoded.Status.State))
	}
	return kept, append(errs, news...)
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
		c.errs = map[[2]string]*engine.TopicErrors{}
	}
	topic := strings.ToValidUTF8(e.Topic, "?")
	k := [2]string{topic, string(e.Cause)}
	if c.errs[k] == nil && len(c.errs) >= errorTopics {
		k[0] = otherTopics
	}
	if c.errs[k] == nil {
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

// view is a copy for publication.
func (c *counters) view(connected bool) engine.IntakeView {
	c.mu.Lock()
	defer c.mu.Unlock()
	v := c.intake
	v.Connected = connected
	v.LastKnown = slices.Clone(v.LastKnown)
	v.Errors = nil
	for _, e := range c.errs {
		v.Errors = append(v.Errors, *e)
	}
	slices.SortFunc(v.Errors, func(a, b engine.TopicErrors) int {
		return cmp.Or(strings.Compare(a.Topic, b.Topic), strings.Compare(a.Cause, b.Cause))
	})
	return v
}
