package alarm

// airPhrases are those of the conditions of a room that want more than a word.
func (d draft) airPhrases() phrases {
	now, peak := d.now(), d.r.amount(d.c.Peak)
	where := "the " + d.room + " at " + d.site
	w := phrases{worst: "Highest", measured: "Now", after: "nothing."}
	switch d.c.Key.Kind {
	case Condensing:
		w.subject, w.over = "water condenses, dew point "+now+" over food", "no water condenses any more"
		w.what = "Water condenses on the coldest food in " + where + ": the dew point of the air lies " + now + " above its core."
		w.was = "The dew point in " + where + " is below the core of all food again. It had been up to " + peak + " above it, since " + d.clock(d.c.Since) + "."
		w.advice = "shut the way by which the damp air comes in, and leave all containers shut until the food is as warm as the air: what condenses outside of them does little, inside it spoils. Then wipe off what is wet, and replace cardboard that is."
		w.after = "wipe off what is wet, and look into paper and cardboard. What has become wet inside is to be thrown out; do not taste it."
		w.how = "How sure: the core is worked out from the air, not measured, and 3 % of humidity move the dew point by a kelvin. A wall or floor colder than the food is wet earlier."
	case Ageing:
		w.subject, w.over = "food ages too fast, "+now, "food ages as planned again"
		w.what = "Food in " + where + " ages faster than planned: the lot that fares worst has lost " + now + " beyond plan storage, on average over the last " + span(d.r.Window) + "."
		w.was = "No lot in " + where + " loses more than the budget any more: " + now + " over the last " + span(d.r.Window) + ". It had been up to " + peak + "."
		w.advice = "move the lots that lose most to a cooler room, or find what warms this one."
		w.how = "How sure: time without readings counts as if it had been as planned, so that it may be more."
	case HoursOver:
		w.subject, w.over = now+" over "+degrees(d.r.Over)+" in "+span(d.r.Window), "fewer hours over "+degrees(d.r.Over)
		w.what = "In the last " + span(d.r.Window) + " " + where + " has been over " + degrees(d.r.Over) + " for " + now + " altogether, in one stretch or in many."
		w.was = "In the last " + span(d.r.Window) + " " + where + " has been over " + degrees(d.r.Over) + " for " + now + " only. It had been up to " + peak + "."
		w.advice = "shade the windows and keep the room shut by day; if it comes every afternoon, carry the lots that lose most to the coolest room."
		w.how = "How sure: hours count by the mean of the sensors. Hours without readings are not counted, and do not end the alarm."
	case Ahead:
		within := span(d.r.Window)
		w.subject, w.over = now+" chance of over "+degrees(d.r.Over)+" in "+within, "heat is not expected any more"
		w.what = "It is likely to become too warm in " + where + ": the chance that it passes its limit of " + degrees(d.r.Over) + " within the next " + within + ", and for long enough to raise that alarm, is " + now + "."
		w.was = "The heat that was expected in " + where + " is not expected any more: the chance of more than " + degrees(d.r.Over) + " within the next " + within + " is " + now + "."
		w.advice = "shade the windows and keep the room shut while it is still cool; open it at night."
		w.how = "How sure: the chance is the share of the futures of this room, made of what followed on days like this before. It knows no weather service."
	case RoundDue:
		w.subject, w.over = "no inspection round for "+now, "the inspection round is done"
		w.what = "Nobody has told of an inspection round through " + where + " for " + now + ". What no sensor sees, rodents, a bulging bottle, a leak or a damp carton, is found by looking."
		w.was = "The inspection round through " + where + " is done."
		w.advice = "go through it with the list of `dryhold rounds` or of the page of rounds, and tell what you saw, also when all is well."
		w.how = "How sure: it counts from the last round that was told, or from when food first stood there."
		w.worst = "Longest"
	}
	return w
}
