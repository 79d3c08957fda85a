package settings_test

import (
	"math"
	"strings"
	"testing"
	"time"

	"dryhold/internal/alarm"
	"dryhold/internal/settings"
)

func TestLimitsOfFaults(t *testing.T) {
	f := func(kind alarm.Kind, value string, limit float64) {
		t.Helper()
		got := parse(t, "rooms: [{name: r, limits: {"+string(kind)+": "+value+"}}]\n").Rules("r")[kind]
		if math.Abs(got.Limit-limit) > 1e-9 || got.Kind != kind {
			t.Errorf("%s: %s: %+v, want the limit %g", kind, value, got, limit)
		}
	}
	f(alarm.Stuck, "12h", 12*3600)
	f(alarm.Stuck, "{limit: 10d}", 10*86_400)
	f(alarm.Stuck, "{priority: high}", 30*86_400)
	// Differences: 9 F is 5 K, wherever zero lies.
	f(alarm.Spike, "9 F", 5)
	f(alarm.Spike, "5 C", 5)
	f(alarm.Drift, "1.8 F", 1)
	f(alarm.Disagree, "3 K", 3)
	f(alarm.SpikeHumidity, "30 %", 0.3)
	f(alarm.DriftHumidity, "0.05 fraction", 0.05)
	f(alarm.DisagreeHumidity, "12 %", 0.12)
	f(alarm.LowBattery, "25 %", 0.25)
	f(alarm.CalibrationDue, "{on_delay: 3d, priority: medium}", 0)
	if r := parse(t, "rooms: [{name: r, limits: {calibration: {on_delay: 3d, priority: medium}}}]\n").Rules("r")[alarm.CalibrationDue]; r.OnDelay != 72*time.Hour || r.Priority != alarm.Medium {
		t.Errorf("calibration: %+v", r)
	}
}

func TestLimitsOfFaultsThatCannotBe(t *testing.T) {
	f := func(limits, want string) {
		t.Helper()
		_, err := settings.Parse("f.yaml", []byte("rooms:\n  - name: r\n    limits: {"+limits+"}\n"))
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v, want %s", limits, err, want)
		}
	}
	f("stuck: 10 K", "stuck")
	f("stuck: 1h", "stuck 1h is outside")
	f("stuck: 100d", "stuck 100d is outside")
	f("stuck: {deadband: 1h}", `unknown key "deadband" in stuck`)
	f("spike: 0.1 K", "spike 0.1 K is outside 0.5 to 50 K")
	f("spike: 20 %", "is not a unit of temperature")
	f("spike_humidity: 1 %", "outside 2 to 100 %")
	f("drift: {limit: 1 K, deadband: 1 K}", "could never return")
	f("disagree: 2", "lacks a unit")
	f("battery: 80 %", "battery 80 % is outside 1 to 50 %")
	f("calibration: 1d", "the date is given with each calibration")
}
