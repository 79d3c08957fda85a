package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"dryhold/internal/demo"
	"dryhold/internal/demo/storytest"
)

// A bag of rice from the shop to the plate, by commands alone: advice, washing,
// twelve bottles, labels, the insect hold by simulated time, the cellar, a hot
// week, use first, eaten. Larch House and its weather are invented.
func TestStory(t *testing.T) {
	h := storytest.New(t, time.Date(2025, time.May, 31, 0, 0, 0, 0, time.UTC))
	f := func(code int, want string, args ...string) string {
		t.Helper()
		c := command(append(args, "--url", h.App.URL())...)
		c.Env = append(c.Env, "TZ=UTC")
		out, _ := c.CombinedOutput()
		got := strings.Join(strings.Fields(string(out)), " ")
		if exit := c.ProcessState.ExitCode(); exit != code || !strings.Contains(got, want) {
			t.Errorf("dryhold %s: exit %d, want %d with %q:\n%s", strings.Join(args, " "), exit, code, want, out)
		}
		return got
	}
	says := func(got string, want ...string) {
		t.Helper()
		for _, w := range want {
			if !strings.Contains(got, w) {
				t.Errorf("it does not say %q:\n%s", w, got)
			}
		}
	}
	h.Until(time.Date(2025, time.June, 1, 12, 0, 0, 0, time.UTC))

	says(f(0, "12 containers of about", "pack", "white-rice", "pet-2l", "--mass", "19kg", "--moisture", "9.5%", "--resin", "1", "--closure", "screw", "--held", "food",
		"--leak-test", "held", "--absorber", "300", "--room", "north-pantry"), "GOOD: Squeezed under water", "In north-pantry", "food-safety authority")
	says(f(0, "13 mL of bleach of 6 %", "pack", "clean", "--volume", "4L", "--bleach", "6%"), "Never mix bleach")
	refused(f)
	f(0, "Registered L-1", "lots", "add", "white-rice", "pet-2l", "--count", "12", "--mass", "1.6", "--room", "north-pantry", "--treatment", "absorber", "--capacity", "300",
		"--moisture", "9.5", "--leak-test", "held", "--packed", "2025-06-01", "--by", "mara")
	labels := filepath.Join(t.TempDir(), "labels.pdf")
	f(0, "Written to", "lots", "labels", "L-1", "-o", labels)
	if pdf, err := os.ReadFile(labels); err != nil || !strings.HasPrefix(string(pdf), "%PDF-") || len(pdf) < 5000 {
		t.Errorf("labels: %d bytes, %v", len(pdf), err)
	}

	says(f(0, "12 x 1.6 kg in PET bottle", "lots", "show", "L-1"), "verified, by the leak test", "leave it closed until the low-oxygen hold is complete")
	f(0, "No alarms", "alarms", "list")
	h.Until(time.Date(2025, time.July, 8, 12, 0, 0, 0, time.UTC))
	f(0, "insect hold complete", "alarms", "list")
	f(0, "hold_complete/L-1", "alarms", "acknowledge", "hold_complete/L-1", "--by", "mara")
	f(0, "stands in cellar", "lots", "move", "L-1", "cellar", "--by", "mara")
	if t.Failed() {
		t.FailNow() // what follows is about the lot
	}
	before := h.App.Snapshot().Lots[0]

	h.Until(demo.End())
	after := h.App.Snapshot().Lots[0]
	if before.Insects == nil || after.Room() != demo.Cellar || !(after.Remaining.Likely < before.Remaining.Likely) || !(after.Remaining.Likely > 0.9) {
		t.Errorf("in %s, %+v left and before the hot week %+v", after.Room(), after.Remaining, before.Remaining)
	}
	f(0, "loft", "alarms", "list")
	says(f(0, "L-1", "use-first"), "White rice", "cellar", "about quality, not safety")
	f(0, "L-1", "review")
	f(0, "L-2 is open", "lots", "open", "L-1", "--by", "mara")
	f(0, "nothing is left", "lots", "eat", "L-2", "1", "--by", "mara")
	f(0, "nothing is left", "lots", "eat", "L-1", "11", "--by", "mara")
	f(0, "No lots in store", "lots", "list")
	says(f(0, "mara", "lots", "history", "L-1"), "ate 11", "cellar")
}

// refused are the inputs of which one alone spoils food, or harms people: each
// is told why, and nothing is registered.
func refused(f func(code int, want string, args ...string) string) {
	add := func(want, food, container, packed string, more ...string) {
		f(1, want, append([]string{"lots", "add", food, container, "--mass", "1.5", "--room", "north-pantry", "--by", "mara", "--treatment", "absorber", "--capacity", "300",
			"--packed", packed}, more...)...)
	}
	pack := func(want, food, container string, more ...string) {
		f(1, want, append([]string{"pack", food, container, "--room", "north-pantry"}, more...)...)
	}
	pack("is a water activity of 0.77", "dry-beans", "pet-2l", "--moisture", "16%")
	add("at or above the red line", "dry-beans", "pet-2l", "2025-06-01", "--moisture", "16")
	pack("milk jug is not fit", "white-rice", "milk-jug")
	add(`unknown container class "milk-jug"`, "white-rice", "milk-jug", "2025-06-01")
	pack("50 cm3 is too small", "white-rice", "pet-4l", "--absorber", "50")
	pack("A flip-top closure is not fit", "white-rice", "pet-2l", "--closure", "flip-top")
	pack("pack date 1900-05-01 is before 1980", "white-rice", "pet-2l", "--packed", "1900-05-01")
	add("1900", "white-rice", "pet-2l", "1900-05-01")
	f(0, "No lots yet", "lots", "list")
}
