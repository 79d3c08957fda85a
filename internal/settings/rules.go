package settings

import (
	"time"

	"dryhold/internal/alarm"
	"dryhold/internal/lot"
)

// DefaultRules are the alarm rules of a room that sets none of its own, one
// for each condition of it, of its sensors and of the lots in it, in canonical
// units. All figures are judgement, for the reasons given beside them; a room
// overrides them one by one.
func DefaultRules() []alarm.Rule {
	rules := append(roomRules(), workedOutRules()...)
	return append(append(rules, lotRules()...), faultRules()...)
}

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
			// further delay. The limit is the default one; a sensor may have its
			// own, and gets a longer one where it says that it sends seldom. A
			// store nobody watches is as bad as a warm one, hence not low.
			Kind: alarm.Silent, Limit: DefaultStale.Seconds(), Priority: alarm.Medium,
		},
	}
}

// workedOutRules are those of a room that are worked out by the hour.
func workedOutRules() []alarm.Rule {
	return []alarm.Rule{
		{
			// Hot: at 30 °C dry food of 80 kJ/mol ages 2.6 times as fast as at
			// 21 °C (computed, Arrhenius), and the insects of stores breed
			// fastest about there (from memory). An hour is what a fan or a
			// carried box may still undo.
			Kind: alarm.Hot, Limit: 30, Deadband: 1,
			OnDelay: time.Hour, OffDelay: time.Hour, Priority: alarm.High,
		},
		{
			// Condensing: water is there when the dew point passes the core. The
			// kelvin of deadband is what 3 % of humidity make. It is looked for
			// every hour: two looks raise it, four without end it.
			Kind: alarm.Condensing, Limit: 0, Deadband: 1,
			OnDelay: time.Hour, OffDelay: 3 * time.Hour, Priority: alarm.Medium,
		},
		{
			// Ageing: a week in which food ages twice as fast as planned. A hot
			// afternoon is told by warm; this tells of warmth that stays.
			Kind: alarm.Ageing, Limit: 1, Deadband: 0.25, Window: 7 * 24 * time.Hour, Priority: alarm.Medium,
		},
		{
			// Hours over: a day altogether out of a week, 4 K above the limit of
			// warm: many short spells of which none lasted. The kind, that which
			// accumulates, is that of WHO PQS TR07 (from memory), the figures
			// are not.
			Kind: alarm.HoursOver, Limit: (24 * time.Hour).Seconds(), Deadband: (6 * time.Hour).Seconds(),
			Over: 25, Window: 7 * 24 * time.Hour, Priority: alarm.Medium,
		},
		{
			// Ahead: rather likely than not within two days, which leaves a night
			// to air and an evening to carry. Half a day below ends it, so that
			// one forecast that wavers says nothing.
			Kind: alarm.Ahead, Limit: 0.5, Deadband: 0.2, OffDelay: 12 * time.Hour, Window: 48 * time.Hour, Priority: alarm.Medium,
		},
		{
			// Round: a month is common practice, no source. The digest tells of
			// it from then on; a week later somebody has to be told.
			Kind: alarm.RoundDue, Limit: lot.RoundEvery.Seconds(), OnDelay: 7 * 24 * time.Hour, Priority: alarm.Low,
		},
	}
}

// lotRules are those of lots. What is worked out of a lot moves slowly: delays
// of days keep a wavering estimate quiet.
func lotRules() []alarm.Rule {
	const days = 24 * time.Hour
	return []alarm.Rule{
		{
			// Amber and red: the lines are those of the food, in the catalog. The
			// deadband is as fine as an isotherm tells.
			Kind: alarm.MoistureAmber, Deadband: 0.01, OnDelay: days, OffDelay: 7 * days, Priority: alarm.Medium,
		},
		{
			// Red is where food is lost for keeping: hours, not a day.
			Kind: alarm.MoistureRed, Deadband: 0.01, OnDelay: 6 * time.Hour, OffDelay: 7 * days, Priority: alarm.High,
		},
		{
			// Spent: 2 % left of a packet is weeks, and is as good as nothing.
			Kind: alarm.OxygenSpent, Limit: 0.02, Deadband: 0.05, Priority: alarm.Low,
		},
		{
			// Too small: it takes up less than was enclosed, so that insects may
			// live. It can still be repacked in the days after packing.
			Kind: alarm.AbsorberSmall, Limit: 1, Priority: alarm.Medium,
		},
		{
			// Insect hold: 12 to 20 days at 25 °C in low oxygen kill all stages, in
			// a cool store it takes some times as long (sources in package pest);
			// after two months something is wrong.
			Kind: alarm.HoldIncomplete, Limit: (60 * days).Seconds(), Priority: alarm.Medium,
		},
		{
			// Hold complete: good news, told once.
			Kind: alarm.HoldComplete, Limit: 0.5, Priority: alarm.Low,
		},
		{
			// Quality: a quarter left is time to plan meals.
			Kind: alarm.Quality, Limit: 0.25, Deadband: 0.02, OnDelay: days, OffDelay: days, Priority: alarm.Medium,
		},
		{
			// Ends early: by a quarter of the time it was to last. A week, since a
			// projection of a room that is new wavers.
			Kind: alarm.EndsEarly, Limit: 0.25, Deadband: 0.05, OnDelay: 7 * days, OffDelay: 7 * days, Priority: alarm.Low,
		},
	}
}

// lotOnlyRules are the defaults of what is watched only where a lot has a limit
// of its own.
func lotOnlyRules() []alarm.Rule {
	return append(SiteRules(), alarm.Rule{
		// As of a room, but the core has its own lag, so that no delay is needed.
		Kind: alarm.CoreWarm, Limit: 21, Deadband: 0.5, OffDelay: time.Hour, Priority: alarm.Medium,
	})
}

// SiteRules are the default rules of the whole site.
func SiteRules() []alarm.Rule {
	return []alarm.Rule{
		{
			// Clock: a board without a clock of its own has the time within
			// minutes of its start.
			Kind: alarm.Clock, Limit: (15 * time.Minute).Seconds(), Priority: alarm.High,
		},
		{
			// Disk: months of readings, and time to make room.
			Kind: alarm.Disk, Limit: 500e6, Deadband: 100e6, OffDelay: time.Hour, Priority: alarm.Medium,
		},
		{
			// Export: what waits is kept and sent later, so that nothing is lost
			// yet; a server that is restarted is back by then.
			Kind: alarm.Export, Limit: (2 * time.Hour).Seconds(), Priority: alarm.Low,
		},
		{
			// Delivery: a mail server that is restarted is back by then.
			Kind: alarm.Delivery, Limit: (6 * time.Hour).Seconds(), Priority: alarm.Medium,
		},
	}
}
