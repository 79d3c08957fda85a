// Package pest follows what kills the insects in packed food and what they do
// when nothing does: time at low oxygen, time frozen at the core, and the
// generations that warmth allows (models section 6).
//
// A hold is a plain value, kept as JSON, that a pure step takes through one
// stretch of time after another. It says that the published time to kill has
// been reached, on the temperatures and oxygen it was given; it cannot see
// into the food. An insect hold is about insects, never about the safety of
// the food: dead insects, frass and webbing stay in it, and packing moist
// food without oxygen is a danger of its own.
//
// Temperatures are those of the core of the food in °C, oxygen is a volume
// fraction, times are hours in steps and days in requirements.
//
// Unknown stretches never count towards a hold, and a long one starts it
// again.
package pest

import (
	"fmt"

	"dryhold/internal/unit"
)

// maxUnknown is how long, in one stretch, a hold may be without readings and
// still go on from where it was: within a day a closed container in a room
// does not lose its oxygen nor a freezer its cold; beyond, nobody knows
// (judgement).
const maxUnknown = 24

// maxStep bounds one step, hours: a step is to be so short that temperature
// and oxygen hold through it.
const maxStep = 24

// whole is the share at which a hold is done: 1, less what rounding takes from
// a sum of thousands of steps.
const whole = 1 - 1e-9

func checkStep(core unit.Celsius, hours unit.Hours) error {
	if err := unit.Temperature.Plausible(float64(core)); err != nil {
		return err
	}
	return checkHours(hours)
}

func checkHours(hours unit.Hours) error {
	if !(hours > 0 && hours <= maxStep) {
		return fmt.Errorf("a step of %g h is not above 0 and up to %d h", float64(hours), maxStep)
	}
	return nil
}
