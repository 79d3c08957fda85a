package engine

import (
	"math"
	"time"

	"dryhold/internal/kinetics"
	"dryhold/internal/room"
)

// edge90 is the standard normal quantile of 90 %.
const edge90 = 1.2815515655446004

// projected tells when the lot ends under the forecast of its room, and what
// climate that is.
func (x *explainer) projected(t *telling) {
	in := x.v.Room()
	t.say("Projected end, if it stays in %s: %s%s. The band joins what is open of the climate and of the constants.",
		in, endsOn(x.v, x.v.End, x.v.EndEarly, x.v.EndLate), endsBy(x.v, x.v.EndBy))
	p := x.e.prospectOf(in, x.e.lots[x.v.ID].lookedDay())
	mean := p.kineticYear()
	t.constant(p.source(in), "Climate taken for the coming year in %s: mean kinetic temperature %s °C (%s to %s °C), mean air %s °C.",
		in, tenth(mean.Likely), tenth(mean.Low), tenth(mean.High), tenth(p.airYear()))
	if f := p.model.Follows(); f.Known && p.outdoors > 0 {
		t.say("From day to day %s follows the air outdoors by %s K for each (± %s), about %d days behind; that explains %.0f %% of its changes.",
			in, figures(f.Gain, 2), figures(f.Error, 1), f.Days, 100*f.Explained)
	}
	for _, at := range p.model.Changes() {
		t.say("The temperature of %s seems to have changed for good about %s: what came before counts for its seasons only.", in, date(at))
	}
}

// lookedDay is the day from which the lot was looked ahead.
func (t *tracked) lookedDay() time.Time { return t.lookedAt.Truncate(24 * time.Hour) }

func tenth(v float64) string { return figures(math.Round(10*v)/10, 6) }

// kineticYear is the mean kinetic temperature of the air in the coming year
// with its band, °C.
func (p *prospect) kineticYear() Estimate {
	const days = 365
	x := p.exposure(room.AirEa, 0)
	at := func(z float64) float64 {
		t, err := kinetics.EffectiveTemperature(room.AirEa, room.Reference, float64(x.UpTo(days, z))/days)
		if err != nil {
			return math.NaN()
		}
		return float64(t)
	}
	return Estimate{at(-edge90), at(0), at(edge90)}
}

// airYear is the mean temperature of the air in the coming year, °C.
func (p *prospect) airYear() float64 {
	t, _ := p.Mean(0, 365)
	return float64(t)
}

// source says what the climate ahead of a room was learned from.
func (p *prospect) source(in string) string {
	s := "no reading of " + in + " yet"
	if p.known > 0 {
		s = history(p.known) + " of readings of " + in
	}
	switch {
	case p.stated:
		s += ", normals stated by the keeper"
	case p.known < 365*24*time.Hour && p.outdoors == 0:
		s += ", else its plan storage with a wide band (judgement)"
	}
	if p.outdoors > 0 {
		return s + ", and " + history(p.outdoors) + " of the air outdoors"
	}
	return s + ", no sensor outdoors"
}

// history is a length of time in days, or in years of 365.25 days.
func history(d time.Duration) string {
	days := d.Hours() / 24
	if days < 365 {
		return figures(math.Ceil(days), 4) + " days"
	}
	return figures(days/365.25, 2) + " years"
}
