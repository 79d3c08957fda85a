package engine

import (
	"fmt"
	"math"
	"time"

	"dryhold/internal/catalog"
	"dryhold/internal/kinetics"
	"dryhold/internal/room"
	"dryhold/internal/unit"
)

// shown is how many significant digits the factors of the arithmetic have:
// enough that their product is that of the view to four.
const shown = 6

// mode tells one mode: its constants, its exposure and its arithmetic.
func (x *explainer) mode(i int) Section {
	var t telling
	m, v := &x.state.Modes[i].Mode, &x.v.Modes[i]
	modeConstants(&t, m)
	days, mean := x.exposure(&t, i)
	t.say("Mean factors since packing: water activity has made it %s times as fast as at the stated one; the oxygen inside has left %s of the rate in air.",
		figures(v.Water, shown), figures(v.Oxygen, shown))
	if v.Light > 0 {
		t.say("%s", lightArithmetic(m, x.v.LightDose, v.Light))
	}
	t.say("%s", arithmetic(v, days, mean, m.Life.Likely))
	t.say("Consumed: %s %% of its life (%s to %s %%).", figures(100*v.Consumed.Likely, 4), figures(100*v.Consumed.Low, 4), figures(100*v.Consumed.High, 4))
	if v.Retention != nil {
		t.say("Retention: %s^%s = %s.", figures(m.Limit, 4), figures(v.Consumed.Likely, shown), share(*v.Retention))
	}
	if m.Nutrient {
		t.say("It is a nutrient: its loss does not end the lot.")
	}
	return Section{ModeSection + m.Name, "Mode: " + m.Name, t.lines}
}

// modeConstants tells the constants of a mode, each with its source.
func modeConstants(t *telling, m *catalog.Mode) {
	t.constant(m.Life.Source, "Life at 21 °C in air, sealed, dark and dry: %s, which are %s years.", span(m.Life, 1, " days"), figures(m.Life.Likely/365.25, 3))
	if m.Order == catalog.FirstOrder {
		t.constant("definition of the mode in the catalog", "Its life ends when %s %% is left (first order).", figures(100*m.Limit, 4))
	}
	t.constant(m.Ea.Source, "Activation energy: %s.", span(m.Ea, 1, " kJ/mol"))
	if m.PerTenth.Likely > 1 {
		t.constant(m.ActivityAt.Source, "The life is stated for a water activity of %s.", span(m.ActivityAt, 1, ""))
		t.constant(m.PerTenth.Source, "Each 0.1 of water activity above that makes it %s as fast, each 0.1 below slower by as much.", span(m.PerTenth, 1, " times"))
	}
	if m.LowOxygenGain.Likely > 1 {
		t.constant(m.LowOxygenGain.Source, "Without oxygen its life is %s as long.", span(m.LowOxygenGain, 1, " times"))
		if m.OxygenHalf.Likely > 0 {
			t.constant(m.OxygenHalf.Source, "The part driven by oxygen runs at half speed at %s oxygen.", span(m.OxygenHalf, 100, " %"))
		}
	}
	if m.LightRate.Likely > 0 {
		t.constant(m.LightRate.Source, "Light destroys %s of it for each lux hour.", span(m.LightRate, 1e6, " millionths"))
	}
}

// exposure tells the thermal exposure and gives the days counted and the mean
// acceleration, whose product it is.
func (x *explainer) exposure(t *telling, i int) (days, mean float64) {
	v, m := &x.v.Modes[i], &x.state.Modes[i]
	if counted := x.counted().Hours() / 24; counted > 0 && m.Exposure.Likely > 0 {
		mean = m.Exposure.Likely / counted
		days = v.Exposure.Likely / mean
	}
	t.say("Exposure: %s of 21 °C.", spread(v.Exposure, 1, " days"))
	if mean > 0 {
		plan := kinetics.AccelerationFactor(unit.KJPerMol(m.Mode.Ea.Likely), x.plan, room.Reference)
		t.say("Mean acceleration over the %s days counted since packing: %s against 21 °C, %s against plan storage of %s °C.",
			figures(days, shown), figures(mean, shown), figures(mean/plan, 4), figures(float64(x.plan), 4))
	}
	return days, mean
}

// arithmetic is the share consumed as one line that a reader can check.
func arithmetic(v *ModeView, days, mean, life float64) string {
	if mean == 0 {
		return "Arithmetic: no time is counted since packing, so nothing is consumed."
	}
	s := fmt.Sprintf("Arithmetic: %s days × %s × water %s × oxygen %s ÷ %s days",
		figures(days, shown), figures(mean, shown), figures(v.Water, shown), figures(v.Oxygen, shown), figures(life, shown))
	if v.Light > 0 {
		s += " + light " + figures(v.Light, shown)
	}
	return s + " = " + figures(v.Consumed.Likely, shown)
}

// lightArithmetic is the share of life that light has cost.
func lightArithmetic(m *catalog.Mode, dose, share float64) string {
	s := fmt.Sprintf("Light: %s lux hours × %s per lux hour", figures(dose, shown), figures(m.LightRate.Likely, shown))
	if m.Order == catalog.FirstOrder {
		s += fmt.Sprintf(" ÷ %s, which is -ln %s,", figures(-math.Log(m.Limit), shown), figures(m.Limit, 4))
	}
	return s + " = " + figures(share, shown) + " of its life."
}

// left tells what limits the lot, what is left, and when it ends.
func (x *explainer) left() []Line {
	var t telling
	used := 0.0
	for _, m := range x.v.Modes {
		if m.Name == x.v.Limiting {
			used = m.Consumed.Likely
		}
	}
	t.say("Limited by %s, the mode that has consumed most of its life; nutrients do not count.", x.v.Limiting)
	t.say("Left: 1 − %s = %s, so %s.", figures(used, shown), figures(x.v.Remaining.Likely, shown), share(x.v.Remaining))
	if x.v.Finished() {
		t.say("The lot was finished on %s: nothing is looked ahead.", date(x.v.FinishedAt))
		return t.lines
	}
	x.projected(&t)
	t.say("If kept at plan storage of %s °C and %s %% relative humidity from now on, it ends %s%s.",
		figures(float64(x.plan), 4), figures(100*float64(x.outlook.Humidity), 3), endsOn(x.v, x.v.EndAtPlan, x.v.PlanEarly, x.v.PlanLate), endsBy(x.v, x.v.PlanBy))
	if lost := x.v.LostBeyondPlan; lost < -0.05 {
		t.say("It was kept cooler than plan storage, which has saved %.1f days of life at plan storage so far.", -lost)
	} else {
		t.say("Warmth beyond plan storage has cost %.1f days of life at plan storage so far.", max(0, lost))
	}
	for _, w := range x.v.Warnings {
		t.say("%s", w)
	}
	return t.lines
}

// endsOn tells an end with its band.
func endsOn(v *LotView, end, early, late time.Time) string {
	if !end.IsZero() && !end.After(v.AsOf) {
		return "now: its end is past"
	}
	return fmt.Sprintf("%s (%s to %s)", about(end), ahead(early), ahead(late))
}

// endsBy names the mode that ends a lot, or says what water does to it.
func endsBy(v *LotView, by string) string {
	if by == "" {
		return ""
	}
	for _, m := range v.Modes {
		if m.Name == by {
			return ", by " + by
		}
	}
	return ", at the red line of water activity: " + by
}
