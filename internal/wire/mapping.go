// Package wire turns an MQTT topic and its payload into readings, by mappings
// that the keeper configures. It is a pure codec: no clock, no network, the
// same message always gives the same readings, and no input makes it panic.
package wire

import (
	"fmt"
	"strings"
	"unicode/utf8"

	"dryhold/internal/unit"
)

// Mapping says how the messages of one kind of topic are read. Exactly one of
// Number, JSON, SenML and Homie is set.
type Mapping struct {
	// Pattern is the topic with the named wildcards {room}, {sensor} and
	// {quantity}, each for one whole level, see CheckPattern.
	Pattern string
	// Room is the fixed room when the pattern lacks {room}. Without both, the
	// room is looked up by the sensor.
	Room string
	// Sensor is the fixed sensor when the pattern lacks {sensor}. Without
	// both, the sensor is named like the room.
	Sensor string
	// Number reads the payload as one bare decimal number.
	Number *Number
	// JSON reads one or more fields of a JSON payload.
	JSON *JSON
	// SenML reads a pack of SenML records.
	SenML *SenML
	// Homie reads properties and the state of devices that keep to the Homie
	// convention; the pattern is then that of a property, see CheckHomie.
	Homie *Homie
}

// Number describes a payload that is one bare decimal number.
type Number struct {
	// Quantity is fixed when the pattern has no {quantity}, else zero.
	Quantity unit.Quantity
	// Units gives the unit by quantity; a quantity not listed arrives in its
	// canonical unit.
	Units map[unit.Quantity]unit.Unit
}

// JSON describes a payload that is a JSON text.
type JSON struct {
	// Time says where the message carries its own time. Nil means it carries
	// none and takes the time of its receipt.
	Time *TimeField
	// Fields are the values to read, at least one, each of another quantity.
	Fields []Field
}

// Field is one value within a JSON payload.
type Field struct {
	// Path leads to the value, see CheckPath.
	Path     string
	Quantity unit.Quantity
	// Unit is the unit the value arrives in; the zero Unit means the
	// canonical one.
	Unit unit.Unit
	// Scale multiplies the raw value before its unit is converted: 0.1 for a
	// sensor that sends tenths. Zero means 1.
	Scale float64
}

// TimeField is where a message carries its own time.
type TimeField struct {
	Path   string
	Format TimeFormat
	// Optional lets a message leave the time out: it then takes that of its
	// receipt. Otherwise such a message is refused, since stamping a queued
	// message by its receipt would place its readings wrongly.
	Optional bool
}

// TimeFormat says how a time is written.
type TimeFormat string

// The formats of a message's own time.
const (
	RFC3339     TimeFormat = "rfc3339" // text with its zone: 2026-07-01T12:00:00Z
	UnixSeconds TimeFormat = "s"       // seconds since 1970-01-01 UTC, fractions allowed
	UnixMillis  TimeFormat = "ms"      // milliseconds since 1970-01-01 UTC
)

// TimeFormats lists the formats by the names used in configuration.
func TimeFormats() []TimeFormat { return []TimeFormat{RFC3339, UnixSeconds, UnixMillis} }

// maxTopic is the longest topic MQTT can carry (MQTT 3.1.1, section 4.7.3).
const maxTopic = 65535

// CheckPattern reports what is wrong with a topic pattern. A pattern is an
// MQTT topic filter whose levels may also be {room}, {sensor} or {quantity}:
// each at most once and each a whole level of its own. The wildcard + stands
// for one level of no interest, # as the last level for any number of them.
// Other braces are refused, as is $share, whose messages arrive under another
// topic.
func CheckPattern(pattern string) error {
	switch {
	case pattern == "":
		return fmt.Errorf("the topic pattern is empty: write for example home/{room}/climate")
	case len(pattern) > maxTopic:
		return fmt.Errorf("the topic pattern has %d bytes: MQTT allows %d", len(pattern), maxTopic)
	case !utf8.ValidString(pattern):
		return fmt.Errorf("topic pattern %q is not UTF-8", pattern)
	case strings.ContainsFunc(pattern, func(r rune) bool { return r < ' ' || r == 0x7f }):
		return fmt.Errorf("topic pattern %q holds a control character", pattern)
	}
	levels := strings.Split(pattern, "/")
	if levels[0] == "$share" {
		return fmt.Errorf("topic pattern %q: leave out $share and the group; where several daemons are to share the readings, that is broker.share", pattern)
	}
	seen := map[string]bool{}
	for i, level := range levels {
		switch level {
		case "+":
			continue
		case "#":
			if i != len(levels)-1 {
				return fmt.Errorf("topic pattern %q: # stands only at the end", pattern)
			}
			continue
		case levelRoom, levelSensor, levelQuantity:
			if seen[level] {
				return fmt.Errorf("topic pattern %q names %s twice", pattern, level)
			}
			seen[level] = true
			continue
		}
		if strings.ContainsAny(level, "+#") {
			return fmt.Errorf("topic pattern %q: a wildcard takes a whole level, %q mixes it with text", pattern, level)
		}
		if strings.ContainsAny(level, "{}") {
			return fmt.Errorf("topic pattern %q: %q is not a named wildcard, use %s, %s or %s as a whole level",
				pattern, level, levelRoom, levelSensor, levelQuantity)
		}
	}
	return nil
}

// The named wildcards of a pattern.
const (
	levelRoom     = "{room}"
	levelSensor   = "{sensor}"
	levelQuantity = "{quantity}"
)

// maxName is the longest name of a room or sensor.
const maxName = 64

// CheckName reports a room's or sensor's name that is not 1 to 64 of the
// characters A-Z a-z 0-9 _ . and -. Names travel in topics, metric labels,
// file names and pages, and these characters are safe in all of them.
func CheckName(name string) error {
	if name == "" {
		return fmt.Errorf("the name is empty")
	}
	if len(name) > maxName {
		return fmt.Errorf("the name has %d characters: %d are allowed", len(name), maxName)
	}
	for i := 0; i < len(name); i++ {
		if !nameByte(name[i]) {
			return fmt.Errorf("name %q holds a character outside A-Z a-z 0-9 _ . -", name)
		}
	}
	return nil
}

func nameByte(c byte) bool {
	return 'a' <= c && c <= 'z' || 'A' <= c && c <= 'Z' || '0' <= c && c <= '9' || c == '_' || c == '.' || c == '-'
}

// CheckPath reports what is wrong with the path of a JSON field. A path is
// the keys from the root down, separated by dots; a number is the index of an
// array or the key of an object; a dot or backslash within a key is written
// with a backslash before it. No other character has a special meaning.
func CheckPath(path string) error {
	_, err := splitPath(path)
	return err
}

// splitPath cuts a path into its keys.
func splitPath(path string) ([]string, error) {
	if path == "" {
		return nil, fmt.Errorf("the path is empty: write for example temperature or sensors.0.value")
	}
	if !utf8.ValidString(path) {
		return nil, fmt.Errorf("path %q is not UTF-8", path)
	}
	var keys []string
	var key strings.Builder
	for i := 0; i < len(path); i++ {
		switch c := path[i]; c {
		case '\\':
			i++
			if i == len(path) || path[i] != '.' && path[i] != '\\' {
				return nil, fmt.Errorf(`path %q: after a backslash comes a dot or a backslash`, path)
			}
			key.WriteByte(path[i])
		case '.':
			if key.Len() == 0 {
				return nil, fmt.Errorf("path %q has an empty key", path)
			}
			keys = append(keys, key.String())
			key.Reset()
		default:
			key.WriteByte(c)
		}
	}
	if key.Len() == 0 {
		return nil, fmt.Errorf("path %q ends with an empty key", path)
	}
	if len(keys)+1 > maxDepth {
		return nil, fmt.Errorf("path %q has more than %d keys", path, maxDepth)
	}
	return append(keys, key.String()), nil
}

// maxDepth is how deep a JSON payload may nest.
const maxDepth = 64
