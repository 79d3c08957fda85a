package main

import (
	"bufio"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/google/go-cmp/cmp"

	"dryhold/internal/alarm"
	"dryhold/internal/audit"
	"dryhold/internal/engine"
	"dryhold/internal/sensor"
	"dryhold/internal/servertest"
	"dryhold/internal/unit"
	"dryhold/internal/web"
)

// larch is a daemon of its own over a configuration.
type larch struct {
	*exec.Cmd
	broker string
}

// runLarch starts the daemon and waits for its start-up text.
func runLarch(t *testing.T, file, data string) *larch {
	t.Helper()
	l := &larch{Cmd: command("run", "--config", file, "--data", data)}
	l.Env = append(l.Env, "TZ=UTC")
	stdout, err := l.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := l.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = l.Process.Kill(); _ = l.Wait() })
	for lines := bufio.NewScanner(stdout); l.broker == "" && lines.Scan(); {
		for _, word := range strings.Fields(lines.Text()) {
			if strings.HasPrefix(word, "mqtt://") {
				l.broker = word
			}
		}
	}
	if l.broker == "" {
		t.Fatal("the start-up text names no broker")
	}
	go func() { // or the daemon blocks on a full pipe
		for lines := bufio.NewScanner(stdout); lines.Scan(); {
		}
	}()
	return l
}

// send publishes temperatures with times of their own, as 24 of a day an hour
// apart.
func (l *larch) send(t *testing.T, room string, day time.Time, celsius float64) {
	t.Helper()
	c := mqtt.NewClient(mqtt.NewClientOptions().AddBroker(strings.Replace(l.broker, "mqtt://", "tcp://", 1)).SetClientID("larch-house-sensor"))
	wait := func(token mqtt.Token) {
		t.Helper()
		if !token.WaitTimeout(time.Minute) || token.Error() != nil {
			t.Fatalf("cannot publish: %v", token.Error())
		}
	}
	wait(c.Connect())
	defer c.Disconnect(100)
	for h := range 24 {
		text := fmt.Sprintf(`{"time":%q,"temperature":%v}`, day.Add(time.Duration(h)*time.Hour).Format(time.RFC3339), celsius+float64(h)/10)
		wait(c.Publish("rooms/"+room, 1, false, text))
	}
}

// What is told of a sensor on the command line: said back, listed, audited, and
// there after a kill -9 that follows the answer at once.
func TestSensorCommands(t *testing.T) {
	dir, page := t.TempDir(), servertest.FreeAddr(t)
	file, data := filepath.Join(dir, "dryhold.yaml"), filepath.Join(dir, "data")
	if err := os.WriteFile(file, fmt.Appendf(nil, "site: larch-house\nbroker: {embedded: {listen: 127.0.0.1:0}}\nhttp: {listen: %q}\nrooms: [{name: cellar}, {name: loft}]\n", page), 0o600); err != nil {
		t.Fatal(err)
	}
	url := "http://" + page
	f := func(code int, want string, args ...string) string {
		t.Helper()
		c := command(append(args, "--url", url)...)
		c.Env = append(c.Env, "TZ=UTC")
		out, _ := c.CombinedOutput()
		got := strings.Join(strings.Fields(string(out)), " ")
		if exit := c.ProcessState.ExitCode(); exit != code || !strings.Contains(got, want) {
			t.Errorf("dryhold %s: exit %d, want %d with %q:\n%s", strings.Join(args, " "), exit, code, want, out)
		}
		return string(out)
	}
	daemon := runLarch(t, file, data)
	f(0, "No sensors yet: one appears with its first reading.", "sensors")
	f(0, "Nothing was done.", "audit")
	day := time.Now().UTC().Truncate(24*time.Hour).AddDate(0, 0, -2)
	daemon.send(t, "loft", day, 20)
	for deadline := time.Now().Add(time.Minute); !strings.Contains(f(0, "", "sensors"), "loft/loft"); time.Sleep(50 * time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatal("the sensor does not appear")
		}
	}
	from := day.Format(time.DateOnly)
	f(0, "Kept as change 1: loft/loft calibrated temperature: value - 0.4 K, due again 2099-11-01, from "+from+" 00:00 UTC. loft is folded again, 3 days since "+from+": its hours, lots and alarms go by the readings as they count now. The readings themselves stay as they came. To take it back: dryhold sensors revoke 1 --note WHY",
		"sensors", "calibrate", "loft/loft", "--quantity", "temperature", "--reference", "0.0C", "--reading", "0.4C", "--due", "2099-11-01", "--from", from, "--note", "ice water", "--by", "Ada")
	f(0, "corrected temperature until "+from+"T06:00:00Z: value - 5 K", "sensors", "correct", "loft/loft", "--quantity", "temperature", "--offset", "-9F", "--from", from, "--to", from+"T06:00", "--note", "by the chimney")
	f(0, "Kept as change 3: loft/loft voided everything it measures until "+from+"T12:00:00Z, from "+from+" 06:00 UTC.", "sensors", "void", "loft/loft", "--from", from+"T06:00", "--to", from+"T12:00", "--note", "in the sun")
	f(0, "Kept as change 4: loft/loft revoked change 3.", "sensors", "revoke", "3", "--note", "it was in the shade", "--by", "Bea")
	f(1, "change 3 is taken back already", "sensors", "revoke", "3", "--note", "again")
	f(1, "no change 9 of a sensor", "sensors", "revoke", "9", "--note", "none")
	f(1, `no sensor "lft" was heard in room loft: did you mean "loft"?`, "sensors", "swap", "loft/lft", "loft-2")
	f(1, `no room "lft": did you mean "loft"?`, "sensors", "swap", "lft/loft", "loft-2")

	listed := f(0, "loft/loft", "sensors")
	fits(t, listed)
	wants(t, listed, "was 21.9 °C "+from+" TOLD", "1 loft/loft calibrated temperature: value - 0.4 K", "told by Ada: ice water (read 0.4 for 0 C)")
	if strings.Contains(listed, "voided") {
		t.Errorf("what was taken back is listed:\n%s", listed)
	}
	wants(t, f(0, "", "sensors", "--all"), "in the sun (taken back by change 4)", "4 revoked change 3, told by Bea: it was in the shade")
	// Right behind the answer.
	f(0, "swapped for loft-2", "sensors", "swap", "loft/loft", "loft-2", "--by", "Ada")
	if err := daemon.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	_ = daemon.Wait()
	runLarch(t, file, data)
	var after web.SensorsAnswer
	if err := json.Unmarshal([]byte(f(0, "", "sensors", "--json")), &after); err != nil || len(after.Changes) != 5 || after.Changes[4].New != "loft-2" {
		t.Errorf("after a kill: %v %+v", err, after.Changes)
	}
	wants(t, f(0, "", "sensors"), "loft/loft-2 not yet", "Replaced and not shown: 1;")
	told := f(0, "", "audit")
	fits(t, told)
	wants(t, told, "Ada: loft/loft swapped for loft-2 [change 5]",
		"Bea: loft/loft revoked change 3 [change 4]; before: voided everything it measures until "+from+"T12:00:00Z; why: it was in the shade",
		"Ada: loft/loft calibrated temperature: value - 0.4 K, due again 2099-11-01 [change 1], from "+from+" 00:00 UTC; before: not calibrated; why: ice water (read 0.4 for 0 C)")
	if strings.Index(told, "[change 5]") > strings.Index(told, "[change 1]") {
		t.Errorf("the newest does not come first:\n%s", told)
	}
	f(0, "There are older ones: `dryhold audit --limit 20` shows more.", "audit", "--limit", "2")
	f(0, "Nothing was done.", "audit", "--since", "2999-01-01")
	var acts web.AuditAnswer
	if err := json.Unmarshal([]byte(f(0, "", "audit", "--json", "--since", from)), &acts); err != nil || len(acts.Acts) != 5 || acts.Acts[0].Kind != audit.Sensor {
		t.Errorf("%v %+v", err, acts)
	}
}

func TestSensorUsage(t *testing.T) {
	f := func(want string, args ...string) {
		t.Helper()
		got, exit := call(t, append(args, "--url", "http://127.0.0.1:1")...)
		if exit != 2 || !strings.Contains(got, want) {
			t.Errorf("dryhold %s: exit %d, want 2 with %q:\n%s", strings.Join(args, " "), exit, want, got)
		}
	}
	f(`dryhold sensors has no command "swp": did you mean "swap"?`, "sensors", "swp")
	f(`"loft" is not a sensor: write ROOM/SENSOR`, "sensors", "calibrate", "loft", "--quantity", "temperature")
	f(`"/a" is not a sensor`, "sensors", "swap", "/a")
	f("needs --quantity", "sensors", "calibrate", "a/b")
	f(`--quantity: unknown quantity "temprature": did you mean "temperature"?`, "sensors", "calibrate", "a/b", "--quantity", "temprature")
	f(`--offset: "0.3" has no unit: write one of C, °C`, "sensors", "calibrate", "a/b", "--quantity", "temperature", "--offset", "0.3")
	f(`--offset: "%" is not a unit of temperature`, "sensors", "calibrate", "a/b", "--quantity", "temperature", "--offset", "3%")
	f(`--reading: "cold" is not an amount`, "sensors", "calibrate", "a/b", "--quantity", "temperature", "--reference", "0C", "--reading", "cold")
	f("1 of --reference and 0 of --reading: each comparison needs both", "sensors", "calibrate", "a/b", "--quantity", "temperature", "--reference", "0C")
	f("not both", "sensors", "calibrate", "a/b", "--quantity", "temperature", "--reference", "0C", "--reading", "1C", "--gain", "1.1")
	f("--gain NaN is not an amount", "sensors", "calibrate", "a/b", "--quantity", "temperature", "--gain", "NaN")
	f(`--from: "yesterday" is not a time: write 2026-07-11, 2026-07-11T09:30 or`, "sensors", "calibrate", "a/b", "--quantity", "temperature", "--from", "yesterday")
	f(`--due: "soon" is not a time`, "sensors", "calibrate", "a/b", "--quantity", "temperature", "--due", "soon")
	f("sensors correct needs --from and --note", "sensors", "correct", "a/b")
	f("needs --offset, --gain, or --reference", "sensors", "correct", "a/b", "--quantity", "temperature", "--from", "2026-07-11", "--note", "x")
	f("sensors void needs --from and --note", "sensors", "void", "a/b")
	f(`--to: "later" is not a time`, "sensors", "void", "a/b", "--from", "2026-07-11", "--to", "later", "--note", "x")
	f("1 or 2 arguments wanted, 3 given", "sensors", "swap", "a/b", "c", "d")
	f(`"first" is no number of a change`, "sensors", "revoke", "first", "--note", "x")
	f("sensors revoke needs --note", "sensors", "revoke", "1")
	f(`--since: "once" is not a time`, "audit", "--since", "once")
	if got, code := call(t, "__complete", "sensors", "void", "a/b", "--quantity", ""); code != 0 || !strings.HasPrefix(got, "temperature\nhumidity\n") {
		t.Errorf("completion of --quantity: exit %d, %q", code, got)
	}
}

// A date is its midnight here, not in Greenwich.
func TestBound(t *testing.T) {
	f := func(text string, want time.Time) {
		t.Helper()
		var got time.Time
		if err := bound("from", text, &got); err != nil || !got.Equal(want) {
			t.Errorf("%s: %v %v, want %v", text, got, err, want)
		}
	}
	f("2026-07-11", time.Date(2026, 7, 11, 0, 0, 0, 0, time.Local))
	f("2026-07-11T09:30", time.Date(2026, 7, 11, 9, 30, 0, 0, time.Local))
	f("2026-07-11 09:30", time.Date(2026, 7, 11, 9, 30, 0, 0, time.Local))
	f("2026-07-11T09:30:00+02:00", time.Date(2026, 7, 11, 7, 30, 0, 0, time.UTC))
	f("", time.Time{})
}

// The list fits the screen with all that is long, and hides nothing that is
// wrong.
func TestSensorsFitTheScreen(t *testing.T) {
	now := day(2026, 7)
	value := func(v float64, known bool) engine.Value { return engine.Value{Known: known, Value: v, At: now} }
	q := unit.Temperature
	s := web.SensorsAnswer{At: now, Sensors: []engine.SensorView{
		{Name: "the-sensor-behind-the-stairs", Room: "north-pantry", LastSeen: now, State: engine.Speaking, Temperature: value(-21.5, true), Humidity: value(0.58, true),
			Illuminance: value(12_345, true), Battery: value(0.07, true), Calibrations: []engine.CalibrationView{
				{Quantity: unit.Temperature, Gain: 1, From: day(2026, 3), Due: day(2027, 3)},
				{Quantity: unit.Humidity, Gain: 1, From: day(2025, 3), Due: day(2026, 3), Overdue: true}},
			Faults: []engine.FaultView{{Kind: alarm.Silent, Since: now, Text: "a text that is so long that it does not go on the line on which it began, by far"}}},
		{Name: "b", Room: "loft", LastSeen: day(2026, 5), Silent: true, State: engine.Quiet, Temperature: value(20, false)},
		{Name: "c", Room: "loft", LastSeen: day(2026, 5), State: engine.Retired},
		{Name: "d", Room: "loft", State: engine.Awaited},
	}, Changes: []web.SensorChange{{What: "calibrated temperature: value - 0.3 K, due again 2027-03-14",
		Change: sensor.Change{Kind: sensor.Calibrated, Seq: 12, Quantity: &q, Room: "north-pantry", Sensor: "the-sensor-behind-the-stairs", From: now, By: "Ada", Note: "ice water, crushed"}}}}
	var b, all strings.Builder
	if err := printSensors(&b, s, false); err != nil {
		t.Fatal(err)
	}
	if err := printSensors(&all, s, true); err != nil {
		t.Fatal(err)
	}
	fits(t, b.String())
	fits(t, all.String())
	wants(t, b.String(), "north-pantry/the-sensor-b… 0 s ago −21.5 °C, 58 % RH, 12345 lx 7 % 2025-03-14",
		"!! north-pantry/the-sensor-behind-the-stairs silent since", "humidity is to be calibrated again since 2026-03-14", "loft/b ? 61 days ago was 20.0 °C never",
		"loft/d not yet never", "Replaced and not shown: 1", "12 north-pantry/the-sensor-behind-the-stairs calibrated temperature")
	wants(t, all.String(), "loft/c replaced")
	if strings.Contains(b.String(), "loft/c") {
		t.Errorf("one that was replaced is shown:\n%s", b.String())
	}
}

func TestAuditLine(t *testing.T) {
	told := time.Date(2026, 7, 14, 12, 0, 0, 0, time.UTC)
	f := func(a audit.Act, want string) {
		t.Helper()
		a.Told = told
		if a.At.IsZero() {
			a.At = told
		}
		want = stamp(told) + "  " + want
		if d := cmp.Diff(want, actLine(a)); d != "" {
			t.Errorf("(-want +got):\n%s", d)
		}
	}
	f(audit.Act{By: "Ada", Of: "L-1", What: "moved to loft", Old: "in cellar"}, "Ada: L-1 moved to loft; before: in cellar")
	f(audit.Act{Of: "warm/loft", What: "acknowledged", Why: "window shaded", At: told.Add(time.Second)}, "somebody: warm/loft acknowledged; why: window shaded")
	f(audit.Act{By: "Ada", Of: "L-1", What: "finished", At: told.Add(-time.Hour)}, "Ada: L-1 finished, from "+stamp(told.Add(-time.Hour)))
}
