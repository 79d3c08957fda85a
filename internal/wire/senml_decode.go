package wire

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/tidwall/gjson"

	"dryhold/internal/room"
)

const (
	// senmlVersion is the newest version of SenML that is understood, and
	// that of a pack which does not say it (RFC 8428, section 4.1).
	senmlVersion = 10
	// senmlNow parts times from now from times since 1970, in seconds
	// (section 4.5.3).
	senmlNow = 1 << 28
	// maxRefused bounds the refusals told of one pack.
	maxRefused = 16
)

// pack is a SenML pack being read: the base values as they stand before the
// record that is read (section 4.6).
type pack struct {
	msg      Message
	at       int // number of the record, from 1
	name     string
	unit     string
	time     float64
	value    float64
	version  float64
	relative bool // a reading is dated from now
	names    []string
	out      Decoded
	bads     []*refusal
	more     int
	seen     map[place]float64
	stated   map[room.Series]int // index of its update time
}

// place is where a reading stands.
type place struct {
	room.Series
	at int64 // milliseconds since 1970
}

// entry is one record as it stands, before its base values.
type entry struct {
	name, unit          string
	value, time, update float64
	hasValue, hasUpdate bool
	badValue            *refusal // of the value alone
	badUpdate           *refusal
	values              int // value fields of any type
}

// decodeSenML reads a pack of records. What the RFC wants refused as a whole
// is, since its records would mean something else; a record that is wrong by
// itself loses no other. Sums (s, bs) are integrals and not read, records of
// text, booleans and data are none of ours.
func (m *Map) decodeSenML(msg Message, c capture, found *mapping) (Decoded, []*refusal) {
	root, bad := packRoot(msg.Payload)
	if bad != nil {
		return Decoded{}, []*refusal{bad}
	}
	p := &pack{msg: msg, seen: map[place]float64{}, stated: map[room.Series]int{}}
	root.ForEach(func(_, record gjson.Result) bool {
		p.at++
		var e entry
		if e, bad = p.entry(record); bad == nil {
			m.record(p, e, c, found)
		}
		return bad == nil
	})
	if bad != nil {
		return Decoded{}, []*refusal{refuse(bad.cause, "record %d: %w", p.at, bad.err)}
	}
	if p.more > 0 {
		p.bads = append(p.bads, refuse(BadPack, "%d more records are refused", p.more))
	}
	if len(p.out.Readings) == 0 && len(p.bads) == 0 {
		p.bads = append(p.bads, refuse(MissingField, "none of the %d records is one of the mapping; numbers there have the names %s", p.at, p.found()))
	}
	// In the order of time, as resolved records are (section 4.6).
	slices.SortStableFunc(p.out.Readings, func(a, b room.Reading) int { return a.At.Compare(b.At) })
	p.out.OwnTime = len(p.out.Readings) > 0 && !p.relative
	return p.out, p.bads
}

// packRoot checks the text of a pack.
func packRoot(payload []byte) (gjson.Result, *refusal) {
	switch {
	case !utf8.Valid(payload):
		return gjson.Result{}, refuse(NotUTF8, "the payload is not UTF-8")
	case tooDeep(payload):
		return gjson.Result{}, refuse(TooDeep, "the payload nests deeper than %d levels", maxDepth)
	case !gjson.ValidBytes(payload):
		return gjson.Result{}, refuse(NotJSON, "the payload is not one JSON text")
	}
	root := gjson.ParseBytes(payload)
	if !root.IsArray() {
		return root, refuse(BadPack, "a SenML pack is an array of records, this is %s", kindOf(root))
	}
	return root, nil
}

// kindOf names any JSON value for a message to people.
func kindOf(r gjson.Result) string {
	switch r.Type {
	case gjson.Number:
		return "a number"
	case gjson.String:
		return "a text"
	}
	return kind(r)
}

// entry reads the fields of a record and takes over its base values. What it
// refuses, it refuses of the whole pack.
func (p *pack) entry(record gjson.Result) (e entry, bad *refusal) {
	if !record.IsObject() {
		return e, refuse(BadPack, "it is %s, not an object", kindOf(record))
	}
	seen := map[string]bool{}
	version := float64(senmlVersion)
	stated := false
	record.ForEach(func(key, value gjson.Result) bool {
		label := key.String()
		if seen[label] {
			bad = refuse(BadPack, "%.40q stands there twice", label)
			return false
		}
		seen[label] = true
		switch label {
		case "bn":
			bad = textField(label, value, &p.name)
		case "bu":
			bad = textField(label, value, &p.unit)
		case "bt":
			bad = numberField(label, value, &p.time)
		case "bv":
			bad = numberField(label, value, &p.value)
		case "bver":
			stated = true
			bad = numberField(label, value, &version)
		default:
			bad = e.field(label, value)
		}
		return bad == nil
	})
	if bad == nil {
		bad = p.checkVersion(version, stated)
	}
	return e, bad
}

// checkVersion holds the version of a record against what is understood and
// against the pack's, which is that of its first record (section 4.4).
func (p *pack) checkVersion(version float64, stated bool) *refusal {
	switch {
	case version > senmlVersion:
		return refuse(BadPack, "SenML version %g (bver) is newer than %d, the newest that is understood", version, senmlVersion)
	case version < 1 || version != math.Trunc(version):
		return refuse(BadPack, "SenML version %g (bver) is not a whole number above 0", version)
	case p.at == 1:
		p.version = version
	case stated && version != p.version:
		return refuse(BadPack, "SenML version %g (bver) differs from that of the first record, %g", version, p.version)
	}
	return nil
}

// field reads a field that is not a base value.
func (e *entry) field(label string, value gjson.Result) *refusal {
	switch label {
	case "n":
		return textField(label, value, &e.name)
	case "u":
		return textField(label, value, &e.unit)
	case "t":
		return numberField(label, value, &e.time)
	case "ut":
		e.hasUpdate = true
		e.badUpdate = numberField(label, value, &e.update)
	case "v":
		e.values++
		e.hasValue = true
		e.badValue = numberField(label, value, &e.value)
	case "vs", "vb", "vd":
		e.values++
	default:
		if strings.HasSuffix(label, "_") {
			return refuse(BadPack, "the field %.40q must be understood (its label ends with _) and is not", label)
		}
	}
	return nil
}

func textField(label string, value gjson.Result, to *string) *refusal {
	if value.Type != gjson.String {
		return refuse(BadPack, "%s is %s, not a text", label, kindOf(value))
	}
	*to = value.Str
	return nil
}

func numberField(label string, value gjson.Result, to *float64) *refusal {
	if value.Type != gjson.Number {
		return refuse(NotANumber, "%s is %s, not a number", label, kindOf(value))
	}
	v, bad := parseNumber(value.Raw)
	if bad != nil {
		return refuse(bad.cause, "%s: %w", label, bad.err)
	}
	*to = v
	return nil
}

// record makes a reading of a record, if it is one of the mapping.
func (m *Map) record(p *pack, e entry, c capture, found *mapping) {
	if !e.hasValue {
		return
	}
	name := p.name + e.name
	stated := e.unit
	if stated == "" {
		stated = p.unit
	}
	r, captured := found.pick(name, stated, c)
	if r == nil {
		p.names = append(p.names, name)
		return
	}
	refused := func(bad *refusal) {
		if len(p.bads) == maxRefused {
			p.more++
			return
		}
		p.bads = append(p.bads, refuse(bad.cause, "record %d (%.80s): %w", p.at, name, bad.err))
	}
	reading, bad := m.reading(p, e, name, stated, r, captured, found)
	if bad != nil {
		refused(bad)
		return
	}
	where := place{reading.Series, reading.At.UnixMilli()}
	switch before, twice := p.seen[where]; {
	case twice && before != reading.Value:
		refused(refuse(BadPack, "a second %s of sensor %s at the same time, of another value", r.quantity, reading.Sensor))
	case !twice:
		p.seen[where] = reading.Value
		p.out.Readings = append(p.out.Readings, reading)
	}
	if bad := p.update(e, reading.Series); bad != nil {
		refused(bad)
	}
}

// pick finds the record of the mapping that a record of a pack is.
func (c *mapping) pick(name, stated string, topic capture) (*senmlRecord, capture) {
	parts, separators := splitName(name)
	for i := range c.senml {
		r := &c.senml[i]
		captured := topic
		if r.name == "" && r.unit(stated) >= 0 || r.name != "" && r.fits(parts, separators, &captured) {
			return r, captured
		}
	}
	return nil, topic
}

// reading resolves a record (section 4.6).
func (m *Map) reading(p *pack, e entry, name, stated string, r *senmlRecord, c capture, found *mapping) (out room.Reading, bad *refusal) {
	if e.values > 1 {
		return out, refuse(BadPack, "it has %d values, a record has one", e.values)
	}
	if e.badValue != nil {
		return out, e.badValue
	}
	if err := checkSenMLRecordName(name); err != nil {
		return out, &refusal{BadName, err}
	}
	if stated == "" {
		stated = r.assumed
	}
	u := r.unit(stated)
	switch {
	case stated == "":
		return out, refuse(WrongUnit, "it has no unit: add the unit to send, or the key unit to its record of the mapping")
	case u < 0:
		return out, refuse(WrongUnit, "the unit %.20q is none of %s: that is one of %s", stated, r.quantity, strings.Join(SenMLUnits(r.quantity), ", "))
	}
	if out.Series, bad = m.place(found, c); bad != nil {
		return out, bad
	}
	out.Quantity = r.quantity
	if out.Value, bad = r.convert[u].plausible(p.value+e.value, r.quantity); bad != nil {
		if stated == "%" {
			bad = refuse(bad.cause, "%w; in SenML the unit %% is a ratio of 0 to 1 like /: send another, or give the scale 0.01", bad.err)
		}
		return out, bad
	}
	out.At, bad = p.when(p.time + e.time)
	return out, bad
}

// when dates a record: less than 2^28 seconds counts from now, which is the
// receipt, all else from 1970 (section 4.5.3).
func (p *pack) when(seconds float64) (time.Time, *refusal) {
	now := p.msg.receipt()
	relative := seconds < senmlNow
	text := fmt.Sprintf("%.14g", seconds)
	ahead := seconds - float64(now.UnixMilli())/1000
	since := seconds
	if relative {
		ahead, since = seconds, seconds+float64(now.UnixMilli())/1000
	}
	// The range comes before the conversion, which would overflow.
	switch {
	case since < earliestUnix && seconds != 0:
		return time.Time{}, refuse(TooOld, "its time (bt and t) is %s s, before 2000: is the clock of the sensor set?", text)
	case ahead > MaxAhead.Seconds():
		return time.Time{}, refuse(FromFuture, "its time (bt and t) is %s s, more than %v after the receipt: is the clock of the sensor right?", text, MaxAhead)
	}
	p.relative = p.relative || relative
	if relative {
		return now.Add(time.Duration(math.Round(seconds*1000)) * time.Millisecond), nil
	}
	return time.UnixMilli(int64(math.Round(seconds * 1000))).UTC(), nil
}

// update notes how often the sender says to measure.
func (p *pack) update(e entry, s room.Series) *refusal {
	switch {
	case !e.hasUpdate:
		return nil
	case e.badUpdate != nil:
		return e.badUpdate
	case e.update <= 0 || e.update > maxUpdate:
		return refuse(BadTime, "its update time (ut) is %g s: it is above 0 and at most a year", e.update)
	}
	u := Update{s, max(time.Millisecond, time.Duration(math.Round(e.update*1000))*time.Millisecond)}
	if i, known := p.stated[s]; known {
		p.out.Updates[i] = u // the newest record of a series counts
		return nil
	}
	p.stated[s] = len(p.out.Updates)
	p.out.Updates = append(p.out.Updates, u)
	return nil
}

// checkSenMLRecordName checks a whole name (section 4.5.1).
func checkSenMLRecordName(name string) error {
	if name == "" {
		return fmt.Errorf("it has no name (bn and n)")
	}
	for i := 0; i < len(name); i++ {
		if !nameByte(name[i]) && (i == 0 || !strings.ContainsRune(senmlSeparators, rune(name[i]))) {
			return fmt.Errorf("its name holds a character outside A-Z a-z 0-9 - : . / _, or does not begin with a letter or digit")
		}
	}
	if strings.IndexByte("_.-", name[0]) >= 0 {
		return fmt.Errorf("its name does not begin with a letter or digit")
	}
	return nil
}

// found lists the names of the numbers in the pack, for the keeper to map.
func (p *pack) found() string {
	if len(p.names) == 0 {
		return "(none)"
	}
	names := slices.Compact(slices.Sorted(slices.Values(p.names)))
	const shown = 8
	more := ""
	if len(names) > shown {
		names, more = names[:shown], ", ..."
	}
	for i, n := range names {
		names[i] = fmt.Sprintf("%.80q", n)
	}
	return strings.Join(names, ", ") + more
}
