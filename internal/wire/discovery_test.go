package wire

import (
	"fmt"
	"strings"
	"testing"
	"unicode/utf8"

	"dryhold/internal/unit"
)

func TestTemplatePath(t *testing.T) {
	f := func(template, path string, understood bool) {
		t.Helper()
		got, ok := templatePath(template)
		if got != path || ok != understood {
			t.Errorf("%q: %q %v, want %q %v", template, got, ok, path, understood)
		}
	}
	f("", "", true)
	f("{{ value }}", "", true)
	f("{{value|float}}", "", true)
	f("{{ value_json.temperature }}", "temperature", true)
	f("{{value_json.temperature}}", "temperature", true)
	f("{{ value_json.a.b }}", "a.b", true)
	f("{{ value_json['a'] }}", "a", true)
	f(`{{ value_json["a b"].c | float | round(1) }}`, "a b.c", true)
	f("{{ value_json.DS18B20.Temperature | round(1, 'floor') }}", "", false)
	f("{{ value_json.t | float(0) | round }}", "t", true)
	f("{{ value_json['a.b'][0] }}", `a\.b.0`, true)
	f("{{ value_json.sensors[2].t | is_defined }}", "sensors.2.t", true)
	f("{{ value_json['a|b'] }}", "a|b", true)
	for _, bad := range []string{
		"value_json.a", "{{ value_json }}", "{{ value_json.a * 2 }}", "{{ value_json.a | int }}", "{{ value_json.a | multiply(0.1) }}", "{{ value_json.a + value_json.b }}",
		"{% if value_json.a %}1{% endif %}", "{{ value_json.a }} {{ value_json.b }}", "{{ value_json.a }}°C", "{{ value_json[a] }}", "{{ value_json[-1] }}", "{{ value_json[01] }}",
		"{{ value_json.a() }}", "{{ value_json.a | default(0) }}", "{{ value_json.a if value_json.a else 0 }}", "{{ value_json['a\\'b'] }}", "{{ value_json[''] }}", "{{ value_json['a' }}",
		"{{ value_json. a }}", "{{ value_json.1 }}", "{{ (value_json.a) }}", "{{ states('sensor.x') }}", "{{ value_json.a | round(", "{{", "{{}}", "{{ value.a }}", "{{- value_json.a -}}",
		"{{ value_json.a | is_defined(1) }}", "{{ value_json.a ~ '' }}", "{{ value_json.a | float(value_json.b) | timestamp_local }}",
	} {
		f(bad, "", false)
	}
}

// announcedAs is what is read of an announcement, in a line.
func announcedAs(t *testing.T, topic, payload string) string {
	t.Helper()
	a, is := ReadDiscovery(topic, "homeassistant", []byte(payload))
	if !is {
		return "none"
	}
	var out []string
	if a.Origin != "" {
		out = append(out, "by "+a.Origin)
	}
	for _, v := range a.Values {
		text := fmt.Sprintf("%s|%s|%s %s %s: %s", v.Device, v.Area, v.Name, v.Topic, v.Path, v.Why)
		if v.Readable() {
			text = fmt.Sprintf("%s|%s|%s %s %s %s %s", v.Device, v.Area, v.Name, v.Topic, v.Path, v.Quantity, v.Unit)
		}
		out = append(out, text)
	}
	if a.Note != "" {
		out = append(out, "note: "+a.Note)
	}
	return strings.Join(out, "; ")
}

// deviceOf is a message of a whole device, invented, in the abbreviations of the
// convention.
const deviceOf = `{"dev":{"ids":"ea33","name":"Cellar climate","sa":"Cellar","mf":"x"},"o":{"name":"gateway","sw":"2.1"},"~":"gw/shelf","stat_t":"~/state","qos":1,"cmps":{
 "t":{"p":"sensor","dev_cla":"temperature","unit_of_meas":"°C","val_tpl":"{{ value_json.temperature }}","uniq_id":"ea33_t"},
 "h":{"p":"sensor","dev_cla":"humidity","unit_of_meas":"%","val_tpl":"{{ value_json['humidity'] | float }}","uniq_id":"ea33_h"},
 "dew":{"p":"sensor","name":"Dew point","dev_cla":"temperature","unit_of_meas":"°C","val_tpl":"{{ value_json.dew }}","uniq_id":"ea33_d"},
 "p":{"p":"sensor","dev_cla":"pressure","unit_of_meas":"hPa","val_tpl":"{{ value_json.p }}","uniq_id":"ea33_p"},
 "l":{"p":"sensor","name":"Lamp","unit_of_meas":"lx","stat_t":"gw/lamp","uniq_id":"ea33_l"},
 "door":{"p":"binary_sensor","dev_cla":"door","uniq_id":"ea33_o"},"gone":{"p":"sensor"}}}`

// Payloads as the convention and gateways write them; names and values are
// invented.
func TestReadDiscovery(t *testing.T) {
	f := func(topic, payload, want string) {
		t.Helper()
		if got := announcedAs(t, topic, payload); got != want {
			t.Errorf("%s %s\ngot  %s\nwant %s", topic, payload, got, want)
		}
	}
	f("homeassistant/device/ea33/config", deviceOf, "by gateway; Cellar climate|Cellar|t gw/shelf/state temperature temperature C; Cellar climate|Cellar|h gw/shelf/state humidity humidity %; "+
		"Cellar climate|Cellar|Dew point gw/shelf/state : it is announced as temperature, and its name says that it is another one; Cellar climate|Cellar|p gw/shelf/state : ; Cellar climate|Cellar|Lamp gw/lamp  illuminance lx")
	f("homeassistant/sensor/bedroom/config", `{"name":null,"device_class":"temperature","state_topic":"a/b","unit_of_measurement":"°F","value_template":"{{ value_json.t }}","device":{"name":"Loft","identifiers":["1"]}}`,
		"Loft|| a/b t temperature F")
	f("homeassistant/sensor/node/obj/config", `{"~":"a/b","name":"Outside humidity","stat_t":"~"}`, "||Outside humidity a/b  humidity ")
	f("homeassistant/sensor/x/config", `{"~":"a","name":"x","dev_cla":"battery","unit_of_meas":"%","stat_t":"b/~"}`, "||x b/a  battery %")
	f("homeassistant/sensor/x/config", `{"name":"x","dev_cla":"signal_strength","unit_of_meas":"dBm","stat_t":"a"}`, "||x a  link dBm")
	f("homeassistant/sensor/x/config", `{"name":"x","dev_cla":"temperature","unit_of_meas":"°R","stat_t":"a"}`, `||x a : its unit "°R" is none of temperature that is known here`)
	f("homeassistant/sensor/x/config", `{"name":"Setpoint","dev_cla":"temperature","stat_t":"a"}`, "||Setpoint a : it is announced as temperature, and its name says that it is another one")
	f("homeassistant/sensor/x/config", `{"name":"x","dev_cla":"temperature","stat_t":"a","val_tpl":"{{ value_json.t * 0.1 }}"}`,
		`||x a : its template "{{ value_json.t * 0.1 }}" is not understood: only a field of the JSON, with float or round, is`)
	f("homeassistant/sensor/x/config", `{"name":"x","dev_cla":"temperature"}`, "||x  : it does not say on which topic its values come")
	f("homeassistant/sensor/x/config", `{"name":"x","dev_cla":"temperature","stat_t":"a/#"}`, "||x  : it does not say on which topic its values come")
	f("homeassistant/sensor/x/config", `{"name":"Uptime","dev_cla":"duration","stat_t":"a"}`, "||Uptime a : ")
	f("homeassistant/switch/x/config", `{"name":"x","stat_t":"a"}`, "")
	f("homeassistant/device/x/config", `{"dev":{}}`, "note: the announcement of a device lists no components")
	f("homeassistant/sensor/x/config", `[1]`, "note: the announcement is no JSON object")
	f("homeassistant/sensor/x/config", strings.Repeat("[", 100), "note: the announcement is no JSON object")
	f("homeassistant/sensor/x/config", strings.Repeat("x", MaxDiscovery+1), "note: the announcement has 65537 bytes: at most 65536 are read")
	f("homeassistant/sensor/x/config", "", "none")
	for _, topic := range []string{"homeassistant/sensor/config", "homeassistant/sensor/a/b/c/config", "hub/sensor/x/config", "homeassistant/sensor/x/state", "homeassistant", ""} {
		f(topic, `{"name":"x","dev_cla":"temperature","stat_t":"a"}`, "none")
	}
	var many []string
	for i := range 2 * maxComponents {
		many = append(many, fmt.Sprintf(`"c%d":{"p":"sensor","stat_t":"a/%d"}`, i, i))
	}
	a, _ := ReadDiscovery("homeassistant/device/x/config", "homeassistant", []byte(`{"cmps":{`+strings.Join(many, ",")+"}}"))
	if len(a.Values) != maxComponents || !strings.Contains(a.Note, "more than 200") {
		t.Errorf("%d values, %s", len(a.Values), a.Note)
	}
}

// proposedBy is proposed with an announcement.
func proposedBy(t *testing.T, announcement, topic, payload string) string {
	t.Helper()
	a, _ := ReadDiscovery("homeassistant/device/ea33/config", "homeassistant", []byte(announcement))
	msg := Message{Topic: topic, Payload: []byte(payload), ReceivedAt: receipt}
	p := ProposeAnnounced(msg, house(), a.Values)
	out := []string{string(p.Shape), p.Pattern, p.Room + "/" + p.Sensor}
	m := p.Mapping()
	if m.Room == "" && !strings.Contains(m.Pattern, levelRoom) {
		m.Room = "elsewhere"
	}
	table, err := NewMap([]Mapping{m}, nil)
	if err != nil {
		out = append(out, err.Error())
	} else if payload != "" {
		d, errs := table.Decode(msg)
		for _, r := range d.Readings {
			out = append(out, fmt.Sprintf("%s/%s %s %g", r.Room, r.Sensor, r.Quantity, r.Value))
		}
		for _, e := range errs {
			out = append(out, string(e.Cause))
		}
	}
	for _, n := range p.Notes {
		out = append(out, "note: "+n)
	}
	return strings.Join(out, "; ")
}

func TestProposeAnnounced(t *testing.T) {
	f := func(announcement, topic, payload, want string) {
		t.Helper()
		if got := proposedBy(t, announcement, topic, payload); !strings.HasPrefix(got, want) {
			t.Errorf("%s %s\ngot  %s\nwant %s", topic, payload, got, want)
		}
	}
	// A device at 12 °C is no riddle: without the announcement 95 would be 95 °F.
	f(deviceOf, "gw/shelf/state", `{"temperature":14.2,"humidity":58,"dew":6.1,"p":967}`,
		`json; gw/shelf/state; cellar/shelf; cellar/shelf temperature 14.2; cellar/shelf humidity 0.58; note: "t" of "Cellar climate" is announced as temperature in C; note: "h" of "Cellar climate" is announced as humidity in %; note: "Dew point" of "Cellar climate": it is announced as temperature`)
	f(deviceOf, "gw/lamp", "120", `number; gw/lamp; cellar/lamp; cellar/lamp illuminance 120; note: "Lamp" of "Cellar climate" is announced as illuminance in lx`)
	f(deviceOf, "gw/other", "120", "number; gw/other; /other; mapping 1: topic pattern \"gw/other\": say what the number measures")
	f(deviceOf, "gw/shelf/state", "", `json; gw/shelf/state; cellar/shelf; note: nothing has come on this topic yet`)
	f(deviceOf, "gw/lamp", "", `number; gw/lamp; cellar/lamp; note: nothing has come on this topic yet`)
	f(deviceOf, "gw/shelf/state", "ON", `; gw/shelf/state; /shelf; `)
	f(deviceOf, "gw/shelf/state", `{"humidity":58,"temp":95}`, `json; gw/shelf/state; cellar/shelf; cellar/shelf humidity 0.58; note: "t" of "Cellar climate" stands in temperature, which this message has not; `)
	of := func(sensor string) string { return `{"dev":{"name":"Shelf One"},"cmps":{"a":` + sensor + "}}" }
	f(of(`{"p":"sensor","dev_cla":"temperature","unit_of_meas":"°F","val_tpl":"{{ value_json.v }}","stat_t":"x/y"}`), "x/y", `{"v":41,"temp":12}`, "json; x/y; /y; elsewhere/y temperature 5; note: ")
	f(of(`{"p":"sensor","dev_cla":"temperature","stat_t":"x/y"}`), "x/y", "68", `number; x/y; /y; elsewhere/y temperature 20; note: "a" of "Shelf One" is announced as temperature, without a unit`)
	f(of(`{"p":"sensor","dev_cla":"humidity","stat_t":"temperature"}`), "temperature", "44", `number; temperature; /shelf-one; elsewhere/shelf-one humidity 0.44; note: `)
	f(of(`{"p":"sensor","dev_cla":"humidity","val_tpl":"{{ value_json.h*2 }}","stat_t":"x/y"}`), "x/y", `{"h":44}`, `json; x/y; /y; mapping 1: topic pattern "x/y": no field is given; note: "a" of "Shelf One": its template`)
	f(`{"dev":{"name":"Shelf","sa":"Kitchen"},"cmps":{"a":{"p":"sensor","dev_cla":"humidity","stat_t":"x/y"}}}`, "x/y", "44",
		`number; x/y; /y; elsewhere/y humidity 0.44; note: "a" of "Shelf" is announced as humidity, without a unit: look at the one proposed; note: the hub has it in "Kitchen", which is no room here: choose the room`)
	f(`{"dev":{"name":"North Pantry sensor"},"cmps":{"a":{"p":"sensor","dev_cla":"humidity","unit_of_meas":"%","stat_t":"x/y"}}}`, "x/y", "44", `number; x/y; north-pantry/y; north-pantry/y humidity 0.44; note: `)
	f(`{"cmps":{"a":{"p":"sensor","dev_cla":"humidity","unit_of_meas":"%","stat_t":"x/y"},"b":{"p":"sensor","dev_cla":"temperature","unit_of_meas":"°C","stat_t":"x/y"}}}`, "x/y", "44",
		`number; x/y; /y; elsewhere/y humidity 0.44; note: "a" is announced as humidity in %; note: "b" is announced as well, and the topic has one number`)
}

// Whatever is announced, nothing that is not one of ours is proposed, and what is
// proposed is read again as what it was.
func FuzzReadDiscovery(f *testing.F) {
	for _, seed := range []string{deviceOf, "{}", `{"stat_t":"x/y","dev_cla":"temperature","val_tpl":"{{ value_json['\\\\'] }}"}`, `{"cmps":{"":{"p":"sensor","stat_t":"~","dev_cla":"battery"}},"~":"x/y"}`,
		`{"cmps":{"a":{"p":"sensor","stat_t":"x/y","dev_cla":"humidity","unit_of_meas":"%","val_tpl":"{{ value_json[0].h }}"}}}`, "[", "null"} {
		f.Add([]byte(seed), []byte(`{"temperature":14.2,"h":44}`))
		f.Add([]byte(seed), []byte("14.2"))
		f.Add([]byte(seed), []byte{})
	}
	f.Fuzz(func(t *testing.T, announcement, payload []byte) {
		for _, topic := range []string{"homeassistant/device/a/config", "homeassistant/sensor/a/b/config"} {
			a, is := ReadDiscovery(topic, "homeassistant", announcement)
			if is == (len(announcement) == 0) || len(a.Values) > maxComponents {
				t.Fatalf("%v, %d values", is, len(a.Values))
			}
			for _, v := range a.Values {
				if len(v.Name) > maxRaw+3 || !utf8.ValidString(v.Name+v.Device+v.Area+v.Topic+v.Why) {
					t.Fatalf("%+v", v)
				}
				if !v.Readable() {
					continue
				}
				if _, err := unit.Parse(v.Quantity, v.Unit); v.Unit != "" && err != nil || v.Path != "" && CheckPath(v.Path) != nil || strings.ContainsAny(v.Topic, "+#") {
					t.Fatalf("%v %+v", err, v)
				}
				msg := Message{Topic: v.Topic, Payload: payload, ReceivedAt: receipt}
				p := ProposeAnnounced(msg, house(), a.Values)
				seen := map[unit.Quantity]bool{}
				for _, c := range p.Values {
					if c.Quantity != 0 && seen[c.Quantity] {
						t.Fatalf("%s twice: %+v", c.Quantity, p)
					}
					seen[c.Quantity] = true
				}
				m := p.Mapping()
				if m.Room == "" && !strings.Contains(m.Pattern, levelRoom) {
					m.Room = "elsewhere"
				}
				if table, err := NewMap([]Mapping{m}, nil); err == nil && len(payload) > 0 {
					_, _ = table.Decode(msg)
				}
			}
		}
	})
}

// A template that is understood names a field as a configuration may, and is read
// again as what it was.
func FuzzTemplatePath(f *testing.F) {
	for _, seed := range []string{"{{ value_json.a['b.c'][0] | round(1) }}", "{{ value }}", "{{ value_json['\\'] }}", "{{|}}", "{{value_json[\"'\"]}}"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, template string) {
		path, understood := templatePath(template)
		if !understood || path == "" {
			return
		}
		keys, err := splitPath(path)
		if err != nil {
			t.Fatalf("%q: %q: %v", template, path, err)
		}
		var b strings.Builder
		for _, k := range keys {
			if strings.Contains(k, "'") {
				fmt.Fprintf(&b, "[%s%s%s]", `"`, k, `"`)
			} else {
				fmt.Fprintf(&b, "['%s']", k)
			}
		}
		if again, ok := templatePath("{{ value_json" + b.String() + " }}"); !ok || again != path {
			t.Fatalf("%q is %q, and that %q %v", template, path, again, ok)
		}
	})
}
