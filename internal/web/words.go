package web

import (
	"math"
	"strconv"
	"strings"
	"time"

	"dryhold/internal/alarm"
)

// measure says how a quantity reads on the page: its factor from the
// canonical unit, its decimals and its symbol.
type measure struct {
	factor   float64
	decimals int
	symbol   string
}

// The measures of the page.
func celsius() measure { return measure{1, 1, " °C"} }
func percent() measure { return measure{100, 0, " %"} }
func lux() measure     { return measure{1, 0, " lx"} }

// text is the value with its unit. A value below 0 gets the proper minus, and
// never "−0".
func (m measure) text(v float64) string { return m.number(v, m.decimals) + m.symbol }

func (m measure) number(v float64, decimals int) string {
	v *= m.factor
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return "unknown"
	}
	n := strconv.FormatFloat(math.Abs(v), 'f', decimals, 64)
	if zero, err := strconv.ParseFloat(n, 64); v < 0 && err == nil && zero != 0 {
		return "−" + n
	}
	return n
}

// against is the value and the limit with as many decimals as it takes to
// tell them apart: "22.04 °C, limit 22.00 °C", never "22.0 over 22.0".
func (m measure) against(v, limit float64) (value, lim string) {
	d := m.decimals
	for d < m.decimals+2 && v != limit && m.number(v, d) == m.number(limit, d) {
		d++
	}
	return m.number(v, d) + m.symbol, m.number(limit, m.decimals) + m.symbol
}

// ageing is a speed of ageing against plan storage, in words.
func ageing(v float64) string {
	decimals := 1
	switch {
	case math.IsNaN(v) || math.IsInf(v, 0):
		return "unknown"
	case v >= 9.95:
		decimals = 0
	case v < 0.1:
		decimals = 2
	}
	n := strconv.FormatFloat(v, 'f', decimals, 64)
	if n == "1.0" {
		return "as fast as planned"
	}
	return n + " times as fast as planned"
}

// days is a span of life in days, with a decimal while it is short.
func days(d float64) string {
	if math.IsNaN(d) || math.IsInf(d, 0) {
		return "unknown"
	}
	n := strconv.FormatFloat(math.Abs(d), 'f', 0, 64)
	if math.Abs(d) < 99.95 {
		n = strconv.FormatFloat(math.Abs(d), 'f', 1, 64)
	}
	switch {
	case n == "0.0":
		return "0 days"
	case d < 0:
		n = "−" + n
	}
	return n + " days"
}

// mass is a mass of food: grams below a kilogram.
func mass(kg float64) string {
	if math.IsNaN(kg) || math.IsInf(kg, 0) {
		return "unknown"
	}
	if kg > 0 && kg < 0.9995 {
		return strconv.FormatFloat(kg*1000, 'f', 0, 64) + " g"
	}
	return strconv.FormatFloat(math.Round(kg*1000)/1000, 'f', -1, 64) + " kg"
}

// age is how long ago something was.
func age(d time.Duration) string {
	if d < 0 {
		return "in the future"
	}
	return span(d) + " ago"
}

// span is a duration in the largest unit that says enough.
func span(d time.Duration) string {
	switch {
	case d < 90*time.Second:
		return strconv.FormatInt(int64(d/time.Second), 10) + " s"
	case d < 90*time.Minute:
		return strconv.FormatInt(int64(d/time.Minute), 10) + " min"
	case d < 48*time.Hour:
		return strconv.FormatInt(int64(d/time.Hour), 10) + " h"
	}
	return strconv.FormatInt(int64(d/(24*time.Hour)), 10) + " days"
}

// silence is a span given in seconds.
func silence(seconds float64) string {
	if !(seconds >= 0 && seconds < math.MaxInt32) {
		return "not known"
	}
	return span(time.Duration(seconds) * time.Second)
}

// moment is a time shown twice: for people in the site's zone, for programs
// as RFC 3339.
type moment struct {
	Text, Machine string
}

func (p *pageContext) moment(t time.Time) moment {
	if t.IsZero() {
		return moment{Text: "never"}
	}
	return moment{t.In(p.zone).Format("2 Jan 2006 15:04 MST"), t.UTC().Format(time.RFC3339)}
}

// month is a date years away, for which a day would be false precision.
func (p *pageContext) month(t time.Time) moment {
	if t.IsZero() {
		return moment{Text: "not known"}
	}
	return moment{t.In(p.zone).Format("January 2006"), t.UTC().Format(time.RFC3339)}
}

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

func alarmSight(s alarm.State) sight {
	switch s {
	case alarm.ActiveUnacknowledged:
		return overSight(string(s))
	case alarm.ActiveAcknowledged:
		return heldSight(string(s))
	case alarm.ReturnedUnack, alarm.Shelved, alarm.OutOfService:
		return heldSight(string(s))
	case alarm.Normal:
		return okSight(string(s))
	}
	return unknownSight(string(s))
}

func priorityWord(p alarm.Priority) string {
	switch p {
	case alarm.Low:
		return "low"
	case alarm.Medium:
		return "medium"
	case alarm.High:
		return "high"
	}
	return "not set"
}

// alarmMeasure is how the value, peak and limit of an alarm read; false for a
// condition whose numbers are not those of a room quantity.
func alarmMeasure(k alarm.Kind) (measure, bool) {
	switch k {
	case alarm.Warm:
		return celsius(), true
	case alarm.Damp:
		return percent(), true
	case alarm.Bright:
		return lux(), true
	case alarm.Spike, alarm.Drift, alarm.Disagree:
		return measure{1, 1, " K"}, true
	case alarm.SpikeHumidity, alarm.DriftHumidity, alarm.DisagreeHumidity:
		return measure{100, 1, " % RH"}, true
	case alarm.LowBattery:
		return percent(), true
	}
	return measure{}, false
}

// timed says that the numbers of an alarm are spans of time, in seconds.
func timed(k alarm.Kind) bool {
	return k == alarm.Silent || k == alarm.Stuck || k == alarm.CalibrationDue
}

// FaultWord is what is wrong with a sensor, in a word or two.
func FaultWord(k alarm.Kind) string {
	switch k {
	case alarm.Stuck:
		return "stuck"
	case alarm.Spike, alarm.SpikeHumidity:
		return "jumps"
	case alarm.Drift, alarm.DriftHumidity:
		return "drifts"
	case alarm.Disagree, alarm.DisagreeHumidity:
		return "off the others"
	case alarm.LowBattery:
		return "battery low"
	case alarm.CalibrationDue:
		return "due for calibration"
	}
	return string(k)
}

// alarmTitle is the condition in words, its key beside it being the name to
// acknowledge it by.
func alarmTitle(k alarm.Key) string {
	switch k.Kind {
	case alarm.Warm:
		return k.Room + ": too warm"
	case alarm.Damp:
		return k.Room + ": too damp"
	case alarm.Bright:
		return k.Room + ": too bright"
	case alarm.Silent:
		return k.Room + ": sensor " + k.Sensor + " is silent"
	}
	word := kindWord(k.Kind)
	switch {
	case k.Lot != "":
		return "Lot " + k.Lot + ": " + word
	case k.Room == "":
		return "dryhold: " + word
	case k.Sensor != "":
		return k.Room + ": sensor " + k.Sensor + ", " + word
	}
	return k.Room + ": " + word
}

// kindWord is what is wrong, in a word or two.
func kindWord(k alarm.Kind) string {
	switch k {
	case alarm.Hot:
		return "far too warm"
	case alarm.Condensing:
		return "water condenses"
	case alarm.Ageing:
		return "ages too fast"
	case alarm.HoursOver:
		return "warm for too long"
	case alarm.Ahead:
		return "heat ahead"
	case alarm.CoreWarm:
		return "too warm inside"
	case alarm.MoistureAmber:
		return "near too moist"
	case alarm.MoistureRed:
		return "too moist"
	case alarm.OxygenSpent:
		return "absorber spent"
	case alarm.AbsorberSmall:
		return "absorber too small"
	case alarm.HoldIncomplete:
		return "insect hold not complete"
	case alarm.HoldComplete:
		return "insect hold complete"
	case alarm.Quality:
		return "quality low"
	case alarm.EndsEarly:
		return "ends before its planned use"
	case alarm.Clock:
		return "the clock is not trusted"
	case alarm.Disk:
		return "the disk is nearly full"
	case alarm.Export:
		return "the export is stuck"
	case alarm.Delivery:
		return "notices are not delivered"
	}
	return FaultWord(k)
}

// grouped is a count with its thousands set apart by thin spaces that do not
// break.
func grouped(n uint64) string {
	s := strconv.FormatUint(n, 10)
	for i := len(s) - 3; i > 0; i -= 3 {
		s = s[:i] + "\u202f" + s[i:]
	}
	return s
}

// plural is "1 lot", "2 lots".
func plural(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return strconv.Itoa(n) + " " + many
}
