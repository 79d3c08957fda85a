package ecosystem

import (
	"bytes"
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"dryhold/internal/engine"
	"dryhold/internal/intake"
	"dryhold/internal/servertest"
	"dryhold/internal/store"
	"dryhold/internal/unit"
	"dryhold/internal/web"
)

// larchHouse are the rooms and topics of the demo. The loft is told of after 6
// hours, not 20, so that an alarm stands whatever the hour of the test.
const larchHouse = `
stale: 3h
rooms:
  - {name: cellar, limits: {warm: {limit: 17 C, on_delay: 12h}, damp: 65 %, bright: 50 lx}}
  - {name: north-pantry, limits: {warm: {limit: 21 C, on_delay: 6h}, damp: 65 %, bright: 100 lx}}
  - {name: loft, limits: {warm: {limit: 24 C, on_delay: 6h}, damp: 70 %, bright: 200 lx}}
`

// daemon is the program as a keeper runs it.
type daemon struct {
	*servertest.Process
	t               testing.TB
	site, url, data string
}

// startDaemon runs the program for a site with more of its configuration. Its
// MQTT client, session and topics are its own.
func startDaemon(t testing.TB, site, broker, more string) *daemon {
	t.Helper()
	return startDaemonAt(t, servertest.FreeAddr(t), site, broker, more)
}

// startDaemonAt does so with its page at an address.
func startDaemonAt(t testing.TB, addr, site, broker, more string) *daemon {
	t.Helper()
	program, err := built()
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	d := &daemon{t: t, site: site, url: "http://" + addr, data: filepath.Join(dir, "data")}
	file := write(t, filepath.Join(dir, "dryhold.yaml"), fmt.Sprintf("site: %[1]s\nbroker: {url: %[2]q, client_id: dryhold-%[1]s, root: dryhold/%[1]s}\nhttp: {listen: %[3]q}\n%[4]s",
		site, broker, addr, more))
	d.Process = servertest.Start(t, d.url+"/healthz", program, "run", "--config", file, "--data", d.data, "--log", "warn")
	return d
}

// topics reads what the sensors of a site publish below a topic.
func topics(below string) string {
	return fmt.Sprintf(`topics:
  - topic: %s/{room}/{sensor}
    json:
      time: {path: ts, format: ms}
      fields: [{path: t, quantity: temperature, unit: C}, {path: rh, quantity: humidity, unit: "%%"}, {path: lx, quantity: illuminance, unit: lx}]
`, below)
}

// status is what the API tells.
func (d *daemon) status() (s web.StatusAnswer) {
	d.t.Helper()
	if err := json.Unmarshal([]byte(get(d.t, d.url+"/api/v1/status")), &s); err != nil {
		d.t.Fatal(err)
	}
	return s
}

func (d *daemon) room(name string) engine.RoomView {
	d.t.Helper()
	for _, r := range d.status().Snapshot.Rooms {
		if r.Name == name {
			return r
		}
	}
	d.t.Fatalf("%s knows no room %s", d.site, name)
	return engine.RoomView{}
}

// check is what health says of one thing.
func (d *daemon) check(code string) (ok bool, text string) {
	d.t.Helper()
	for _, c := range d.status().Health.Checks {
		if c.Code == code {
			return c.OK, c.Text
		}
	}
	return false, "no such check"
}

// metric is one sample of /metrics, by its name and labels as written there.
func (d *daemon) metric(series string) (text string, there bool) {
	d.t.Helper()
	for line := range strings.Lines(get(d.t, d.url+"/metrics")) {
		if rest, ok := strings.CutPrefix(line, series+" "); ok {
			return strings.TrimSpace(rest), true
		}
	}
	return "", false
}

func (d *daemon) post(path string, body any) string {
	d.t.Helper()
	b, err := json.Marshal(body)
	if err != nil {
		d.t.Fatal(err)
	}
	r, err := http.Post(d.url+path, "application/json", bytes.NewReader(b))
	if err != nil {
		d.t.Fatal(err)
	}
	defer r.Body.Close()
	answer, _ := io.ReadAll(r.Body)
	if r.StatusCode >= 300 {
		d.t.Fatalf("%s: %d %s", path, r.StatusCode, answer)
	}
	return string(answer)
}

// counted counts rows in the daemon's database, which it goes on using.
func (d *daemon) counted(query string) (n int) {
	d.t.Helper()
	db, err := sql.Open("sqlite", "file:"+filepath.Join(d.data, store.File)+"?mode=ro&_pragma=busy_timeout(10000)")
	if err != nil {
		d.t.Fatal(err)
	}
	defer db.Close()
	if err := db.QueryRow(query).Scan(&n); err != nil {
		d.t.Fatalf("%s: %v", query, err)
	}
	return n
}

// exported waits until everything that is due has gone out, among it the hours
// that have ended before the newest reading of the sensors.
func (d *daemon) exported(s *sensors) time.Duration {
	d.t.Helper()
	newest := int64(0)
	for k := range s.sent {
		newest = max(newest, k.at)
	}
	hour := min(newest, time.Now().Add(-10*time.Minute).UnixMilli()) / time.Hour.Milliseconds() * time.Hour.Milliseconds()
	return within(d.t, "all of "+d.site+" to be exported", func() bool {
		behind, _ := d.metric(fmt.Sprintf(`dryhold_export_behind_seconds{site=%q}`, d.site))
		return behind == "0" && d.counted(fmt.Sprintf(`SELECT count(*) FROM export_hour WHERE next < %d`, hour)) == 0 &&
			d.counted(`SELECT (SELECT count(*) FROM export_day) + (SELECT count(*) FROM export_lot)`) == 0
	})
}

// reading names one value that a sensor sent.
type reading struct {
	site, room, sensor, quantity string
	at                           int64 // ms
}

// sensors publish for a site, and note what they have sent.
type sensors struct {
	t      testing.TB
	site   string
	below  string // topic
	client *intake.Client
	// sent has each value in the unit of the export.
	sent map[reading]float64

	mu     sync.Mutex
	flying int      // messages without an outcome yet
	failed []func() // what the broker did not take, to be sent again
}

// newSensors connects them; a broker that is away is waited for.
func newSensors(t testing.TB, site, broker, below string) *sensors {
	t.Helper()
	s := &sensors{t: t, site: site, below: below, sent: map[reading]float64{}}
	var err error
	s.client, err = intake.New(intake.Config{URL: broker, ClientID: "sensors-of-" + site, KeepTrying: true}, time.Now, func(d intake.Delivery) { d.Ack() })
	if err == nil {
		err = s.client.Start(t.Context())
	}
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		ctx, cancel := context.WithTimeout(context.Background(), 20*time.Second)
		defer cancel()
		if err := s.client.Stop(ctx); err != nil {
			t.Error(err)
		}
	})
	return s
}

// publish sends one message at QoS 1 and notes its readings. What the broker
// does not acknowledge waits for settle, as with a sensor that keeps what it
// could not send.
func (s *sensors) publish(room, sensor string, payload []byte) {
	s.t.Helper()
	var m struct {
		TS        int64
		T, RH, Lx float64
	}
	if err := json.Unmarshal(payload, &m); err != nil {
		s.t.Fatal(err)
	}
	for _, v := range []struct {
		q     unit.Quantity
		name  string
		value float64
	}{{unit.Temperature, "C", m.T}, {unit.Humidity, "%", m.RH}, {unit.Illuminance, "lx", m.Lx}} {
		u, err := unit.Parse(v.q, v.name)
		if err != nil {
			s.t.Fatal(err)
		}
		s.sent[reading{s.site, room, sensor, v.q.String(), m.TS}] = v.q.Round(u.Canonical(v.value))
	}
	s.mu.Lock()
	s.flying++
	s.mu.Unlock()
	done := func(err error) {
		s.mu.Lock()
		defer s.mu.Unlock()
		if s.flying--; err != nil {
			s.failed = append(s.failed, func() { s.publish(room, sensor, payload) })
		}
	}
	if err := s.client.PublishAsync(s.t.Context(), s.below+"/"+room+"/"+sensor, 1, false, payload, done); err != nil {
		done(err)
	}
}

// waiting is how many messages the broker has not taken.
func (s *sensors) waiting() int {
	s.mu.Lock()
	defer s.mu.Unlock()
	return len(s.failed)
}

// settle sends what waits, until the broker has all.
func (s *sensors) settle() {
	s.t.Helper()
	within(s.t, "the broker to take what sensors keep", func() bool {
		if !s.client.Connected() {
			return false
		}
		s.mu.Lock()
		again := s.failed
		s.failed = nil
		all := len(again) == 0 && s.flying == 0
		s.mu.Unlock()
		for _, f := range again {
			f()
		}
		return all
	})
}
