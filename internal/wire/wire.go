package wire

import (
	"errors"
	"fmt"
	"strings"
	"time"

	"dryhold/internal/room"
	"dryhold/internal/unit"
)

// Message is one received MQTT message.
type Message struct {
	Topic   string
	Payload []byte
	// ReceivedAt is when the message came in. It bounds a message's own time
	// and stands in for it where there is none.
	ReceivedAt time.Time
	// Retained is set when the broker sent a kept message rather than a fresh
	// one: its age is then unknown unless it carries its own time.
	Retained bool
}

// Decoded is what a message says.
type Decoded struct {
	Readings []room.Reading
	// OwnTime is set when the readings carry the time the sender gave them.
	OwnTime bool
	// AgeUnknown marks a retained message without a time of its own. It may
	// be shown as the last known value; it must not be integrated, fire an
	// alarm or clear one.
	AgeUnknown bool
	// Updates are how often the sender says to measure, if it says so.
	Updates []Update
	// Status is what a device says of itself, nil in a message that does not
	// say it. It is never a reading and never renews one.
	Status *Status
	// Ignored marks a message that belongs to a known convention and says
	// nothing of use here, such as the name of a device. It is no error.
	Ignored bool
}

// Update is the longest time until the sender's next reading of a series, as
// the sender says: what its stale limit should not be shorter than.
type Update struct {
	room.Series
	Within time.Duration // above 0
}

// Cause says why a message, or a field of it, was refused. It is one of a
// short fixed list, so that refusals can be counted by it.
type Cause string

// The causes of refusal.
const (
	NotMapped    Cause = "not mapped"      // no mapping, no known quantity or no room for the topic
	TooLarge     Cause = "too large"       // more than MaxPayload bytes
	NotUTF8      Cause = "not utf-8"       // payload or topic
	NotJSON      Cause = "not json"        // not one valid JSON text
	TooDeep      Cause = "too deep"        // JSON nested beyond 64 levels
	MissingField Cause = "missing field"   // no field of the mapping is there, or the time is not
	NotANumber   Cause = "not a number"    // no decimal number where one belongs
	Implausible  Cause = "implausible"     // a number outside the physical range of its quantity
	BadTime      Cause = "bad time"        // a time that cannot be read
	FromFuture   Cause = "from the future" // more than MaxAhead after the receipt
	TooOld       Cause = "too old"         // before Earliest: a sensor's clock that was never set
	BadName      Cause = "bad name"        // a room or sensor in the topic or a record that fails CheckName
	BadPack      Cause = "bad pack"        // not a SenML pack that may be used (RFC 8428)
	WrongUnit    Cause = "wrong unit"      // a SenML unit that is not one of the quantity
	BadState     Cause = "bad state"       // a device state the Homie convention does not know
)

// Causes lists every cause.
func Causes() []Cause {
	return []Cause{NotMapped, TooLarge, NotUTF8, NotJSON, TooDeep, MissingField,
		NotANumber, Implausible, BadTime, FromFuture, TooOld, BadName, BadPack, WrongUnit, BadState}
}

// Error is one refusal: of a whole message, or of one field of it.
type Error struct {
	// Topic is the topic of the message, made valid UTF-8.
	Topic string
	// Pattern is the pattern of the mapping that was used, empty when none
	// matched. Unlike topics, patterns are few: counters should use it.
	Pattern string
	Cause   Cause
	Err     error
}

func (e *Error) Error() string {
	return fmt.Sprintf("cannot read the message on %q: %s: %v", e.Topic, e.Cause, e.Err)
}

// Unwrap gives the detail.
func (e *Error) Unwrap() error { return e.Err }

const (
	// MaxPayload is the largest payload that is looked at, in bytes. A
	// reading takes some hundred bytes (judgement: a wide margin above).
	MaxPayload = 64 << 10
	// MaxAhead is how far a message's own time may lie after its receipt.
	MaxAhead = 5 * time.Minute
)

// earliestUnix is 2000-01-01T00:00:00Z in seconds. Clocks that were never set
// count from 1970 or from the start of the device.
const earliestUnix = 946_684_800

// refusal is an Error before it knows its topic.
type refusal struct {
	cause Cause
	err   error
}

func refuse(cause Cause, format string, args ...any) *refusal {
	return &refusal{cause, fmt.Errorf(format, args...)}
}

// Map decodes messages by a list of mappings. It never changes after NewMap
// and may be used from several goroutines at once.
type Map struct {
	mappings []mapping
	exact    map[string]int // index by topic, of patterns without wildcards
	wild     []int          // indexes of the others, in order
	rooms    map[string]string
	devices  [][]level // device topics of the Homie mappings
}

// NewMap checks and compiles mappings. Where several match a topic the first
// one decides. The map sensorRooms gives the room of each sensor whose topic
// and mapping do not say it. All faults are returned at once, joined.
func NewMap(mappings []Mapping, sensorRooms map[string]string) (*Map, error) {
	m := &Map{exact: map[string]int{}, rooms: map[string]string{}}
	var faults []error
	for sensor, in := range sensorRooms {
		m.rooms[sensor] = in
	}
	for i, one := range mappings {
		c, err := compile(one, m.rooms)
		if err != nil {
			faults = append(faults, fmt.Errorf("mapping %d: %w", i+1, err))
			continue
		}
		if one.Homie != nil {
			m.devices = append(m.devices, c.device())
			for _, part := range c.homieParts(*one.Homie) {
				// Several mappings of one device share its state.
				if !m.add(part) && !part.state {
					faults = append(faults, fmt.Errorf("mapping %d: topic %q is mapped twice", i+1, part.filter))
				}
			}
			continue
		}
		if !m.add(c) {
			faults = append(faults, fmt.Errorf("mapping %d: topic %q is mapped twice", i+1, one.Pattern))
		}
	}
	if len(faults) > 0 {
		return nil, errors.Join(faults...)
	}
	return m, nil
}

// add appends a compiled mapping, or reports that its one topic is taken by an
// earlier one, which decides.
func (m *Map) add(c mapping) bool {
	if _, taken := m.exact[c.filter]; taken && !c.wild {
		return false
	}
	if c.wild {
		m.wild = append(m.wild, len(m.mappings))
	} else {
		m.exact[c.filter] = len(m.mappings)
	}
	m.mappings = append(m.mappings, c)
	return true
}

// Filters lists the MQTT subscription filters the mappings need, in the order
// of the mappings. A filter whose topics another one covers is left out:
// brokers may deliver a message once per overlapping subscription.
func (m *Map) Filters() []string {
	var out []string
	for i, c := range m.mappings {
		covered := false
		for j, other := range m.mappings {
			if i == j || !covers(other.filter, c.filter) {
				continue
			}
			// Equal filters cover each other: the first one stays.
			if !covers(c.filter, other.filter) || j < i {
				covered = true
				break
			}
		}
		if !covered {
			out = append(out, c.filter)
		}
	}
	return out
}

// Decode reads a message. Each value that can be read yields a reading, each
// that cannot yields an error; a message yields at least one of them, unless
// it is one of a device's state or to be ignored.
func (m *Map) Decode(msg Message) (Decoded, []*Error) {
	c, found := m.find(msg.Topic)
	switch {
	case found == nil && m.homieOther(msg.Topic):
		return Decoded{Ignored: true}, nil
	case found == nil:
		return Decoded{}, []*Error{msg.fail("", refuse(NotMapped, "no mapping matches the topic"))}
	}
	if len(msg.Payload) > MaxPayload {
		return Decoded{}, []*Error{msg.fail(found.pattern,
			refuse(TooLarge, "the payload has %d bytes: %d are allowed", len(msg.Payload), MaxPayload))}
	}
	out, bads := m.decode(msg, c, found)
	out.AgeUnknown = msg.Retained && !out.OwnTime && out.Status == nil && !out.Ignored
	var errs []*Error
	for _, b := range bads {
		errs = append(errs, msg.fail(found.pattern, b))
	}
	return out, errs
}

// decode reads a payload by the mapping of its topic.
func (m *Map) decode(msg Message, c capture, found *mapping) (Decoded, []*refusal) {
	switch {
	case found.senml != nil:
		return m.decodeSenML(msg, c, found)
	case found.state:
		return m.decodeState(msg, c, found)
	}
	series, bad := m.place(found, c)
	switch {
	case bad != nil:
		return Decoded{}, []*refusal{bad}
	case found.homie && len(msg.Payload) == 0:
		// MQTT's way to take a kept value away (MQTT 3.1.1, 3.3.1.3): a
		// device that is removed does so with each of its topics.
		return Decoded{Ignored: true}, nil
	case found.number != nil:
		return found.decodeNumber(msg, series)
	}
	return found.decodeJSON(msg, series)
}

func (msg Message) fail(pattern string, r *refusal) *Error {
	return &Error{strings.ToValidUTF8(msg.Topic, "\uFFFD"), pattern, r.cause, r.err}
}

// receipt is the time of receipt in the form of a reading's time.
func (msg Message) receipt() time.Time { return msg.ReceivedAt.UTC().Truncate(time.Millisecond) }

// place fills in the series of a topic: its room and sensor, and its quantity
// where the topic or the mapping gives one.
func (m *Map) place(found *mapping, c capture) (room.Series, *refusal) {
	s := room.Series{Room: found.room, Sensor: found.sensor, Quantity: found.quantity}
	if c.hasSensor {
		s.Sensor = c.sensor
		if err := CheckName(s.Sensor); err != nil {
			return s, &refusal{BadName, fmt.Errorf("sensor: %w", err)}
		}
	}
	switch {
	case c.hasRoom:
		s.Room = c.room
		if err := CheckName(s.Room); err != nil {
			return s, &refusal{BadName, fmt.Errorf("room: %w", err)}
		}
	case s.Room == "":
		in, ok := m.rooms[s.Sensor]
		if !ok {
			return s, refuse(NotMapped, "sensor %q has no room: name its room in the configuration", s.Sensor)
		}
		s.Room = in
	}
	if s.Sensor == "" {
		s.Sensor = s.Room
	}
	if found.hasQuantity {
		q, err := unit.ParseQuantity(c.quantity)
		if err != nil {
			return s, &refusal{NotMapped, err}
		}
		s.Quantity = q
	}
	return s, nil
}
