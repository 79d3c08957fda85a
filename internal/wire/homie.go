package wire

import (
	"bytes"
	"errors"
	"fmt"
	"slices"
	"strings"

	"dryhold/internal/unit"
)

// Homie describes the properties of devices that keep to the Homie convention
// (homieiot.github.io), version 4, whose topics are homie/device/node/property,
// or 5, with homie/5/device/node/property. The base may have another name; the
// last three levels are always those. Each property is subscribed to by name,
// and with them the device's $state.
type Homie struct {
	// Properties are the values to read, at least one, each of another name
	// and quantity.
	Properties []Property
}

// Property is one property of a node.
type Property struct {
	// Name is the property's id, the last level of its topic, see CheckName.
	Name     string
	Quantity unit.Quantity
	// Unit is the unit the value arrives in; the zero Unit means the
	// canonical one. The convention carries the unit in an attribute, but
	// leaves it open what stands there.
	Unit unit.Unit
	// Scale multiplies the raw value before its unit is converted. Zero means
	// 1.
	Scale float64
}

// State is what a device says of itself.
type State string

// The states of a device. All but Removed are the convention's own words:
// versions 4 and 5 say the same, except that only 4 knows alert.
const (
	Init         State = "init"
	Ready        State = "ready"
	Disconnected State = "disconnected" // it took its leave
	Sleeping     State = "sleeping"
	Lost         State = "lost" // its last will: the connection broke off
	Alert        State = "alert"
	// Removed is an empty payload: the device was taken away (version 5).
	Removed State = "removed"
)

// Gone reports whether the device is away by its own word or its last will.
// No other state says that it measures: whether it does is judged by what it
// sends.
func (s State) Gone() bool { return s == Lost || s == Disconnected || s == Removed }

// Status is what a device said of itself.
type Status struct {
	// Device is the topic of the device, in UTF-8.
	Device string
	// Room and Sensor are set where the device's topic or the mapping tells
	// them: a device of several sensors has neither.
	Room, Sensor string
	State        State
}

// CheckHomie reports what is wrong with the topic pattern of a Homie mapping
// beyond CheckPattern: it needs a base, a device, a node and + in the place of
// the property.
func CheckHomie(pattern string) error {
	levels := strings.Split(pattern, "/")
	switch {
	case len(levels) < 4:
		return fmt.Errorf("topic pattern %q is not that of a Homie property: write for example homie/5/%s/climate/+", pattern, levelSensor)
	case levels[len(levels)-1] != "+":
		return fmt.Errorf("topic pattern %q: the last level is that of the Homie properties listed: write + there", pattern)
	}
	for _, l := range levels {
		switch {
		case l == levelQuantity:
			return fmt.Errorf("topic pattern %q: each Homie property has its own quantity: leave %s out", pattern, levelQuantity)
		case strings.HasPrefix(l, "$"):
			return fmt.Errorf("topic pattern %q: %q is an attribute of the Homie convention: $state is read of itself, the others are of no use here", pattern, l)
		}
	}
	return nil
}

func (c *mapping) checkHomie(h Homie) error {
	faults := []error{CheckHomie(c.pattern)}
	if len(h.Properties) == 0 {
		faults = append(faults, fmt.Errorf("topic pattern %q: no property is given", c.pattern))
	}
	names, quantities := map[string]bool{}, map[unit.Quantity]bool{}
	for _, p := range h.Properties {
		fault := func(err error) {
			faults = append(faults, fmt.Errorf("topic pattern %q: property %q: %w", c.pattern, p.Name, err))
		}
		if err := CheckName(p.Name); err != nil {
			fault(err)
		}
		if _, err := unit.ParseQuantity(p.Quantity.String()); err != nil {
			fault(err)
			continue
		}
		if names[p.Name] || quantities[p.Quantity] {
			fault(fmt.Errorf("its name or %s is given twice", p.Quantity))
		}
		names[p.Name], quantities[p.Quantity] = true, true
		if _, err := newConversion(p.Quantity, p.Unit, p.Scale); err != nil {
			fault(err)
		}
	}
	return errors.Join(faults...)
}

// device gives the levels of the device's topic.
func (c *mapping) device() []level { return c.levels[:len(c.levels)-2] }

// homieParts makes of a checked Homie mapping one mapping of a number for
// each property, and one of the device's state.
func (c *mapping) homieParts(h Homie) []mapping {
	levels := strings.Split(c.pattern, "/")
	part := func(levels ...string) mapping {
		m := mapping{pattern: c.pattern, room: c.room, sensor: c.sensor, homie: true}
		m.compileLevels(levels)
		m.several = c.hasSensor && !m.hasSensor || c.hasRoom && !m.hasRoom
		return m
	}
	var parts []mapping
	for _, p := range h.Properties {
		m := part(append(levels[:len(levels)-1:len(levels)-1], p.Name)...)
		conv, _ := newConversion(p.Quantity, p.Unit, p.Scale) // checked before
		m.quantity, m.number = p.Quantity, map[unit.Quantity]conversion{p.Quantity: conv}
		parts = append(parts, m)
	}
	m := part(append(levels[:len(levels)-2:len(levels)-2], "$state")...)
	m.state = true
	return append(parts, m)
}

// homieOther reports a topic of a mapped Homie device, or of the convention
// beside it, that carries no reading and no state: an attribute, a broadcast
// or a command.
func (m *Map) homieOther(topic string) bool {
	levels := strings.Split(topic, "/")
	for _, device := range m.devices {
		n := len(device)
		if len(levels) < n || !prefixed(levels, device) {
			continue
		}
		if len(levels) > n+2 && levels[len(levels)-1] == "set" {
			return true
		}
		for _, l := range levels[n-1:] {
			if strings.HasPrefix(l, "$") {
				return true
			}
		}
	}
	return false
}

// prefixed reports whether the levels of a topic begin with those of a
// device, or with those of the convention's broadcasts in its place.
func prefixed(levels []string, device []level) bool {
	if strings.HasPrefix(levels[0], "$") && device[0].kind != literal {
		return false
	}
	for i, d := range device {
		last := i == len(device)-1
		if d.kind == literal && levels[i] != d.text && !(last && levels[i] == "$broadcast") {
			return false
		}
	}
	return true
}

// decodeState reads what a device says of itself. It says so for as long as
// the broker keeps it, so that a retained state is as good as a fresh one.
func (m *Map) decodeState(msg Message, c capture, found *mapping) (Decoded, []*refusal) {
	s := &Status{Room: found.room, Sensor: found.sensor}
	device, _ := strings.CutSuffix(msg.Topic, "/$state")
	s.Device = strings.ToValidUTF8(device, "\uFFFD")
	if c.hasSensor {
		if err := CheckName(c.sensor); err != nil {
			return Decoded{}, []*refusal{{BadName, fmt.Errorf("sensor: %w", err)}}
		}
		s.Sensor = c.sensor
	}
	if c.hasRoom {
		if err := CheckName(c.room); err != nil {
			return Decoded{}, []*refusal{{BadName, fmt.Errorf("room: %w", err)}}
		}
		s.Room = c.room
	}
	if s.Room == "" {
		s.Room = m.rooms[s.Sensor]
	}
	if s.Sensor == "" && !found.several {
		s.Sensor = s.Room
	}
	switch state := State(bytes.Trim(msg.Payload, space)); {
	case len(msg.Payload) == 0:
		s.State = Removed
	case slices.Contains([]State{Init, Ready, Disconnected, Sleeping, Lost, Alert}, state):
		s.State = state
	default:
		return Decoded{}, []*refusal{refuse(BadState, "%.40q is no state of a device: it is one of init, ready, disconnected, sleeping, lost and alert", msg.Payload)}
	}
	return Decoded{Status: s}, nil
}
