package settings_test

import (
	"math"
	"strings"
	"testing"
	"time"

	"dryhold/internal/alarm"
	"dryhold/internal/settings"
)

func TestLimitsWorkedOut(t *testing.T) {
	f := func(kind alarm.Kind, value string, want alarm.Rule) {
		t.Helper()
		got := parse(t, "rooms: [{name: r, limits: {"+string(kind)+": "+value+"}}]\n").Rules("r")[kind]
		want.Kind = kind
		if math.Abs(got.Limit-want.Limit) > 1e-9 || math.Abs(got.Deadband-want.Deadband) > 1e-9 || got.Over != want.Over || got.Window != want.Window || got.Kind != kind {
			t.Errorf("%s: %s: %+v, want %+v", kind, value, got, want)
		}
	}
	const week = 7 * 24 * time.Hour
	f(alarm.Hot, "86 F", alarm.Rule{Limit: 30, Deadband: 1})
	f(alarm.Hot, "{limit: 33 C, deadband: 1.8 F}", alarm.Rule{Limit: 33, Deadband: 1})
	f(alarm.Condensing, "-1 K", alarm.Rule{Limit: -1, Deadband: 1})
	f(alarm.Ageing, "2", alarm.Rule{Limit: 2, Deadband: 0.25, Window: week})
	f(alarm.Ageing, "0.2", alarm.Rule{Limit: 0.2, Deadband: 0.05, Window: week}) // the default deadband does not fit
	f(alarm.Ageing, "{limit: 0.5, deadband: 0.1, window: 30d}", alarm.Rule{Limit: 0.5, Deadband: 0.1, Window: 30 * 24 * time.Hour})
	f(alarm.HoursOver, "48h", alarm.Rule{Limit: 48 * 3600, Deadband: 6 * 3600, Over: 25, Window: week})
	f(alarm.HoursOver, "{limit: 10h, over: 8 C, window: 2d}", alarm.Rule{Limit: 10 * 3600, Deadband: 6 * 3600, Over: 8, Window: 48 * time.Hour})
	f(alarm.Ahead, "{limit: 70 %, window: 24h}", alarm.Rule{Limit: 0.7, Deadband: 0.2, Window: 24 * time.Hour})
	f(alarm.MoistureAmber, "{deadband: 0.02, priority: high}", alarm.Rule{Deadband: 0.02})
	f(alarm.OxygenSpent, "10 %", alarm.Rule{Limit: 0.1, Deadband: 0.05})
	f(alarm.AbsorberSmall, "120%", alarm.Rule{Limit: 1.2})
	f(alarm.HoldIncomplete, "90d", alarm.Rule{Limit: 90 * 86400})
	f(alarm.Quality, "{limit: 40 %, deadband: 5 %}", alarm.Rule{Limit: 0.4, Deadband: 0.05})
	f(alarm.EndsEarly, "10 %", alarm.Rule{Limit: 0.1, Deadband: 0.05})
}

func TestLimitsWorkedOutThatCannotBe(t *testing.T) {
	f := func(limits, want string) {
		t.Helper()
		_, err := settings.Parse("f.yaml", []byte("rooms:\n  - name: r\n    limits: {"+limits+"}\n"))
		if err == nil || !strings.Contains(err.Error(), want) || !strings.Contains(err.Error(), "f.yaml:3:") {
			t.Errorf("%s: %v, want %s", limits, err, want)
		}
	}
	f("hot: 80 C", "hot 80 C is outside -30 to 60 °C")
	f("hot: 30", "lacks a unit")
	f("condensing: 20 K", "condensing 20 K is outside -5 to 5 K")
	f("ageing: much", `ageing must be a number, not "much"`)
	f("ageing: {window: 1h}", "window 1h is outside 1d to 90d")
	f("hours_over: 25 C", "is not a time span")
	f("hours_over: {over: 24h}", "over")
	f("ahead: 0.5", `write for example "50 %"`)
	f("ahead: 99 %", "ahead 99 % is outside 5 to 95 %")
	f("moisture_red: 65 %", "moisture_red has no limit of its own")
	f("moisture_red: {limit: 65 %}", `unknown key "limit" in moisture_red`)
	f("quality: {deadband: 60 %}", "deadband 60 % is outside 0 to 50 %")
	f("hold_complete: {deadband: 1}", `unknown key "deadband" in hold_complete`)
	f("core_warm: 18 C", `unknown key "core_warm"`)
	f("disk: 1 GB", `unknown key "disk"`)
}

// TestLimitsFollow: what is not said goes with what is.
func TestLimitsFollow(t *testing.T) {
	of := func(limits string) map[alarm.Kind]alarm.Rule {
		return parse(t, "rooms: [{name: r, limits: {"+limits+"}}]\n").Rules("r")
	}
	f := func(limits string, kind alarm.Kind, on bool) {
		t.Helper()
		if _, got := of(limits)[kind]; got != on {
			t.Errorf("%s: %s is watched: %v, want %v", limits, kind, got, on)
		}
	}
	for _, k := range []alarm.Kind{alarm.Hot, alarm.Ageing, alarm.HoursOver, alarm.Ahead} {
		f("warm: off", k, false)
		f("damp: off", k, true)
	}
	f("warm: off, hot: 35 C", alarm.Hot, true)
	f("hot: 35 C, warm: off", alarm.Hot, true)
	f("warm: off", alarm.Condensing, true)
	f("damp: off", alarm.Condensing, false)
	f("damp: off, condensing: 0 K", alarm.Condensing, true)
	f("warm: off", alarm.Quality, true)
	if r := of("warm: 28 C"); r[alarm.Hot].Limit != 32 || r[alarm.HoursOver].Over != 32 {
		t.Errorf("heat begins above warmth: %+v %+v", r[alarm.Hot], r[alarm.HoursOver])
	}
	if r := of("warm: 28 C, hot: 29 C, hours_over: {over: 30 C}"); r[alarm.Hot].Limit != 29 || r[alarm.HoursOver].Over != 30 {
		t.Errorf("what is said holds: %+v %+v", r[alarm.Hot], r[alarm.HoursOver])
	}
}

func TestLimitsOfShelvesLotsAndTheSite(t *testing.T) {
	s := parse(t, `
rooms: [{name: loft, volume: 18000 l}]
sensors:
  - {name: a, room: loft, limits: {warm: 30 C, bright: off}}
  - {name: b, room: loft}
lots:
  - {lot: L-1, limits: {quality: off}, use_by: 2031-05-01}
  - {lot: L-2, limits: {ends_early: off}, use_by: 2031-05-01}
site_limits: {disk: 2 GB, clock: off}
`)
	if r := s.ShelfRules("a"); r[alarm.Warm].Limit != 30 || r[alarm.Warm].OnDelay != 2*time.Hour || len(r) != 2 || r[alarm.Bright].Kind != "" {
		t.Errorf("shelf: %+v", r)
	}
	if len(s.ShelfRules("b")) != 0 || len(s.ShelfRules("c")) != 0 || len(s.LotRules("L-9")) != 0 || s.Volume("loft") != 18 || s.Volume("attic") != 0 {
		t.Error("what is not said is not there")
	}
	if r := s.LotRules("L-1"); r[alarm.Quality].Kind != "" || !r[alarm.EndsEarly].Planned.Equal(time.Date(2031, 5, 1, 0, 0, 0, 0, time.UTC)) || r[alarm.EndsEarly].Limit != 0 || r[alarm.EndsEarly].Kind != alarm.EndsEarly {
		t.Errorf("lot: %+v", r)
	}
	if r, given := s.LotRules("L-2")[alarm.EndsEarly]; !given || r.Kind != "" {
		t.Errorf("switched off: %+v", r)
	}
	if _, on := s.SiteRules[alarm.Clock]; on || s.SiteRules[alarm.Disk].Limit != 2e9 || s.SiteRules[alarm.Delivery].Limit != 6*3600 {
		t.Errorf("site: %+v", s.SiteRules)
	}
	f := func(src, want string) {
		t.Helper()
		if _, err := settings.Parse("f.yaml", []byte(src)); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v, want %s", src, err, want)
		}
	}
	f("sensors: [{name: a, limits: {silent: off}}]\n", `unknown key "silent" in limits of a sensor`)
	f("lots: [{limits: {quality: 20 %}}]\n", `a lot needs the key "lot"`)
	f("lots: [{lot: L-1}, {lot: L-1}]\n", `lot "L-1" is listed a second time`)
	f("lots: [{lot: L-1, use_by: soon}]\n", `use_by: "soon" is not a day: write for example 2031-05-01`)
	f("lots: [{lot: L-1, limits: {warm: 90 C}}]\n", "outside -30 to 60 °C")
	f("rooms: [{name: r, volume: 0 m3}]\n", "outside 0.01 to 100000 m3")
	f("rooms: [{name: r, volume: 18}]\n", `write for example "18 m3"`)
	f("site_limits: {disk: 10 C}\n", `write for example "500 MB"`)
}
