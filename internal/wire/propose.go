package wire

import (
	"bytes"
	"cmp"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"github.com/tidwall/gjson"

	"dryhold/internal/unit"
)

// Shape is the way in which a payload is written.
type Shape string

// Shapes of payloads.
const (
	ShapeNone   Shape = "" // nothing that can be read
	ShapeNumber Shape = "number"
	ShapeJSON   Shape = "json"
	ShapeSenML  Shape = "senml"
	ShapeHomie  Shape = "homie"
)

// Proposal is a guess at how the messages of a topic are to be read, from one
// of them. It is for a person to look at: what a number means stands nowhere
// in most payloads.
type Proposal struct {
	Shape        Shape
	Pattern      string // see CheckPattern
	Room, Sensor string // fixed ones, where the pattern does not name them
	Values       []Candidate
	Time         *TimeField // of a JSON payload that seems to carry its own time
	// Notes say what was not understood or should be looked at.
	Notes []string
}

// Candidate is a value that may be a reading.
type Candidate struct {
	// Path is that of a JSON field, the name of a SenML record or of a Homie
	// property; empty for a bare number.
	Path string
	Raw  string // as sent, at most maxRaw bytes
	// Quantity is what it seems to measure; zero for what seems to be of no
	// interest here.
	Quantity unit.Quantity
	// Unit is a unit of the quantity; of a SenML record, the SenML unit that
	// stands for one without.
	Unit  string
	Scale float64 // times the raw value before the unit; 1 for most
}

const (
	// maxValues bounds the values of one message that are looked at.
	maxValues = 60
	// maxRaw bounds what is repeated of a value.
	maxRaw = 80
	// ownTimeWithin is how far a number may lie from the receipt to be taken
	// for a time (judgement): a message that waited for a week is still one.
	ownTimeWithin = 30 * 24 * time.Hour
)

// Propose guesses. Rooms are names of rooms that are known, by which a level of
// the topic is taken for that of a room. It never fails: what cannot be read
// gives a proposal without values and notes that say why.
func Propose(msg Message, rooms []string) Proposal {
	var p Proposal
	p.place(msg.Topic, rooms)
	text := bytes.Trim(msg.Payload, space)
	switch {
	case strings.HasPrefix(msg.Topic, "$"):
		p.note("topics that begin with $ are the broker's own")
		return p
	case len(msg.Payload) > MaxPayload:
		p.note("the payload has %d bytes: at most %d are read", len(msg.Payload), MaxPayload)
		return p
	case len(text) == 0:
		p.note(noteEmpty)
		return p
	case !utf8.Valid(text):
		p.note("the payload is binary: have the device or its gateway send numbers or JSON")
		return p
	}
	if p.homie(msg.Topic, string(text)) {
		return p
	}
	if _, bad := parseNumber(string(text)); bad == nil {
		q := quantityOf(lastWord(msg.Topic))
		p.Shape = ShapeNumber
		c := guess(Candidate{Raw: string(text), Quantity: q}, lastWord(msg.Topic))
		if c.Scale != 1 {
			c.Scale = 1
			p.note("the number seems to come in tenths or hundredths of its unit, and a bare number cannot be scaled: have the device send it in the unit, or as JSON")
		}
		p.Values = []Candidate{c}
		if c.Quantity == 0 {
			p.note(noteUnsaid)
		}
		return p
	}
	if tooDeep(text) || !gjson.ValidBytes(text) {
		p.unread(string(text))
		return p
	}
	root := gjson.ParseBytes(text)
	switch {
	case root.IsArray() && p.senml(root):
	case root.IsObject() || root.IsArray():
		p.json(root, msg.ReceivedAt)
	default:
		p.unread(string(text))
	}
	return p
}

func (p *Proposal) note(format string, args ...any) {
	p.Notes = append(p.Notes, fmt.Sprintf(format, args...))
}

// unread says why a text is no reading.
func (p *Proposal) unread(text string) {
	n := 0
	for n < len(text) && (text[n] >= '0' && text[n] <= '9' || strings.ContainsRune("+-.,", rune(text[n]))) {
		n++
	}
	switch {
	case n > 0 && n < len(text):
		p.note("%.40q is a number with something behind it: have the device send the number alone", text)
	case n > 0:
		p.note("%.40q is no decimal number: a decimal point is needed", text)
	default:
		p.note("%.40q is a text, and no number", text)
	}
}

// place guesses the pattern, and which levels name the room and the sensor.
// Without a level that is a known room the topic is taken as it is: a wildcard
// for the sensor would put every sensor of that kind into one room.
func (p *Proposal) place(topic string, rooms []string) {
	levels := strings.Split(topic, "/")
	at, named := -1, -1
	for i, l := range levels {
		if slices.Contains(rooms, l) && CheckName(l) == nil {
			at = i
		}
	}
	for i := len(levels) - 1; i > 0 && named < 0; i-- {
		if i != at && CheckName(levels[i]) == nil && !general(levels[i]) && (at < 0 || i > at) {
			named = i
		}
	}
	if named >= 0 {
		p.Sensor = levels[named]
	}
	for i, l := range levels {
		if strings.ContainsAny(l, "+#{}") || !utf8.ValidString(l) || strings.ContainsFunc(l, unicode.IsControl) {
			levels[i] = "+"
		}
	}
	if at >= 0 {
		levels[at] = levelRoom
		if named >= 0 {
			p.Sensor, levels[named] = "", levelSensor
		}
	}
	p.Pattern = strings.Join(levels, "/")
}

// general reports a level that names no device: what it says, or a word that
// stands in topics of every kind.
func general(level string) bool {
	l := strings.ToLower(level)
	return quantityOf(l) != 0 || slices.Contains([]string{"state", "status", "value", "values", "data", "json", "climate", "sensor", "sensors", "sensordata",
		"tele", "stat", "reading", "readings", "measurement", "measurements", "environment", "env", "event", "events", "up", "attributes", "raw"}, l)
}

// lastWord is the last level of a topic that is not general, or says what is
// measured.
func lastWord(topic string) string {
	levels := strings.Split(topic, "/")
	for _, l := range slices.Backward(levels) {
		if quantityOf(l) != 0 {
			return l
		}
	}
	return levels[len(levels)-1]
}

// homie proposes for a property of the Homie convention, see Homie.
func (p *Proposal) homie(topic, text string) bool {
	levels := strings.Split(topic, "/")
	n := len(levels)
	if levels[0] != "homie" || n < 4 {
		return false
	}
	device := 1
	if levels[1] == "5" || levels[1] == "4" {
		device = 2
	}
	if strings.Contains(topic, "$") || n != device+3 {
		p.note("this is an attribute of the Homie convention: choose the topic of a property, such as %s/climate/temperature", strings.Join(levels[:device+1], "/"))
		return true
	}
	p.Shape, p.Sensor = ShapeHomie, ""
	if CheckName(levels[device]) == nil {
		levels[device] = levelSensor
	}
	p.Pattern = strings.Join(append(levels[:n-1:n-1], "+"), "/")
	name := levels[n-1]
	p.Values = []Candidate{guess(Candidate{Path: name, Raw: shorten(text), Quantity: quantityOf(name)}, name)}
	p.note("the other properties of the device belong below the same topic, and the room of the sensor under sensors")
	return true
}

// senml proposes for a pack of SenML records; false where it is none.
func (p *Proposal) senml(root gjson.Result) bool {
	records := root.Array()
	if len(records) == 0 || !records[0].IsObject() || !slices.ContainsFunc(records, func(r gjson.Result) bool {
		return r.Get("v").Exists() && (r.Get("n").Exists() || r.Get("u").Exists() || r.Get("bu").Exists()) || r.Get("bn").Exists()
	}) {
		return false
	}
	p.Shape = ShapeSenML
	base := ""
	for _, r := range records[:min(len(records), maxValues)] {
		if b := r.Get("bu"); b.Exists() {
			base = b.Str
		}
		v := r.Get("v")
		if v.Type != gjson.Number {
			continue
		}
		in := cmp.Or(r.Get("u").Str, base)
		c := Candidate{Path: senmlName(r.Get("n").Str), Raw: shorten(v.Raw + " " + in), Scale: 1}
		for _, q := range unit.Quantities() {
			for _, u := range senmlUnits(q) {
				if u.name == in && (u.own || quantityOf(c.Path) == q) {
					c.Quantity = q
				}
			}
		}
		if in == "" {
			if c.Quantity = quantityOf(c.Path); c.Quantity != 0 {
				c.Unit = SenMLUnits(c.Quantity)[0]
				p.note("the record %q states no unit: %s is assumed", c.Path, c.Unit)
			}
		}
		// In SenML % is a ratio; a sensor that sends 87 with it means percent.
		if c.Quantity != 0 && in == "%" && v.Num > 1 {
			c.Scale = 0.01
		}
		if c.Quantity != 0 && p.taken(c.Quantity) {
			c.Quantity = 0
		}
		p.Values = append(p.Values, c)
	}
	return true
}

// senmlName is the end of a record's name that a mapping can have.
func senmlName(name string) string {
	parts, _ := splitName(name)
	if last := parts[len(parts)-1]; CheckSenMLName(last) == nil && !strings.Contains(last, "+") {
		return last
	}
	return ""
}

// json proposes for the fields of a JSON payload.
func (p *Proposal) json(root gjson.Result, received time.Time) {
	p.Shape = ShapeJSON
	p.walk(root, nil, received)
	if len(p.Values) == 0 {
		p.note("no field of the payload is a number")
	}
	if len(p.Values) >= maxValues {
		p.note("the payload has more than %d numbers: the first are shown", maxValues)
	}
}

// walk looks at the values below a JSON value, in their order.
func (p *Proposal) walk(r gjson.Result, keys []string, received time.Time) {
	i := 0
	r.ForEach(func(key, v gjson.Result) bool {
		name := key.Str
		if r.IsArray() {
			name = strconv.Itoa(i)
			i++
		}
		path := append(keys[:len(keys):len(keys)], name)
		switch {
		case len(p.Values) >= maxValues:
			return false
		case name == "" || !utf8.ValidString(name):
		case v.IsObject() || v.IsArray():
			p.walk(v, path, received)
		default:
			p.leaf(v, path, received)
		}
		return true
	})
}

// leaf looks at one value.
func (p *Proposal) leaf(v gjson.Result, keys []string, received time.Time) {
	path := joinPath(keys)
	if CheckPath(path) != nil {
		return
	}
	if p.Time == nil && named(keys[len(keys)-1], "time", "timestamp", "ts", "datetime", "date", "at", "measured", "t") {
		if f := timeOf(v, path, received); f != nil {
			p.Time = f
			return
		}
	}
	text, ok := numberText(v)
	if !ok {
		return
	}
	if _, bad := parseNumber(text); bad != nil {
		if v.Type == gjson.String && quantityOf(keys[len(keys)-1]) != 0 {
			p.note("%s is %.40q: have the device send the number alone", path, text)
		}
		return
	}
	name := keys[len(keys)-1]
	c := Candidate{Path: path, Raw: shorten(text), Quantity: quantityOf(name)}
	// {"temperature": {"value": 21.5}} names it one level up.
	if c.Quantity == 0 && len(keys) > 1 && general(name) {
		name = keys[len(keys)-2]
		c.Quantity = quantityOf(name)
	}
	c = guess(c, name)
	if c.Quantity != 0 && p.taken(c.Quantity) {
		c.Quantity, c.Unit = 0, ""
	}
	p.Values = append(p.Values, c)
}

// taken reports a quantity that a value before already has: a sensor has one.
func (p *Proposal) taken(q unit.Quantity) bool {
	return slices.ContainsFunc(p.Values, func(c Candidate) bool { return c.Quantity == q })
}

// joinPath is the reverse of splitPath.
func joinPath(keys []string) string {
	escaped := make([]string, len(keys))
	for i, k := range keys {
		escaped[i] = strings.NewReplacer(`\`, `\\`, ".", `\.`).Replace(k)
	}
	return strings.Join(escaped, ".")
}

// timeOf is how a value reads as a time near the receipt; nil if it does not.
func timeOf(v gjson.Result, path string, received time.Time) *TimeField {
	near := func(t time.Time) bool { return t.Sub(received).Abs() <= ownTimeWithin }
	if v.Type == gjson.String {
		if t, err := time.Parse(time.RFC3339Nano, v.Str); err == nil && near(t) {
			return &TimeField{Path: path, Format: RFC3339}
		}
	}
	text, ok := numberText(v)
	if !ok {
		return nil
	}
	n, bad := parseNumber(text)
	switch {
	case bad != nil || math.Abs(n) > 1e14:
		return nil
	case near(time.Unix(int64(n), 0)):
		return &TimeField{Path: path, Format: UnixSeconds}
	case near(time.UnixMilli(int64(n))):
		return &TimeField{Path: path, Format: UnixMillis}
	}
	return nil
}

// shorten bounds what is repeated of a value.
func shorten(s string) string {
	if len(s) <= maxRaw {
		return s
	}
	return strings.ToValidUTF8(s[:maxRaw], "") + "…"
}
