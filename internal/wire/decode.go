package wire

import (
	"bytes"
	"errors"
	"math"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/tidwall/gjson"

	"dryhold/internal/room"
	"dryhold/internal/unit"
)

// maxNumber is the longest text taken for a number, in bytes.
const maxNumber = 64

// space is what may surround a bare number.
const space = " \t\r\n"

// decodeNumber reads a payload that is one bare number.
func (c *mapping) decodeNumber(msg Message, s room.Series) (Decoded, []*refusal) {
	text := bytes.Trim(msg.Payload, space)
	if !utf8.Valid(text) {
		return Decoded{}, []*refusal{refuse(NotUTF8, "the payload is not UTF-8")}
	}
	if len(text) > maxNumber {
		return Decoded{}, []*refusal{refuse(NotANumber, "the payload has %d bytes: a number takes at most %d", len(text), maxNumber)}
	}
	v, bad := value(string(text), s.Quantity, c.number[s.Quantity])
	if bad != nil {
		return Decoded{}, []*refusal{bad}
	}
	return Decoded{Readings: []room.Reading{{Series: s, At: msg.receipt(), Value: v}}}, nil
}

// decodeJSON reads the fields of a JSON payload. A field that is absent or
// null is no error as long as another one is there: sensors send what they
// have. A number may also be written as a string ("21.5"), as many firmwares
// do; true and false are no numbers. Of a key given twice the first counts.
// Where the mapping names a time, a message without one is refused: dating a
// queued message by its receipt would place its readings wrongly.
func (c *mapping) decodeJSON(msg Message, s room.Series) (Decoded, []*refusal) {
	if !utf8.Valid(msg.Payload) {
		return Decoded{}, []*refusal{refuse(NotUTF8, "the payload is not UTF-8")}
	}
	// The depth comes first: what follows recurses once per level.
	if tooDeep(msg.Payload) {
		return Decoded{}, []*refusal{refuse(TooDeep, "the payload nests deeper than %d levels", maxDepth)}
	}
	if !gjson.ValidBytes(msg.Payload) {
		return Decoded{}, []*refusal{refuse(NotJSON, "the payload is not one JSON text")}
	}
	text := string(msg.Payload)
	out := Decoded{}
	at := msg.receipt()
	if when := gjson.Get(text, c.timePath); c.timePath != "" && (when.Type != gjson.Null || !c.timeOptional) {
		own, bad := c.ownTime(when, msg.ReceivedAt)
		if bad != nil {
			return Decoded{}, []*refusal{bad}
		}
		at, out.OwnTime = own, true
	}
	var bads []*refusal
	for i := range c.fields {
		f := &c.fields[i]
		r := gjson.Get(text, f.path)
		if !r.Exists() || r.Type == gjson.Null {
			continue
		}
		v, bad := f.value(r)
		if bad != nil {
			bads = append(bads, bad)
			continue
		}
		if out.Readings == nil {
			out.Readings = make([]room.Reading, 0, len(c.fields))
		}
		s.Quantity = f.quantity
		out.Readings = append(out.Readings, room.Reading{Series: s, At: at, Value: v})
	}
	if len(out.Readings) == 0 && len(bads) == 0 {
		bads = append(bads, refuse(MissingField, "the payload has none of the fields %s", c.fieldNames()))
	}
	return out, bads
}

func (c *mapping) fieldNames() string {
	names := make([]string, len(c.fields))
	for i, f := range c.fields {
		names[i] = f.text
	}
	return strings.Join(names, ", ")
}

// value reads one JSON value.
func (f *field) value(r gjson.Result) (float64, *refusal) {
	text, ok := numberText(r)
	if !ok {
		return 0, refuse(NotANumber, "field %s is %s", f.text, kind(r))
	}
	v, bad := value(text, f.quantity, f.conversion)
	if bad != nil {
		return 0, refuse(bad.cause, "field %s: %w", f.text, bad.err)
	}
	return v, nil
}

// numberText gives the text of a number or of a string that may hold one.
func numberText(r gjson.Result) (string, bool) {
	switch r.Type {
	case gjson.Number:
		return r.Raw, true
	case gjson.String:
		return strings.Trim(r.Str, space), true
	}
	return "", false
}

// kind names a JSON value for a message to people.
func kind(r gjson.Result) string {
	switch {
	case r.IsArray():
		return "an array"
	case r.IsObject():
		return "an object"
	case r.IsBool():
		return r.Raw
	}
	return "null"
}

// value brings the text of a number to a plausible value in the canonical
// unit, at the resolution of the quantity.
func value(text string, q unit.Quantity, c conversion) (float64, *refusal) {
	raw, bad := parseNumber(text)
	if bad != nil {
		return 0, bad
	}
	return c.plausible(raw, q)
}

// plausible brings a raw number to the canonical unit, at the resolution of
// the quantity.
func (c conversion) plausible(raw float64, q unit.Quantity) (float64, *refusal) {
	v := c.apply(raw)
	if err := q.Plausible(v); err != nil {
		return 0, &refusal{Implausible, err}
	}
	// Adding zero makes of -0 a 0, so that equal values have equal bits.
	return q.Round(v) + 0, nil
}

// parseNumber reads a decimal number: an optional sign, digits, optionally a
// point with digits after it and an exponent. No hexadecimal, underscore,
// infinity or NaN, which strconv alone would let through.
func parseNumber(text string) (float64, *refusal) {
	if text == "" {
		return 0, refuse(NotANumber, "it is empty")
	}
	if len(text) > maxNumber {
		return 0, refuse(NotANumber, "it has %d characters: a number takes at most %d", len(text), maxNumber)
	}
	if !decimal(text) {
		if strings.Count(text, ",") == 1 && decimal(strings.Replace(text, ",", ".", 1)) {
			return 0, refuse(NotANumber, "%q has a decimal comma: send a decimal point", text)
		}
		return 0, refuse(NotANumber, "%q is not a decimal number", text)
	}
	v, err := strconv.ParseFloat(text, 64)
	switch {
	case errors.Is(err, strconv.ErrRange):
		return 0, refuse(Implausible, "%s is beyond any measurable value", text)
	case err != nil:
		return 0, refuse(NotANumber, "%q is not a decimal number", text)
	}
	return v, nil
}

// decimal checks the grammar [+-]?[0-9]+(\.[0-9]+)?([eE][+-]?[0-9]+)?
func decimal(s string) bool {
	digits := func() bool {
		n := 0
		for n < len(s) && '0' <= s[n] && s[n] <= '9' {
			n++
		}
		s = s[n:]
		return n > 0
	}
	sign := func() {
		if s != "" && (s[0] == '+' || s[0] == '-') {
			s = s[1:]
		}
	}
	sign()
	if !digits() {
		return false
	}
	if s != "" && s[0] == '.' {
		s = s[1:]
		if !digits() {
			return false
		}
	}
	if s != "" && (s[0] == 'e' || s[0] == 'E') {
		s = s[1:]
		sign()
		if !digits() {
			return false
		}
	}
	return s == ""
}

// ownTime reads the message's own time and holds it against the receipt.
func (c *mapping) ownTime(r gjson.Result, received time.Time) (time.Time, *refusal) {
	if !r.Exists() || r.Type == gjson.Null {
		return time.Time{}, refuse(MissingField, "the payload has no time in %s", c.timeText)
	}
	var at time.Time
	switch format := TimeFormat(c.timeFormat); format {
	case RFC3339:
		if r.Type != gjson.String {
			return at, refuse(BadTime, "%s is not a text", c.timeText)
		}
		t, err := time.Parse(time.RFC3339Nano, r.Str)
		if err != nil {
			return at, refuse(BadTime, "%s: write a date, a time and a zone, as in 2026-07-01T12:00:00Z: %w", c.timeText, err)
		}
		at = t
	default:
		text, ok := numberText(r)
		if !ok {
			return at, refuse(BadTime, "%s is %s, not a number", c.timeText, kind(r))
		}
		v, bad := parseNumber(text)
		if bad != nil {
			return at, refuse(BadTime, "%s: %w", c.timeText, bad.err)
		}
		perSecond := 1.0
		if format == UnixMillis {
			perSecond = 1000
		}
		// The range comes before the conversion, which would overflow.
		if bad := c.checkTime(v/perSecond, text, received); bad != nil {
			return at, bad
		}
		at = time.UnixMilli(int64(math.Round(v / perSecond * 1000)))
	}
	if bad := c.checkTime(float64(at.UnixMilli())/1000, at.UTC().Format(time.RFC3339), received); bad != nil {
		return at, bad
	}
	return at.UTC().Truncate(time.Millisecond), nil
}

// checkTime holds a time, in seconds since 1970, against its bounds.
func (c *mapping) checkTime(seconds float64, text string, received time.Time) *refusal {
	limit := float64(received.Add(MaxAhead).UnixMilli()) / 1000
	switch {
	case seconds < earliestUnix:
		return refuse(TooOld, "%s is %s, before 2000: is the clock of the sensor set?", c.timeText, text)
	case seconds > 1000*earliestUnix && c.timeFormat == string(UnixSeconds):
		return refuse(FromFuture, "%s is %s seconds: are these milliseconds?", c.timeText, text)
	case seconds > limit:
		return refuse(FromFuture, "%s is %s, more than %v after the receipt: is the clock of the sensor right?", c.timeText, text, MaxAhead)
	}
	return nil
}

// tooDeep reports nesting beyond maxDepth, in one pass without recursion.
func tooDeep(payload []byte) bool {
	depth, inString := 0, false
	for i := 0; i < len(payload); i++ {
		switch b := payload[i]; {
		case inString && b == '\\':
			i++
		case b == '"':
			inString = !inString
		case inString:
		case b == '{' || b == '[':
			depth++
			if depth > maxDepth {
				return true
			}
		case b == '}' || b == ']':
			depth--
		}
	}
	return false
}
