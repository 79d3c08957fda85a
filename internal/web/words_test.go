package web

import (
	"math"
	"testing"
	"time"

	"dryhold/internal/alarm"
)

func TestMeasureText(t *testing.T) {
	f := func(m measure, v float64, want string) {
		t.Helper()
		if got := m.text(v); got != want {
			t.Errorf("%g reads %q, want %q", v, got, want)
		}
	}
	p := english()
	f(p.celsius(), 21.44, "21.4 °C")
	f(p.celsius(), -7.25, "−7.2 °C")
	f(p.celsius(), -0.04, "0.0 °C")
	f(p.percent(), 0.583, "58 %")
	f(p.percent(), 1, "100 %")
	f(p.lux(), 310.2, "310 lx")
	f(p.celsius(), math.NaN(), "unknown °C")
}

func TestMeasureAgainstTellsValueFromLimit(t *testing.T) {
	f := func(m measure, v, limit float64, wantValue, wantLimit string) {
		t.Helper()
		value, lim := m.against(v, limit)
		if value != wantValue || lim != wantLimit {
			t.Errorf("%g against %g reads %q and %q, want %q and %q", v, limit, value, lim, wantValue, wantLimit)
		}
	}
	p := english()
	f(p.celsius(), 21.3, 21, "21.3 °C", "21.0 °C")
	f(p.celsius(), 21.04, 21, "21.04 °C", "21.0 °C")
	f(p.celsius(), 21, 21, "21.0 °C", "21.0 °C")
	f(p.percent(), 0.604, 0.6, "60.4 %", "60 %")
	f(p.celsius(), 21.0000001, 21, "21.000 °C", "21.0 °C") // below the resolution of a reading: no endless decimals
}

func TestWords(t *testing.T) {
	f := func(got, want string) {
		t.Helper()
		if got != want {
			t.Errorf("reads %q, want %q", got, want)
		}
	}
	p := english()
	f(p.ageing(1.02), "as fast as planned")
	f(p.ageing(0.62), "0.6 times as fast as planned")
	f(p.ageing(0.043), "0.04 times as fast as planned")
	f(p.ageing(12.4), "12 times as fast as planned")
	f(p.ageing(math.Inf(1)), "unknown")

	f(p.days(0.04), "0 days")
	f(p.days(-0.04), "0 days")
	f(p.days(3.14), "3.1 days")
	f(p.days(-3.14), "−3.1 days")
	f(p.days(99.97), "100 days")
	f(p.days(1234.5), "1234 days")
	f(p.days(math.NaN()), "unknown")

	f(p.mass(1.75), "1.75 kg")
	f(p.mass(0.85), "850 g")
	f(p.mass(0.99999), "1 kg")
	f(p.mass(20), "20 kg")
	f(p.mass(math.NaN()), "unknown")

	f(p.ago(-time.Second), "in the future")
	f(p.ago(89*time.Second), "89 s ago")
	f(p.ago(90*time.Second), "1 min ago")
	f(p.ago(89*time.Minute), "89 min ago")
	f(p.ago(47*time.Hour), "47 h ago")
	f(p.ago(49*time.Hour), "2 days ago")
	f(p.silence(1800), "30 min")
	f(p.silence(math.NaN()), "not known")
	f(p.silence(1e300), "not known")

	f(p.state("low-oxygen hold complete 17 days after packing, if the seal held"), "low-oxygen hold complete 17 days after packing, if the seal held")
	f(p.state("low-oxygen hold 40 % complete"), "low-oxygen hold 40 % complete")
	f(p.state("freezing 7 % complete, as seen at the core"), "freezing 7 % complete, as seen at the core")
	f(p.state("11 % oxygen"), "11 % oxygen")
	f(p.state("air"), "air")
	f(in(t, "de", false).state("11 % oxygen"), "11 % Sauerstoff")

	f(p.grouped(7), "7")
	f(p.grouped(1234567), "1\u202f234\u202f567")

	f(p.alarmTitle(alarm.Key{Kind: alarm.Silent, Room: "loft", Sensor: "loft-1"}), "loft: sensor loft-1 is silent")
	f(p.alarmTitle(alarm.Key{Kind: "flooded", Room: "loft"}), "loft: flooded")
}

func TestMomentShowsTheZone(t *testing.T) {
	zone, err := time.LoadLocation("Europe/Zurich")
	if err != nil {
		t.Fatal(err)
	}
	p := &pageContext{zone: zone}
	f := func(at time.Time, text, machine string) {
		t.Helper()
		if got := p.moment(at); got != (moment{text, machine}) {
			t.Errorf("%v reads %+v, want %q and %q", at, got, text, machine)
		}
	}
	f(noon(), "14 Jul 2026 14:30 CEST", "2026-07-14T12:30:00Z")
	// The hour that comes twice when summer time ends is told apart.
	f(time.Date(2026, 10, 25, 0, 30, 0, 0, time.UTC), "25 Oct 2026 02:30 CEST", "2026-10-25T00:30:00Z")
	f(time.Date(2026, 10, 25, 1, 30, 0, 0, time.UTC), "25 Oct 2026 02:30 CET", "2026-10-25T01:30:00Z")
	f(time.Time{}, "never", "")
}
