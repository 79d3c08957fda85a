package settings

import (
	"time"

	"dryhold/internal/alarm"
)

// DefaultRules are the alarm rules of a room that sets none of its own, one
// for each condition, in canonical units. All figures are judgement, for the
// reasons given beside them; a room overrides them one by one.
func DefaultRules() []alarm.Rule { return append(roomRules(), faultRules()...) }

// roomRules are those of the air of a room, and of who watches it.
func roomRules() []alarm.Rule {
	return []alarm.Rule{
		{
			// Cool: 21 °C is the temperature at which the catalog states
			// life, so that "above the limit" reads "ages faster than the
			// figure says". The half kelvin of deadband is the accuracy of a
			// household sensor. Two hours of delay are one time constant of
			// a 2 L bottle (2.3 h): a shorter spell hardly reaches the food.
			Kind: alarm.Warm, Limit: 21, Deadband: 0.5,
			OnDelay: 2 * time.Hour, OffDelay: time.Hour, Priority: alarm.Medium,
		},
		{
			// Dry: nothing grows below a water activity of 0.60, which is
			// what food in equilibrium with air of 60 % comes to. The
			// deadband is the accuracy of a household sensor. A spell of
			// kitchen steam or of washing is over within six hours; food in
			// paper follows in weeks, in bottles in years.
			Kind: alarm.Damp, Limit: 0.60, Deadband: 0.03,
			OnDelay: 6 * time.Hour, OffDelay: 2 * time.Hour, Priority: alarm.Medium,
		},
		{
			// Dark: a dark store has under 5 lx, a lit shelf 200 lx; 50 lx
			// parts a light left on from light under a door. A keeper at
			// work in the room is gone within two hours.
			Kind: alarm.Bright, Limit: 50, Deadband: 10,
			OnDelay: 2 * time.Hour, OffDelay: 30 * time.Minute, Priority: alarm.Low,
		},
		{
			// Silent: raised when the sensor's stale limit has passed, without
			// further delay. The limit, in seconds, is the default one; a
			// sensor may have its own, see StaleLimit. A store nobody watches
			// is as bad as a warm one, hence not low.
			Kind: alarm.Silent, Limit: DefaultStale.Seconds(), Priority: alarm.Medium,
		},
	}
}
