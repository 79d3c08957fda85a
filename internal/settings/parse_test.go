package settings_test

import (
	"errors"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"dryhold/config"
	"dryhold/internal/alarm"
	"dryhold/internal/dispatch"
	"dryhold/internal/forecast"
	"dryhold/internal/secret"
	"dryhold/internal/settings"
	"dryhold/internal/unit"
	"dryhold/internal/wire"
)

// parse reads a configuration that must be in order.
func parse(t *testing.T, src string) *settings.Settings {
	t.Helper()
	s, err := settings.Parse("f.yaml", []byte(src))
	if err != nil {
		t.Fatalf("cannot parse %q: %v", src, err)
	}
	return s
}

// zones and units compare by what they say.
func comparers() cmp.Options {
	return cmp.Options{
		cmp.Comparer(func(a, b *time.Location) bool { return a.String() == b.String() }),
		cmp.Comparer(func(a, b unit.Unit) bool { return a == b }),
	}
}

func mustUnit(t *testing.T, q unit.Quantity, name string) unit.Unit {
	t.Helper()
	u, err := unit.Parse(q, name)
	if err != nil {
		t.Fatal(err)
	}
	return u
}

func TestExampleSaysWhatItMeans(t *testing.T) {
	got := parse(t, config.Example())
	berlin, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	rules := func(changed ...alarm.Rule) map[alarm.Kind]alarm.Rule {
		out := map[alarm.Kind]alarm.Rule{}
		for _, r := range append(settings.DefaultRules(), changed...) {
			out[r.Kind] = r
		}
		if hours := out[alarm.HoursOver]; hours.Limit == 86_400 { // 4 K above the limit of warm
			hours.Over = out[alarm.Warm].Limit + 4
			out[alarm.HoursOver] = hours
		}
		return out
	}
	of := func(kind alarm.Kind, change func(*alarm.Rule)) alarm.Rule {
		for _, r := range append(append(settings.DefaultRules(), settings.SiteRules()...), alarm.Rule{Kind: alarm.CoreWarm, Deadband: 0.5, OffDelay: time.Hour, Priority: alarm.Medium}) {
			if r.Kind == kind {
				change(&r)
				return r
			}
		}
		t.Fatalf("no rule %s", kind)
		return alarm.Rule{}
	}
	loft := rules(alarm.Rule{Kind: alarm.Warm, Limit: 24, Deadband: 0.5, OnDelay: 2 * time.Hour, OffDelay: time.Hour, Priority: alarm.High})
	loft[alarm.Disagree] = alarm.Rule{Kind: alarm.Disagree, Limit: 6, Deadband: 0.5, OnDelay: 24 * time.Hour, OffDelay: 12 * time.Hour, Priority: alarm.Low}
	delete(loft, alarm.Bright)
	delete(loft, alarm.Drift)
	yard := rules()
	for _, kind := range []alarm.Kind{alarm.Warm, alarm.Damp, alarm.Bright, alarm.Hot, alarm.Ageing, alarm.HoursOver, alarm.Ahead, alarm.Condensing} {
		delete(yard, kind)
	}
	pantry := rules(
		alarm.Rule{Kind: alarm.HoursOver, Limit: 36 * 3600, Deadband: 12 * 3600, Over: 26, Window: 14 * 24 * time.Hour, Priority: alarm.Medium},
		alarm.Rule{Kind: alarm.Ahead, Limit: 0.6, Deadband: 0.2, OffDelay: 12 * time.Hour, Window: 48 * time.Hour, Priority: alarm.Medium},
		of(alarm.MoistureAmber, func(r *alarm.Rule) { r.OnDelay = 48 * time.Hour }),
		of(alarm.Quality, func(r *alarm.Rule) { r.Limit = 0.3 }),
		of(alarm.RoundDue, func(r *alarm.Rule) { r.Limit, r.OnDelay = 14*86400, 72*time.Hour }),
	)
	delete(pantry, alarm.HoldComplete)
	c, pct, lx := mustUnit(t, unit.Temperature, "C"), mustUnit(t, unit.Humidity, "%"), mustUnit(t, unit.Illuminance, "lx")
	want := &settings.Settings{
		Site: "larch-house", Zone: berlin,
		Log: &settings.LogLevels{AllGiven: true, Parts: map[string]slog.Level{"influx": slog.LevelWarn}},
		Broker: settings.Broker{
			URL: "mqtts://hearth.lan:8883", ClientID: "dryhold", Root: "dryhold",
			UsernameFile: "secrets/mqtt-user", PasswordFile: "secrets/mqtt-password",
			CAFile: "secrets/ca.pem", CertFile: "secrets/dryhold.pem", KeyFile: "secrets/dryhold.key",
		},
		HTTP: settings.HTTP{
			Listen: "127.0.0.1:8090", Hosts: []string{"hearth.lan", "stores.larch-house.example"},
			Users:  []settings.User{{Name: "mara", Password: password(t, "$argon2id$v=19$m=19456,t=2,p=1$NtW8kcFeBMMWTBxu08BaEQ$to5nqUBxbh8RFr2YNHnnvvwqKj+pq/YbhWP3KbgpsGg")}},
			Tokens: []secret.Token{{Name: "prometheus", Scope: secret.Read, Hash: token(t, "sha256:f904351a0257467cbd47cc875df4a3dd67224a7fef1eab6a5010f2152f90195d")}},
			TLS:    &settings.ServerTLS{CertFile: "secrets/hearth.pem", KeyFile: "secrets/hearth.key"},
		},
		Rooms: []settings.Room{
			{Name: "cellar", Rules: rules(
				alarm.Rule{Kind: alarm.Warm, Limit: 18, Deadband: 0.5, OnDelay: 2 * time.Hour, OffDelay: time.Hour, Priority: alarm.Medium},
				alarm.Rule{Kind: alarm.Damp, Limit: 0.6, Deadband: 0.03, OnDelay: 6 * time.Hour, OffDelay: 2 * time.Hour, Priority: alarm.High},
				alarm.Rule{Kind: alarm.Bright, Limit: 5, Deadband: 1, OnDelay: time.Hour, OffDelay: 30 * time.Minute, Priority: alarm.Low},
				alarm.Rule{Kind: alarm.Silent, Limit: 3600, OnDelay: 30 * time.Minute, Priority: alarm.Medium},
				alarm.Rule{Kind: alarm.Stuck, Limit: 45 * 86_400, Priority: alarm.Low},
				alarm.Rule{Kind: alarm.Spike, Limit: 4, Deadband: 1, OffDelay: 48 * time.Hour, Priority: alarm.Low},
				alarm.Rule{Kind: alarm.DisagreeHumidity, Limit: 0.08, Deadband: 0.016, OnDelay: 12 * time.Hour, OffDelay: 12 * time.Hour, Priority: alarm.Low},
				alarm.Rule{Kind: alarm.LowBattery, Limit: 0.2, Deadband: 0.04, OnDelay: 12 * time.Hour, OffDelay: time.Hour, Priority: alarm.Low},
				alarm.Rule{Kind: alarm.CalibrationDue, OnDelay: 7 * 24 * time.Hour, Priority: alarm.Low},
				of(alarm.Hot, func(r *alarm.Rule) { r.Limit = 26 }),
				alarm.Rule{Kind: alarm.Ageing, Limit: 0.5, Deadband: 0.1, Window: 14 * 24 * time.Hour, Priority: alarm.Medium},
			), Volume: 18},
			{Name: "north-pantry", Rules: pantry},
			{Name: "loft", Rules: loft, Normals: &forecast.Normals{
				Temp:     [12]unit.Celsius{9, 10, 13, 16, 20, 24, 26, 26, 22, 17, 12, 10},
				Humidity: [12]unit.RH{0.60, 0.58, 0.55, 0.52, 0.50, 0.48, 0.47, 0.48, 0.52, 0.57, 0.60, 0.61},
				Error:    2,
			}},
			{Name: "yard", Rules: yard},
		},
		Outdoor: "yard",
		Lots: []settings.Lot{{ID: "L-3", Rules: map[alarm.Kind]alarm.Rule{
			alarm.CoreWarm:    of(alarm.CoreWarm, func(r *alarm.Rule) { r.Limit = 19 }),
			alarm.Quality:     of(alarm.Quality, func(r *alarm.Rule) { r.Limit, r.Priority = 0.4, alarm.High }),
			alarm.EndsEarly:   of(alarm.EndsEarly, func(r *alarm.Rule) { r.Limit, r.Planned = 0, time.Date(2031, 5, 1, 0, 0, 0, 0, time.UTC) }),
			alarm.OxygenSpent: {},
		}}},
		SiteRules: settings.Default().SiteRules,
		Sensors: []settings.Sensor{{Name: "cellar-1", Room: "cellar", Stale: 2 * time.Hour, StaleGiven: true}, {Name: "loft-1", Room: "loft", Stale: time.Hour},
			{Name: "loft-3", Room: "loft", Stale: 90 * time.Minute, StaleGiven: true, Rules: map[alarm.Kind]alarm.Rule{
				alarm.Warm: {Kind: alarm.Warm, Limit: 30, Deadband: 0.5, OnDelay: 2 * time.Hour, OffDelay: time.Hour, Priority: alarm.Medium}, alarm.Hot: {},
			}}, {Name: "10e2073a01080063", Room: "north-pantry", Stale: time.Hour}},
		Stale: time.Hour,
		Topics: []wire.Mapping{
			{Pattern: "larch/{room}/climate", JSON: &wire.JSON{
				Time: &wire.TimeField{Path: "ts", Format: wire.UnixMillis},
				Fields: []wire.Field{
					{Path: "t", Quantity: unit.Temperature, Unit: c, Scale: 1},
					{Path: "rh", Quantity: unit.Humidity, Unit: pct, Scale: 1},
					{Path: "light.lux", Quantity: unit.Illuminance, Unit: lx, Scale: 1},
				},
			}},
			{Pattern: "rooms/{room}/{quantity}", Number: &wire.Number{Units: map[unit.Quantity]unit.Unit{
				unit.Temperature: c, unit.Humidity: pct, unit.Illuminance: lx,
			}}},
			{Pattern: "sensors/{sensor}/state", JSON: &wire.JSON{Fields: []wire.Field{
				{Path: "tenths", Quantity: unit.Temperature, Unit: c, Scale: 0.1},
				{Path: "battery", Quantity: unit.Battery, Unit: mustUnit(t, unit.Battery, "%"), Scale: 1},
			}}},
			{Pattern: "attic/thermometer", Room: "loft", Sensor: "loft-2", Number: &wire.Number{
				Quantity: unit.Temperature, Units: map[unit.Quantity]unit.Unit{unit.Temperature: mustUnit(t, unit.Temperature, "F")},
			}},
			{Pattern: "senml/gateway", SenML: &wire.SenML{Records: []wire.Record{
				{Name: "{sensor}:temp", Quantity: unit.Temperature, Scale: 1},
				{Name: "{sensor}:rh", Quantity: unit.Humidity, Unit: "%RH", Scale: 1},
				{Name: "{sensor}:charge", Quantity: unit.Battery, Scale: 0.01},
			}}},
			{Pattern: "homie/5/{sensor}/climate/+", Homie: &wire.Homie{Properties: []wire.Property{
				{Name: "temperature", Quantity: unit.Temperature, Unit: mustUnit(t, unit.Temperature, "°C"), Scale: 1},
				{Name: "humidity", Quantity: unit.Humidity, Unit: pct, Scale: 1},
			}}},
		},
		Mail: &settings.Mail{
			Host: "mail.lan", Port: 587, TLS: settings.StartTLS,
			UsernameFile: "secrets/mail-user", PasswordFile: "secrets/mail-password",
			From: "dryhold@larch-house.lan", To: []string{"keeper@larch-house.lan"},
		},
		Notify: settings.Notify{MQTTTopic: "dryhold/notices", PingURLFile: "secrets/ping-url", PingEvery: time.Hour, Channels: []settings.Channel{
			{Name: "house", Webhook: &settings.Webhook{URL: "https://automation.lan:8123/api/dryhold", SecretFile: "secrets/webhook", CAFile: "secrets/ca.pem"}},
			{Name: "phone", Push: &settings.Push{URLFile: "secrets/push-url"}},
			{Name: "neighbour-mail", Mail: &settings.MailTo{To: []string{"neighbour@larch-house.lan"}}},
		}, Recipients: []dispatch.Recipient{
			{
				Name: "mara", Channels: []string{"mail", "phone"}, Least: alarm.Low, Quiet: []dispatch.Span{{From: 22 * 60, To: 7 * 60}}, Urgent: alarm.High,
				Zone: berlin, Repeat: dispatch.DefaultRepeat(), AtMost: 3, Digest: dispatch.DefaultDigest(), Drill: &dispatch.Yearly{Month: time.April, Day: 12},
			},
			{Name: "neighbour", Channels: []string{"neighbour-mail"}, Least: alarm.Medium, Zone: berlin, Repeat: dispatch.DefaultRepeat(), After: 6 * time.Hour, AtMost: 3},
		}},
		Influx: &settings.Influx{
			URL: "https://hearth.lan:8086/", Org: "larch-house", Bucket: "dryhold", TokenFile: "secrets/influx-token", CAFile: "secrets/ca.pem",
			Keep: 366 * 24 * time.Hour, Rate: 10_000,
		},
		Router:  &settings.Router{URL: "https://hearth.lan:9093/", TokenFile: "secrets/router-token", CAFile: "secrets/ca.pem", Every: time.Minute},
		Hub:     &settings.Hub{DiscoveryPrefix: "homeassistant", StatusTopic: "homeassistant/status", Homie: true},
		Backup:  &settings.Backup{Folder: "/mnt/stick/dryhold", Every: 1, At: 3*60 + 30, Keep: settings.BackupKeep{Daily: 7, Weekly: 5, Monthly: 12}},
		Eating:  []settings.Eating{{Food: "white-rice", KGPerMonth: 3, Months: 12}, {Food: "rolled-oats", KGPerMonth: 2, Months: 6}},
		Persons: &settings.Persons{Count: 3.5, Need: 2100},
	}
	if diff := cmp.Diff(want, got, comparers()); diff != "" {
		t.Errorf("the example reads otherwise (-want +got):\n%s", diff)
	}
	if _, err := wire.NewMap(got.Topics, got.SensorRooms()); err != nil {
		t.Errorf("the topic map refuses the example's topics: %v", err)
	}
}

// The comment in the example promises defaults; they are the real ones.
func TestExampleTellsTheDefaults(t *testing.T) {
	embedded := parse(t, "broker:\n  embedded:\n    listen: 127.0.0.1:1883\n")
	if diff := cmp.Diff(settings.Default(), embedded, comparers()); diff != "" {
		t.Errorf("the embedded broker of the comment is not the default:\n%s", diff)
	}
	for _, line := range []string{
		"warm    21 C    0.5 K      2h         1h          medium",
		"damp    60 %    3 %        6h         2h          medium",
		"bright  50 lx   10 lx      2h         30m         low",
		"silent                     0s                     medium",
		"stuck              30d                                 low",
		"spike              5 K     1 K              1d         low",
		"spike_humidity     25 %    5 %              1d         low",
		"drift              1 K     0.3 K            1d         low",
		"drift_humidity     6 %     2 %              1d         low",
		"disagree           2 K     0.5 K  12h       12h        low",
		"disagree_humidity  10 %    2 %    12h       12h        low",
		"battery            15 %    5 %    12h       1h         low",
		"calibration                       0s                   low",
	} {
		if !strings.Contains(config.Example(), line) {
			t.Errorf("the example lacks the line %q", line)
		}
	}
	want := parse(t, `rooms:
  - name: r
    limits:
      warm: {limit: 21 C, deadband: 0.5 K, on_delay: 2h, off_delay: 1h, priority: medium}
      damp: {limit: 60 %, deadband: 3 %, on_delay: 6h, off_delay: 2h, priority: medium}
      bright: {limit: 50 lx, deadband: 10 lx, on_delay: 2h, off_delay: 30m, priority: low}
      silent: {on_delay: 0s, priority: medium}
      stuck: {limit: 30d, priority: low}
      spike: {limit: 5 K, deadband: 1 K, on_delay: 0s, off_delay: 1d, priority: low}
      spike_humidity: {limit: 25 %, deadband: 5 %, on_delay: 0s, off_delay: 1d, priority: low}
      drift: {limit: 1 K, deadband: 0.3 K, on_delay: 0s, off_delay: 1d, priority: low}
      drift_humidity: {limit: 6 %, deadband: 2 %, on_delay: 0s, off_delay: 1d, priority: low}
      disagree: {limit: 2 K, deadband: 0.5 K, on_delay: 12h, off_delay: 12h, priority: low}
      disagree_humidity: {limit: 10 %, deadband: 2 %, on_delay: 12h, off_delay: 12h, priority: low}
      battery: {limit: 15 %, deadband: 5 %, on_delay: 12h, off_delay: 1h, priority: low}
      calibration: {on_delay: 0s, priority: low}
`).Rules("r")
	if diff := cmp.Diff(want, settings.Default().Rules("any")); diff != "" {
		t.Errorf("the defaults told are not the defaults:\n%s", diff)
	}
}

func TestDefault(t *testing.T) {
	for _, src := range []string{"", "\n", "# nothing\n", "---\n", "\ufeff"} {
		if diff := cmp.Diff(settings.Default(), parse(t, src), comparers()); diff != "" {
			t.Errorf("Parse(%q) is not the default:\n%s", src, diff)
		}
	}
	s := settings.Default()
	if _, err := wire.NewMap(s.Topics, s.SensorRooms()); err != nil {
		t.Errorf("the topic map refuses the default topics: %v", err)
	}
	if s.Broker.Embedded.Listen != "127.0.0.1:1883" || s.HTTP.Listen != "127.0.0.1:8090" || !s.AcceptNewRooms || s.Mail != nil || s.Zone != time.UTC {
		t.Errorf("Default() = %+v", s)
	}
	kinds := map[alarm.Kind]bool{alarm.CoreWarm: true} // only where a lot has one of its own
	limitless := []alarm.Kind{alarm.CalibrationDue, alarm.Condensing, alarm.MoistureAmber, alarm.MoistureRed}
	for _, r := range append(settings.DefaultRules(), settings.SiteRules()...) {
		kinds[r.Kind] = true
		above := r.Kind == alarm.OxygenSpent // its deadband lies above its limit
		if r.Priority < alarm.Low || r.Priority > alarm.High || r.Deadband < 0 || !slices.Contains(limitless, r.Kind) && (r.Limit <= 0 || r.Deadband >= r.Limit && !above) {
			t.Errorf("default rule %+v is out of order", r)
		}
	}
	if len(kinds) != len(alarm.Kinds()) {
		t.Errorf("the rules by default cover %v", kinds)
	}
}

func TestAcceptNewRooms(t *testing.T) {
	f := func(src string, want bool) {
		t.Helper()
		if got := parse(t, src).AcceptNewRooms; got != want {
			t.Errorf("%q: accept new rooms %v, want %v", src, got, want)
		}
	}
	f("site: a\n", true)
	f("rooms: []\n", true)
	f("rooms: [{name: loft}]\n", false)
	f("rooms: [{name: loft}]\naccept_new_rooms: true\n", true)
	f("accept_new_rooms: true\nrooms: [{name: loft}]\nsensors: [{name: a, room: elsewhere}]\n", true)
	f("accept_new_rooms: false\n", false)
	// Keys stand in any order: sensors before the rooms they name.
	f("sensors: [{name: a, room: loft}]\nrooms: [{name: loft}]\n", false)
}

func TestLookups(t *testing.T) {
	s := parse(t, "stale: 90m\nrooms: [{name: loft, limits: {warm: 24 C, damp: off, bright: 'OFF', silent: off, stuck: off, spike: off, spike_humidity: off, drift: off, drift_humidity: off, disagree: off, disagree_humidity: off, battery: off, calibration: off, hot: off, ageing: off, hours_over: off, ahead: off, round: off, moisture_amber: off, moisture_red: off, oxygen_spent: off, absorber_small: off, hold_incomplete: off, hold_complete: off, quality: off, ends_early: off}}]\nsensors: [{name: a, room: loft, stale: 1.5d}, {name: b}]\n")
	if got, want := []time.Duration{s.StaleLimit("a"), s.StaleLimit("b"), s.StaleLimit("c")}, []time.Duration{36 * time.Hour, 90 * time.Minute, 90 * time.Minute}; !slices.Equal(got, want) {
		t.Errorf("stale limits %v, want %v", got, want)
	}
	if diff := cmp.Diff(map[string]string{"a": "loft"}, s.SensorRooms()); diff != "" {
		t.Error(diff)
	}
	rules := s.Rules("loft")
	if len(rules) != 1 || rules[alarm.Warm].Limit != 24 {
		t.Errorf("rules of the loft: %v", rules)
	}
	delete(rules, alarm.Warm)
	if len(s.Rules("loft")) != 1 {
		t.Error("Rules hands out its own map")
	}
	if len(s.Rules("attic")) != len(settings.DefaultRules()) {
		t.Error("a room not listed has not the default rules")
	}
}

// A deadband left out shrinks with the limit; one given stays.
func TestDeadband(t *testing.T) {
	f := func(kind alarm.Kind, value string, want float64) {
		t.Helper()
		s := parse(t, "rooms: [{name: r, limits: {"+string(kind)+": "+value+"}}]\n")
		if got := s.Rules("r")[kind].Deadband; got != want {
			t.Errorf("%s: %s: deadband %g, want %g", kind, value, got, want)
		}
	}
	f(alarm.Bright, "5 lx", 1)
	f(alarm.Bright, "{limit: 5 lx}", 1)
	f(alarm.Bright, "{limit: 5 lx, deadband: 2 lx}", 2)
	f(alarm.Bright, "200 lx", 10)
	f(alarm.Damp, "10 %", 0.02)
	f(alarm.Damp, "60%", 0.03)
	f(alarm.Warm, "1 C", 0.5)
	f(alarm.Warm, "-18 C", 0.5)
	f(alarm.Warm, "{deadband: 0 K}", 0)
	f(alarm.Spike, "5 K", 1)
	f(alarm.Spike, "2 K", 0.4)
	f(alarm.Drift, "{limit: 1 K, deadband: 0.5 K}", 0.5)
	f(alarm.LowBattery, "10 %", 0.02)
}

func TestMailPort(t *testing.T) {
	f := func(tls string, want int) {
		t.Helper()
		s := parse(t, "mail: {host: h, tls: "+tls+", from: a@b, to: [c@d]}\n")
		if s.Mail.Port != want {
			t.Errorf("tls %s: port %d, want %d", tls, s.Mail.Port, want)
		}
	}
	f("starttls", 587)
	f("implicit", 465)
	f("none", 25)
}

// A limit means the same in whatever unit it is written.
func TestLimitUnits(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		tenths := rapid.IntRange(-300, 600).Draw(t, "tenths of a degree")
		celsius := float64(tenths) / 10
		read := func(value string, db string) alarm.Rule {
			s, err := settings.Parse("f", []byte("rooms: [{name: r, limits: {warm: {limit: "+value+", deadband: "+db+"}}}]\n"))
			if err != nil {
				t.Fatal(err)
			}
			return s.Rules("r")[alarm.Warm]
		}
		want := read(number(celsius)+" C", "0.5 K")
		for _, other := range []alarm.Rule{
			read(number(celsius*9/5+32)+" F", "0.9 F"), read(number(celsius+273.15)+"K", "0.5 C"), read("\""+number(celsius)+" °C\"", "0.5K"),
		} {
			if other != want || want.Limit != celsius || want.Deadband != 0.5 {
				t.Fatalf("%g °C reads as %+v and %+v", celsius, want, other)
			}
		}
	})
}

func TestErrorsAreProblems(t *testing.T) {
	_, err := settings.Parse("dir/f.yaml", []byte("zon: x\nsit: y\n"))
	var problems settings.Problems
	if !errors.As(err, &problems) {
		t.Fatalf("error %T", err)
	}
	want := settings.Problems{
		{File: "dir/f.yaml", Line: 1, Column: 1, Text: `unknown key "zon" in the configuration: did you mean "zone"?`},
		{File: "dir/f.yaml", Line: 2, Column: 1, Text: `unknown key "sit" in the configuration: did you mean "site"?`},
	}
	if diff := cmp.Diff(want, problems); diff != "" {
		t.Error(diff)
	}
}

// Every key the decoder knows stands in the example, in the shipped catalog or in
// a shipped scenario, so that a keeper can see how it is written.
func TestEveryKeyIsShown(t *testing.T) {
	shown := config.Example()
	for _, f := range shippedCatalog(t) {
		shown += string(f.Data)
	}
	scenarios, err := filepath.Glob("../../config/scenarios/*.yaml")
	if err != nil || len(scenarios) == 0 {
		t.Fatalf("no scenarios: %v", err)
	}
	for _, name := range scenarios {
		text, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		shown += string(text)
	}
	files, err := os.ReadDir(".")
	if err != nil {
		t.Fatal(err)
	}
	var keys []string
	for _, file := range files {
		if strings.HasSuffix(file.Name(), ".go") && !strings.HasSuffix(file.Name(), "_test.go") {
			src, err := os.ReadFile(file.Name())
			if err != nil {
				t.Fatal(err)
			}
			keys = append(keys, keysIn(string(src))...)
		}
	}
	if len(keys) < 60 {
		t.Fatalf("only %d keys found in the decoder: %v", len(keys), keys)
	}
	for _, k := range keys {
		if !strings.Contains(shown, k+":") {
			t.Errorf("key %q is read but shown nowhere", k)
		}
	}
}

// keysIn finds the names of keys by the calls that declare them.
func keysIn(src string) []string {
	var keys []string
	for _, opening := range []string{`key{name: "`, `p.path("`, `p.band("`, `fixed("`, `value("`} {
		for _, rest := range strings.Split(src, opening)[1:] {
			keys = append(keys, rest[:strings.IndexByte(rest, '"')])
		}
	}
	return keys
}
