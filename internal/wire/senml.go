package wire

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	"dryhold/internal/unit"
)

// SenML describes a payload that is a pack of Sensor Measurement Lists in
// JSON (RFC 8428, application/senml+json). Names, units and times stand in
// the pack; what is left to say is which record is which reading.
type SenML struct {
	// Records are tried in order, the first that fits decides; records of a
	// pack that none fits are of no interest. At least one.
	Records []Record
}

// Record says which records of a pack are readings of a quantity.
type Record struct {
	// Name is the end of the record's name, in whole parts, see
	// CheckSenMLName. Empty stands for every record whose unit is one that
	// only this quantity has: Cel and K, %RH, lx, %EL, dBm.
	Name     string
	Quantity unit.Quantity
	// Unit is the SenML unit assumed of a record that states none, only with
	// a name. Empty: such a record is refused.
	Unit string
	// Scale multiplies the raw value before its unit is converted: 0.01 for
	// a sensor that sends 98 with the unit %, which in SenML is a ratio.
	// Zero means 1.
	Scale float64
}

// SenMLUnits lists the SenML units of a quantity, that of the quantity alone
// first.
func SenMLUnits(q unit.Quantity) []string {
	var names []string
	for _, u := range senmlUnits(q) {
		names = append(names, u.name)
	}
	return names
}

// senmlUnit says what a SenML unit is in ours.
type senmlUnit struct {
	name, ours string
	scale      float64
	own        bool // no other quantity has it
}

// senmlUnits lists the units by quantity: RFC 8428 section 12.1, except dBm
// and ppm, which are secondary units of RFC 8798 (from memory). C and F are
// coulomb and farad there, and % is a ratio of 0 to 1 like /, "NOT a
// percentage" (note 2).
func senmlUnits(q unit.Quantity) []senmlUnit {
	ratio := []senmlUnit{{"/", "fraction", 1, false}, {"%", "fraction", 1, false}}
	switch q {
	case unit.Temperature:
		return []senmlUnit{{"Cel", "C", 1, true}, {"K", "K", 1, true}}
	case unit.Humidity:
		return append([]senmlUnit{{"%RH", "%", 1, true}}, ratio...)
	case unit.Illuminance:
		return []senmlUnit{{"lx", "lx", 1, true}}
	case unit.Oxygen:
		return append(ratio, senmlUnit{"ppm", "fraction", 1e-6, false})
	case unit.Battery:
		return append([]senmlUnit{{"%EL", "%", 1, true}}, ratio...)
	case unit.Link:
		return []senmlUnit{{"dBm", "dBm", 1, true}}
	}
	return nil
}

// senmlSeparators part a record's name.
const senmlSeparators = ":/"

// CheckSenMLName reports what is wrong with a record's name in a mapping. It
// is compared with the end of the whole name, base name included, in whole
// parts between : and /: temp stands for urn:dev:ow:10e2073a01080063:temp and
// for temp, not for outtemp. A part may be {room} or {sensor}, each once, or +
// for one that is of no interest.
func CheckSenMLName(name string) error {
	parts, _ := splitName(name)
	seen := map[string]bool{}
	for _, part := range parts {
		switch part {
		case "+":
			continue
		case levelRoom, levelSensor:
			if seen[part] {
				return fmt.Errorf("record name %q names %s twice", name, part)
			}
			seen[part] = true
			continue
		}
		for i := 0; i < len(part); i++ {
			if !nameByte(part[i]) {
				return fmt.Errorf("record name %q: %q holds what no SenML name has: a part, between : or /, is of A-Z a-z 0-9 _ . -, or is %s, %s or + as a whole", name, part, levelRoom, levelSensor)
			}
		}
	}
	if name == "" {
		return errors.New("the record name is empty: leave it out, or write for example temperature")
	}
	return nil
}

// splitName cuts a name into its parts and the separators between them.
func splitName(name string) (parts []string, separators []byte) {
	for {
		i := strings.IndexAny(name, senmlSeparators)
		if i < 0 {
			return append(parts, name), separators
		}
		parts, separators = append(parts, name[:i]), append(separators, name[i])
		name = name[i+1:]
	}
}

// senmlRecord is a checked and compiled Record.
type senmlRecord struct {
	name       string // empty for any
	parts      []level
	separators []byte
	quantity   unit.Quantity
	assumed    string
	units      []senmlUnit
	convert    []conversion // of each of the units
}

// Names reports whether every record says its room or its sensor. Without
// SenML none does.
func (s *SenML) Names() bool {
	return s != nil && len(s.Records) > 0 && !slices.ContainsFunc(s.Records, func(r Record) bool {
		return !strings.Contains(r.Name, levelRoom) && !strings.Contains(r.Name, levelSensor)
	})
}

func (c *mapping) compileSenML(s SenML) error {
	var faults []error
	if c.hasQuantity {
		faults = append(faults, fmt.Errorf("%s goes with a bare number, a SenML record says its quantity: use + in its place", levelQuantity))
	}
	if len(s.Records) == 0 {
		faults = append(faults, errors.New("no record is given"))
	}
	for i, r := range s.Records {
		compiled, err := compileRecord(r)
		if err == nil {
			err = c.checkRecord(compiled, c.senml)
		}
		if err != nil {
			faults = append(faults, fmt.Errorf("record %d: %w", i+1, err))
			continue
		}
		c.senml = append(c.senml, compiled)
	}
	if err := errors.Join(faults...); err != nil {
		return fmt.Errorf("topic pattern %q: %w", c.pattern, err)
	}
	return nil
}

// CheckRecord reports what is wrong with a record of a mapping by itself.
func CheckRecord(r Record) error {
	_, err := compileRecord(r)
	return err
}

func compileRecord(r Record) (senmlRecord, error) {
	out := senmlRecord{name: r.Name, quantity: r.Quantity, assumed: r.Unit}
	if _, err := unit.ParseQuantity(r.Quantity.String()); err != nil {
		return out, err
	}
	for _, u := range senmlUnits(r.Quantity) {
		ours, err := unit.Parse(r.Quantity, u.ours)
		if err != nil {
			return out, err
		}
		scale := r.Scale
		if scale == 0 {
			scale = 1
		}
		if r.Name == "" && !u.own {
			continue
		}
		conv, err := newConversion(r.Quantity, ours, scale*u.scale)
		if err != nil {
			return out, err
		}
		out.units, out.convert = append(out.units, u), append(out.convert, conv)
	}
	switch {
	case len(out.units) == 0:
		return out, fmt.Errorf("%s has no SenML unit of its own: give the name of the record", r.Quantity)
	case r.Name == "" && r.Unit != "":
		return out, errors.New("a unit for records without one needs a name: any number would be taken otherwise")
	case r.Unit != "" && out.unit(r.Unit) < 0:
		return out, fmt.Errorf("%q is not a SenML unit of %s: use one of %s", r.Unit, r.Quantity, strings.Join(SenMLUnits(r.Quantity), ", "))
	case r.Name == "":
		return out, nil
	}
	if err := CheckSenMLName(r.Name); err != nil {
		return out, err
	}
	var parts []string
	parts, out.separators = splitName(r.Name)
	for _, part := range parts {
		l := level{literal, part}
		switch part {
		case "+":
			l.kind = one
		case levelRoom:
			l.kind = roomName
		case levelSensor:
			l.kind = sensorName
		}
		out.parts = append(out.parts, l)
	}
	return out, nil
}

// unit is the index of a SenML unit among those of the record, -1 if it is
// none of them.
func (r *senmlRecord) unit(name string) int {
	return slices.IndexFunc(r.units, func(u senmlUnit) bool { return u.name == name })
}

func (r *senmlRecord) has(kind levelKind) bool {
	return slices.ContainsFunc(r.parts, func(l level) bool { return l.kind == kind })
}

// checkRecord holds a record against its topic and the records before it.
func (c *mapping) checkRecord(r senmlRecord, before []senmlRecord) error {
	switch {
	case r.has(roomName) && (c.hasRoom || c.room != ""):
		return fmt.Errorf("name %q has %s, which the topic or the mapping gives as well: keep one", r.name, levelRoom)
	case r.has(sensorName) && (c.hasSensor || c.sensor != ""):
		return fmt.Errorf("name %q has %s, which the topic or the mapping gives as well: keep one", r.name, levelSensor)
	}
	for _, b := range before {
		// Two names of one quantity must be of different sensors, or their
		// values would mix in one series.
		if b.quantity == r.quantity && !(b.has(sensorName) && r.has(sensorName)) {
			return fmt.Errorf("%s is read from two records: a sensor has one, keep one or name the sensor in both with %s", r.quantity, levelSensor)
		}
	}
	return nil
}

// fits compares a whole name with that of the record.
func (r *senmlRecord) fits(parts []string, separators []byte, c *capture) bool {
	offset := len(parts) - len(r.parts)
	if offset < 0 {
		return false
	}
	for i := len(r.parts) - 1; i >= 0; i-- {
		part := parts[offset+i]
		if i > 0 && r.separators[i-1] != separators[offset+i-1] {
			return false
		}
		switch l := r.parts[i]; {
		case l.kind == literal && part != l.text, l.kind != literal && part == "":
			return false
		case l.kind == roomName:
			c.room, c.hasRoom = part, true
		case l.kind == sensorName:
			c.sensor, c.hasSensor = part, true
		}
	}
	return true
}

// maxUpdate is the longest update time that is taken for one, in seconds: a
// year (judgement). Longer ones are a slip of units.
const maxUpdate = 366 * 86400
