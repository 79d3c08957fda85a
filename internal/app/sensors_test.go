package app_test

import (
	"encoding/json"
	"fmt"
	"math"
	"net/http"
	"os"
	"os/exec"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"dryhold/internal/audit"
	"dryhold/internal/crash"
	"dryhold/internal/engine"
	"dryhold/internal/room"
	"dryhold/internal/sensor"
	"dryhold/internal/store"
	"dryhold/internal/unit"
	"dryhold/internal/web"
)

// child process of a daemon, to be killed.
type victim struct {
	*exec.Cmd
	url, broker string
}

// begin starts a daemon of its own over a directory; it kills itself at a
// point, if one is named.
func begin(t *testing.T, dir string, point crash.Point) victim {
	t.Helper()
	v := victim{Cmd: exec.Command(os.Args[0])}
	v.Env = append(os.Environ(), "DRYHOLD_TEST_DAEMON="+dir, "DRYHOLD_TEST_BROKER=", "DRYHOLD_TEST_COMMITS=0", "DRYHOLD_TEST_CRASH="+string(point))
	out, err := v.StdoutPipe()
	if err == nil {
		err = v.Start()
	}
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = v.Process.Kill(); _ = v.Wait() })
	if _, err := fmt.Fscan(out, &v.url, &v.broker); err != nil {
		t.Fatalf("the daemon ended early: %v", err)
	}
	return v
}

func (v victim) kill(t *testing.T) {
	t.Helper()
	if err := v.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	_ = v.Wait() // killed, so never nil
}

// larchDays publishes three days of hourly readings of two rooms, from an
// instant on, and gives them.
func larchDays(t *testing.T, broker string, from time.Time) (sent []room.Reading) {
	t.Helper()
	c := publisher(t, broker)
	for hour := range 72 {
		at := from.Add(time.Duration(hour) * time.Hour)
		for k, name := range []string{"cellar", "loft"} {
			celsius, percent := unit.Temperature.Round(13+9*float64(k)+float64(hour%24)/7), unit.Humidity.Round(0.5+float64(hour%5)/100)
			publish(t, c, "rooms/"+name, false, fmt.Sprintf(`{"time":%q,"temperature":%v,"humidity":%v}`, at.Format(time.RFC3339), celsius, 100*percent))
			sent = append(sent, room.Reading{Series: series(name, unit.Temperature), At: at, Value: celsius}, room.Reading{Series: series(name, unit.Humidity), At: at, Value: percent})
		}
	}
	return sent
}

// told is a lot in each room and what is told of their sensors, each with its
// path.
func told(from time.Time) (edits []telling) {
	h := func(n int) time.Time { return from.Add(time.Duration(n) * time.Hour) }
	for _, name := range []string{"cellar", "loft"} {
		p := lotOf(name)
		p.PackedAt = from
		edits = append(edits, telling{"/api/v1/lots", p, http.StatusCreated})
	}
	temperature, humidity := unit.Temperature, unit.Humidity
	return append(edits,
		telling{"/api/v1/sensors/loft/loft/calibrate", web.CalibrateSensor{Quantity: &temperature, By: "Ada", Note: "ice water", From: h(10), Due: h(9000),
			Adjustment: web.Adjustment{Unit: "F", Points: []sensor.Comparison{{Reading: 33.1, Reference: 32}}}}, 200},
		telling{"/api/v1/sensors/loft/loft/void", web.VoidSensor{Quantity: &temperature, By: "Ada", Note: "hung in the sun", From: h(20), To: h(30)}, 200},
		telling{"/api/v1/sensors/cellar/cellar/correct", web.CorrectSensor{Quantity: &humidity, By: "Ada", Note: "wet", From: h(5), To: h(60), Adjustment: web.Adjustment{Unit: "%", Offset: -7}}, 200},
		telling{"/api/v1/sensors/changes/2/revoke", web.RevokeSensor{By: "Bea", Note: "it hung in the shade"}, 200},
		telling{"/api/v1/sensors/loft/loft/void", web.VoidSensor{By: "Bea", Note: "a lamp stood beside it", From: h(40), To: h(45)}, 200},
		telling{"/api/v1/sensors/loft/loft/place", web.PlaceSensor{By: "Bea", Place: "top shelf", From: h(50), To: h(56)}, 200},
	)
}

type telling struct {
	path string
	body any
	code int
}

func give(t *testing.T, url string, edits []telling) {
	t.Helper()
	for _, e := range edits {
		if code, answer := post(t, url+e.path, e.body); code != e.code {
			t.Fatalf("POST %s: %d %s", e.path, code, answer)
		}
	}
}

// sameBits compares states to the last bit.
func sameBits() cmp.Option {
	return cmp.Comparer(func(a, b float64) bool { return math.Float64bits(a) == math.Float64bits(b) })
}

// folded is of a state what is a fold of facts.
func folded(s *engine.Snapshot) (out struct {
	Rooms   []engine.RoomView
	Lots    []engine.LotView
	Sensors []engine.SensorView
}) {
	out.Rooms, out.Lots = s.Rooms, s.Lots
	for _, v := range s.Sensors {
		v.Faults = nil
		out.Sensors = append(out.Sensors, v)
	}
	return out
}

func auditOf(t *testing.T, url string) []audit.Act {
	t.Helper()
	code, body := get(t, url+"/api/v1/audit")
	var a web.AuditAnswer
	if err := json.Unmarshal([]byte(body), &a); err != nil || code != http.StatusOK || a.More {
		t.Fatalf("audit: %d %v %s", code, err, body)
	}
	return a.Acts
}

// What was told of sensors is there after a kill -9 right behind the answer,
// to the last bit as if the daemon had gone on; the audit has all of it, and
// the readings are on disk as they came.
func TestSensorEditsOutliveAKill(t *testing.T) {
	h := newHouse(t, nil)
	from := time.Now().UTC().Truncate(24*time.Hour).AddDate(0, 0, -4)
	d := begin(t, h.opts.DataDir, "")
	sent := larchDays(t, d.broker, from)
	eventually(t, "all readings", func() bool { return statusOf(t, d.url).Snapshot.Intake.Stored == uint64(len(sent)) })
	give(t, d.url, told(from))
	d.kill(t)

	var stored []room.Reading
	for _, name := range []string{"cellar", "loft"} {
		stored = append(stored, onDisk(t, h.opts.DataDir, name)...)
	}
	count := map[room.Reading]int{}
	for _, r := range sent {
		count[r]++
	}
	for _, r := range stored {
		count[r]--
	}
	for r, n := range count {
		if n != 0 {
			t.Errorf("%v is on disk %d times too few: readings stay as they came", r, n)
		}
	}

	now := time.Now().UTC().Truncate(time.Hour).Add(time.Hour)
	h.opts.Now = func() time.Time { return now }
	h.start()
	calm := newHouse(t, nil)
	calm.opts.Now = h.opts.Now
	calm.start()
	larchDays(t, calm.brokerURL(), from)
	eventually(t, "all readings again", func() bool { return calm.status().Snapshot.Intake.Stored == uint64(len(sent)) })
	plain := folded(calm.app.Snapshot())
	give(t, calm.app.URL(), told(from))
	if cmp.Equal(plain.Rooms, folded(calm.app.Snapshot()).Rooms, sameBits()) {
		t.Error("what was told changes nothing: the comparison says nothing")
	}
	if d := cmp.Diff(folded(calm.app.Snapshot()), folded(h.app.Snapshot()), sameBits()); d != "" {
		t.Errorf("killed (-calm +killed):\n%.3000s", d)
	}
	for _, x := range []*house{h, calm} {
		if done, _ := refold(t, x.app); !done.Same {
			t.Error("rebuilt from the store the state is another")
		}
	}
	acts := auditOf(t, h.app.URL())
	var got []string
	for _, a := range acts {
		got = append(got, strings.TrimSpace(fmt.Sprintf("%s %s %s; %s", a.By, a.Of, a.What, a.Old)))
	}
	z := func(n int) string { return from.Add(time.Duration(n) * time.Hour).Format(time.RFC3339) }
	want := []string{
		"Bea loft/loft placed at \"top shelf\" until " + z(56) + ";",
		"Bea loft/loft voided everything it measures until " + z(45) + ";",
		"Bea loft/loft revoked change 2; voided temperature until " + z(30),
		"Ada cellar/cellar corrected humidity until " + z(60) + ": value - 7 %;",
		"Ada loft/loft voided temperature until " + z(30) + ";",
		"Ada loft/loft calibrated temperature: value - 0.611111 K, due again " + z(9000)[:10] + "; not calibrated",
		"Ada L-2 packed 12 x 1.6 kg of white-rice in pet-2l, in loft;",
		"Ada L-1 packed 12 x 1.6 kg of white-rice in pet-2l, in cellar;",
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("audit (-want +got):\n%s", d)
	}
}

// A change that was on disk when the daemon was killed, and not answered, is
// there once; the next one has the next number.
func TestSensorEditKilledBeforeTheAnswer(t *testing.T) {
	h := newHouse(t, nil)
	from := time.Now().UTC().Truncate(24*time.Hour).AddDate(0, 0, -4)
	h.start()
	larchDays(t, h.brokerURL(), from)
	eventually(t, "all readings", func() bool { return h.status().Snapshot.Intake.Messages == 144 })
	h.stop()
	d := begin(t, h.opts.DataDir, crash.Edited)
	swap := web.SwapSensor{New: "loft-2", At: from.Add(50 * time.Hour), By: "Ada"}
	body, err := json.Marshal(swap)
	if err != nil {
		t.Fatal(err)
	}
	if r, err := http.Post(d.url+"/api/v1/sensors/loft/loft/swap", "application/json", strings.NewReader(string(body))); err == nil {
		r.Body.Close()
		t.Fatalf("answered with %s", r.Status)
	}
	_ = d.Wait()
	h.start()
	acts := auditOf(t, h.app.URL())
	if len(acts) != 1 || acts[0].Change != 1 || acts[0].What != "swapped for loft-2" {
		t.Errorf("after the kill: %+v", acts)
	}
	give(t, h.app.URL(), []telling{{"/api/v1/sensors/changes/1/revoke", web.RevokeSensor{By: "Ada", Note: "not yet"}, 200}})
	if acts := auditOf(t, h.app.URL()); len(acts) != 2 || acts[0].Change != 2 {
		t.Errorf("after it: %+v", acts)
	}
}

// Each kind of change moves the state, one that is taken back has never been,
// and the state of the running daemon is that of one that reads its store.
func TestTakenBackIsAsNeverTold(t *testing.T) {
	h := newHouse(t, nil)
	now := time.Now().UTC().Truncate(time.Hour)
	h.opts.Now = func() time.Time { return now }
	h.start()
	from := now.Truncate(24*time.Hour).AddDate(0, 0, -4)
	larchDays(t, h.brokerURL(), from)
	eventually(t, "all readings", func() bool { return h.status().Snapshot.Intake.Messages == 144 })
	give(t, h.app.URL(), told(from)[:2])
	before := folded(h.app.Snapshot())
	temperature := unit.Temperature
	at := func(n int) time.Time { return from.Add(time.Duration(n) * time.Hour) }
	f := func(c sensor.Change) {
		t.Helper()
		c.Room, c.Sensor, c.By, c.Note = "loft", "loft", "Ada", "a reason"
		done, err := h.app.ChangeSensor(t.Context(), c)
		if err != nil {
			t.Fatal(err)
		}
		if len(done.Refold) != 1 || done.Refold[0].Room != "loft" || done.Refold[0].Days < 1 || done.Refold[0].Since.Before(from) {
			t.Errorf("%s: refold %+v", c.Kind, done.Refold)
		}
		told := folded(h.app.Snapshot())
		if cmp.Equal(before, told, sameBits()) {
			t.Errorf("%s changes nothing", c.Kind)
		}
		h.restart()
		if d := cmp.Diff(told, folded(h.app.Snapshot()), sameBits()); d != "" {
			t.Errorf("%s, read again (-running +read):\n%.2000s", c.Kind, d)
		}
		back, err := h.app.ChangeSensor(t.Context(), sensor.Change{Kind: sensor.Revoked, Revokes: done.Change.Seq, By: "Ada", Note: "a slip"})
		if err != nil || back.Of != "loft/loft" || back.Change.Seq != done.Change.Seq+1 {
			t.Fatalf("revoke: %+v %v", back, err)
		}
		if d := cmp.Diff(before, folded(h.app.Snapshot()), sameBits()); d != "" {
			t.Errorf("%s, taken back (-never told +taken back):\n%.2000s", c.Kind, d)
		}
	}
	f(sensor.Change{Kind: sensor.Calibrated, Quantity: &temperature, From: at(10), Gain: 1, Offset: -0.5})
	f(sensor.Change{Kind: sensor.Calibrated, Quantity: &temperature, From: at(2), Gain: 1.1, Due: at(9000)})
	f(sensor.Change{Kind: sensor.Corrected, Quantity: &temperature, From: at(30), To: at(31), Gain: 1, Offset: 9})
	f(sensor.Change{Kind: sensor.Voided, From: at(0), To: at(72)})
	f(sensor.Change{Kind: sensor.Swapped, From: at(40), New: "loft-2"})
	h.restart()
	if d := cmp.Diff(before, folded(h.app.Snapshot()), sameBits()); d != "" {
		t.Errorf("all taken back, read again:\n%.2000s", d)
	}
}

// While the store takes nothing a change is refused with the reason, and
// nothing of it stays; afterwards it is taken.
func TestSensorEditWhileTheStoreIsSick(t *testing.T) {
	h := newHouse(t, nil)
	h.start()
	from := time.Now().UTC().Truncate(24*time.Hour).AddDate(0, 0, -4)
	larchDays(t, h.brokerURL(), from)
	eventually(t, "all readings", func() bool { return h.status().Snapshot.Intake.Messages == 144 })
	before := folded(h.app.Snapshot())
	const path = "/api/v1/sensors/loft/loft/void"
	body := web.VoidSensor{By: "Ada", Note: "hung in the sun", From: from, To: from.Add(time.Hour)}
	h.restrict(store.Restriction{ReadOnly: true})
	if code, answer := h.post(path, body); code != http.StatusServiceUnavailable || !strings.Contains(answer, "the disk is read-only") || !strings.Contains(answer, "Nothing was changed") {
		t.Errorf("an edit on a sick disk: %d %s", code, answer)
	}
	if acts := auditOf(t, h.app.URL()); len(acts) != 0 {
		t.Errorf("what was refused is in the audit: %v", acts)
	}
	if d := cmp.Diff(before.Lots, folded(h.app.Snapshot()).Lots, sameBits()); d != "" {
		t.Errorf("what was refused counts:\n%s", d)
	}
	h.restrict(store.Restriction{})
	if code, answer := h.post(path, body); code != http.StatusOK || !strings.Contains(answer, `"seq":1`) {
		t.Errorf("after it: %d %s", code, answer)
	}
	if acts := auditOf(t, h.app.URL()); len(acts) != 1 || acts[0].Change != 1 {
		t.Errorf("audit after it: %v", acts)
	}
}

// A keeper's slip is said, and changes nothing.
func TestSensorEditsRefused(t *testing.T) {
	h := newHouse(t, nil)
	h.start()
	c := publisher(t, h.brokerURL())
	publish(t, c, "rooms/loft/temperature", false, "20")
	eventually(t, "a reading", func() bool { return h.status().Snapshot.Intake.Stored == 1 })
	f := func(path string, body any, code int, text string) {
		t.Helper()
		if got, answer := h.post("/api/v1/sensors/"+path, body); got != code || !strings.Contains(answer, text) {
			t.Errorf("%s: %d %s, want %d %q", path, got, answer, code, text)
		}
	}
	temperature, now := unit.Temperature, time.Now()
	f("lft/loft/swap", web.SwapSensor{By: "Ada"}, 404, `did you mean \"loft\"?`)
	f("loft/lft/swap", web.SwapSensor{By: "Ada"}, 404, `did you mean \"loft\"?`)
	f("loft/loft/void", web.VoidSensor{From: now.Add(-time.Hour), By: "Ada"}, 422, "no reason")
	f("loft/loft/void", web.VoidSensor{From: now.Add(time.Hour), Note: "x", By: "Ada"}, 422, "is empty")
	f("loft/loft/calibrate", web.CalibrateSensor{Quantity: &temperature, Adjustment: web.Adjustment{Gain: 7}, By: "Ada"}, 422, "gain 7")
	f("changes/1/revoke", web.RevokeSensor{Note: "x", By: "Ada"}, 404, "no change 1")
	f("loft/loft/calibrate", web.CalibrateSensor{Quantity: &temperature, Adjustment: web.Adjustment{Offset: 0.5, Unit: "K"}, By: "Ada"}, 200, `"since":"`)
	if acts := auditOf(t, h.app.URL()); len(acts) != 1 {
		t.Errorf("audit: %v", acts)
	}
}
