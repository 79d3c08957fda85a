package settings

import (
	"time"

	"github.com/goccy/go-yaml/ast"

	"dryhold/internal/alarm"
	"dryhold/internal/sensor"
	"dryhold/internal/unit"
)

// faultRules are the rules for faults of the sensors themselves, in canonical
// units. All figures are judgement, for the reasons given beside them. They are
// of low priority: nothing spoils by them today, but a fault that stays makes
// all else blind.
func faultRules() []alarm.Rule {
	return []alarm.Rule{
		{
			// Stuck: a sensor that shows tenths of a kelvin, in a cellar whose
			// temperature swings by 4 K either way over the year, shows one
			// value for up to 26 days around the turn of the season (2 acos(1 -
			// 0.1/4) of 2 pi years). Longer than that no air is steady.
			Kind: alarm.Stuck, Limit: (30 * 24 * time.Hour).Seconds(), Priority: alarm.Low,
		},
		{
			// Spike: the air of a store room moves by a kelvin or two within
			// minutes when a door is opened; 5 K there and back is not the air.
			// A day without one more ends it.
			Kind: alarm.Spike, Limit: 5, Deadband: 1, OffDelay: 24 * time.Hour, Priority: alarm.Low,
		},
		{
			// Steam and breath reach a sensor for one reading: hence far more
			// than the swing of a room.
			Kind: alarm.SpikeHumidity, Limit: 0.25, Deadband: 0.05, OffDelay: 24 * time.Hour, Priority: alarm.Low,
		},
		{
			// Drift: two household sensors are good for half a kelvin each;
			// when the difference moves by more than both together, one of them
			// has left its accuracy.
			Kind: alarm.Drift, Limit: 1, Deadband: 0.3, OffDelay: 24 * time.Hour, Priority: alarm.Low,
		},
		{
			// 3 % each, as of the deadband of damp.
			Kind: alarm.DriftHumidity, Limit: 0.06, Deadband: 0.02, OffDelay: 24 * time.Hour, Priority: alarm.Low,
		},
		{
			// Disagreement: the accuracy of both, 1 K together, and as much for
			// the layers of the air between a low and a high shelf. Half a day
			// outlasts the sun on one of them.
			Kind: alarm.Disagree, Limit: 2, Deadband: 0.5, OnDelay: 12 * time.Hour, OffDelay: 12 * time.Hour, Priority: alarm.Low,
		},
		{
			// The accuracy of both, 6 %, and what 1 K between them makes of the
			// same vapour at 60 %, 4 %.
			Kind: alarm.DisagreeHumidity, Limit: 0.10, Deadband: 0.02, OnDelay: 12 * time.Hour, OffDelay: 12 * time.Hour, Priority: alarm.Low,
		},
		{
			// Battery: the voltage of a lithium cell falls fast near its end;
			// 15 % leaves weeks to buy one. A cold night dips for hours only.
			Kind: alarm.LowBattery, Limit: 0.15, Deadband: 0.05, OnDelay: 12 * time.Hour, OffDelay: time.Hour, Priority: alarm.Low,
		},
		{
			// Calibration: raised when the date given has passed.
			Kind: alarm.CalibrationDue, Priority: alarm.Low,
		},
	}
}

// faultLimits are the limits of faults that are written like those of a room.
func faultLimits() []limit {
	t, h := unit.Temperature, unit.Humidity
	const kelvin, percent = "0 to 10 K", "0 to 30 %"
	// Bounds are those within which a limit can tell anything (judgement).
	return []limit{
		{alarm.Spike, t, "5 K", 0.5, 50, 10, "0.5 to 50 K", kelvin},
		{alarm.SpikeHumidity, h, "25 %", 0.02, 1, 0.3, "2 to 100 %", percent},
		{alarm.Drift, t, "1 K", 0.1, 20, 10, "0.1 to 20 K", kelvin},
		{alarm.DriftHumidity, h, "6 %", 0.01, 0.5, 0.3, "1 to 50 %", percent},
		{alarm.Disagree, t, "2 K", 0.1, 50, 10, "0.1 to 50 K", kelvin},
		{alarm.DisagreeHumidity, h, "10 %", 0.01, 1, 0.3, "1 to 100 %", percent},
		{alarm.LowBattery, unit.Battery, "15 %", 0.01, 0.5, 0.3, "1 to 50 %", percent},
	}
}

// difference says that a limit is a difference: 9 F is 5 K, wherever zero lies.
func (l limit) difference() bool { return l.kind != alarm.Warm }

const (
	// A sensor is not called stuck for the length of a night, and no run is
	// followed for longer than the days that are remembered.
	minStuck = 6 * time.Hour
	maxStuck = sensor.LongestRun
)

// stuck reads the limit of stuck sensors, a span of time.
func (p *parse) stuck(n ast.Node, rules map[alarm.Kind]alarm.Rule) {
	if switchedOff(n, alarm.Stuck, rules) {
		return
	}
	rule := rules[alarm.Stuck]
	limit := func(n ast.Node) {
		if v, ok := p.duration(n, "stuck", minStuck, maxStuck); ok {
			rule.Limit = v.Seconds()
		}
	}
	either(n, limit, func(n ast.Node) {
		p.mapping(n, "stuck",
			key{name: "limit", read: limit},
			key{name: "priority", read: func(n ast.Node) { p.priority(n, &rule) }},
		)
	})
	rules[alarm.Stuck] = rule
}

// calibration reads the rule for calibrations that are due; the date is told
// with the calibration.
func (p *parse) calibration(n ast.Node, rules map[alarm.Kind]alarm.Rule) {
	if switchedOff(n, alarm.CalibrationDue, rules) {
		return
	}
	rule := rules[alarm.CalibrationDue]
	if raw, short := scalar(n); short {
		p.at(n, "calibration: %q does not belong here: the date is given with each calibration; here stand on_delay and priority, or off", raw)
		return
	}
	p.mapping(n, "calibration",
		key{name: "on_delay", read: func(n ast.Node) { p.delay(n, "on_delay", &rule.OnDelay) }},
		key{name: "priority", read: func(n ast.Node) { p.priority(n, &rule) }},
	)
	rules[alarm.CalibrationDue] = rule
}
