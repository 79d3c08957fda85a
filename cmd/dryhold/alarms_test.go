package main

import (
	"strings"
	"testing"
	"time"

	"dryhold/internal/alarm"
	"dryhold/internal/engine"
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
		Normal: []alarm.Condition{alarm.New(alarm.Key{Kind: alarm.Bright, Room: "loft"})},
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
