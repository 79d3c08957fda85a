package grafana

import (
	"dryhold/internal/alarm"
	"dryhold/internal/settings"
)

// Colours of Grafana's own palette, which it fits to light and dark.
const (
	green  = "green"
	yellow = "yellow"
	orange = "orange"
	red    = "red"
	grey   = "text"
)

// standsStill is the age of the published state from which on dryhold is said to
// stand still, s: that of the alert rule DryholdStandsStill.
const standsStill = 300

// limits are the default rules of dryhold.
type limits map[alarm.Kind]alarm.Rule

// defaults are those of a household that has set nothing.
func defaults() limits {
	l := limits{}
	for _, rules := range [][]alarm.Rule{settings.DefaultRules(), settings.SiteRules()} {
		for _, r := range rules {
			l[r.Kind] = r
		}
	}
	return l
}

// steps are thresholds in rising order: the colour of each holds from its value
// up. The first has no value and holds below them all.
type steps []step

type step struct {
	from   float64
	colour string
}

// colour of a rule goes by how urgent it is.
func colour(r alarm.Rule) string {
	switch r.Priority {
	case alarm.High:
		return red
	case alarm.Medium:
		return orange
	case alarm.Low:
	}
	return yellow
}

// plain are no thresholds: what is shown has no limit.
func plain() steps { return steps{{colour: grey}} }

// none are the thresholds of what should not be there at all.
func none() steps { return steps{{colour: green}, {1, orange}} }

// above are the thresholds of what is too much above the limits of the kinds,
// which are given from the lowest to the highest.
func (l limits) above(kinds ...alarm.Kind) steps {
	out := steps{{colour: green}}
	for _, k := range kinds {
		out = append(out, step{l[k].Limit, colour(l[k])})
	}
	return out
}

// below are the thresholds of what is too little below the limit of the kind.
func (l limits) below(kind alarm.Kind) steps {
	return steps{{colour: colour(l[kind])}, {l[kind].Limit, green}}
}

// overLimit are those of kelvins above the limit of warmth of a room itself: any
// are too warm, and hot is as far above as it is by default.
func (l limits) overLimit() steps {
	return steps{{colour: green}, {0, colour(l[alarm.Warm])}, {l[alarm.Hot].Limit - l[alarm.Warm].Limit, colour(l[alarm.Hot])}}
}

// times are those of how many times as fast as planned food ages: as planned,
// and as fast as raises the alarm of ageing, whose limit is what is lost beyond.
func (l limits) times() steps {
	return steps{{colour: green}, {1, yellow}, {1 + l[alarm.Ageing].Limit, colour(l[alarm.Ageing])}}
}

// beyond are those of what was lost beyond plan storage: nothing of it is a loss.
func beyond() steps { return steps{{colour: green}, {0, yellow}} }
