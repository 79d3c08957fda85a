package report

import (
	"strings"
	"time"
)

// Caution stands at the foot of every page.
const Caution = "Quality is not safety: this is an estimate of how good food is, never a statement that it is safe to eat. " +
	"When in doubt, throw it out. Your local food-safety authority goes before this report."

// roundingNote stands where numbers add up.
const roundingNote = "Each number is rounded for itself, so parts may miss their sum by the last digit."

// costNote says what a cost is.
const costNote = "Cost is life lost beyond plan storage (air at the room's warm limit and no damper than its damp limit), " +
	"in days summed over the lots; kg is the same share of the food. Below zero is life gained."

// bandNote says what a band is.
const bandNote = "Bands are 10 to 90 %. A date beyond the horizon of the forecast reads \"beyond\"."

func (r Report) moment(t time.Time) string {
	if t.IsZero() {
		return "still on"
	}
	return t.In(r.Zone).Format("2 Jan 2006 15:04 MST")
}

func (d Date) day() string {
	if d.IsZero() {
		return "–"
	}
	return d.utc().Format("2 Jan 2006")
}

func (d Date) month() string {
	if d.IsZero() {
		return "beyond"
	}
	return d.utc().Format("Jan 2006")
}

func (r Report) title() string { return "Storage review of " + orNone(r.Site) }

func (r Report) subtitle() string {
	return r.From.day() + " to " + r.To.day() + ", made " + r.Made.In(r.Zone).Format("2 Jan 2006 15:04 MST") + " by dryhold " + r.Version
}

func orNone(s string) string {
	if strings.TrimSpace(s) == "" {
		return "(no name)"
	}
	return s
}

// sentence is the cost in one line.
func (c Cost) sentence() string {
	return c.Sum.text(daysDecimals) + " days: heat " + c.Heat.text(daysDecimals) + ", moisture " + c.Moisture.text(daysDecimals) +
		", oxygen " + c.Oxygen.text(daysDecimals) + ", light " + c.Light.text(daysDecimals) + "; " + c.Mass.text(massDecimals) + " kg of food"
}

func (r Room) limits() string {
	return "Limits: cool " + r.WarmLimit.text(celsiusDecimals) + " °C, dry " + r.DampLimit.text(percentDecimals) +
		" %, dark " + r.BrightLimit.text(luxDecimals) + " lx."
}
