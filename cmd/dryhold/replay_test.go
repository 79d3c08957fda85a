package main

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"dryhold/internal/servertest"
	"dryhold/internal/web"
)

// A keeper tries another limit on the own past: what would have been raised and
// said with each, side by side, as text and as JSON.
func TestReplayCommand(t *testing.T) {
	dir, page := t.TempDir(), servertest.FreeAddr(t)
	file, data := filepath.Join(dir, "dryhold.yaml"), filepath.Join(dir, "data")
	write := func(path, text string) {
		t.Helper()
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	write(file, fmt.Sprintf(`site: larch-house
broker: {embedded: {listen: 127.0.0.1:0}}
http: {listen: %q}
rooms: [{name: loft, limits: {warm: 24 C, ahead: off}}]
notify:
  channels: [{name: house, webhook: {url: "http://127.0.0.1:9/", secret_file: secret}}]
  recipients: [{name: mara, channels: [house]}]
`, page))
	write(filepath.Join(dir, "secret"), "invented for this test, and long enough\n")
	f := func(code int, args ...string) string {
		t.Helper()
		c := command(append(args, "--url", "http://"+page)...)
		c.Env = append(c.Env, "TZ=UTC")
		out, _ := c.Output()
		stderr := ""
		if exit := c.ProcessState.ExitCode(); exit != code {
			again := command(append(args, "--url", "http://"+page)...)
			text, _ := again.CombinedOutput()
			stderr = string(text)
			t.Errorf("dryhold %s: exit %d, want %d:\n%s%s", strings.Join(args, " "), exit, code, out, stderr)
		}
		return string(out)
	}
	runLarch(t, file, data)
	// Invented: 20 days of a loft at 20 °C, two of them at 26 °C.
	first := time.Now().UTC().Truncate(24*time.Hour).AddDate(0, 0, -25)
	var table strings.Builder
	table.WriteString("time,temperature\n")
	for i := range 20 * 144 {
		at, v := first.Add(time.Duration(i)*10*time.Minute), 20
		if day := i / 144; day == 12 || day == 13 {
			v = 26
		}
		fmt.Fprintf(&table, "%s,%d\n", at.Format(time.RFC3339), v)
	}
	past := filepath.Join(dir, "loft.csv")
	write(past, table.String())
	f(0, "import", past, "--room", "loft", "--sensor", "loft-1", "--value", "temperature=temperature:C", "--by", "mara", "--yes")

	limits := filepath.Join(dir, "limits.yaml")
	write(limits, "rooms: [{name: loft, limits: {warm: 27 C}}]\n")
	days := []string{"--from", first.AddDate(0, 0, 8).Format(time.DateOnly), "--to", first.AddDate(0, 0, 18).Format(time.DateOnly)}
	text := f(0, append([]string{"alarms", "replay", "--with", limits}, days...)...)
	flat := strings.Join(strings.Fields(text), " ")
	for _, want := range []string{
		"Alarms of larch-house from", "LIMITS present " + limits, "alarms raised 1 0", "warm in loft 1, 47 h 0 min", "messages to mara",
		"With the limits as they are: " + first.AddDate(0, 0, 12).Format(time.DateOnly) + " 02:00 warm/loft until", "mara raised Loft too warm: 26.0 °C", "about 150 alarms a day",
	} {
		if !strings.Contains(flat, want) {
			t.Errorf("the replay does not say %q:\n%s", want, text)
		}
	}
	var answer web.ReplayAnswer
	if err := json.Unmarshal([]byte(f(0, append([]string{"alarms", "replay", "--format", "json"}, days...)...)), &answer); err != nil || len(answer.Runs) != 1 || answer.Runs[0].Raised != 1 {
		t.Errorf("as JSON: %v %+v", err, answer)
	}
	write(limits, "rooms: [{name: loft, limits: {warn: 27 C}}]\n")
	f(1, "alarms", "replay", "--with", limits)
	f(1, "alarms", "replay", "--from", "2019-01-01", "--to", "2019-02-01")
	f(2, "alarms", "replay", "--format", "xml")
}
