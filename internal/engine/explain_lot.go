package engine

import (
	"fmt"
	"strings"
	"time"

	"dryhold/internal/barrier"
	"dryhold/internal/germination"
	"dryhold/internal/lot"
	"dryhold/internal/pest"
)

// packed tells the facts of the lot: what went in, and where it stood.
func (x *explainer) packed() []Line {
	var t telling
	p := x.v.Packing
	t.say("%d × %s kg of %s (%s) in %s (%s), packed on %s.", p.Count, figures(p.NetMassKG, 6), x.food.Name, x.food.ID, x.container.Name, x.container.ID, date(p.PackedAt))
	t.constant(x.container.Volume.Source, "Volume of a container, brimful: %s.", span(x.container.Volume, 1, " L"))
	t.constant(x.container.Lag.Source, "Its core follows the room with a time constant of %s.", span(x.container.Lag, 1, " h"))
	if p.PerCarton > 1 {
		t.constant("computed as one block, its board, gaps and cube shape judgement", "With %d in each closed carton the core follows with %s h.", p.PerCarton, figures(float64(p.Lag(x.container)), 3))
	}
	if p.MoistureWB > 0 {
		t.constant("the keeper's measurement", "Moisture at packing: %s %% of the wet mass, measured.", figures(100*p.MoistureWB, 4))
	} else if x.food.Isotherm != nil {
		t.constant(x.food.Moisture.Source, "Moisture at packing was not measured; usual for the food: %s of the wet mass.", span(x.food.Moisture, 100, " %"))
	}
	t.say("%s", x.treatment())
	x.seal(&t)
	x.stays(&t)
	cover := x.state.Cover
	t.say("Temperature measured for %s, estimated for %s, unknown for %s since packing.", daysOf(cover.Measured), daysOf(cover.Estimated), daysOf(cover.Unknown))
	if cover.Unknown > 0 {
		t.constant("judgement", "Unknown time counts at plan storage, with %d K to either side.", int(lot.UnknownSpread))
	}
	return t.lines
}

func (x *explainer) treatment() string {
	switch p := x.v.Packing; p.Treatment.Kind {
	case lot.Absorber:
		kind := barrier.SelfActivated
		if p.Treatment.MoistureActivated {
			kind = barrier.MoistureActivated
		}
		return fmt.Sprintf("Packed with a %s absorber of %s cm³ in each container: %s.", kind, figures(p.Treatment.CapacityCM3, 6), strings.ReplaceAll(x.v.Oxygen.Note, "cm3", "cm³"))
	case lot.FreezeThaw:
		return "Packed after freezing and thawing, without an absorber."
	}
	return "Packed without a treatment and without an absorber."
}

// seal tells what is known of the seal and the share of failures it makes.
func (x *explainer) seal(t *telling) {
	if !x.container.Sealed {
		t.say("The container is not closed tightly: the air of the room is taken to be inside, and no seal can fail.")
		return
	}
	if !x.v.OpenedAt.IsZero() {
		t.constant("judgement: an opened container breathes as a paper sack does", "Opened on %s: from then on the air of the room is taken to be inside, and insects can come in.", date(x.v.OpenedAt))
	}
	if n, any := x.v.SealNote(); any {
		t.say("Seal %s, by the note of %s%s.", x.v.Seal, date(n.At), quoted(n))
	} else if x.v.Packing.LeakTest != lot.LeakNotTried {
		t.say("Seal %s, by the leak test at packing.", x.v.Seal)
	} else {
		t.say("Seal %s: no note tells of it.", x.v.Seal)
	}
	source := x.container.SealFailure.Source
	switch x.v.Seal {
	case barrier.Verified:
		source = "judgement: a verified seal may have been misjudged, or fail later"
	case barrier.Failed:
		source = "as the keeper saw it; taken to have leaked from the start (judgement)"
	}
	t.constant(source, "Share of such containers taken to leak: %s.", spread(x.v.Oxygen.SealFailure, 100, " %"))
	t.constant("judgement: a hole of 0.5 mm through 1 mm of lid, by diffusion", "A seal that leaks lets in %s cm³/(d atm) of oxygen more.", figures(float64(barrier.FailedLeak().Oxygen), 3))
}

func quoted(n lot.Note) string {
	s := ""
	if n.Text != "" {
		s += fmt.Sprintf(": %q", n.Text)
	}
	if n.By != "" {
		s += " (" + n.By + ")"
	}
	return s
}

func (x *explainer) stays(t *telling) {
	for i, s := range x.v.Stays {
		to := x.v.AsOf
		if i+1 < len(x.v.Stays) {
			to = x.v.Stays[i+1].From
		}
		t.say("Stood in %s from %s to %s: %s; plan storage there is %s °C.", s.Room, date(s.From), date(to), daysOf(max(0, to.Sub(s.From))), figures(float64(x.e.Plan(s.Room)), 4))
	}
	if x.v.Finished() {
		note := ""
		if x.v.FinishNote != "" {
			note = fmt.Sprintf(": %q", x.v.FinishNote)
		}
		t.say("Finished on %s%s.", date(x.v.FinishedAt), note)
	}
}

// inside tells what the food and the gas are like.
func (x *explainer) inside() []Line {
	var t telling
	if !x.v.Finished() {
		x.conditions(&t)
	}
	x.water(&t)
	x.oxygen(&t)
	x.life(&t)
	x.tests(&t)
	t.say("Light that reached the food: %s lux hours (%s).", figures(x.v.LightDose, 4), x.v.Packing.Shading)
	return t.lines
}

// conditions tells the surroundings under which the dates below hold.
func (x *explainer) conditions(t *telling) {
	temp, source := "the mean of the last 30 days", ""
	if !x.outlook.TemperatureKnown {
		temp, source = "assumed as plan storage, since none is known of the last 30 days", "plan storage is the warm limit of the room"
	}
	damp := "the mean of the last 30 days"
	if !x.outlook.HumidityKnown {
		damp = "assumed as the damp limit of the room, since none is known of the last 30 days"
		source = join(source, "what is not known is never taken as good (judgement)")
	}
	t.constant(source, "Dates here hold under present conditions in %s: %s °C (%s) and %s %% relative humidity (%s).",
		x.v.Room(), figures(float64(x.outlook.Temperature), 3), temp, figures(100*float64(x.outlook.Humidity), 3), damp)
}

func join(a, b string) string {
	if a == "" {
		return b
	}
	return a + "; " + b
}

func (x *explainer) water(t *telling) {
	m := x.v.Moisture
	if x.food.Isotherm != nil {
		t.constant(x.food.IsothermSource, "Water activity %s at %s moisture of the wet mass, by the isotherm of the food.", spread(m.Activity, 1, ""), spread(m.WetBasis, 100, " %"))
		t.constant(x.container.WaterWall.Source, "Water through the wall: %s.", span(x.container.WaterWall, 1, " g/(d kPa)"))
		t.constant(x.container.WaterClosure.Source, "Water through the closure: %s.", span(x.container.WaterClosure, 1, " g/(d kPa)"))
	} else {
		t.constant("judgement: packed dry in a sealed container, else as humid as the room", "The food takes up no water; humidity around it %s %%.", figures(100*m.Activity.Likely, 3))
	}
	when := func(p Passing) string {
		if x.v.Finished() {
			return ""
		}
		return ": " + passing(p)
	}
	t.constant(x.food.Amber.Source, "Amber line, wants attention, at water activity %s%s.", figures(x.food.Amber.Likely, 3), when(m.Amber))
	t.constant(x.food.Red.Source, "Red line, %s, at water activity %s%s.", x.food.Limit, figures(x.food.Red.Likely, 3), when(m.Red))
}

func (x *explainer) oxygen(t *telling) {
	o := x.v.Oxygen
	t.say("Oxygen inside: %.2f %% of the gas (%.2f to %.2f %%).", 100*o.Fraction.Likely, 100*o.Fraction.Low, 100*o.Fraction.High)
	if !x.container.Sealed || !x.v.OpenedAt.IsZero() {
		return
	}
	t.constant(x.food.Void.Source, "Oxygen enclosed at packing: %s cm³ in each container; void of the food %s.", figures(o.Enclosed, 4), span(x.food.Void, 100, " %"))
	t.constant(x.container.OxygenWall.Source, "Oxygen through the wall: %s at 23 °C.", span(x.container.OxygenWall, 1, " cm³/(d atm)"))
	if k := x.container; k.OxygenWall.Likely > 0 && k.WallEa.Likely > 0 {
		t.constant(k.WallEa.Source, "Warmth opens the wall to oxygen with an activation energy of %s.", span(k.WallEa, 1, " kJ/mol"))
	}
	t.constant(x.container.OxygenClosure.Source, "Oxygen through the closure: %s.", span(x.container.OxygenClosure, 1, " cm³/(d atm)"))
	if x.food.Uptake.Likely > 0 {
		t.constant(x.food.Uptake.Source, "Oxygen the food takes up itself: %s at 21 °C in air.", span(x.food.Uptake, 1, " cm³/(kg d)"))
	}
	rated := x.v.Packing.Treatment.CapacityCM3
	if rated > 0 {
		t.say("The absorber has %s of %s cm³ left in each container.", figures(o.Left, 4), figures(rated, 6))
	}
	if x.v.Finished() {
		return
	}
	if rated > 0 {
		t.say("The absorber is spent: %s.", passing(o.Spent))
	}
	for _, p := range o.Rises {
		t.say("Oxygen above %s %% for good: %s.", figures(100*p.Level, 3), passing(p))
	}
}

// life tells of insects and of seed.
func (x *explainer) life(t *telling) {
	if in := x.v.Insects; in != nil {
		t.say("Insects: %s.", in.Words)
		t.constant(speciesSource(in.Species), "Warmth would have let %s breed %s generations, had a pair come in and nothing been done%s.",
			in.Species, spread(in.Generations, 1, ""), ended(in))
		if in.UnknownDays >= 0.05 {
			t.say("Of the insects' time %.1f days are unknown and not counted.", in.UnknownDays)
		}
	}
	if v := x.v.Viable; v != nil {
		source := ""
		if k, err := germination.Lookup(x.food.Species); err == nil {
			source = k.Source + "; 95 % at packing is a judgement"
		}
		t.constant(source, "Seeds that still sprout: %s.", share(*v))
	}
}

func ended(in *InsectView) string {
	if in.Ended {
		return "; counted until a treatment was complete"
	}
	return ""
}

func speciesSource(name string) string {
	for _, s := range pest.SpeciesList() {
		if s.Name == name {
			return s.Source
		}
	}
	return ""
}

// counted is the time since packing for which the modes have counted.
func (x *explainer) counted() time.Duration {
	c := x.state.Cover
	return c.Measured + c.Estimated + c.Unknown
}
