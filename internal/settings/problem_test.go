package settings_test

import (
	"strings"
	"testing"

	"dryhold/internal/settings"
)

// wantProblems compares the whole text of the error, line by line.
func wantProblems(t *testing.T, src string, err error, want []string) {
	t.Helper()
	if len(want) == 0 {
		t.Fatalf("%q: the case wants no problem", src)
	}
	if err == nil {
		t.Errorf("%q: accepted, want\n%s", src, strings.Join(want, "\n"))
		return
	}
	if got := err.Error(); got != strings.Join(want, "\n") {
		t.Errorf("%q:\ngot\n%s\nwant\n%s", src, got, strings.Join(want, "\n"))
	}
}

func TestProblems(t *testing.T) {
	f := func(src string, want ...string) {
		t.Helper()
		_, err := settings.Parse("f.yaml", []byte(src))
		wantProblems(t, src, err, want)
	}

	// Keys and shapes.
	f("sit: x\n",
		`f.yaml:1:1: unknown key "sit" in the configuration: did you mean "site"?`)
	f("- a\n",
		"f.yaml:1:1: the configuration must be keys with values, not a list")
	f("just text\n",
		"f.yaml:1:1: the configuration must be keys with values, not text")
	f("site: a\nsite: b\n",
		`f.yaml:2:1: key "site" stands here a second time, first on line 1: keep one`)
	f("site:\n",
		`f.yaml:1:1: key "site" has no value: give one, or leave the key out`)
	f("stale: ~\n",
		`f.yaml:1:1: key "stale" has no value: give one, or leave the key out`)
	f("site: 42\n",
		`f.yaml:1:7: site must be text, not a number: put "42" in quotes`)
	f("site: true\n",
		`f.yaml:1:7: site must be text, not true or false: put "true" in quotes`)
	f("site: [a]\n",
		"f.yaml:1:7: site must be text, not a list")
	f("site: {a: b}\n",
		"f.yaml:1:7: site must be text, not keys with values")
	f("site: \"\"\n",
		"f.yaml:1:7: site is empty")
	f("site: \"a\\x00b\"\n",
		`f.yaml:1:7: site holds a line break or a control character: "a\x00b"`)
	f("site: |\n  a\n  b\n",
		`f.yaml:1:7: site holds a line break or a control character: "a\nb"`)
	f("site: "+strings.Repeat("x", 65)+"\n",
		"f.yaml:1:7: site has more than 64 characters")
	f("1: x\n",
		`f.yaml:1:1: unknown key "1" in the configuration: it is one of site, zone, log, broker, http, metrics, rooms, accept_new_rooms, stale, sensors, lots, site_limits, outdoor, topics, mail, notify, influx, alertmanager, hub, backup, eating, persons, catalog`)

	// Zone and time spans.
	f("zone: Europe/Berln\n",
		`f.yaml:1:7: "Europe/Berln" is not a time zone: use a name such as Europe/Berlin, or UTC`)
	f("zone: ../etc\n",
		`f.yaml:1:7: "../etc" is not a time zone: use a name such as Europe/Berlin, or UTC`)
	f("stale: 40d\n",
		"f.yaml:1:8: stale 40d is outside 1m to 30d")
	f("stale: 1e9d\n",
		`f.yaml:1:8: stale: "1e9d" is not a time span: write for example 30m, 2h or 1d`)
	f("stale: soon\n",
		`f.yaml:1:8: stale: "soon" is not a time span: write for example 30m, 2h or 1d`)
	f("stale: 0x1p5d\n",
		`f.yaml:1:8: stale: "0x1p5d" is not a time span: write for example 30m, 2h or 1d`)
	f("stale: [1h]\n",
		"f.yaml:1:8: stale must be a time span such as 30m, 2h or 1d, not a list")

	// Rooms and limits.
	f("rooms: cellar\n",
		`f.yaml:1:8: rooms must be a list, not text: begin each item with "- "`)
	f("rooms: [cellar]\n",
		"f.yaml:1:9: a room must be keys with values, not text")
	f("rooms:\n  - nam: cellar\n",
		`f.yaml:2:5: a room needs the key "name"`,
		`f.yaml:2:5: unknown key "nam" in a room: did you mean "name"?`)
	f("rooms:\n  - name: the cellar\n",
		`f.yaml:2:11: room name: name "the cellar" holds a character outside A-Z a-z 0-9 _ . -`)
	f("rooms:\n  - name: cellar\n  - name: cellar\n",
		`f.yaml:3:11: room "cellar" is listed a second time: keep one`)
	f("rooms:\n  - name: cellar\n    limits: [warm]\n",
		"f.yaml:3:13: limits must be keys with values, not a list")
	f("rooms:\n  - name: cellar\n    limits: {humid: 60 %}\n",
		`f.yaml:3:14: unknown key "humid" in limits: it is one of warm, damp, bright, spike, spike_humidity, drift, drift_humidity, disagree, disagree_humidity, battery, silent, stuck, calibration, hot, condensing, ageing, hours_over, ahead, round, moisture_amber, moisture_red, oxygen_spent, absorber_small, hold_incomplete, hold_complete, quality, ends_early`)
	f("rooms:\n  - name: cellar\n    limits: {warm: 18}\n",
		`f.yaml:3:20: warm: "18" lacks a unit: write for example "18 C"`)
	f("rooms:\n  - name: cellar\n    limits: {warm: 18 %}\n",
		`f.yaml:3:20: warm: "%" is not a unit of temperature: use one of C, °C, degC, celsius, F, °F, degF, K`)
	f("rooms:\n  - name: cellar\n    limits: {warm: 180 C, damp: 2 %, bright: 0 lx}\n",
		"f.yaml:3:20: warm 180 C is outside -30 to 60 °C",
		"f.yaml:3:33: damp 2 % is outside 5 to 100 %",
		"f.yaml:3:46: bright 0 lx is outside 0.1 to 100000 lx")
	f("rooms:\n  - name: cellar\n    limits: {warm: [18 C]}\n",
		"f.yaml:3:20: warm must be keys with values, not a list")
	f("rooms:\n  - name: cellar\n    limits:\n      warm: {limit: warm, deadband: 20 K, on_delay: 2 hours, off_delay: -1h, priority: urgent}\n      damp: {limit: {}, deadband: 40 %, priority: hihg}\n",
		`f.yaml:4:21: warm limit: "warm" is not a number with a unit: write for example "18 C"`,
		"f.yaml:4:37: deadband 20 K is outside 0 to 10 K",
		`f.yaml:4:53: on_delay: "2 hours" is not a time span: write for example 30m, 2h or 1d`,
		"f.yaml:4:73: off_delay -1h is outside 0s to 30d",
		`f.yaml:4:88: unknown priority "urgent": it is one of high, low, medium`,
		`f.yaml:5:21: damp limit must be a number with a unit such as "60 %", not keys with values`,
		"f.yaml:5:35: deadband 40 % is outside 0 to 30 %",
		`f.yaml:5:51: unknown priority "hihg": did you mean "high"?`)
	f("rooms:\n  - name: cellar\n    limits: {damp: {limit: 20 %, deadband: 20 %}}\n",
		"f.yaml:3:44: the deadband of damp (0.2 fraction) reaches down to nothing from its limit (0.2 fraction), so the alarm could never return: make it smaller")
	f("rooms:\n  - name: cellar\n    limits: {silent: 2h}\n",
		`f.yaml:3:22: silent: "2h" does not belong here: the time without a reading is "stale" of the sensor; here stand on_delay and priority, or off`)
	f("rooms:\n  - name: cellar\n    limits: {silent: {limit: 2h}}\n",
		`f.yaml:3:23: unknown key "limit" in silent: it is one of on_delay, priority`)

	// Sensors.
	f("rooms:\n  - name: cellar\nsensors:\n  - {name: c1, room: celler}\n  - {name: c1}\n  - {room: cellar, stale: 10s}\n",
		`f.yaml:4:22: unknown room "celler": did you mean "cellar"?`,
		`f.yaml:5:12: sensor "c1" is listed a second time: keep one`,
		`f.yaml:6:5: a sensor needs the key "name"`,
		"f.yaml:6:27: stale 10s is outside 1m to 30d")
	f("sensors:\n  - {name: c1, stale: 1}\n",
		`f.yaml:2:23: stale: "1" is not a time span: write for example 30m, 2h or 1d`)
	f("sensors:\n  -\n",
		"f.yaml:2:5: an item of sensors is empty: give a value, or remove the item")
	f("sensors:\n  - {name: [a]}\n",
		"f.yaml:2:12: sensor name must be one word, not a list")

	// Broker and pages.
	f("broker: {embedded: {listen: 0.0.0.0:1883}}\n",
		`f.yaml:1:29: "0.0.0.0:1883" lets others on the network publish: give users, or username_file and password_file, or listen on 127.0.0.1`)
	f("broker: {embedded: {listen: \"[::]:1883\"}}\n",
		`f.yaml:1:29: "[::]:1883" lets others on the network publish: give users, or username_file and password_file, or listen on 127.0.0.1`)
	f("broker: {embedded: {listen: \"1883\", username_file: u}}\n",
		"f.yaml:1:20: embedded has username_file without password_file: give both or neither",
		`f.yaml:1:29: listen "1883" is not host:port: write for example 127.0.0.1:1883`)
	f("broker:\n  embedded: {}\n  url: tcp://h:1883\n",
		"f.yaml:3:8: broker has both embedded and url: keep the one that is used")
	f("broker: {url: wss://h:443}\n",
		`f.yaml:1:15: url begins with "wss", which is not spoken here: write mqtt://host:1883 or mqtts://host:8883`)
	f("broker: {url: \"tcp://%zz:1\"}\n",
		`f.yaml:1:15: url cannot be read: write mqtt://host:1883 or mqtts://host:8883`)
	f("broker: {url: \"tls://u:p@h:1883\"}\n",
		"f.yaml:1:15: url holds credentials: put them in files and name them in username_file and password_file")
	f("broker: {url: tls://hearth.lan:0}\n",
		`f.yaml:1:15: url "tls://hearth.lan:0" has no port from 1 to 65535: write mqtt://host:1883 or mqtts://host:8883`)
	f("broker: {url: tcp://h:1, ca_file: x, cert_file: y}\n",
		"f.yaml:1:9: broker has cert_file without key_file: give both or neither",
		"f.yaml:1:15: ca_file, cert_file and key_file need an encrypted url, this one is not: write mqtts://host:8883")
	f("broker: {username_file: a, password_file: b}\n",
		"f.yaml:1:9: credentials directly under broker belong to a url: give one, or put username_file and password_file under embedded")
	f("http: {listen: 0.0.0.0:8090}\n",
		`f.yaml:1:16: "0.0.0.0:8090" lets others on the network see the pages and change lots: give users or tokens, listen on 127.0.0.1, or, if everybody may, set allow_open: true`)
	f("http: {listen: localhost:99999}\n",
		`f.yaml:1:16: listen "localhost:99999" is not host:port: write for example 127.0.0.1:1883`)
	f("http: {listen: \":8090\", allow_open: yes}\n",
		`f.yaml:1:16: ":8090" lets others on the network see the pages and change lots: give users or tokens, listen on 127.0.0.1, or, if everybody may, set allow_open: true`,
		`f.yaml:1:37: allow_open must be true or false, not "yes"`)
	f("accept_new_rooms: 1\nmetrics: {per_lots: true}\n",
		`f.yaml:1:19: accept_new_rooms must be true or false, not "1"`,
		`f.yaml:2:11: unknown key "per_lots" in metrics: did you mean "per_lot"?`)

	// Topics.
	f("topics: []\n",
		"f.yaml:1:9: topics is empty: list at least one, or leave the key out for the default ones")
	f("topics:\n  - topic: a/{rom}\n    number: {quantity: temperature, unit: C}\n",
		`f.yaml:2:12: topic pattern "a/{rom}": "{rom}" is not a named wildcard, use {room}, {sensor} or {quantity} as a whole level`)
	f("topics:\n  - topic: a/#/b\n    room: x\n    number: {quantity: temperature, unit: C}\n",
		`f.yaml:2:12: topic pattern "a/#/b": # stands only at the end`)
	f("topics:\n  - topic: a/{room}/{quantity}\n    number: {units: {temperature: c, humdity: \"%\"}}\n",
		`f.yaml:3:35: "c" is not a unit of temperature: use one of C, °C, degC, celsius, F, °F, degF, K`,
		`f.yaml:3:38: unknown key "humdity" in units: did you mean "humidity"?`)
	f("topics:\n  - topic: a/{room}\n    json:\n      time: {path: ts, format: unix}\n      fields:\n        - {path: t, quantity: temp, unit: C}\n        - {path: a..b, quantity: humidty, unit: C, scale: 0}\n        - {path: h, quantity: humidity, unit: C, scale: x}\n        - {path: h, quantity: humidity}\n",
		`f.yaml:4:32: unknown time format "unix": it is one of rfc3339, s, ms`,
		`f.yaml:6:31: unknown quantity "temp": it is one of temperature, humidity, illuminance, oxygen, battery, link`,
		`f.yaml:7:18: path "a..b" has an empty key`,
		`f.yaml:7:34: unknown quantity "humidty": did you mean "humidity"?`,
		"f.yaml:7:59: scale 0 makes every reading 0: give the factor that turns the raw value into the unit",
		`f.yaml:8:47: "C" is not a unit of humidity: use one of fraction, 1, %, percent`,
		`f.yaml:8:57: scale must be a number, not "x"`,
		`f.yaml:9:11: a field needs the key "unit"`,
		"f.yaml:9:31: humidity is read from two fields: a sensor has one humidity, keep one")
	f("topics:\n  - topic: a/{room}\n",
		`f.yaml:2:5: a topic needs "number", "json", "senml" or "homie" to say how its payload is read`)
	f("topics:\n  - topic: a/{room}\n    number: {quantity: temperature, unit: C}\n    json: {fields: []}\n",
		`f.yaml:2:5: a topic has both "number" and "json": keep the one its payload is in`,
		"f.yaml:4:20: fields is empty: list at least one")
	f("topics:\n  - topic: a/b\n    number: {quantity: temperature, unit: C}\n",
		"f.yaml:2:12: the topic names neither {room} nor {sensor}: put one in the place of a level, or add the key room")
	f("topics:\n  - topic: a/b\n    sensor: s1\n    number: {quantity: temperature, unit: C}\n",
		`f.yaml:2:12: the room of sensor "s1" is not known: add the key room here, or list the sensor with its room under sensors`)
	f("topics:\n  - topic: a/{room}\n    room: x\n    number: {quantity: temperature, unit: C}\n",
		"f.yaml:3:11: room is fixed here, but the topic names it with {room}: keep one")
	f("topics:\n  - topic: a/{sensor}\n    sensor: x\n    number: {quantity: temperature, unit: C}\n",
		"f.yaml:3:13: sensor is fixed here, but the topic names it with {sensor}: keep one")
	f("topics:\n  - topic: a/{room}\n    number: {units: {temperature: C}}\n",
		`f.yaml:3:21: the topic has no {quantity}: give "quantity" and "unit" here, not "units"`)
	f("topics:\n  - topic: a/{room}\n    number: {quantity: temperature}\n",
		`f.yaml:3:13: number needs "unit"`)
	f("topics:\n  - topic: a/{room}/{quantity}\n    number: {quantity: temperature, unit: C}\n",
		`f.yaml:3:13: the topic names the quantity: give "units" by quantity here, not "quantity" and "unit"`)
	f("topics:\n  - topic: a/{room}/{quantity}\n    number: {}\n",
		`f.yaml:3:13: number needs "units": the unit of each quantity, such as {temperature: C}`)
	f("topics:\n  - topic: a/{room}/{quantity}\n    json: {fields: [{path: t, quantity: temperature, unit: C}]}\n",
		"f.yaml:3:11: each JSON field has its own quantity: put + in the place of {quantity} in the topic")
	f("topics:\n  - topic: a/{room}\n    number: {}\n",
		`f.yaml:3:13: number needs "quantity" because the topic has no {quantity}`)
	f("topics:\n  - topic: a/{room}\n    json: {}\n",
		`f.yaml:3:11: json needs the key "fields"`)
	f("topics:\n  - topic: a/{room}\n    number: {quantity: temperature, unit: C}\n  - topic: a/{room}\n    number: {quantity: humidity, unit: \"%\"}\n",
		`f.yaml:4:12: topic "a/{room}" is listed a second time: keep one, with all its fields`)
	f("rooms: [{name: cellar}]\ntopics:\n  - topic: a/b\n    room: seller\n    number: {quantity: temperature, unit: C}\n",
		`f.yaml:4:11: unknown room "seller": did you mean "cellar"?`)
	f("topics:\n  - {topic: a/{room}, number: {quantity: temperature, unit: C}}\n",
		"f.yaml:2:15: this is not YAML: ',' or '}' must be specified: put the topic in quotes")
	f("topics:\n  - topic: {room}/climate\n",
		"f.yaml:2:18: this is not YAML: value is not allowed in this context: put the topic in quotes")

	// SenML and Homie.
	f("topics:\n  - topic: a/{room}\n    senml: {}\n    homie: {}\n",
		`f.yaml:2:5: a topic has both "senml" and "homie": keep the one its payload is in`,
		`f.yaml:2:12: topic pattern "a/{room}" is not that of a Homie property: write for example homie/5/{sensor}/climate/+`,
		`f.yaml:3:12: senml needs the key "records"`,
		`f.yaml:4:12: homie needs the key "properties"`)
	f("topics:\n  - topic: a/{room}\n    senml: {records: []}\n",
		"f.yaml:3:22: records is empty: list at least one")
	f("topics:\n  - topic: a/{room}/{quantity}\n    senml:\n      records:\n        - {name: t, quantity: temperature, unit: C}\n        - {nam: t, quantity: temperature}\n        - {quantity: oxygen}\n        - {name: a b, quantity: humidity, scale: 0}\n        - {quantity: battery, unit: \"%EL\"}\n        - {name: \"{room}:l\", quantity: link}\n        - {name: x, quantity: lux}\n",
		`f.yaml:4:7: each SenML record has its own quantity: put + in the place of {quantity} in the topic`,
		`f.yaml:5:50: "C" is not a SenML unit of temperature: use one of Cel, K`,
		`f.yaml:6:12: unknown key "nam" in a record: did you mean "name"?`,
		"f.yaml:6:30: temperature is read from two records: a sensor has one, keep one, or name the sensor in both with {sensor}",
		"f.yaml:7:11: oxygen has no SenML unit of its own: give the name of the record",
		`f.yaml:8:18: record name "a b": "a b" holds what no SenML name has: a part, between : or /, is of A-Z a-z 0-9 _ . -, or is {room}, {sensor} or + as a whole`,
		"f.yaml:8:50: scale 0 makes every reading 0: give the factor that turns the raw value into the unit",
		"f.yaml:9:11: a unit for records without one needs a name: any number would be taken otherwise",
		"f.yaml:10:18: the name has {room}, which the topic gives as well: keep one",
		`f.yaml:11:31: unknown quantity "lux": it is one of temperature, humidity, illuminance, oxygen, battery, link`)
	f("topics:\n  - topic: a/b\n    senml: {records: [{name: \"{sensor}:t\", quantity: temperature}, {name: h, quantity: humidity}]}\n",
		"f.yaml:2:12: the topic names neither {room} nor {sensor}: put one in the place of a level, or add the key room")
	f("topics:\n  - topic: a/b\n    sensor: s1\n    senml: {records: [{name: \"{sensor}:t\", quantity: temperature}]}\n",
		"f.yaml:4:30: the name has {sensor}, which the topic gives as well: keep one")
	f("topics:\n  - topic: homie/5/{sensor}/climate/temperature\n    homie: {properties: []}\n",
		`f.yaml:2:12: topic pattern "homie/5/{sensor}/climate/temperature": the last level is that of the Homie properties listed: write + there`,
		"f.yaml:3:25: properties is empty: list at least one")
	f("topics:\n  - topic: homie/5/{sensor}/climate/+\n    homie:\n      properties:\n        - {name: t, quantity: temperature}\n        - {name: t, quantity: temperature, unit: K}\n        - {name: a b, quantity: humidity, unit: °C, scale: 0}\n",
		`f.yaml:5:11: a property needs the key "unit"`,
		`f.yaml:6:18: property "t" is listed a second time: keep one`,
		"f.yaml:6:31: temperature is read from two properties: a sensor has one temperature, keep one",
		`f.yaml:7:18: property name: name "a b" holds a character outside A-Z a-z 0-9 _ . -`,
		`f.yaml:7:49: "°C" is not a unit of humidity: use one of fraction, 1, %, percent`,
		"f.yaml:7:60: scale 0 makes every reading 0: give the factor that turns the raw value into the unit")
	f("topics:\n  - topic: a/b\n    senml: {records: [{name: {sensor}:t, quantity: temperature}]}\n",
		"f.yaml:3:38: this is not YAML: found an invalid key for this map: put the name in quotes")

	// Mail, notices, catalog files.
	f("mail: {host: mail.lan, port: 70000, tls: ssl, username_file: u, from: pantry, to: []}\n",
		"f.yaml:1:7: mail has username_file without password_file: give both or neither",
		"f.yaml:1:30: port 70000 is not a whole number from 1 to 65535",
		`f.yaml:1:42: unknown tls "ssl": it is one of starttls, implicit, none`,
		`f.yaml:1:71: from: "pantry" is not a bare mail address: write for example pantry@mail.lan`,
		"f.yaml:1:83: to is empty: give at least one address")
	f("mail: {host: h, port: \"25\", tls: non, from: a@b, to: [a b@c, x@y@z]}\n",
		`f.yaml:1:23: port must be a number, not text: write it without quotes`,
		`f.yaml:1:34: unknown tls "non": did you mean "none"?`,
		`f.yaml:1:55: to: "a b@c" is not a bare mail address: write for example pantry@mail.lan`,
		`f.yaml:1:62: to: "x@y@z" is not a bare mail address: write for example pantry@mail.lan`)
	f("mail: {}\n",
		`f.yaml:1:7: mail needs the key "from"`,
		`f.yaml:1:7: mail needs the key "host"`,
		`f.yaml:1:7: mail needs the key "to"`)
	f("notify: {mqtt_topic: a/#}\n",
		`f.yaml:1:22: mqtt_topic "a/#" is not a topic to publish on: write for example dryhold/notices`)
	f("notify: {mqtt_topic: \"\"}\n",
		"f.yaml:1:22: mqtt_topic is empty")
	f("catalog: foods.yaml\n",
		`f.yaml:1:10: catalog must be a list, not text: begin each item with "- "`)
	f("catalog: [1, ]\n",
		`f.yaml:1:11: a catalog file must be text, not a number: put "1" in quotes`)

	// What YAML can do and this reader does not.
	f("a: &x 1\nb: *x\nc: !!str 1\n<<: {}\n",
		`f.yaml:1:4: "&": anchors, aliases and merges are not read here, write the value out (or in quotes, if it is text)`,
		`f.yaml:2:4: "*": anchors, aliases and merges are not read here, write the value out (or in quotes, if it is text)`,
		`f.yaml:3:4: "!": tags are not read here, leave it out (or put the text in quotes)`,
		`f.yaml:4:1: "<<": anchors, aliases and merges are not read here, write the value out (or in quotes, if it is text)`)
	f("site: a\n---\nsite: b\n",
		`f.yaml:2:1: "---" begins another document: a file holds one, leave the line out`)
	f("---\n---\nsite: b\n",
		`f.yaml:2:1: "---" begins another document: a file holds one, leave the line out`)
	f("site: a\n...\n",
		`f.yaml:2:1: "..." begins another document: a file holds one, leave the line out`)
	f("%YAML 1.2\n---\nsite: a\n",
		"f.yaml:1:1: directives are not read here: leave the line out")
	f("? site\n: a\n",
		`f.yaml:1:1: "?" keys are not read here: write key: value`)

	// What is not YAML, or not text.
	f("site: [1\n",
		"f.yaml:1:7: this is not YAML: sequence end token ']' not found")
	f("site: a\n\tzone: b\n",
		"f.yaml:2:1: this is not YAML: found character '\t' that cannot start any token")
	f("\xff\xfe",
		"f.yaml:1:1: the file is not UTF-8 text: save it as UTF-8")
	f("site: a\nzone: \xc3(\n",
		"f.yaml:2:7: the file is not UTF-8 text: save it as UTF-8")
	f("site: a\r\nzon: b\r\n",
		`f.yaml:2:1: unknown key "zon" in the configuration: did you mean "zone"?`)
	f("\ufeffsit: a\n",
		`f.yaml:1:1: unknown key "sit" in the configuration: did you mean "site"?`)
	f("é: 1\n{",
		"f.yaml:2:1: this is not YAML: unexpected map key")

	// What is there and empty.
	f("rooms: [{name: \"\"}]\nsensors: [{name: \" \", room: \"\"}]\n",
		"f.yaml:1:16: room name is empty",
		"f.yaml:2:18: sensor name is empty",
		"f.yaml:2:29: room is empty")
	f("rooms: [{name: a, limits: {warm: \"\", damp: {limit: \"\", priority: \"\", on_delay: \"\"}}}]\n",
		`f.yaml:1:34: warm: "" is not a number with a unit: write for example "18 C"`,
		`f.yaml:1:52: damp limit: "" is not a number with a unit: write for example "60 %"`,
		"f.yaml:1:66: priority is empty",
		`f.yaml:1:80: on_delay: "" is not a time span: write for example 30m, 2h or 1d`)
	f("zone: \"\"\nhttp: {listen: \"\"}\nbroker: {url: \"\", client_id: \"\"}\n",
		"f.yaml:1:7: zone is empty",
		"f.yaml:2:16: listen is empty",
		"f.yaml:3:15: url is empty",
		"f.yaml:3:30: client_id is empty")
	f("mail: {host: \"\", tls: \"\", port: \"\", from: \"\", to: [\"\"]}\n",
		"f.yaml:1:14: host is empty",
		"f.yaml:1:23: tls is empty",
		"f.yaml:1:33: port must be a number, not text: write it without quotes",
		"f.yaml:1:43: from is empty",
		"f.yaml:1:52: to is empty")
	f("topics:\n  - topic: \"a/{room}\"\n    json:\n      time: {path: \"\", format: \"\"}\n      fields: [{path: \"\", quantity: \"\", unit: \"\"}, {path: a, quantity: humidity, unit: \"\"}]\n",
		"f.yaml:4:20: path is empty",
		"f.yaml:4:32: format is empty",
		"f.yaml:5:23: path is empty",
		"f.yaml:5:37: quantity is empty",
		"f.yaml:5:88: unit is empty")
	f("catalog: [\"\"]\n", "f.yaml:1:11: a catalog file is empty")
	f("site: \"\"\nmail: {username_file: u, password_file: \"\", host: h, from: a@b, to: [c@d]}\n",
		"f.yaml:1:7: site is empty",
		"f.yaml:2:7: mail has username_file without password_file: give both or neither",
		"f.yaml:2:41: password_file is empty")
	f("http: {listen: \"[::1:80\"}\nbroker: {embedded: {username_file: a, password_file: b, listen: \"0.0.0.0:x\"}}\n",
		`f.yaml:1:16: listen "[::1:80" is not host:port: write for example 127.0.0.1:1883`,
		`f.yaml:2:65: listen "0.0.0.0:x" is not host:port: write for example 127.0.0.1:1883`)
}

// Listening is open only where the file says so.
func TestListen(t *testing.T) {
	f := func(src string) {
		t.Helper()
		if _, err := settings.Parse("f.yaml", []byte(src)); err != nil {
			t.Errorf("%q: %v", src, err)
		}
	}
	f("http: {listen: localhost:0}\n")
	f("http: {listen: 127.1.2.3:8090}\n")
	f("http: {listen: \"[::1]:8090\"}\n")
	f("http: {listen: \":8090\", allow_open: true}\n")
	f("http: {listen: hearth.lan:8090, allow_open: true}\n")
	f("broker: {embedded: {listen: \"0.0.0.0:1883\", username_file: u, password_file: p, allow_plain: true}}\n")
	f("broker: {embedded: {listen: \"0.0.0.0:8883\", username_file: u, password_file: p, tls: {cert_file: c, key_file: k}}}\n")
	f("broker: {url: \"mqtts://hearth.lan\", ca_file: ca.pem}\n")
	f("broker: {url: \"tcp://[fd00::1]:1883\", username_file: u, password_file: p}\n")
}
