package packing

import (
	"math"
	"strings"

	"dryhold/internal/lot"
	"dryhold/internal/pest"
	"dryhold/internal/unit"
)

// freezer is a household freezer, °C.
const freezer unit.Celsius = -18

// insects says how those that came with the food are killed.
func (a *adviser) insects() {
	defer a.end(titleInsects)
	if a.food.Isotherm == nil {
		a.say(Told, judgement, "None live on it: no treatment is needed.")
		return
	}
	if a.lowOxygen() && a.container.Sealed && a.food.NoAbsorber == "" {
		a.hold()
		return
	}
	why := "the container does not hold low oxygen"
	switch {
	case a.container.Sealed && a.out.Treatment == lot.FreezeThaw:
		why = "it was asked for"
	case a.container.Sealed:
		why = "no absorber is used"
	}
	a.freeze(why)
}

// hold tells how many days at low oxygen kill all stages.
func (a *adviser) hold() {
	const source = "Kharel et al. 2019, J. Econ. Entomol. 112:1463; 12 to 14 days at room temperature common practice, no source; twice as long for each 10 K colder, judgement"
	var rooms []string
	for _, r := range a.places() {
		if days, works, err := pest.OxygenDays(r.Temperature, pest.Practice); err == nil && works {
			rooms = append(rooms, whole(math.Ceil(float64(days)))+" days in "+r.Words)
		} else if err == nil {
			rooms = append(rooms, "nothing in "+r.Words+", which is too cold for it")
		}
	}
	a.say(Told, source, "Low oxygen does it: under 1 %% for %s kills every stage of them. Hold it in a warm room first, then move it to the coolest one.", strings.Join(rooms, ", "))
	a.say(Told, judgement, "Count from the day the container has buckled in or its oxygen was measured: a leak, or an absorber too small, kills nothing.")
	a.say(Told, "Kharel et al. 2019", "A freezer is the other way, for what is held too cold or cannot be held: at 4 %% oxygen some lived through 15 days.")
}

// freeze tells how long in a freezer, cold at the core.
func (a *adviser) freeze(why string) {
	const source = "Collins et al., one moth, as read on a page of a pest trade; 4 days and 24 hours at room temperature quoted from a university report, secondary"
	spell, ok, err := pest.SpellTime(freezer)
	if err != nil || !ok {
		return
	}
	// From 21 °C the core is at -15 °C when 3 of 39 K are left.
	cooling := a.container.Lag.Likely * math.Log(39.0/3)
	a.say(Told, source, "Freeze it, since %s: %s days at %g °C or colder at the core, then 24 hours at room temperature before it is opened, so that no water condenses on the food.", why, whole(math.Ceil(float64(spell)/24)), float64(freezer))
	a.say(Told, "computed from the time constant of the container: "+strings.ReplaceAll(a.container.Lag.Source, "as stated above", "as the head of containers.yaml states"), "The core needs about %s hours more to get cold in this container. A full freezer is slower: freeze little at a time, and count from a thermometer at the core.", whole(cooling))
	a.say(Told, "university extension, read", "Not in glass, which may crack, and never wet food in glass or cans: freeze it in bags, and pack it when it is warm and dry again.")
}
