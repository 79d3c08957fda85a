package alarm

import (
	"strings"
	"testing"
	"time"
)

func TestShelveEnd(t *testing.T) {
	f := func(span string, want time.Duration, problem string) {
		t.Helper()
		got, err := ShelveEnd(noon(), span)
		if problem == "" && (err != nil || !got.Equal(noon().Add(want))) {
			t.Errorf("%q ends %v, %v; want %v", span, got.Sub(noon()), err, want)
		}
		if problem != "" && (err == nil || !strings.Contains(err.Error(), problem)) {
			t.Errorf("%q: %v, want %q", span, err, problem)
		}
	}
	f("8h", 8*time.Hour, "")
	f(" 90m ", 90*time.Minute, "")
	f("2d", 48*time.Hour, "")
	f("0.5d", 12*time.Hour, "")
	f("1w", MaxShelve, "")
	f("1.1w", 0, "longer than an alarm may be shelved at a time, which is 7 days")
	f("200h", 0, "longer than")
	f("0h", 0, "over before it begins")
	f("-2d", 0, "over before it begins")
	for _, bad := range []string{"", "8", "d", "NaNd", "1e300d", "Infw", "two days", "8 hours", "99999999999999h"} {
		f(bad, 0, "is not a time span")
	}
}

func FuzzShelveEnd(f *testing.F) {
	for _, seed := range []string{"8h", "2d", "1w", "-1d", "NaNd", "1e9w", "7d1h", "\xff"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, span string) {
		end, err := ShelveEnd(noon(), span)
		if err == nil && (end.Before(noon()) || end.Sub(noon()) > MaxShelve) {
			t.Errorf("%q ends %v", span, end)
		}
	})
}

func TestEvent(t *testing.T) {
	c := New(Key{Kind: Warm, Room: "loft"})
	if c.SpellKey() != "" {
		t.Errorf("a spell %q before the first", c.SpellKey())
	}
	c, moved := c.Observe(instant(), minute(3), 26)
	if len(moved) != 1 {
		t.Fatal(moved)
	}
	want := Event{Key: c.Key, From: Normal, To: ActiveUnacknowledged, At: minute(3), Value: 26, Peak: 26, Spell: 1}
	if got := c.Event(moved[0]); got != want {
		t.Errorf("%+v, want %+v", got, want)
	}
	// A notice's key begins with the spell.
	if key := c.Key.String() + "#" + c.SpellKey() + "/" + string(Raised); key != c.NoticeKey(Raised) {
		t.Errorf("spell %q in notice %q", c.SpellKey(), c.NoticeKey(Raised))
	}
}
