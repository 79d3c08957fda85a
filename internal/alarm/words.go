package alarm

import (
	"fmt"
	"math"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"
)

// String is the priority's name.
func (p Priority) String() string {
	switch p {
	case Low:
		return "low"
	case Medium:
		return "medium"
	case High:
		return "high"
	}
	return fmt.Sprintf("priority(%d)", int(p))
}

// words are the phrases of a kind of condition.
type words struct {
	trouble string // the room is ...
	over    string // and after it, the room is ...
	advice  string // the simplest thing to do about it
	after   string // and when it is over
}

func (r Rule) words() words {
	const after = "nothing. If this comes often, a cooler, darker or drier place for the lots that lose most is the lasting cure."
	switch r.Kind {
	case Hot:
		return words{"far too warm", "no longer hot",
			"carry the lots that lose most to the coolest room today. Shade the windows and keep the room shut while it is warmer outside than inside.", after}
	case Warm:
		return words{"too warm", "cool again",
			"shade the windows and keep the room shut by day; open it when it is cooler outside than inside. If that is not enough, carry the lots that lose most to the coolest room.", after}
	case Damp:
		return words{"too damp", "dry again",
			"look for the source of the water. Air the room only while the air outside is drier (lower dew point), keep containers shut, off the floor and off outer walls. Throw out food that is wet, clumped or mouldy; do not taste it.", after}
	case Bright:
		return words{"too bright", "dark again",
			"switch off the lamp or cover the window; put clear containers into a box.", after}
	case Silent:
		return words{"not watched", "watched again",
			"look at the sensor: battery, reach of its radio, gateway. Until it is heard again read a thermometer in that room: where no other sensor watches, heat and damp raise no alarm.",
			"nothing, unless it falls silent often: then change the battery or move the gateway nearer."}
	}
	return words{"beyond its limit", "within its limit", "look at the room.", after}
}

// amount writes a value of the rule's quantity with its unit.
func (r Rule) amount(v float64) string {
	switch r.Kind {
	case Warm, Hot, CoreWarm:
		return degrees(v)
	case Damp:
		return fmt.Sprintf("%.1f %% RH", 100*v)
	case Bright:
		return fmt.Sprintf("%.0f lx", v)
	case HoursOver:
		return fmt.Sprintf("%.0f h", v/3600)
	case Quality:
		return fmt.Sprintf("%.0f %%", 100*max(0, v))
	case Silent, Stuck, CalibrationDue, Clock, Export, Delivery, HoldIncomplete, RoundDue:
		return seconds(v)
	case MoistureAmber, MoistureRed:
		return fmt.Sprintf("%.2f", v)
	case Ageing:
		return fmt.Sprintf("%.1f days of life a day", v)
	case Ahead, OxygenSpent, AbsorberSmall, EndsEarly:
		return fmt.Sprintf("%.0f %%", 100*v)
	case HoldComplete:
		return "complete"
	case Disk:
		return megabytes(v)
	case Spike, Drift, Disagree, Condensing:
		return fmt.Sprintf("%.1f K", v)
	case SpikeHumidity, DriftHumidity, DisagreeHumidity:
		return fmt.Sprintf("%.1f %% RH", 100*v)
	case LowBattery:
		return fmt.Sprintf("%.0f %%", 100*v)
	}
	return fmt.Sprintf("%.6g", v)
}

func degrees(v float64) string { return fmt.Sprintf("%.1f °C", v) }

func megabytes(v float64) string {
	if v >= 10e9 {
		return fmt.Sprintf("%.0f GB", v/1e9)
	}
	return fmt.Sprintf("%.0f MB", v/1e6)
}

// days writes a cost in days of life.
func days(v float64) string {
	switch {
	case v <= 0:
		return "none"
	case v < 0.05:
		return "under 0.1 days"
	case v < 99.95:
		return fmt.Sprintf("%.1f days", v)
	case v > 99_999:
		return "over 99999 days"
	}
	return fmt.Sprintf("%.0f days", v)
}

// secs is a number of seconds as a duration, within what a duration holds.
func secs(v float64) time.Duration {
	const century = 100 * 365.25 * 24 * 3600
	return time.Duration(math.Round(max(0, min(v, century)))) * time.Second
}

func seconds(v float64) string { return span(secs(v)) }

// span writes a duration in its two largest units.
func span(d time.Duration) string {
	d = max(0, d)
	if d < time.Minute {
		return fmt.Sprintf("%.0f s", math.Floor(d.Seconds()))
	}
	minutes := int(d / time.Minute)
	day, hour, minute := minutes/(24*60), minutes/60%24, minutes%60
	switch {
	case day > 0 && hour > 0:
		return fmt.Sprintf("%s %d h", count(day, "day", "days"), hour)
	case day > 0:
		return count(day, "day", "days")
	case hour > 0 && minute > 0:
		return fmt.Sprintf("%d h %d min", hour, minute)
	case hour > 0:
		return fmt.Sprintf("%d h", hour)
	}
	return fmt.Sprintf("%d min", minute)
}

func count(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}

// plain makes a name safe to print on one line.
func plain(s string) string {
	return strings.Map(func(c rune) rune {
		if unicode.IsGraphic(c) {
			return c
		}
		return '?'
	}, strings.ToValidUTF8(s, "?"))
}

// place writes the name of a room as words: north-pantry is north pantry.
func place(room string) string {
	return strings.TrimSpace(strings.NewReplacer("-", " ", "_", " ").Replace(plain(room)))
}

func capital(s string) string {
	c, n := utf8.DecodeRuneInString(s)
	if n == 0 {
		return s
	}
	return string(unicode.ToUpper(c)) + s[n:]
}

func length(s string) int { return utf8.RuneCountInString(s) }

// clip cuts s to n characters, the last one an ellipsis if it was cut.
func clip(s string, n int) string {
	if length(s) <= n {
		return s
	}
	return string([]rune(s)[:max(0, n-1)]) + "…"
}

// wrap breaks a paragraph into lines of bodyWidth; a longer word is cut.
func wrap(text string) string {
	var b strings.Builder
	width := 0
	for _, w := range strings.Fields(text) {
		w = clip(w, bodyWidth)
		switch {
		case width == 0:
		case width+1+length(w) > bodyWidth:
			b.WriteByte('\n')
			width = 0
		default:
			b.WriteByte(' ')
			width++
		}
		b.WriteString(w)
		width += length(w)
	}
	return b.String()
}
