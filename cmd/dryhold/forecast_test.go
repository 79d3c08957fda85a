package main

import (
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"dryhold/internal/forecast"
	"dryhold/internal/servertest"
	"dryhold/internal/web"
)

// The forecasts of a room held against its own past, on the command line: a
// running daemon, the past brought in from a table.
func TestForecastCommand(t *testing.T) {
	dir, page := t.TempDir(), servertest.FreeAddr(t)
	file, data := filepath.Join(dir, "dryhold.yaml"), filepath.Join(dir, "data")
	if err := os.WriteFile(file, fmt.Appendf(nil, "site: larch-house\nbroker: {embedded: {listen: 127.0.0.1:0}}\nhttp: {listen: %q}\nrooms: [{name: cellar}, {name: loft}]\n", page), 0o600); err != nil {
		t.Fatal(err)
	}
	f := func(code int, want string, args ...string) string {
		t.Helper()
		c := command(append(args, "--url", "http://"+page)...)
		c.Env = append(c.Env, "TZ=UTC")
		out, _ := c.CombinedOutput()
		if exit := c.ProcessState.ExitCode(); exit != code || !strings.Contains(string(out), want) {
			t.Errorf("dryhold %s: exit %d, want %d with %q:\n%s", strings.Join(args, " "), exit, code, want, out)
		}
		return string(out)
	}
	runLarch(t, file, data)
	f(0, "loft has 0 days of history; a back-test wants 180 days more.", "forecast", "--backtest", "loft")

	// Invented: 240 days of a loft, every twenty minutes, with weather of some
	// days.
	const days = 240
	start := time.Now().UTC().Truncate(24*time.Hour).AddDate(0, 0, -days)
	var table strings.Builder
	table.WriteString("time,temperature\n")
	for i := range days * 72 {
		d := float64(i) / 72
		fmt.Fprintf(&table, "%s,%.1f\n", start.Add(time.Duration(i)*20*time.Minute).Format("2006-01-02 15:04"), 18+8*math.Sin(2*math.Pi*d/365.25)+2*math.Sin(0.7*d)+math.Sin(1.9*d)+2*math.Sin(2*math.Pi*d))
	}
	past := filepath.Join(dir, "loft.csv")
	if err := os.WriteFile(past, []byte(table.String()), 0o600); err != nil {
		t.Fatal(err)
	}
	f(0, fmt.Sprintf("%d readings stored", days*72), "import", past, "--room", "loft", "--sensor", "loft-1", "--zone", "UTC", "--value", "temperature=temperature:C", "--yes", "--by", "mara")
	text := f(0, "loft: 240 days known, ", "forecast", "--backtest", "loft")
	fits(t, text)
	wants(t, text, "each learned from up to 120 days before it.", "OF", "AHEAD", "CASES", "BAND", "ERROR", "CLIMATE", "AS IS", forecast.OfTemp, "1 day", " %")
	var b web.Backtest
	if err := json.Unmarshal([]byte(f(0, `"room": "loft"`, "forecast", "--backtest", "loft", "--json")), &b); err != nil {
		t.Fatal(err)
	}
	if b.Days != days || b.Wants != 0 || b.TrainDays != days/2 || b.Origins < 20 || len(b.Lines) < 2 {
		t.Errorf("%+v", b)
	}
	for _, l := range b.Lines {
		if l.Own.N == 0 || !(l.Own.CRPS > 0) || l.Own.Cover < 0 || l.Own.Cover > 1 {
			t.Errorf("%s, %s: %+v", l.Of, l.Lead, l.Own)
		}
	}
	f(1, `there is no room "attic"`, "forecast", "--backtest", "attic")
	f(2, "needs --backtest", "forecast")
}
