package wire

import (
	"slices"
	"strings"
	"unicode"

	"dryhold/internal/unit"
)

// wordsOf cuts a name into its words, in lower case: outsideTemp_F is outside,
// temp, f.
func wordsOf(name string) []string {
	var out []string
	var word strings.Builder
	end := func() {
		if word.Len() > 0 {
			out = append(out, strings.ToLower(word.String()))
			word.Reset()
		}
	}
	upper := false
	for _, r := range name {
		switch {
		case !unicode.IsLetter(r) && r != '°' && r != '%' && (r < '0' || r > '9'):
			end()
			upper = false
			continue
		case unicode.IsUpper(r) && !upper:
			end()
		}
		upper = unicode.IsUpper(r)
		word.WriteRune(r)
	}
	end()
	return out
}

// named reports whether a name is one of the words, or has it among its own.
func named(name string, words ...string) bool {
	return slices.ContainsFunc(wordsOf(name), func(w string) bool { return slices.Contains(words, w) })
}

// quantityOf guesses by a name what it measures; 0 where it says nothing. The
// words are those that devices and gateways commonly use (common practice, no
// source).
func quantityOf(name string) unit.Quantity {
	switch {
	case other(name):
		return 0
	case named(name, "temperature", "temp", "temperatur", "tempc", "tempf", "température", "celsius", "fahrenheit"):
		return unit.Temperature
	case named(name, "humidity", "hum", "humid", "rh", "feuchte", "luftfeuchtigkeit", "humidité"):
		return unit.Humidity
	case named(name, "illuminance", "lux", "light", "illumination", "brightness", "lx"):
		return unit.Illuminance
	case named(name, "oxygen", "o2"):
		return unit.Oxygen
	case named(name, "battery", "batt", "bat", "charge"):
		return unit.Battery
	case named(name, "rssi", "link", "dbm"):
		return unit.Link
	}
	// A letter alone is a name in payloads that must be short.
	switch strings.ToLower(name) {
	case "t":
		return unit.Temperature
	case "h":
		return unit.Humidity
	}
	return 0
}

// other reports a name of what is none of the quantities here, whatever else is
// in it.
func other(name string) bool {
	return named(name, "voltage", "volt", "mv", "pressure", "co2", "tvoc", "voc", "pm25", "setpoint", "target", "offset", "interval", "count", "id", "dewpoint", "dew", "soil")
}

// guess fills in the unit and the scale of a value, by its name and by what is
// plausible in a house.
func guess(c Candidate, name string) Candidate {
	c.Scale = 1
	v, bad := parseNumber(c.Raw)
	if c.Quantity == 0 || bad != nil {
		return c
	}
	switch c.Quantity {
	case unit.Temperature:
		c.Unit, c.Scale = temperatureUnit(v, name)
	case unit.Humidity, unit.Battery, unit.Oxygen:
		c.Unit, c.Scale = shareUnit(v, c.Quantity)
		if c.Quantity == unit.Battery && v > 1000 {
			c.Quantity, c.Unit, c.Scale = 0, "", 1 // a voltage, in mV
		}
	case unit.Illuminance:
		if c.Unit = "lx"; named(name, "klx", "klux") {
			c.Unit = "klx"
		}
	case unit.Link:
		if c.Unit = "dBm"; v > 0 {
			c.Quantity, c.Unit = 0, "" // a link quality of its maker's own
		}
	}
	return c
}

// temperatureUnit guesses: a room above 50 °C is one in °F, one above 130 °F
// comes in tenths or hundredths (judgement).
func temperatureUnit(v float64, name string) (in string, scale float64) {
	scale = 1
	for (v > 130 || v < -60) && scale > 0.005 && !named(name, "k", "kelvin") {
		v, scale = v/10, scale/10
	}
	if scale < 0.05 {
		scale = 0.01 // not 0.1 * 0.1, which is another number
	}
	switch {
	case named(name, "f", "fahrenheit", "tempf", "°f"):
		return "F", scale
	case named(name, "k", "kelvin"):
		return "K", scale
	case named(name, "c", "celsius", "tempc", "°c"):
		return "C", scale
	case v > 50:
		return "F", scale
	}
	return "C", scale
}

// shareUnit guesses whether a share is a fraction or a percentage. A value of
// up to 1 is a fraction of a humidity or of oxygen; of a battery, 1 is left as
// a percentage: it is near empty more often than full with a unit nobody uses.
func shareUnit(v float64, q unit.Quantity) (in string, scale float64) {
	switch {
	case v >= 0 && v < 1, v == 1 && q != unit.Battery:
		return "fraction", 1
	case v > 1000:
		return "%", 0.01
	case v > 100:
		return "%", 0.1
	}
	return "%", 1
}

// PatternOf is the pattern of the mapping by which messages on a topic are
// read, empty where there is none.
func (m *Map) PatternOf(topic string) string {
	if _, found := m.find(topic); found != nil {
		return found.pattern
	}
	return ""
}

// Mapping makes the mapping that a proposal is. It is not checked: NewMap and
// package settings do that.
func (p Proposal) Mapping() Mapping {
	m := Mapping{Pattern: p.Pattern, Room: p.Room, Sensor: p.Sensor}
	switch p.Shape {
	case ShapeNumber:
		m.Number = &Number{}
	case ShapeJSON:
		m.JSON = &JSON{Time: p.Time}
	case ShapeSenML:
		m.SenML = &SenML{}
	case ShapeHomie:
		m.Homie = &Homie{}
	}
	for _, c := range p.Values {
		if c.Quantity == 0 {
			continue
		}
		u, _ := unit.Parse(c.Quantity, c.Unit) // of SenML it is another one
		switch p.Shape {
		case ShapeNumber:
			m.Number.Quantity, m.Number.Units = c.Quantity, map[unit.Quantity]unit.Unit{c.Quantity: u}
		case ShapeJSON:
			m.JSON.Fields = append(m.JSON.Fields, Field{Path: c.Path, Quantity: c.Quantity, Unit: u, Scale: c.Scale})
		case ShapeSenML:
			m.SenML.Records = append(m.SenML.Records, Record{Name: c.Path, Quantity: c.Quantity, Unit: c.Unit, Scale: c.Scale})
		case ShapeHomie:
			m.Homie.Properties = append(m.Homie.Properties, Property{Name: c.Path, Quantity: c.Quantity, Unit: u, Scale: c.Scale})
		}
	}
	return m
}
