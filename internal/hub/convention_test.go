package hub

import (
	"encoding/json"
	"maps"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"
)

// keysOf are the options that a message may have, and pairs which unit goes with
// which device class: source www.home-assistant.io/integrations/mqtt ("Device
// discovery payload", "Supported shared options"), sensor.mqtt, binary_sensor.mqtt
// and, for the units, developers.home-assistant.io/docs/core/entity/sensor
// ("Available device classes"); read in November 2026. Only what is used here.
var (
	sharedKeys    = []string{"device", "origin", "components", "availability", "availability_mode", "state_topic", "qos"}
	deviceKeys    = []string{"identifiers", "name", "model", "sw_version", "suggested_area", "via_device", "configuration_url"}
	originKeys    = []string{"name", "sw_version", "support_url"}
	componentKeys = map[string][]string{
		"sensor": {"platform", "unique_id", "name", "device_class", "state_class", "unit_of_measurement", "suggested_display_precision", "value_template", "expire_after", "availability"},
		// Binary sensors have neither units nor state classes.
		"binary_sensor": {"platform", "unique_id", "name", "device_class", "value_template", "expire_after", "availability"},
	}
	units = map[string][]string{
		"sensor temperature": {"°C", "°F", "K"}, "sensor humidity": {"%"}, "sensor illuminance": {"lx"}, "sensor timestamp": {""},
		"sensor ": {"", "%"}, "binary_sensor problem": {""},
	}
	// discoveryLevel is what a level of a discovery topic may hold.
	discoveryLevel = regexp.MustCompile(`^[a-zA-Z0-9_-]+$`)
	available      = regexp.MustCompile(`^\{\{ 'offline' if value_json\.([a-z_]+) is none else 'online' \}\}$`)
	template       = regexp.MustCompile(`^\{\{ value_json\.([a-z_]+) \}\}$`)
)

func TestDiscoveryKeepsToTheConvention(t *testing.T) {
	c := larchHub()
	all := payloads(c, larch())
	seen := map[string]string{}
	n := 0
	for topic, payload := range all {
		if !strings.HasSuffix(topic, "/config") {
			continue
		}
		n++
		levels := strings.Split(topic, "/")
		if len(levels) != 4 || levels[0] != "homeassistant" || levels[1] != "device" || !discoveryLevel.MatchString(levels[2]) {
			t.Errorf("topic %s", topic)
		}
		for _, m := range discoveryFaults(payload) {
			t.Errorf("%s: %s", topic, m)
		}
		var a announced
		if err := json.Unmarshal([]byte(payload), &a); err != nil {
			t.Fatal(err)
		}
		var state map[string]any
		if err := json.Unmarshal([]byte(all[a.StateTopic]), &state); err != nil {
			t.Errorf("%s points to %s: %v", topic, a.StateTopic, err)
		}
		if a.Mode != "all" { // of all, any and latest
			t.Errorf("%s: availability by %s", topic, a.Mode)
		}
		for id, x := range a.Components {
			if other := seen[x.UniqueID]; other != "" {
				t.Errorf("%s and %s have the same unique_id", other, topic+" "+id)
			}
			seen[x.UniqueID] = topic + " " + id
			key := template.FindStringSubmatch(x.Template)
			if key == nil {
				t.Errorf("%s %s: template %q", topic, id, x.Template)
				continue
			}
			if x.Available[0] != (availability{Topic: "dryhold/status"}) || x.Available[1].Topic != a.StateTopic || !slices.Equal(available.FindStringSubmatch(x.Available[1].Template)[1:], key[1:]) {
				t.Errorf("%s %s: availability %v", topic, id, x.Available)
			}
			v, there := state[key[1]]
			if _, number := v.(float64); !there || v != nil && (x.State != "") != number {
				t.Errorf("%s %s: the state says %v", topic, id, v)
			}
			if at, is := v.(string); is && x.Class == "timestamp" {
				if _, err := time.Parse(time.RFC3339, at); err != nil {
					t.Error(err)
				}
			}
			if on, is := v.(string); is && x.Platform == "binary_sensor" && on != "ON" && on != "OFF" {
				t.Errorf("%s %s: %q", topic, id, on)
			}
		}
	}
	if n != 1+3+3 {
		t.Errorf("%d announcements", n)
	}
}

// discoveryFaults are what the convention forbids in a device message.
func discoveryFaults(payload string) (out []string) {
	var m map[string]json.RawMessage
	if err := json.Unmarshal([]byte(payload), &m); err != nil {
		return []string{err.Error()}
	}
	only := func(what string, raw []byte, allowed []string) map[string]any {
		var x map[string]any
		if err := json.Unmarshal(raw, &x); err != nil {
			out = append(out, what+": "+err.Error())
		}
		for k := range x {
			if !slices.Contains(allowed, k) {
				out = append(out, what+": unknown option "+k)
			}
		}
		return x
	}
	only("the message", []byte(payload), sharedKeys)
	device, origin := only("device", m["device"], deviceKeys), only("origin", m["origin"], originKeys)
	if device["identifiers"] == nil || device["name"] == nil || origin["name"] == nil {
		out = append(out, "device needs identifiers and name, origin a name")
	}
	var parts map[string]json.RawMessage
	if err := json.Unmarshal(m["components"], &parts); err != nil || len(parts) == 0 {
		return append(out, "no components")
	}
	for _, id := range slices.Sorted(maps.Keys(parts)) {
		x := only(id, parts[id], slices.Concat(componentKeys["sensor"], []string{}))
		text := func(k string) string { s, _ := x[k].(string); return s }
		list, _ := x["availability"].([]any)
		for _, entry := range list {
			e, _ := entry.(map[string]any)
			for k := range e {
				if !slices.Contains([]string{"topic", "value_template", "payload_available", "payload_not_available"}, k) {
					out = append(out, id+": availability has "+k)
				}
			}
		}
		allowed, known := componentKeys[text("platform")]
		if !known || text("unique_id") == "" {
			out = append(out, id+": platform and unique_id are required")
			continue
		}
		only(id, parts[id], allowed)
		if !slices.Contains(units[text("platform")+" "+text("device_class")], text("unit_of_measurement")) {
			out = append(out, id+": unit "+text("unit_of_measurement")+" does not go with device_class "+text("device_class"))
		}
		// A state class is for numbers.
		if s := text("state_class"); s != "" && (s != "measurement" || text("device_class") == "timestamp") {
			out = append(out, id+": state_class "+s)
		}
		if e, _ := x["expire_after"].(float64); e < 1 || e != float64(int(e)) {
			out = append(out, id+": expire_after")
		}
	}
	return out
}

// The checks see faults.
func TestDiscoveryFaultsAreSeen(t *testing.T) {
	var good string
	for topic, payload := range payloads(larchHub(), larch()) {
		if strings.HasSuffix(topic, "_cellar/config") {
			good = payload
		}
	}
	f := func(old, new string) {
		t.Helper()
		if bad := strings.ReplaceAll(good, old, new); bad == good || len(discoveryFaults(bad)) == 0 {
			t.Errorf("%s in the place of %s is not seen", new, old)
		}
	}
	f(`"unit_of_measurement":"lx"`, `"unit_of_measurement":"lux"`)
	f(`"unit_of_measurement":"°C"`, `"unit_of_measurement":"C"`)
	f(`"device_class":"problem"`, `"device_class":"problems"`)
	f(`"expire_after":600`, `"expire_after":0`)
	f(`"origin":`, `"source":`)
	f(`"unique_id"`, `"uid"`)
	f(`"state_class":"measurement"`, `"state_class":"mean"`)
	f(`"platform":"binary_sensor"`, `"platform":"sensor"`)
}

// Forms of the Homie convention, version 5 (homieiot.github.io/specification,
// "Topic IDs", "Payloads", "Formats", "Device Attributes").
var (
	idForm      = regexp.MustCompile(`^[a-z0-9]([a-z0-9-]*[a-z0-9])?$`)
	floatForm   = regexp.MustCompile(`^-?[0-9]+(\.[0-9]+)?$`)
	integerForm = regexp.MustCompile(`^-?[0-9]+$`)
	formatForm  = regexp.MustCompile(`^(-?[0-9.]+)?:(-?[0-9.]+)?$`)
)

// homieFaults are what the convention forbids in what a broker keeps of a
// device that is ready.
func homieFaults(kept map[string]string, device string) (out []string) {
	bad := func(what string) { out = append(out, what) }
	base := "homie/5/" + device + "/"
	if !idForm.MatchString(device) {
		bad("device " + device)
	}
	var d struct {
		Homie   string
		Version *int64
		Nodes   map[string]struct {
			Properties map[string]struct{ Datatype, Format, Unit string }
		}
		Root, Parent *string
	}
	if err := json.Unmarshal([]byte(kept[base+"$description"]), &d); err != nil {
		return append(out, err.Error())
	}
	if d.Homie != "5.0" || d.Version == nil || d.Root != nil || d.Parent != nil || len(d.Nodes) == 0 {
		bad("the description")
	}
	described := map[string]bool{base + "$description": true, base + "$state": true}
	for id, n := range d.Nodes {
		for p, x := range n.Properties {
			topic := base + id + "/" + p
			described[topic] = true
			if !idForm.MatchString(id) || !idForm.MatchString(p) {
				bad("identifier " + topic)
			}
			if x.Format != "" && !formatForm.MatchString(x.Format) {
				bad(topic + ": format " + x.Format)
			}
			v, known := kept[topic]
			if !known || v == "" {
				continue
			}
			switch x.Datatype {
			case "float":
				low, high, _ := strings.Cut(x.Format, ":")
				n, _ := strconv.ParseFloat(v, 64)
				least, _ := strconv.ParseFloat(low, 64)
				most, _ := strconv.ParseFloat(high, 64)
				if !floatForm.MatchString(v) || low != "" && n < least || high != "" && n > most {
					bad(topic + ": " + v)
				}
			case "integer":
				if !integerForm.MatchString(v) {
					bad(topic + ": " + v)
				}
			case "boolean":
				if v != "true" && v != "false" {
					bad(topic + ": " + v)
				}
			case "datetime":
				if _, err := time.Parse(time.RFC3339, v); err != nil {
					bad(topic + ": " + v)
				}
			case "string":
			default:
				bad(topic + ": datatype " + x.Datatype)
			}
		}
	}
	for topic := range kept {
		if strings.HasPrefix(topic, base) && !described[topic] {
			bad(topic + " is not described")
		}
	}
	return out
}

func TestHomieKeepsToTheConvention(t *testing.T) {
	all := payloads(larchHub(), larch())
	for _, m := range homieFaults(all, "dryhold-larch-house") {
		t.Error(m)
	}
	if all["homie/5/dryhold-larch-house/$state"] != "ready" {
		t.Error("it is not ready")
	}
	f := func(topic, payload string) {
		t.Helper()
		wrong := maps.Clone(all)
		wrong["homie/5/dryhold-larch-house/"+topic] = payload
		if len(homieFaults(wrong, "dryhold-larch-house")) == 0 {
			t.Errorf("%s %s is not seen", topic, payload)
		}
	}
	f("room-cellar/temperature", "NaN")
	f("room-cellar/humidity", "101")
	f("room-cellar/too-warm", "ON")
	f("room-attic/temperature", "1")
	f("store/lots", "1.5")
	f("store/first-end", "soon")
	f("$description", strings.ReplaceAll(all["homie/5/dryhold-larch-house/$description"], "room-cellar", "Room_cellar"))
	f("$description", "{}")
}
