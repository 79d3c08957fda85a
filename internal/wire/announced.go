package wire

import (
	"bytes"
	"fmt"
	"slices"
	"strings"

	"dryhold/internal/unit"
)

// Notes that an announcement answers.
const (
	noteEmpty  = "the payload is empty"
	noteUnsaid = "the topic does not say what the number measures: choose it"
)

// ProposeAnnounced proposes as Propose does, with what was announced of the topic
// in the place of guesses. Without a message, which is a payload that is empty,
// it goes by the announcement alone.
func ProposeAnnounced(msg Message, rooms []string, announced []Announced) Proposal {
	p := Propose(msg, rooms)
	announced = slices.DeleteFunc(slices.Clone(announced), func(a Announced) bool { return a.Topic != msg.Topic })
	if len(announced) == 0 || strings.HasPrefix(msg.Topic, "$") {
		return p
	}
	unseen := len(bytes.Trim(msg.Payload, space)) == 0
	fields := slices.ContainsFunc(announced, func(a Announced) bool { return a.Readable() && a.Path != "" })
	whole := slices.ContainsFunc(announced, func(a Announced) bool { return a.Readable() && a.Path == "" })
	p.settled(announced)
	switch {
	case unseen && fields:
		p.Shape = ShapeJSON
	case unseen && whole:
		p.Shape = ShapeNumber
	}
	if p.Shape == ShapeNumber && whole && len(p.Values) > 0 { // whatever its topic is called
		p.Values[0].Quantity, p.Values[0].Unit = 0, ""
	}
	if unseen && p.Shape != ShapeNone {
		p.Notes = slices.DeleteFunc(p.Notes, func(n string) bool { return n == noteEmpty })
		p.note("nothing has come on this topic yet: what is read of its messages cannot be shown")
	}
	for _, a := range announced {
		switch of := a.of(); {
		case a.Why != "":
			p.note("%s: %s", of, a.Why)
		case a.Quantity == 0:
		case p.Shape == ShapeJSON && a.Path != "":
			p.field(a, of, unseen)
		case p.Shape == ShapeNumber && a.Path == "":
			p.number(a, of)
		default:
			p.note("%s is announced otherwise than its messages are written", of)
		}
	}
	p.stands(announced, rooms)
	return p
}

// of names what was announced.
func (a Announced) of() string {
	if a.Device == "" {
		return fmt.Sprintf("%q", a.Name)
	}
	return fmt.Sprintf("%q of %q", a.Name, a.Device)
}

// settled takes back what was guessed of quantities that were announced: a sensor
// has one of each, and what is announced and cannot be read is not guessed either.
func (p *Proposal) settled(announced []Announced) {
	for i, c := range p.Values {
		for _, a := range announced {
			if a.Quantity == c.Quantity && c.Quantity != 0 {
				p.Values[i].Quantity, p.Values[i].Unit, p.Values[i].Scale = 0, "", 1
			}
		}
	}
}

// field takes a field of the JSON as it was announced.
func (p *Proposal) field(a Announced, of string, unseen bool) {
	if p.taken(a.Quantity) {
		p.note("%s is a second %s of this sensor: give it a sensor of its own if it is wanted", of, a.Quantity)
		return
	}
	at := slices.IndexFunc(p.Values, func(c Candidate) bool { return c.Path == a.Path })
	if at < 0 {
		if len(p.Values) >= maxValues {
			p.note("%s stands behind the %d values that are looked at", of, maxValues)
			return
		}
		if !unseen {
			p.note("%s stands in %s, which this message has not", of, a.Path)
		}
		p.Values, at = append(p.Values, Candidate{Path: a.Path, Scale: 1}), len(p.Values)
	}
	p.Values[at] = p.announced(p.Values[at], a, of)
}

// number takes the whole payload as it was announced.
func (p *Proposal) number(a Announced, of string) {
	c := Candidate{Scale: 1}
	if len(p.Values) > 0 {
		c = p.Values[0]
	}
	if c.Quantity != 0 {
		p.note("%s is announced as well, and the topic has one number", of)
		return
	}
	p.Notes = slices.DeleteFunc(p.Notes, func(n string) bool { return n == noteUnsaid })
	p.Values = []Candidate{p.announced(c, a, of)}
}

// announced is a value with quantity and unit as announced; where no unit was, by
// what is usual and plausible.
func (p *Proposal) announced(c Candidate, a Announced, of string) Candidate {
	c.Quantity, c.Unit, c.Scale = a.Quantity, a.Unit, 1
	if a.Unit != "" {
		p.note("%s is announced as %s in %s", of, a.Quantity, a.Unit)
		return c
	}
	p.note("%s is announced as %s, without a unit: look at the one proposed", of, a.Quantity)
	guessed := guess(Candidate{Raw: c.Raw, Quantity: a.Quantity}, "")
	c.Unit, c.Scale = guessed.Unit, guessed.Scale
	if guessed.Quantity == 0 || c.Unit == "" || p.Shape == ShapeNumber && c.Scale != 1 {
		c.Unit, c.Scale = map[unit.Quantity]string{unit.Temperature: "C", unit.Illuminance: "lx", unit.Link: "dBm"}[a.Quantity], 1
		if c.Unit == "" {
			c.Unit = "%"
		}
	}
	return c
}

// stands fills in the room and the sensor, where the topic names none, by the
// area or the device that was announced.
func (p *Proposal) stands(announced []Announced, rooms []string) {
	if p.Shape != ShapeJSON && p.Shape != ShapeNumber {
		return
	}
	for _, a := range announced {
		if device := plainName(a.Device); p.Sensor == "" && !strings.Contains(p.Pattern, levelSensor) && CheckName(device) == nil {
			p.Sensor = device
		}
		if p.Room != "" || strings.Contains(p.Pattern, levelRoom) {
			continue
		}
		area, device := plainName(a.Area), plainName(a.Device)
		for _, r := range rooms {
			if name := plainName(r); name != "" && (area == name || device == name || strings.HasPrefix(device, name+"-") || strings.HasSuffix(device, "-"+name)) {
				p.Room = r
				break
			}
		}
		if p.Room == "" && a.Area != "" {
			p.note("the hub has it in %q, which is no room here: choose the room", a.Area)
		}
	}
	var once []string
	for _, n := range p.Notes {
		if !slices.Contains(once, n) {
			once = append(once, n)
		}
	}
	p.Notes = once
}

// plainName is a name for people as one for rooms and sensors.
func plainName(s string) string {
	return strings.Join(strings.FieldsFunc(strings.ToLower(s), func(r rune) bool { return r < '0' || r > 'z' || r > '9' && r < 'a' }), "-")
}
