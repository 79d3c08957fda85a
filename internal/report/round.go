package report

import (
	"math"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"
)

// Decimals of each kind of number, in every format.
const (
	celsiusDecimals = 1
	percentDecimals = 1
	doseDecimals    = 2 // kilolux hours
	luxDecimals     = 0
	factorDecimals  = 2
	daysDecimals    = 1
	massDecimals    = 2
)

// round is n with so many decimals, half away from zero as printed by
// strconv, and never -0.
func (n Number) round(decimals int) Number {
	if !n.Known() {
		return Unknown()
	}
	v, err := strconv.ParseFloat(strconv.FormatFloat(float64(n), 'f', decimals, 64), 64)
	if err != nil {
		return Unknown()
	}
	if v == 0 {
		return 0
	}
	return Number(v)
}

// rounded is a copy of the report as it is shown: the one place where numbers
// are rounded and names are cleaned. Temperatures, percents and days keep one
// decimal, light doses, acceleration and kilograms two, limits of light none.
// Each number is rounded for itself, so that parts may miss their sum by the
// last digit.
func rounded(r Report) Report {
	if r.Zone == nil {
		r.Zone = time.UTC
	}
	r.Site, r.Version = clean(r.Site), clean(r.Version)
	r.Made = r.Made.UTC().Truncate(time.Second)
	r.Notes, r.Cautions = cleaned(r.Notes), cleaned(r.Cautions)
	r.Cost = r.Cost.rounded()
	r.Rooms = slices.Clone(r.Rooms)
	for i := range r.Rooms {
		r.Rooms[i] = r.Rooms[i].rounded()
	}
	r.Lots = slices.Clone(r.Lots)
	for i := range r.Lots {
		r.Lots[i] = r.Lots[i].rounded()
	}
	r.Plan = r.Plan.rounded()
	return r
}

func (c Cost) rounded() Cost {
	return Cost{
		Heat: c.Heat.round(daysDecimals), Moisture: c.Moisture.round(daysDecimals), Oxygen: c.Oxygen.round(daysDecimals),
		Light: c.Light.round(daysDecimals), Sum: c.Sum.round(daysDecimals), Mass: c.Mass.round(massDecimals),
	}
}

func (c Climate) rounded() Climate {
	return Climate{
		Mean: c.Mean.round(celsiusDecimals), Min: c.Min.round(celsiusDecimals), Max: c.Max.round(celsiusDecimals),
		Humidity: c.Humidity.round(percentDecimals), LightDose: c.LightDose.round(doseDecimals),
		Acceleration: c.Acceleration.round(factorDecimals),
		Measured:     c.Measured.round(percentDecimals), Estimated: c.Estimated.round(percentDecimals),
		Unmeasured: c.Unmeasured.round(percentDecimals),
	}
}

func (r Room) rounded() Room {
	r.Name = clean(r.Name)
	r.WarmLimit, r.DampLimit = r.WarmLimit.round(celsiusDecimals), r.DampLimit.round(percentDecimals)
	r.BrightLimit = r.BrightLimit.round(luxDecimals)
	r.Climate, r.Cost = r.Climate.rounded(), r.Cost.rounded()
	r.Days = slices.Clone(r.Days)
	for i := range r.Days {
		r.Days[i].Climate = r.Days[i].Climate.rounded()
	}
	r.Months = slices.Clone(r.Months)
	for i := range r.Months {
		r.Months[i].Climate, r.Months[i].Cost = r.Months[i].Climate.rounded(), r.Months[i].Cost.rounded()
	}
	r.Excursions = slices.Clone(r.Excursions)
	for i := range r.Excursions {
		r.Excursions[i] = r.Excursions[i].rounded()
	}
	r.Seasons = slices.Clone(r.Seasons)
	for i := range r.Seasons {
		r.Seasons[i] = r.Seasons[i].rounded()
	}
	return r
}

func (e Excursion) rounded() Excursion {
	e.Kind, e.Unit, e.Note = clean(e.Kind), clean(e.Unit), clean(e.Note)
	e.From, e.To = e.From.UTC().Truncate(time.Second), e.To.UTC().Truncate(time.Second)
	e.Peak, e.Cost = e.Peak.round(e.peakDecimals()), e.Cost.rounded()
	e.Worst = slices.Clone(e.Worst)
	for i, l := range e.Worst {
		e.Worst[i] = LotDays{clean(l.Lot), clean(l.Food), l.Days.round(daysDecimals)}
	}
	return e
}

func (e Excursion) peakDecimals() int {
	if e.Unit == "lx" {
		return luxDecimals
	}
	return celsiusDecimals
}

func (l Lot) rounded() Lot {
	l.ID, l.Food, l.Container, l.Room = clean(l.ID), clean(l.Food), clean(l.Container), clean(l.Room)
	l.EndedBy, l.Reason = clean(l.EndedBy), clean(l.Reason)
	l.Mass, l.Spent, l.LostShare = l.Mass.round(massDecimals), l.Spent.round(daysDecimals), l.LostShare.round(percentDecimals)
	l.Remaining = Band{l.Remaining.Low.round(percentDecimals), l.Remaining.Likely.round(percentDecimals), l.Remaining.High.round(percentDecimals)}
	l.Lost = l.Lost.rounded()
	return l
}

func (p Plan) rounded() Plan {
	p.Basis, p.Advice = clean(p.Basis), cleaned(p.Advice)
	p.Steps = slices.Clone(p.Steps)
	for i, s := range p.Steps {
		p.Steps[i] = Step{clean(s.Lot), clean(s.Food), s.From, s.To, s.InTime.round(massDecimals), s.Late.round(massDecimals)}
	}
	p.Supplies = slices.Clone(p.Supplies)
	for i, s := range p.Supplies {
		p.Supplies[i] = Supply{clean(s.Food), s.Mass.round(massDecimals), s.PerMonth.round(massDecimals), s.Days.round(daysDecimals)}
	}
	return p
}

func cleaned(lines []string) []string {
	out := make([]string, 0, len(lines))
	for _, l := range lines {
		out = append(out, clean(l))
	}
	return out
}

// clean is s on one line and without what is no character: bytes that are not
// UTF-8, control characters, and marks that turn the direction of the text
// around them.
func clean(s string) string {
	return strings.Map(func(r rune) rune {
		switch {
		case unicode.IsSpace(r) && r != '\u00a0' && r != '\u202f':
			return ' '
		case unicode.IsControl(r), unicode.Is(unicode.Bidi_Control, r), r == '\ufeff', r >= 0xfff9 && r <= 0xfffb:
			return -1
		}
		return r
	}, strings.ToValidUTF8(s, "\ufffd"))
}

// text is the number as a person reads it: with a proper minus, and "unknown"
// where there is none.
func (n Number) text(decimals int) string {
	if !n.Known() {
		return "unknown"
	}
	s := strconv.FormatFloat(math.Abs(float64(n)), 'f', decimals, 64)
	if n < 0 {
		return "−" + s
	}
	return s
}

// plain is the number as a program reads it, "" when unknown.
func (n Number) plain(decimals int) string {
	if !n.Known() {
		return ""
	}
	return strconv.FormatFloat(float64(n), 'f', decimals, 64)
}
