package packing

import (
	"dryhold/internal/catalog"
	"dryhold/internal/lot"
	"dryhold/internal/sorption"
	"dryhold/internal/unit"
)

// Salt is what the salt-jar test showed.
type Salt string

// What dry salt shaken with the food in a closed jar does. The words are
// stored: never rename.
const (
	SaltNotTried Salt = ""
	SaltClumps   Salt = "clumps" // it sticks to the glass or clumps
	SaltLoose    Salt = "loose"
)

// Moisture is how the moisture was found: by a meter, by the oven, by the salt
// jar, or not at all. Of several the oven goes before the meter.
type Moisture struct {
	MeterWB float64 // fraction of wet mass, 0 where not measured
	// OvenBefore and OvenAfter are the net mass of the sample, grams; 0 where
	// not tried.
	OvenBefore, OvenAfter float64
	Salt                  Salt
}

// OvenMoisture is the moisture of a sample by its mass before and after drying,
// in any one unit: what was lost, over the mass before. The error wraps
// lot.ErrInvalid.
func OvenMoisture(before, after float64) (unit.WetBasis, error) {
	switch {
	case !(before > 0 && before <= 1e6) || !(after > 0):
		return 0, lot.Invalid("oven test of %g g before and %g g after: give the net mass of the sample, without its dish, both times", before, after)
	case after > before:
		return 0, lot.Invalid("oven test: %g g after drying is more than %g g before; give the mass before first", after, before)
	}
	return unit.WetBasis((before - after) / before), nil
}

// ovenStep is how finely a kitchen scale reads, g (common practice).
const ovenStep = 1

// wet is the moisture told, and whether there is one.
func (m Moisture) wet() (w unit.WetBasis, told bool, err error) {
	if m.OvenBefore != 0 || m.OvenAfter != 0 {
		w, err = OvenMoisture(m.OvenBefore, m.OvenAfter)
		return w, err == nil, err
	}
	return unit.WetBasis(m.MeterWB), m.MeterWB > 0, nil
}

const (
	ovenMethod = "10 g of whole grain for 3 hours at 130 °C, University of Minnesota laboratory page, read; 72 hours at 103 °C for large seed, from memory"
	saltMethod = "farm advice page, read; its line of 13 to 15 % is that of salt drawing water at 75 % relative humidity, Greenspan 1977, from memory"
)

// judgeMoisture says whether the food is dry enough.
func (a *adviser) judgeMoisture() {
	if !a.known {
		return
	}
	w, told, _ := a.req.Moisture.wet() // checked with the request
	if told {
		v := float64(w)
		a.out.MoistureWB = &v
	}
	if a.food.Isotherm == nil {
		a.crystals(w, told)
		a.end(titleMoisture)
		return
	}
	if a.req.Moisture.OvenBefore > 0 {
		a.oven(w)
	}
	if told {
		a.measured(w)
	}
	a.salt(told)
	if !told && a.req.Moisture.Salt != SaltClumps {
		a.unmeasured()
	}
	a.end(titleMoisture)
}

// crystals are judged by what they are: they take up nothing below the point at
// which they dissolve.
func (a *adviser) crystals(w unit.WetBasis, told bool) {
	if told && float64(w) > a.food.Moisture.High {
		a.say(Amber, a.food.Moisture.Source, "At %v it is damper than usual (up to %s): %s. Dry it, and it keeps.", w, percent(a.food.Moisture.High), a.food.Limit)
		return
	}
	a.say(Told, a.food.Red.Source, "It is crystals: dry as long as the air around it stays below %.0f %% relative humidity.", 100*a.food.Amber.Likely)
}

// oven shows the arithmetic.
func (a *adviser) oven(w unit.WetBasis) {
	m := a.req.Moisture
	lost := m.OvenBefore - m.OvenAfter
	a.say(Told, ovenMethod, "Oven test: %s g before, %s g after, %s g lost; %s / %s = %s of wet mass (on the dry basis %s / %s = %s).",
		exact(m.OvenBefore), exact(m.OvenAfter), figures(lost, 4), figures(lost, 4), exact(m.OvenBefore), percent(float64(w)),
		figures(lost, 4), exact(m.OvenAfter), percent(float64(w.DryBasis())))
	a.say(Told, computed, "A scale that reads to %d g can be %s points off with this sample: take more food, or a finer scale. A home oven that browns the food reads too wet, one that is too cool reads too dry.",
		ovenStep, figures(100*ovenStep/m.OvenBefore, 2))
}

// measured judges a moisture by the packing guideline and by the food's lines of
// water activity.
func (a *adviser) measured(w unit.WetBasis) {
	t := catalog.ReferenceTemperature
	aw := sorption.ActivityClamped(a.food.Isotherm, w.DryBasis(), t)
	a.out.WaterActivity = &aw
	lines := a.food.Amber.Source + "; isotherm: " + a.food.IsothermSource
	switch {
	case aw >= a.food.Red.Likely:
		a.say(Refused, lines, "%s of wet mass is a water activity of %.2f at %g °C, at or above the red line of %.2f: %s. Dry it to %s or less, and test again.",
			percent(float64(w)), aw, float64(t), a.food.Red.Likely, a.food.Limit, percent(a.dry()))
		return
	case aw >= a.food.Amber.Likely:
		a.say(Amber, lines, "%s of wet mass is a water activity of %.2f at %g °C, above the amber line of %.2f: it is near the line at which it spoils (%.2f: %s), and the isotherm may be off by half a point and more. Dry it first.",
			percent(float64(w)), aw, float64(t), a.food.Amber.Likely, a.food.Red.Likely, a.food.Limit)
	default:
		a.say(Good, lines, "%s of wet mass is a water activity of %.2f at %g °C, below the amber line of %.2f.", percent(float64(w)), aw, float64(t), a.food.Amber.Likely)
	}
	switch guideline := sorption.PackingGuideline; {
	case w <= guideline:
		a.say(Good, guide, "It is within the packing guideline of about %.0f %%.", guideline.Percent())
	case a.lowOxygen():
		a.say(Amber, guide+"; NCHFP the same in substance, from memory", "It is above the guideline of about %.0f %% for packing without oxygen. The guideline keeps a wide distance from growth, which begins above a water activity of %.2f; dry it to be within it.",
			guideline.Percent(), sorption.NothingGrows)
	}
}

// dry is the moisture to dry to: the guideline, or where the food's amber line
// lies below it that.
func (a *adviser) dry() float64 {
	amber := sorption.MoistureClamped(a.food.Isotherm, a.food.Amber.Likely, catalog.ReferenceTemperature)
	return min(float64(sorption.PackingGuideline), float64(amber.WetBasis()))
}

// salt says what the salt jar can tell: that the air over the food draws water
// into salt, which it does from 75 % relative humidity.
func (a *adviser) salt(told bool) {
	edge := sorption.MoistureClamped(a.food.Isotherm, sorption.SaltDissolves, catalog.ReferenceTemperature).WetBasis()
	switch a.req.Moisture.Salt {
	case SaltClumps:
		a.say(Refused, saltMethod, "The salt clumped: the food stands at a relative humidity of about %.0f %% or more, for this food about %s moisture, far above what can be packed. Dry it, and test again.",
			100*sorption.SaltDissolves, percent(float64(edge)))
	case SaltLoose:
		level := Unknown
		if told {
			level = Told
		}
		a.say(level, saltMethod, "The salt stayed loose: the food is below about %s moisture. That is all this test can tell. It cannot tell whether the food is within the guideline of %.0f %%: use a meter or the oven.",
			percent(float64(edge)), sorption.PackingGuideline.Percent())
	}
}

func (a *adviser) unmeasured() {
	f := a.food.Moisture
	a.say(Unknown, guide, "Its moisture is not known. Packed without oxygen it must be dry, about %.0f %% or less: use a grain meter, or dry a weighed sample in the oven and weigh it again. As sold it usually holds %s to %s (%s).",
		sorption.PackingGuideline.Percent(), percent(f.Low), percent(f.High), f.Source)
}
