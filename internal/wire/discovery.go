package wire

import (
	"cmp"
	"fmt"
	"strings"
	"unicode"
	"unicode/utf8"

	"github.com/tidwall/gjson"

	"dryhold/internal/unit"
)

// Announced is a value that a gateway announces to hubs by the MQTT discovery
// convention of home automation.
type Announced struct {
	Topic    string        // on which its messages come
	Path     string        // of the JSON field; empty where the whole payload is the number
	Quantity unit.Quantity // zero where it is of no interest here
	Unit     string        // a unit of the quantity; empty where none was announced
	Why      string        // why it cannot be read; empty where it can
	// Name, Device and Area are as announced, at most maxRaw bytes each, and may
	// be empty.
	Name, Device, Area string
}

// Readable reports a value that can be proposed.
func (a Announced) Readable() bool { return a.Quantity != 0 && a.Why == "" }

// Announcement is what one discovery message says.
type Announcement struct {
	// Origin is the program that announces; empty where it does not say.
	Origin string
	Values []Announced
	// Note says why nothing was understood; empty where something was, or where
	// nothing in it is a sensor.
	Note string
}

// Bounds of a discovery message (judgement): gateways announce some dozens of
// values of a device in a few kB.
const (
	MaxDiscovery  = 64 << 10 // bytes
	maxComponents = 200
)

// The convention's topic is prefix/component/[node/]object/config, where the
// component of a message about a whole device is device.
const (
	discoveryEnd    = "config"
	sensorComponent = "sensor"
	deviceComponent = "device"
)

// DiscoveryFilters are the topics of discovery messages below a prefix.
func DiscoveryFilters(prefix string) []string {
	return []string{prefix + "/+/+/" + discoveryEnd, prefix + "/+/+/+/" + discoveryEnd}
}

// DiscoveryComponent is the component of a topic of discovery below a prefix;
// empty where it is none.
func DiscoveryComponent(topic, prefix string) string {
	rest, below := strings.CutPrefix(topic, prefix+"/")
	levels := strings.Split(rest, "/")
	if n := len(levels); !below || n < 3 || n > 4 || levels[n-1] != discoveryEnd {
		return ""
	}
	return levels[0]
}

// ReadDiscovery reads a discovery message, of one component or of a whole device,
// with the convention's abbreviations and base topic, as far as it announces
// sensors (www.home-assistant.io/integrations/mqtt, "Discovery messages" and
// "Supported abbreviations"; read in November 2026). It reports false for a topic
// that is none of discovery below the prefix, and for one that was emptied.
func ReadDiscovery(topic, prefix string, payload []byte) (a Announcement, is bool) {
	component := DiscoveryComponent(topic, prefix)
	switch {
	case component == "" || len(payload) == 0:
		return a, false
	case component != sensorComponent && component != deviceComponent:
		return a, true
	case len(payload) > MaxDiscovery:
		a.Note = fmt.Sprintf("the announcement has %d bytes: at most %d are read", len(payload), MaxDiscovery)
		return a, true
	case !utf8.Valid(payload) || tooDeep(payload) || !gjson.ValidBytes(payload) || !gjson.ParseBytes(payload).IsObject():
		a.Note = "the announcement is no JSON object"
		return a, true
	}
	root := optionsOf(gjson.ParseBytes(payload))
	a.Origin = shorten(optionsOf(root.of("origin", "o")).text("name", "name"))
	if component == sensorComponent {
		a.Values = append(a.Values, root.sensor(root, ""))
		return a, true
	}
	parts := root.of("components", "cmps")
	if !parts.Exists() {
		parts = root.of("cmp", "cmp") // so abbreviated in the text of the convention, not in its table
	}
	if !parts.IsObject() {
		a.Note = "the announcement of a device lists no components"
		return a, true
	}
	n := 0
	parts.ForEach(func(id, part gjson.Result) bool {
		if n++; n > maxComponents {
			a.Note = fmt.Sprintf("the device announces more than %d values: the first were read", maxComponents)
			return false
		}
		if o := optionsOf(part); part.IsObject() && o.text("platform", "p") == sensorComponent && len(o) > 1 { // alone, it takes the component away
			a.Values = append(a.Values, root.sensor(o, id.Str))
		}
		return true
	})
	return a, true
}

// options are those of a message or of one part of it, by name. Of a name that
// comes twice the last counts, as with any reader of JSON objects.
type options map[string]gjson.Result

func optionsOf(r gjson.Result) options {
	out := options{}
	if r.IsObject() {
		r.ForEach(func(key, v gjson.Result) bool {
			out[key.Str] = v
			return true
		})
	}
	return out
}

// of gives an option by its name or its abbreviation.
func (o options) of(name, short string) gjson.Result {
	if v, given := o[name]; given {
		return v
	}
	return o[short]
}

// text is an option that is a text; of any other kind it counts as not given.
func (o options) text(name, short string) string {
	if v := o.of(name, short); v.Type == gjson.String {
		return v.Str
	}
	return ""
}

// sensor reads a sensor, of the whole message or of one part of it.
func (o options) sensor(part options, id string) Announced {
	device := optionsOf(o.of("device", "dev"))
	a := Announced{
		Name: shorten(printable(cmp.Or(part.text("name", "name"), id))), Device: shorten(printable(device.text("name", "name"))),
		Area: shorten(printable(device.text("suggested_area", "sa"))),
	}
	topic := part.text("state_topic", "stat_t")
	base, own := part["~"]
	if topic == "" || !own {
		base = o["~"]
	}
	if topic = cmp.Or(topic, o.text("state_topic", "stat_t")); base.Type == gjson.String {
		switch {
		case strings.HasPrefix(topic, "~"):
			topic = base.Str + topic[1:]
		case strings.HasSuffix(topic, "~"):
			topic = topic[:len(topic)-1] + base.Str
		}
	}
	if topic == "" || len(topic) > maxTopic || strings.ContainsAny(topic, "+#\x00") || !utf8.ValidString(topic) {
		a.Why = "it does not say on which topic its values come"
		return a
	}
	a.Topic = topic
	class, in := part.text("device_class", "dev_cla"), part.text("unit_of_measurement", "unit_of_meas")
	a.Quantity = quantityAnnounced(class, in, a.Name, id)
	if a.Quantity == 0 {
		return a
	}
	template := part.text("value_template", "val_tpl")
	path, understood := templatePath(template)
	names := []string{a.Name, id, part.text("object_id", "obj_id")}
	if keys, err := splitPath(path); err == nil {
		names = append(names, keys[len(keys)-1])
	}
	switch u, known := unitAnnounced(a.Quantity, in); {
	case another(names):
		a.Why, a.Quantity = fmt.Sprintf("it is announced as %s, and its name says that it is another one", a.Quantity), 0
	case !understood:
		a.Why = fmt.Sprintf("its template %q is not understood: only a field of the JSON, with float or round, is", shorten(printable(template)))
	case !known:
		a.Why = fmt.Sprintf("its unit %q is none of %s that is known here", shorten(printable(in)), a.Quantity)
	default:
		a.Path, a.Unit = path, u
	}
	return a
}

// quantityAnnounced is what a sensor measures by its class; without one, by its
// unit or its name. Zero for what is of no interest here.
func quantityAnnounced(class, in, name, id string) unit.Quantity {
	switch class {
	case "temperature":
		return unit.Temperature
	case "humidity":
		return unit.Humidity
	case "illuminance":
		return unit.Illuminance
	case "battery":
		return unit.Battery
	case "signal_strength":
		return unit.Link
	case "":
		if in == "lx" {
			return unit.Illuminance
		}
		if q := quantityOf(name); q != 0 {
			return q
		}
		return quantityOf(id)
	}
	return 0
}

// unitAnnounced is a unit as a configuration names it; empty where none was
// announced.
func unitAnnounced(q unit.Quantity, in string) (name string, known bool) {
	if short, is := map[string]string{"": "", "°C": "C", "°F": "F", "lux": "lx"}[in]; is {
		in = short
	}
	if in == "" {
		return "", true
	}
	_, err := unit.Parse(q, in)
	return in, err == nil
}

// another reports names of what is announced with the class of a quantity and is
// not that of the air of a room.
func another(names []string) bool {
	for _, n := range names {
		if other(n) || named(n, "cpu", "chip", "internal", "board") {
			return true
		}
	}
	return false
}

// printable leaves out what cannot be shown.
func printable(s string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsControl(r) {
			return -1
		}
		return r
	}, strings.ToValidUTF8(s, ""))
}
