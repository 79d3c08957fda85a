package alarm

// lotPhrases are those of the conditions of one lot.
func (d draft) lotPhrases() phrases {
	now, peak := d.now(), d.r.amount(d.c.Peak)
	it := d.item()
	w := phrases{worst: "Highest", measured: "Now", after: "nothing."}
	const model = "How sure: it is worked out from the climate of the room and what was told at packing, not measured inside. "
	switch d.c.Key.Kind {
	case CoreWarm:
		w.subject, w.over = "core at "+now, "core cool again, "+now
		w.what = capital(it) + " is warmer at its core than this lot may be: " + now + ", since " + d.clock(d.c.Since) + "."
		w.was = capital(it) + " is cool at its core again: " + now + ". It had been up to " + peak + ", since " + d.clock(d.c.Since) + "."
		w.advice = "carry this lot to a cooler place."
		w.how = "How sure: the core is worked out from the air of the room and the container, not measured."
	case MoistureAmber:
		w.subject, w.over = "grows damp, water activity "+now, "dry again, water activity "+now
		w.what = capital(it) + " has grown damp: its water activity is past the amber line."
		w.was = capital(it) + " is below its amber line again."
		w.advice = "find out how the water comes in: test the seal, look for cracks. Repack it dry into a tighter container, or eat it first."
		w.how = model + "Open one container and look before you act on a single figure."
	case MoistureRed:
		w.subject, w.over = "too damp to keep, water activity "+now, "below its red line again"
		w.what = capital(it) + " is too damp to keep: its water activity is past the red line."
		w.was = capital(it) + " is below its red line again. What has grown in the meantime does not go away."
		w.advice = "open one container. Throw out what is wet, clumped, mouldy or smells; do not taste it. In a container without oxygen damp food may bring botulism, which shows in no smell, colour or taste: when in doubt throw it out unopened."
		w.how = model + "A figure on the safe side of the line is no proof that it is safe."
	case OxygenSpent:
		w.subject, w.over = "absorber spent", "absorber not spent"
		w.what = "The absorbers in " + it + " are spent: from now on the oxygen inside rises."
		w.was = "The absorbers in " + it + " have capacity again."
		w.advice = "eat this lot in its turn, or repack it with fresh absorbers if it is dry and is to be kept long."
		w.how = model + "How fast oxygen comes in differs from closure to closure."
		w.worst = "Lowest"
	case AbsorberSmall:
		w.subject, w.over = "absorber too small, "+now+" of what it needs", "absorber large enough"
		w.what = "The absorbers in " + it + " are too small: they take up " + now + " of the oxygen that was enclosed at packing."
		w.was = "The absorbers in " + it + " are large enough."
		w.advice = "repack it with an absorber that takes up the oxygen enclosed and a fifth more, if the food is dry; else eat it first. Insects may have lived through it."
		w.how = "How sure: it follows from the size of the container, what the food leaves free of it and the rating of the absorber."
		w.worst = "Lowest"
	case HoldIncomplete:
		w.subject, w.over = "insect hold not complete after "+now, "insect hold complete"
		w.what = "What was done against insects in " + it + " should be complete by now and is not: " + now + " after packing."
		w.was = "The insect hold of " + it + " is complete."
		w.advice = "look for live insects and webs in one container. Freeze the lot for some days, or repack it with a larger absorber and a tested seal, if the food is dry."
		w.how = model + "The figures are for all stages of the hardiest insect; there may have been none."
		w.worst = "Longest"
	case HoldComplete:
		w.subject, w.over = "insect hold complete", "insect hold complete"
		w.what = "What was done against insects in " + it + " is complete: no stage lives through that, if the seal has held."
		w.was = w.what
		w.advice = "nothing. This is for your information."
		w.how = model
	case Quality:
		w.subject, w.over = "quality down to "+now, "quality back to "+now
		w.what = capital(it) + " has " + now + " of its quality left."
		w.was = capital(it) + " has " + now + " of its quality left again, by what is known now."
		w.advice = "eat it soon. Open a container and judge it, by look and smell first, and taste only what is sound by both; tell of the test, which makes the figure surer."
		w.how = model + "Rates of ageing differ from batch to batch; its band stands on the page of the lot."
		w.worst = "Lowest"
	case EndsEarly:
		w.subject, w.over = "ends early by "+now+" of its planned time", "ends as planned again"
		w.what = capital(it) + " is projected to end " + now + " of its planned time early."
		w.was = capital(it) + " is projected to last about as long as planned again."
		w.advice = "plan to eat it earlier, or find what shortens its life: the page of the lot names it."
		w.how = model + "The projection is the middle of many futures; its band stands on the page of the lot."
	}
	return w
}

// item names the lot of a condition with its food and where it stands.
func (d draft) item() string {
	s := "lot " + d.lot
	if d.food != "" {
		s += " (" + d.food + ")"
	}
	if d.room != "" {
		s += " in the " + d.room
	}
	return s + " at " + d.site
}

// sitePhrases are those of the conditions of the whole site.
func (d draft) sitePhrases() phrases {
	now := d.now()
	w := phrases{worst: "Longest", measured: "Now", after: "nothing."}
	switch d.c.Key.Kind {
	case Clock:
		w.subject, w.over = "clock not trusted for "+now, "the clock is trusted again"
		w.what = "The clock of dryhold at " + d.site + " is not to be trusted, since " + d.clock(d.c.Since) + ": until it is right nothing is taken in and no alarm is judged."
		w.was = "The clock of dryhold at " + d.site + " is trusted again. It was not for " + d.r.amount(d.c.Peak) + ", in which no alarm was judged."
		w.advice = "see that a time server can be reached, or set the clock by hand. What comes in meanwhile waits with the broker."
		w.how = "How sure: it lies before what is stored already, or before this dryhold was made."
	case Disk:
		w.subject, w.over = "disk nearly full, "+now+" free", "the disk has room again, "+now+" free"
		w.what = "The disk of dryhold at " + d.site + " is nearly full: " + now + " are free."
		w.was = "The disk of dryhold at " + d.site + " has room again: " + now + " are free."
		w.advice = "make room on the disk that holds the data of dryhold before readings can no longer be stored."
		w.how = "How sure: it is what the system says of the disk. Readings are stored as yet."
		w.worst = "Lowest"
	case Export:
		w.subject, w.over = "export stuck for "+now, "the export goes on"
		w.what = "dryhold at " + d.site + " has not been able to export readings for " + now + "."
		w.was = "The export of dryhold at " + d.site + " goes on. It had been stuck for " + d.r.amount(d.c.Peak) + "."
		w.advice = "see that the receiver runs and takes the credentials. What was not exported is kept and goes later."
		w.how = "How sure: the last attempt failed as health says."
	case Delivery:
		w.subject, w.over = "notices not delivered for "+now, "notices are delivered again"
		w.what = "A way by which dryhold at " + d.site + " sends notices has failed, or refused what it was given, for " + now + "."
		w.was = "All ways by which dryhold at " + d.site + " sends notices work again."
		w.advice = "look under Health which way it is and why; mend address, account or receiver, and send a test notice."
		w.how = "How sure: it is what the other side answered, or that it did not. You read this by another way, or late."
	}
	return w
}
