package ecosystem

import (
	"encoding/json"
	"fmt"
	"maps"
	"math"
	"os"
	"os/signal"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	v1 "github.com/prometheus/client_golang/api/prometheus/v1"

	"dryhold/internal/demo"
	"dryhold/internal/influx/victoriatest"
	"dryhold/internal/intake/mosquittotest"
)

// hottest is the instant of the demo at which its year stands when all was fed:
// the fifth afternoon of the hot week.
func hottest() time.Time { return demo.HotStart().Add(4*24*time.Hour + 17*time.Hour) }

// The demo year goes through mosquitto into the program and out to
// victoria-metrics, prometheus and the alert router, dated so that the hot week
// is now. What arrives in each is held against what was published. Then the
// broker and the export server are stopped and started again.
func TestEcosystem(t *testing.T) {
	began := time.Now()
	m, v, r := mosquittotest.Start(t), victoriatest.Start(t), startRouter(t)
	d := startDaemon(t, "larch-house", m.URL, fmt.Sprintf("%s%sinflux: {url: %q, org: larch, bucket: dryhold}\nalertmanager: {url: %q, every: 5s}\n",
		larchHouse, topics("larch"), v.URL, r.url))
	p := startPrometheus(t, r.url, strings.TrimPrefix(d.url, "http://"))
	t.Logf("all up after %.0f s: page %s, mosquitto %s, victoria-metrics %s, prometheus %s, alert router %s",
		time.Since(began).Seconds(), d.url, m.URL, v.URL, p.url, r.url)

	shift := time.Now().Truncate(time.Minute).Add(-time.Minute).Sub(hottest())
	for _, l := range demo.Lots() {
		l.PackedAt = l.PackedAt.Add(shift)
		d.post("/api/v1/lots", l)
	}
	s := newSensors(t, d.site, m.URL, "larch")
	began = time.Now()
	last := feedYear(s, shift)
	took := within(t, "the year on disk", func() bool { return d.status().Snapshot.Intake.Stored >= uint64(len(s.sent)) })
	t.Logf("fed %d messages with %d readings: a year and %d days of three rooms, in %.0f s (stored %.1f s later)",
		len(s.sent)/3, len(s.sent), int(hottest().Sub(demo.HotStart()).Hours()/24), time.Since(began).Seconds(), took.Seconds())

	arrived(t, d, last)
	exported(t, d, v, s)
	ruled(t, d, p)
	routed(t, d, r)
	outage(t, d, m, v, s)
	if os.Getenv("DRYHOLD_TEST_STAY") != "" {
		t.Logf("all stays up until it is interrupted")
		interrupted := make(chan os.Signal, 1)
		signal.Notify(interrupted, os.Interrupt)
		<-interrupted
	}
}

// feedYear publishes the year and the hot week so far, moved to end now, and
// gives the last temperature of each room, °C.
func feedYear(s *sensors, shift time.Duration) (last map[string]float64) {
	s.t.Helper()
	last = map[string]float64{}
	for year := demo.NewScenario(1); ; {
		step := year.Next()
		if step[0].At.After(hottest()) {
			s.settle()
			return last
		}
		for _, msg := range step {
			payload, t := moved(s.t, msg, shift)
			s.publish(msg.Room, msg.Room, payload)
			last[msg.Room] = t
		}
	}
}

// moved dates a message of the demo by so much later, and gives its
// temperature.
func moved(t testing.TB, m demo.Message, by time.Duration) (payload []byte, temperature float64) {
	t.Helper()
	var x struct {
		TS int64   `json:"ts"`
		T  float64 `json:"t"`
		RH float64 `json:"rh"`
		Lx float64 `json:"lx"`
	}
	err := json.Unmarshal(m.Payload, &x)
	x.TS += by.Milliseconds()
	if err == nil {
		payload, err = json.Marshal(x)
	}
	if err != nil {
		t.Fatal(err)
	}
	return payload, x.T
}

// arrived looks at the API, the page and /metrics.
func arrived(t *testing.T, d *daemon, last map[string]float64) {
	t.Helper()
	page := get(t, d.url+"/")
	for room, want := range last {
		if v := d.room(room).Temperature; !v.Known || math.Abs(v.Value-want) > 0.001 {
			t.Errorf("the API has %+v of the %s, %.2f was published last", v, room, want)
		}
		series := fmt.Sprintf(`dryhold_room_temperature_celsius{room=%q,site=%q}`, room, d.site)
		if text, _ := d.metric(series); text == "" {
			t.Errorf("/metrics has no %s", series)
		} else if v, err := strconv.ParseFloat(text, 64); err != nil || math.Abs(v-want) > 0.001 {
			t.Errorf("%s is %s, %.2f was published last", series, text, want)
		}
		if !strings.Contains(page, fmt.Sprintf("%.1f", want)) || !strings.Contains(page, room) {
			t.Errorf("the page does not show %.1f of the %s", want, room)
		}
	}
	for _, c := range d.status().Health.Checks {
		if !c.OK && c.Urgent {
			t.Errorf("health: %s: %s", c.Title, c.Text)
		}
	}
	in := d.status().Snapshot.Intake
	if len(in.Errors) > 0 || in.Duplicates > 0 {
		t.Errorf("%d readings twice, errors %+v", in.Duplicates, in.Errors)
	}
}

// exported holds what the export server has against what was published.
func exported(t *testing.T, d *daemon, v *victoriatest.Server, s *sensors) {
	t.Helper()
	took := d.exported(s)
	got, twice, wrong := readBack(v, s.site)
	for k, want := range s.sent {
		if x, there := got[k]; !there {
			t.Fatalf("victoria-metrics has %d readings of %d: not %+v", len(got), len(s.sent), k)
		} else if math.Abs(x-want) > 1e-9*max(1, math.Abs(want)) {
			wrong++
		}
	}
	if len(got) != len(s.sent) || twice > 0 || wrong > 0 {
		t.Errorf("victoria-metrics has %d readings, %d twice, %d with another value; %d were published", len(got), twice, wrong, len(s.sent))
	}
	events := d.counted(`SELECT count(*) FROM alarm_event`)
	alarms, _ := points(v, `dryhold_alarm_value{site="`+d.site+`"}`)
	lots, _ := points(v, `dryhold_lot_remaining_likely{site="`+d.site+`"}`)
	hours, _ := points(v, `dryhold_hour_n{site="`+d.site+`"}`)
	if alarms != events || events == 0 || lots < len(demo.Lots()) || hours == 0 {
		t.Errorf("victoria-metrics has %d of %d alarm events, %d results of lots, %d hours", alarms, events, lots, hours)
	}
	t.Logf("exported: %d readings produced, %d delivered, %d twice, %d lost; %d hours, %d results of lots, %d of %d alarm events; complete %.1f s after the feed",
		len(s.sent), len(got), twice, len(s.sent)-len(got), hours, lots, alarms, events, took.Seconds())
}

// readBack gives the readings of a site that the server has, and how many it
// has twice: with the same value, or with another.
func readBack(v *victoriatest.Server, site string) (got map[reading]float64, twice, wrong int) {
	got = map[reading]float64{}
	for _, x := range v.Export(`dryhold_reading_value{site="` + site + `"}`) {
		k := reading{x.Metric["site"], x.Metric["room"], x.Metric["sensor"], x.Metric["quantity"], 0}
		for i, at := range x.Timestamps {
			k.at = at
			if old, again := got[k]; again {
				if twice++; old != x.Values[i] {
					wrong++
				}
			}
			got[k] = x.Values[i]
		}
	}
	return got, twice, wrong
}

// points counts the points of series, each once, and those that are there again.
func points(v *victoriatest.Server, selector string) (n, again int) {
	for _, s := range v.Export(selector) {
		seen := map[int64]bool{}
		for _, at := range s.Timestamps {
			seen[at] = true
		}
		n += len(seen)
		again += len(s.Timestamps) - len(seen)
	}
	return n, again
}

// ruled looks at what prometheus makes of it: it has scraped every room, and
// our rules are good and raise what the hot week asks for.
func ruled(t *testing.T, d *daemon, p *prometheus) {
	t.Helper()
	if up := query(t, p, `up{job="dryhold"} == 1`); len(up) != 1 {
		t.Errorf("targets that are up: %v", up)
	}
	if v := query(t, p, `dryhold_room_temperature_celsius{site="`+d.site+`"}`); len(v) != 3 {
		t.Errorf("temperatures scraped: %v", v)
	}
	within(t, "the rules that must fire in the hot week", func() bool {
		fire, wait := p.alerts(v1.AlertStateFiring), p.alerts(v1.AlertStatePending)
		return fire["DryholdRoomTooWarm"] && fire["DryholdLotWarned"] && wait["DryholdRoomTooWarm"]
	})
	groups, err := p.Rules(t.Context(), nil)
	if err != nil || len(groups.Groups) != 2 {
		t.Fatalf("%d groups of rules, %v", len(groups.Groups), err)
	}
	rules := 0
	for _, g := range groups.Groups {
		for _, r := range g.Rules {
			rule, ok := r.(v1.AlertingRule)
			if rules++; !ok || rule.Health != v1.RuleHealthGood {
				t.Errorf("rule %+v", r)
			}
		}
	}
	if fire := p.alerts(v1.AlertStateFiring); fire["DryholdAbsent"] || fire["DryholdStandsStill"] {
		t.Errorf("a daemon that is well raises %v", fire)
	}
	t.Logf("prometheus: %d rules good (the shipped file, and again with holding times of 2 s); firing: %s",
		rules, strings.Join(slices.Sorted(maps.Keys(p.alerts(v1.AlertStateFiring))), ", "))
}

// routed looks at the alert router: it holds the alarm of the loft as dryhold
// pushed it and as prometheus did.
func routed(t *testing.T, d *daemon, r *router) {
	t.Helper()
	within(t, "the alarm that dryhold pushes", func() bool {
		return len(r.labels("alertname", "dryhold_warm", "site", d.site, "room", "loft", "service", "dryhold")) == 1
	})
	within(t, "the alarm that prometheus pushes", func() bool {
		return len(r.labels("alertname", "DryholdRoomTooWarm", "site", d.site, "room", "loft", "holding", cutHolding)) == 1
	})
	own := r.labels("site", d.site, "service", "dryhold")
	for _, labels := range r.labels() {
		if labels["site"] != d.site {
			t.Errorf("an alert that does not say its site: %v", labels)
		}
	}
	t.Logf("alert router: %d alarms pushed by dryhold, %d by prometheus", len(own), len(r.labels("job", "dryhold")))
}

// outage stops the export server, then the broker too, and starts them again.
// Meanwhile another sensor of each room goes on, a value a minute of the last
// twelve hours, and keeps what it cannot send.
func outage(t *testing.T, d *daemon, m *mosquittotest.Server, v *victoriatest.Server, s *sensors) {
	t.Helper()
	const hours = 12
	before := len(s.sent)
	first := time.Now().Truncate(time.Minute).Add(-hours * time.Hour)
	v.Stop()
	other := demo.NewScenario(2)
	for minute := range hours * 60 {
		if minute == hours*30 { // half of it is stored and cannot go out
			within(t, "what came before the broker goes", func() bool { return d.status().Snapshot.Intake.Stored >= uint64(len(s.sent)) })
			m.Stop()
		}
		for _, msg := range other.Next() {
			payload, _ := moved(t, msg, first.Add(time.Duration(minute)*time.Minute).Sub(msg.At))
			s.publish(msg.Room, "shelf-1", payload)
		}
	}
	within(t, "health to say that both are away", func() bool {
		sent, _ := d.check("export")
		return !sent && !d.status().Snapshot.Intake.Connected
	})
	kept := s.waiting()
	if kept != hours*30*3 {
		t.Errorf("sensors keep %d messages, want %d", kept, hours*30*3)
	}
	m.Restart()
	s.settle()
	within(t, "all on disk", func() bool { return d.status().Snapshot.Intake.Stored >= uint64(len(s.sent)) })
	v.Run()
	took := d.exported(s)
	got, again, wrong := readBack(v, s.site)
	lost := 0
	for k, want := range s.sent {
		if x, there := got[k]; !there || math.Abs(x-want) > 1e-9*max(1, math.Abs(want)) {
			lost++
		}
	}
	produced := len(s.sent) - before
	t.Logf("outage drill: %d points produced while export server and broker were away (%d of them kept by the sensors), %d delivered, %d duplicated, %d lost; the export was complete %.1f s after the server's return",
		produced, 3*kept, len(got)-before, again, lost, took.Seconds())
	if lost > 0 || wrong > 0 || len(got) != len(s.sent) || again > 0 {
		t.Errorf("%d readings produced in all, %d delivered, %d lost or changed, %d twice, %d of them with another value", len(s.sent), len(got), lost, again, wrong)
	}
	if n := d.status().Snapshot.Intake.Duplicates; n > 0 {
		t.Logf("the broker delivered %d readings a second time, none was counted", n)
	}
}
