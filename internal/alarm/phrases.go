package alarm

import "fmt"

// phrases are those of a kind of condition with its names and values filled in.
type phrases struct {
	subject  string // after "Room: "
	over     string // the same, when it is over
	what     string // sentence on what is so
	was      string // when it is over
	advice   string
	after    string
	how      string // how sure
	worst    string // name of the peak
	measured string // name of the value
}

// faultPhrases are those of a fault of a sensor.
func (d draft) faultPhrases() phrases {
	s, now := d.sensor, d.now()
	where := " in the " + d.room + " at " + d.site
	w := phrases{worst: "Highest", measured: "Now", after: "nothing, unless it comes often: then replace the sensor, and tell of it."}
	switch d.c.Key.Kind {
	case Stuck:
		w.subject, w.over = "sensor "+s+" stuck for "+now, "sensor "+s+" moves again"
		w.what = "Sensor " + s + where + " has sent one and the same value for " + now + ". Air is never as steady as that for so long."
		w.was = "Sensor " + s + where + " sends changing values again. It had been stuck for " + d.r.amount(d.c.Peak) + "."
		w.advice = "hold the sensor in your hand for some minutes: if its value does not move, change the battery or replace it. Heat and damp it does not see raise no alarm."
		w.how = "How sure: the readings came and did not change. A deep cellar can be steady for weeks to a sensor that shows tenths of a degree; then raise the limit."
	case Spike, SpikeHumidity:
		w.subject, w.over = "sensor "+s+" jumped by "+d.r.amount(d.c.Peak), "sensor "+s+" is steady again"
		w.what = "A single reading of sensor " + s + where + " lies " + d.r.amount(d.c.Peak) + " away from those just before and after it."
		w.was = "Sensor " + s + where + " has sent no reading out of line for a while."
		w.advice = "look whether something warms, wets or shakes the sensor. If not, void the reading with the reason, so that it no longer counts; if it comes often, replace the sensor."
		w.how = "How sure: one reading alone raises no other alarm; air does not go and come back like that within minutes. Until somebody voids it, it counts in the ageing, where one reading weighs little."
		w.worst, w.measured = "Largest jump", "Last jump"
	case Drift, DriftHumidity:
		w.subject, w.over = "sensor "+s+" drifts: "+now+" in 90 days", "sensor "+s+" no longer drifts"
		w.what = "Sensor " + s + where + " has moved by " + now + " against the other sensors there within a quarter of a year."
		w.was = "Sensor " + s + where + " keeps its distance to the other sensors again. It had moved by up to " + d.r.amount(d.c.Peak) + "."
		w.advice = "put the sensors side by side, with one you trust, for a day. Calibrate the one that is off, from the day it began, or replace it."
		w.how = "How sure: that their difference moved is certain, which of them moved is not when there are but two. One that was carried to another place, or layers of air that change with the season, look the same."
	case Disagree, DisagreeHumidity:
		w.subject, w.over = "sensor "+s+" is "+now+" off the others", "sensor "+s+" agrees with the others again"
		w.what = "Sensor " + s + where + " is " + now + " away from the other sensors there, since " + d.clock(d.c.Since) + "."
		w.was = "Sensor " + s + where + " agrees with the other sensors there again. It had been up to " + d.r.amount(d.c.Peak) + " away, since " + d.clock(d.c.Since) + "."
		w.advice = "put the sensors side by side for a day. If they then agree, the room has layers: allow for it in the limit. If not, calibrate or replace the one that is off."
		w.how = "How sure: with two sensors nobody knows which of them is off. The ageing goes by their mean, and alarms of the room by the one that reads worst."
	case LowBattery:
		w.subject, w.over = "battery of sensor "+s+" low: "+now, "battery of sensor "+s+" is good again"
		w.what = "The battery of sensor " + s + where + " is low: " + now + " left."
		w.was = "The battery of sensor " + s + where + " is good again: " + now + "."
		w.advice = "change the battery soon: when it is empty nobody watches."
		w.after = "nothing."
		w.how = "How sure: it is what the sensor says of itself. Cold lowers the figure for a while."
		w.worst = "Lowest"
	case CalibrationDue:
		w.subject, w.over = "calibration of sensor "+s+" is due", "sensor "+s+" is calibrated"
		w.what = "Sensor " + s + where + " was to be calibrated again by " + d.clock(d.c.lastSeen()) + "."
		w.was = "The calibration of sensor " + s + where + " is in date again."
		w.advice = "compare the sensor with a trusted one side by side for a day, or over a saturated salt, and tell what came out, also when nothing is to be adjusted."
		w.after = "nothing."
		w.how = "How sure: the date is the one given at the last calibration. Until it is done the sensor is taken to be as good as it was then."
	}
	return w
}

// worded says that a kind has phrases of its own; the air of a room and a
// silent sensor are worded by words.
func (k Kind) worded() bool {
	switch k {
	case Condensing, Ageing, HoursOver, Ahead, RoundDue:
		return true
	}
	return k.fault() || k.Scope() == OfLot || k.Scope() == OfSite
}

// phrases are those of a kind that is worded.
func (d draft) phrases() phrases {
	switch k := d.c.Key.Kind; {
	case k.fault():
		return d.faultPhrases()
	case k.Scope() == OfLot:
		return d.lotPhrases()
	case k.Scope() == OfSite:
		return d.sitePhrases()
	}
	return d.airPhrases()
}

// valueFacts lists how bad it is or was.
func (d draft) valueFacts(w phrases) string {
	if k := d.c.Key.Kind; k == CalibrationDue || k == HoldComplete {
		return ""
	}
	now := d.now() + ", " + d.clock(d.c.ValueAt)
	if d.c.Unknown {
		now = "NOT KNOWN; last " + now
	}
	out := ""
	for i, line := range [][2]string{{w.measured, now}, {w.worst, d.r.amount(d.c.Peak) + ", " + d.clock(d.c.PeakAt)}, {"Limit", d.r.amount(d.r.Limit)}} {
		if i > 0 {
			out += "\n"
		}
		out += clip(fmt.Sprintf("%-13s %s", line[0], line[1]), bodyWidth)
	}
	return out
}
