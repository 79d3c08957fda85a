package web

import (
	"fmt"
	"strings"

	"dryhold/internal/alarm"
)

// sight is how a state looks beside its word: a mark and a class of the style
// sheet. The word always stands beside the mark; colour only repeats it.
type sight struct {
	Class, Mark, Word string
}

func okSight(word string) sight      { return sight{"ok", "✓", word} }
func overSight(word string) sight    { return sight{"over", "▲", word} }
func heldSight(word string) sight    { return sight{"held", "◆", word} }
func unknownSight(word string) sight { return sight{"unknown", "?", word} }

// sight is the mark of a standing beside its words.
func (w Words) sight() sight {
	w.Text = strings.ReplaceAll(w.Text, " %", "\u00a0%") // a number keeps its unit
	switch w.Standing {
	case Good:
		return okSight(w.Text)
	case Near:
		return heldSight(w.Text)
	case Bad:
		return overSight(w.Text)
	case As:
		return sight{Word: w.Text}
	}
	return unknownSight(w.Text)
}

func (p *pageContext) alarmSight(s alarm.State) sight {
	word := p.word(string(s))
	switch s {
	case alarm.ActiveUnacknowledged:
		return overSight(word)
	case alarm.ActiveAcknowledged:
		return heldSight(word)
	case alarm.ReturnedUnack, alarm.Shelved, alarm.OutOfService:
		return heldSight(word)
	case alarm.Normal:
		return okSight(word)
	}
	return unknownSight(word)
}

func (p *pageContext) priorityWord(x alarm.Priority) string {
	switch x {
	case alarm.Low:
		return p.t("low")
	case alarm.Medium:
		return p.t("medium")
	case alarm.High:
		return p.t("high")
	}
	return p.t("not set")
}

// state is a state in the words of the core, which may hold a number.
func (p *pageContext) state(words string) string {
	var n float64
	is := func(format string) bool {
		_, err := fmt.Sscanf(words, format, &n)
		return err == nil
	}
	switch {
	case is("low-oxygen hold complete %f days after packing, if the seal held"):
		return p.t("low-oxygen hold complete %s days after packing, if the seal held", p.number(n, 0))
	case is("low-oxygen hold %f %% complete"):
		return p.t("low-oxygen hold %s complete", p.percent().text(n/100))
	case is("freezing %f %% complete, as seen at the core"):
		return p.t("freezing %s complete, as seen at the core", p.percent().text(n/100))
	case is("%f %% oxygen"):
		return p.t("%s oxygen", p.percent().text(n/100))
	}
	return p.word(words)
}

// alarmMeasure is how the value, peak and limit of an alarm read; false for a
// condition whose numbers are not those of a room quantity.
func (p *pageContext) alarmMeasure(k alarm.Kind) (measure, bool) {
	switch k {
	case alarm.Warm:
		return p.celsius(), true
	case alarm.Damp:
		return p.percent(), true
	case alarm.Bright:
		return p.lux(), true
	case alarm.Spike, alarm.Drift, alarm.Disagree:
		return p.kelvin(), true
	case alarm.SpikeHumidity, alarm.DriftHumidity, alarm.DisagreeHumidity:
		return p.humidity(1), true
	case alarm.LowBattery:
		return p.percent(), true
	}
	return measure{}, false
}

// timed says that the numbers of an alarm are spans of time, in seconds.
func timed(k alarm.Kind) bool {
	return k == alarm.Silent || k == alarm.Stuck || k == alarm.CalibrationDue
}

// FaultWord is what is wrong with a sensor, in a word or two.
func FaultWord(k alarm.Kind) string { return english().faultWord(k) }

func (p *pageContext) faultWord(k alarm.Kind) string {
	switch k {
	case alarm.Stuck:
		return p.t("stuck")
	case alarm.Spike, alarm.SpikeHumidity:
		return p.t("jumps")
	case alarm.Drift, alarm.DriftHumidity:
		return p.t("drifts")
	case alarm.Disagree, alarm.DisagreeHumidity:
		return p.t("off the others")
	case alarm.LowBattery:
		return p.t("battery low")
	case alarm.CalibrationDue:
		return p.t("due for calibration")
	}
	return p.word(string(k))
}

// alarmTitle is the condition in words, its key beside it being the name to
// acknowledge it by.
func (p *pageContext) alarmTitle(k alarm.Key) string {
	switch k.Kind {
	case alarm.Warm:
		return p.t("%s: too warm", k.Room)
	case alarm.Damp:
		return p.t("%s: too damp", k.Room)
	case alarm.Bright:
		return p.t("%s: too bright", k.Room)
	case alarm.Silent:
		return p.t("%s: sensor %s is silent", k.Room, k.Sensor)
	}
	word := p.kindWord(k.Kind)
	switch {
	case k.Lot != "":
		return p.t("Lot %s: %s", k.Lot, word)
	case k.Room == "":
		return "dryhold: " + word
	case k.Sensor != "":
		return p.t("%s: sensor %s, %s", k.Room, k.Sensor, word)
	}
	return k.Room + ": " + word
}

// kindWord is what is wrong, in a word or two.
func (p *pageContext) kindWord(k alarm.Kind) string {
	switch k {
	case alarm.Hot:
		return p.t("far too warm")
	case alarm.Condensing:
		return p.t("water condenses")
	case alarm.Ageing:
		return p.t("ages too fast")
	case alarm.HoursOver:
		return p.t("warm for too long")
	case alarm.Ahead:
		return p.t("heat ahead")
	case alarm.CoreWarm:
		return p.t("too warm inside")
	case alarm.MoistureAmber:
		return p.t("near too moist")
	case alarm.MoistureRed:
		return p.t("too moist")
	case alarm.OxygenSpent:
		return p.t("absorber spent")
	case alarm.AbsorberSmall:
		return p.t("absorber too small")
	case alarm.HoldIncomplete:
		return p.t("insect hold not complete")
	case alarm.HoldComplete:
		return p.t("insect hold complete")
	case alarm.Quality:
		return p.t("quality low")
	case alarm.EndsEarly:
		return p.t("ends before its planned use")
	case alarm.RoundDue:
		return p.t("inspection round overdue")
	case alarm.Clock:
		return p.t("the clock is not trusted")
	case alarm.Disk:
		return p.t("the disk is nearly full")
	case alarm.Export:
		return p.t("the export is stuck")
	case alarm.Delivery:
		return p.t("notices are not delivered")
	}
	return p.faultWord(k)
}
