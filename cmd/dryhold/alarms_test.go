package main

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"dryhold/internal/alarm"
	"dryhold/internal/engine"
	"dryhold/internal/servertest"
	"dryhold/internal/web"
)

func TestPrintStanding(t *testing.T) {
	at := time.Date(2026, 7, 14, 12, 0, 0, 0, time.UTC)
	a := web.AlarmsAnswer{
		Alarms: []engine.AlarmView{{
			Key: alarm.Key{Kind: alarm.Warm, Room: "loft"}, State: alarm.ActiveUnacknowledged, Priority: alarm.High, Since: at, Text: "Loft too warm: 33.4 °C",
			Costs: []alarm.LotCost{{Lot: "L-1", Days: 2.3}, {Lot: "L-2", Days: 0.8}}, Note: "compressor failed", NoteBy: "mara", NoteAt: at.Add(time.Hour),
		}, {
			Key: alarm.Key{Kind: alarm.Damp, Room: "cellar"}, State: alarm.Shelved, Priority: alarm.Medium, Since: at, Text: "Cellar too damp", Active: true,
			AsideBy: "ben", ShelvedUntil: at.Add(8 * time.Hour), Unknown: true,
		}},
		Normal: []web.ConditionView{{Condition: alarm.New(alarm.Key{Kind: alarm.Bright, Room: "loft"}), Limit: 50}},
	}
	var b strings.Builder
	if err := printStanding(&b, a); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{
		"warm/loft: active unacknowledged, high priority", "    Loft too warm: 33.4 °C\n", "3.1 days of life lost so far in 2 lots", "    mara, " + stamp(at.Add(time.Hour)) + ": compressor failed\n",
		"shelved by ben until " + stamp(at.Add(8*time.Hour)) + "; by its readings it is active", "there is no reading now", "Normal:\n  bright/loft  no reading now\n",
	} {
		if !strings.Contains(b.String(), want) {
			t.Errorf("lacks %q:\n%s", want, b.String())
		}
	}
	for line := range strings.Lines(b.String()) {
		if len([]rune(line)) > screen+1 {
			t.Errorf("a line is too wide: %q", line)
		}
	}
}

// What can be seen to be wrong is said before the daemon is asked.
func TestActMistakes(t *testing.T) {
	f := func(want string, args ...string) {
		t.Helper()
		got, exit := call(t, append(append([]string{"alarms"}, args...), "--url", "http://127.0.0.1:1")...)
		if exit != 2 || !strings.Contains(got, want) {
			t.Errorf("dryhold alarms %s: exit %d, want 2 with %q:\n%s", strings.Join(args, " "), exit, want, got)
		}
	}
	f(`did you mean "warm"?`, "ack", "wram/loft")
	f("needs one of --for and --until", "shelve", "warm/loft")
	f("needs one of --for and --until", "shelve", "warm/loft", "--for", "8h", "--until", "2026-07-14")
	f("longer than an alarm may be shelved", "shelve", "warm/loft", "--for", "9d")
	f(`--for: "a while" is not a time span`, "shelve", "warm/loft", "--for", "a while")
	f(`--until: "soon" is not a time`, "shelve", "warm/loft", "--until", "soon")
	f("2 arguments wanted, 1 given: dryhold alarms annotate ALARM TEXT", "annotate", "warm/loft")
	f(`did you mean "warm"?`, "history", "wram/loft")
	f(`--from: "soon" is not a time`, "history", "--from", "soon")
}

// Every act from the command line, and what is printed of it, with a kill -9
// right behind the last answer.
func TestAlarmCommands(t *testing.T) {
	dir, page := t.TempDir(), servertest.FreeAddr(t)
	file, data := filepath.Join(dir, "dryhold.yaml"), filepath.Join(dir, "data")
	text := fmt.Sprintf("site: larch-house\nbroker: {embedded: {listen: 127.0.0.1:0}}\nhttp: {listen: %q}\nrooms:\n"+
		"  - {name: loft, limits: {warm: {limit: 24 C, deadband: 0.5 K, on_delay: 0s, off_delay: 0s}}}\n", page)
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	f := func(code int, want string, args ...string) string {
		t.Helper()
		got, exit := call(t, append(append([]string{"alarms"}, args...), "--url", "http://"+page)...)
		if exit != code || !strings.Contains(got, want) {
			t.Errorf("dryhold alarms %s: exit %d, want %d with %q:\n%s", strings.Join(args, " "), exit, code, want, got)
		}
		return got
	}
	daemon := runLarch(t, file, data)
	daemon.send(t, "loft", time.Now().UTC().Add(-23*time.Hour).Truncate(time.Minute), 30)
	for deadline := time.Now().Add(time.Minute); ; time.Sleep(50 * time.Millisecond) {
		if got, _ := call(t, "alarms", "list", "--url", "http://"+page); strings.Contains(got, "warm/loft: active unacknowledged") {
			break
		} else if time.Now().After(deadline) {
			t.Fatalf("no alarm:\n%s", got)
		}
	}
	f(0, "warm/loft is acknowledged by Mara.\n", "ack", "warm/loft", "--by", "Mara", "--note", "window shaded")
	f(1, "acknowledged by Mara already", "acknowledge", "warm/loft")
	f(0, "warm/loft is annotated by Mara.\n", "annotate", "warm/loft", "compressor failed", "--by", "Mara")
	f(0, "warm/loft is shelved by Mara until ", "shelve", "warm/loft", "--for", "8h", "--by", "Mara")
	f(0, "warm/loft is taken from the shelf by Ben.\n", "unshelve", "warm/loft", "--by", "Ben")
	f(1, "without a reason", "out-of-service", "warm/loft")
	f(0, "warm/loft is taken out of service by Ben.\n", "out-of-service", "warm/loft", "--by", "Ben", "--note", "the loft is empty")
	f(1, "it is out of service; return it to service first", "shelve", "warm/loft", "--for", "8h")
	if err := daemon.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	_ = daemon.Wait() // killed, so never nil
	runLarch(t, file, data)
	f(0, "taken out of service by Ben; by its readings it is active", "list")
	f(0, "Ben, ", "list")
	f(0, "warm/loft is returned to service by Ben.\n", "return", "warm/loft", "--by", "Ben")
	got := f(0, "", "history", "warm/loft")
	last := 0
	for _, want := range []string{
		"returned to service, and raised anew, since it is active, by Ben", "taken out of service, by Ben: the loft is empty", "taken from the shelf, and raised anew, since it is active, by Ben",
		"shelved until", "annotated, by Mara: compressor failed", "acknowledged, by Mara: window shaded", "warm/loft raised",
	} {
		at := strings.Index(strings.Join(strings.Fields(got), " "), want)
		if at < last {
			t.Errorf("the history lacks %q, or has it elsewhere:\n%s", want, got)
		}
		last = at
	}
	f(0, "  silent/loft/loft", "list", "--all")
	f(0, "Nothing has happened.", "history", "--to", "2001-01-01")
	for _, args := range [][]string{{"list", "--json"}, {"list", "--all", "--json"}, {"history", "--json"}} {
		if got := f(0, "", args...); !json.Valid([]byte(got)) {
			t.Errorf("%v prints no JSON: %s", args, got)
		}
	}
}
