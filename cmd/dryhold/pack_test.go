package main

import (
	"encoding/json"
	"strings"
	"testing"

	"dryhold/internal/lot"
	"dryhold/internal/packing"
	"dryhold/internal/servertest"
)

// Without a daemon all is told but the rooms.
func TestPackWithoutADaemon(t *testing.T) {
	f := func(code int, want string, args ...string) string {
		t.Helper()
		got, exit := call(t, args...)
		if exit != code || !strings.Contains(strings.Join(strings.Fields(got), " "), want) {
			t.Errorf("dryhold %s: exit %d, want %d with %q:\n%s", strings.Join(args, " "), exit, code, want, got)
		}
		return got
	}
	nobody := "http://" + servertest.FreeAddr(t)
	got := f(0, "13 containers of about 1.63 kg", "pack", "white-rice", "pet-2l", "--mass", "20kg", "--moisture", "9.5%", "--resin", "1", "--closure", "screw", "--held", "food", "--leak-test", "held", "--url", nobody)
	for _, want := range []string{"nothing is told of your rooms", "GOOD: Squeezed under water", "--leak-test held", "Without the running daemon", "food-safety authority"} {
		if !strings.Contains(strings.Join(strings.Fields(got), " "), want) {
			t.Errorf("not said: %s\n%s", want, got)
		}
	}
	fits(t, got)
	f(1, "is a water activity of 0.77", "pack", "dry-beans", "pet-2l", "--moisture", "16%", "--local")
	f(1, "milk jug is not fit", "pack", "white-rice", "milk-jug", "--local")
	f(1, "50 cm3 is too small", "pack", "white-rice", "pet-4l", "--absorber", "50", "--local")
	f(1, "A flip-top closure is not fit", "pack", "white-rice", "pet-2l", "--closure", "flip-top", "--local")
	f(1, "pack date 1900-05-01 is before 1980", "pack", "white-rice", "pet-2l", "--packed", "1900-05-01", "--local")
	f(0, "Overridden: \"eaten this week\"", "pack", "dry-beans", "pet-2l", "--moisture", "16%", "--treatment", "none", "--override", "eaten this week", "--local")
	f(1, `did you mean "white-rice"?`, "pack", "wite-rice", "pet-2l", "--local")
	f(1, `nothing is known of room "cellar" without the daemon`, "pack", "white-rice", "pet-2l", "--room", "cellar", "--url", nobody)
	f(2, "is not a mass", "pack", "white-rice", "pet-2l", "--mass", "20", "--local")
	f(2, "is not a volume", "pack", "white-rice", "pet-2l", "--volume", "3kg", "--local")
	f(2, "are two amounts", "pack", "white-rice", "pet-2l", "--volume", "3L", "--mass", "3kg", "--local")
	f(2, "it is text or json", "pack", "white-rice", "pet-2l", "--format", "xml", "--local")
	f(2, "2 arguments wanted", "pack", "white-rice", "--local")
	f(0, "13 mL of bleach of 6 %", "pack", "clean", "--volume", "4L", "--bleach", "6%")
	f(0, "Never mix bleach", "pack", "clean", "--volume", "1gal", "--bleach", "8.25")
	f(2, "bleach of 40 %", "pack", "clean", "--bleach", "40%")
	f(2, "is a mass", "pack", "clean", "--volume", "4kg")
	f(0, "jerky hazardous", "pack", "foods")

	var a packing.Advice
	out, code := call(t, "pack", "white-rice", "pet-2l", "--volume", "10L", "--local", "--format", "json")
	if err := json.Unmarshal([]byte(out), &a); err != nil || code != 0 || a.Fill == nil || a.Oxygen == nil || len(a.Lives) != 1 {
		t.Errorf("JSON: %d, %v, %s", code, err, out)
	}
	var c packing.Cleaning
	out, code = call(t, "pack", "clean", "--format", "json")
	if err := json.Unmarshal([]byte(out), &c); err != nil || code != 0 || c.TargetPPM != 200 {
		t.Errorf("JSON: %d, %v, %s", code, err, out)
	}
}

// The seal that a leak test shows is told as such.
func TestSealByTheLeakTest(t *testing.T) {
	f := func(p lot.Packing, want string) {
		t.Helper()
		if got := sealText(p.Lot("L-1")); got != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
	f(lot.Packing{}, "assumed, no note of it")
	f(lot.Packing{LeakTest: lot.LeakHeld}, "verified, by the leak test at packing")
	f(lot.Packing{LeakTest: lot.LeakFound}, "failed, by the leak test at packing")
}
