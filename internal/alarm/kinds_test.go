package alarm

import (
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

func TestParseKey(t *testing.T) {
	f := func(text string, want Key) {
		t.Helper()
		got, err := ParseKey(text)
		if err != nil || got != want || got.String() != text {
			t.Errorf("%s: %+v %v, want %+v", text, got, err, want)
		}
	}
	f("warm/loft", Key{Kind: Warm, Room: "loft"})
	f("warm/loft/loft-3", Key{Kind: Warm, Room: "loft", Sensor: "loft-3"})
	f("silent/loft/loft-1", Key{Kind: Silent, Room: "loft", Sensor: "loft-1"})
	f("quality/L-3", Key{Kind: Quality, Lot: "L-3"})
	f("disk", Key{Kind: Disk})

	bad := func(text, want string) {
		t.Helper()
		if _, err := ParseKey(text); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v, want %s", text, err, want)
		}
	}
	bad("", `unknown kind of alarm ""`)
	bad("wram/loft", `did you mean "warm"?`)
	bad("warm", "write warm/ROOM, or for a shelf of it /ROOM/SENSOR")
	bad("warm/", "write warm/ROOM")
	bad("silent/loft", "write silent/ROOM/SENSOR")
	bad("quality/L-3/x", "write quality/LOT")
	bad("disk/cellar", "write disk")
}

// TestEveryKeyIsReadBack: of every kind, with names as dryhold allows them.
func TestEveryKeyIsReadBack(t *testing.T) {
	name := rapid.StringMatching(`[A-Za-z0-9_.-]{1,12}`)
	rapid.Check(t, func(t *rapid.T) {
		k := Key{Kind: rapid.SampledFrom(Kinds()).Draw(t, "kind")}
		switch k.Kind.Scope() {
		case OfSensor:
			k.Room, k.Sensor = name.Draw(t, "room"), name.Draw(t, "sensor")
		case OfRoom:
			if k.Room = name.Draw(t, "room"); rapid.Bool().Draw(t, "shelf") {
				k.Sensor = name.Draw(t, "sensor")
			}
		case OfLot:
			k.Lot = name.Draw(t, "lot")
		case OfSite:
		}
		if got, err := ParseKey(k.String()); err != nil || got != k {
			t.Fatalf("%s: %+v %v, want %+v", k, got, err, k)
		}
	})
}

func TestKindsAreListedOnce(t *testing.T) {
	kinds := slices.Clone(Kinds())
	slices.Sort(kinds)
	if n := len(slices.Compact(kinds)); n != len(Kinds()) {
		t.Errorf("%d of %d kinds differ", n, len(Kinds()))
	}
}

func FuzzParseKey(f *testing.F) {
	for _, s := range []string{"warm/loft", "silent/a/b", "quality/L-3", "disk", "warm//", "/"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		if k, err := ParseKey(s); err == nil && k.String() != s {
			t.Errorf("%q is read as %s", s, k)
		}
	})
}
