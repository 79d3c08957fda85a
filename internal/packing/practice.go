package packing

import (
	"slices"

	"dryhold/internal/barrier"
	"dryhold/internal/lot"
)

// US measures in litres, by definition.
const (
	quartL  = 0.946352946
	gallonL = 4 * quartL
)

// quartPounds is what a quart bottle is said to hold of rice or beans, lb.
const quartPounds = 2

// packetPractice is the packet that is said to serve PET bottles up to 1 US
// gallon, cm3.
const packetPractice = 300

// practices sets rules of the trade beside what the model says.
func (a *adviser) practices() {
	if slices.Contains([]string{"white-rice", "parboiled-rice", "dry-beans"}, a.food.ID) {
		a.quart()
	}
	if reused(a.container) && a.lowOxygen() && a.container.Volume.Likely >= 0.75*gallonL {
		a.packet()
	}
	a.end(titlePractice)
}

// QuartKG is what a US quart bottle holds by the model, kg: brimful, and with
// the headspace, of a bulk density in kg/m3.
func QuartKG(density float64) (brimful, filled float64) {
	brimful = quartL * density / 1000
	return brimful, brimful * (1 - lot.Headspace)
}

func (a *adviser) quart() {
	d := a.food.BulkDensity
	_, low := QuartKG(d.Low)
	brim, filled := QuartKG(d.Likely)
	a.say(Told, practice, "A quart bottle is said to hold about %d lb of rice or beans.", quartPounds)
	a.say(Told, computed, "This model says %s lb, %s lb at the low edge of its density and %s lb brimful: the rule is a round figure, %s %% above, and bottles of a nominal quart hold some more to the brim.",
		figures(filled/poundKG, 3), figures(low/poundKG, 3), figures(brim/poundKG, 3), whole(100*(quartPounds*poundKG/filled-1)))
}

// PacketServes is how many litres of a food of the void a capacity serves with
// the margin, and what oxygen fraction it leaves in a container of litres, 0
// where it clears it.
func PacketServes(capacity, void, litres float64) (serves, rests float64) {
	share := lot.Headspace + float64((1-lot.Headspace)*void)
	serves = capacity / (barrier.Margin * barrier.AirOxygen * share * 1000)
	if enclosed := barrier.EnclosedOxygen(1000 * litres * share); capacity < enclosed {
		rests = barrier.AirOxygen * (1 - capacity/enclosed)
	}
	return serves, rests
}

func (a *adviser) packet() {
	e := a.food.Void
	serves, _ := PacketServes(packetPractice, e.Likely, gallonL)
	_, rests := PacketServes(packetPractice, e.Likely, a.container.Volume.Likely)
	a.say(Told, practice, "A packet of %d cm3 is said to serve PET bottles up to 1 US gallon.", packetPractice)
	then := "clears it without the margin"
	if rests > 0 {
		then = "leaves the oxygen at about " + percent(rests)
	}
	a.say(Amber, computed, "This model says that with the margin it serves %s L of this food, and in %s L it %s.", figures(serves, 2), figures(a.container.Volume.Likely, 3), then)
	a.say(Told, judgement, "They differ because the rule rests on food that leaves less air (a page of the trade says 25 to 50 %% of the can; here %s), on packets that take up more than their rating, and on bottles filled to the brim. Where it matters take the larger packet.", percent(e.Likely))
}

// work is the order of work, when the rest is settled.
func (a *adviser) work() {
	lowOxygen := a.lowOxygen() && a.container.Sealed && a.food.NoAbsorber == ""
	say := func(format string, args ...any) { a.say(Told, "", format, args...) }
	say("Wash, sanitise and dry the containers to the last drop (the dilution: dryhold pack clean, or the page under wash and sanitise), and test them under water.")
	if !lowOxygen && a.out.Treatment == lot.FreezeThaw {
		say("Freeze the food in bags, and let it come to room temperature before they are opened.")
	}
	say("Fill them, tap and shake so that the food settles, and leave the neck free.")
	if lowOxygen {
		say("Open the packets only when all is filled. Put them in one container after the other, wipe each rim, and close it at once.")
	} else {
		say("Wipe each rim and close it.")
	}
	say("Label each with food, mass, pack date, treatment and allergens, and register the lot: %s", a.register())
	if lowOxygen {
		say("Look after three days: a soft bottle that has not buckled in may leak. Keep it warm for the insect hold, then move it where it is cool, dark and dry.")
	} else {
		say("Keep it where it is cool, dark and dry.")
	}
	a.end(titleWork)
}

// Cautions are those of packing, each with its source (models section 13).
func Cautions() []Line {
	c := func(text, source string) Line { return Line{Amber, text, source} }
	return []Line{
		c("Low-oxygen packing is only for dry food, about 10 % moisture or less: botulism poisoning may result if moist food is packed without oxygen.", guide+"; NCHFP the same in substance, from memory"),
		c("Botulinum toxin gives no sign: food can be poisonous without any change of look, smell or taste.", "preservingfoodathome.com (NCHFP), read"),
		c("Dry canning and oven canning are not safe: pockets of moisture can let the germ of botulism grow.", "University of Missouri Extension HES157, UW-Madison Extension and NCHFP blog, read"),
		c("Oxygen absorbers are not food: they hold iron, may get warm, and belong out of the reach of children.", "secondary pages"),
		c("Bottles used again can carry residue of allergens: put wheat and gluten, milk, soy, egg and nuts on the label.", "from memory: the US list of nine"),
		c("Rodents gnaw plastic: keep bottles, pouches and pails in a metal bin or a closed shelf, off the floor.", "university extension, read; rodents from memory"),
		c("Throw food away with mould, an off or rancid smell, insects, wet clumps or rodent marks, or from a bulging or leaking package. The poisons of mould outlive cooking.", "from memory: USDA and FDA"),
		c("This is an estimate of quality, not a statement of safety. When in doubt, throw it out. Your local food-safety authority goes before this advice.", judgement),
	}
}

// cautions ends an advice.
func (a *adviser) cautions() {
	if a.known && a.food.Caution != "" {
		a.say(Amber, "catalog", "%s", a.food.Caution)
	}
	a.lines = append(a.lines, Cautions()...)
	a.end(titleCautions)
}
