package web

import (
	"math"
	"strconv"
	"strings"
	"time"
)

// measure says how a quantity reads on the page: its way from the canonical
// unit, its decimals and its symbol.
type measure struct {
	p              *pageContext
	factor, offset float64
	decimals       int
	symbol         string
}

// measure is one of its own: the factor from the canonical unit, the decimals
// and the symbol with its space.
func (p *pageContext) measure(factor float64, decimals int, symbol string) measure {
	return measure{p: p, factor: factor, decimals: decimals, symbol: symbol}
}

// The measures of the pages. Light has the one unit everywhere.
func (p *pageContext) celsius() measure {
	if p.us {
		return measure{p, 1.8, 32, 1, " °F"}
	}
	return p.measure(1, 1, " °C")
}

// kelvin is a difference of temperatures.
func (p *pageContext) kelvin() measure {
	if p.us {
		return p.measure(1.8, 1, " °F")
	}
	return p.measure(1, 1, " K")
}

func (p *pageContext) percent() measure { return p.measure(100, 0, " %") }
func (p *pageContext) lux() measure     { return p.measure(1, 0, " lx") }

// humidity is a relative humidity that stands beside other percentages.
func (p *pageContext) humidity(decimals int) measure {
	return p.measure(100, decimals, " % "+p.t("RH"))
}

// english is the context of what reads alike for everyone: no page asked.
func english() *pageContext { return &pageContext{zone: time.UTC} }

// text is the value with its unit. A value below 0 gets the proper minus, and
// never "−0".
func (m measure) text(v float64) string { return m.number(v, m.decimals) + m.symbol }

// number is the value in the unit, without its symbol.
func (m measure) number(v float64, decimals int) string {
	return m.p.number(v*m.factor+m.offset, decimals)
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

// number is a number with its decimals, as the language writes it.
func (p *pageContext) number(v float64, decimals int) string {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return p.t("unknown")
	}
	n := strconv.FormatFloat(math.Abs(v), 'f', decimals, 64)
	if zero, err := strconv.ParseFloat(n, 64); v < 0 && err == nil && zero != 0 {
		n = "−" + n
	}
	return p.comma(n)
}

// short is a number with at most so many decimals: 2.5, and 20 rather than
// 20.00.
func (p *pageContext) short(v float64, decimals int) string {
	scale := math.Pow10(decimals)
	if v = math.Round(v*scale) / scale; math.IsNaN(v) || math.IsInf(v, 0) || v == 0 {
		return p.number(v, 0)
	}
	n := strconv.FormatFloat(math.Abs(v), 'f', -1, 64)
	if v < 0 {
		n = "−" + n
	}
	return p.comma(n)
}

// comma is the decimal mark of the language in a number of figures.
func (p *pageContext) comma(figures string) string {
	return strings.Replace(figures, ".", p.tr.decimalMark(), 1)
}

// grouped is a count with its thousands set apart by thin spaces that do not
// break.
func (p *pageContext) grouped(n uint64) string {
	s := strconv.FormatUint(n, 10)
	for i := len(s) - 3; i > 0; i -= 3 {
		s = s[:i] + "\u202f" + s[i:]
	}
	return s
}

// The unit of mass in the United States, and their gallon with its quarts.
const (
	poundKG    = 0.45359237
	ounceKG    = poundKG / 16
	gallonL    = 3.785411784
	quartL     = gallonL / 4
	fluidOzL   = gallonL / 128
	littleOnce = 0.9995 // of a unit, from which on it is a whole one
)

// mass is a mass of food: grams below a kilogram, ounces below a pound.
func (p *pageContext) mass(kg float64) string {
	switch lb := kg / poundKG; {
	case math.IsNaN(kg) || math.IsInf(kg, 0):
		return p.t("unknown")
	case p.us && kg > 0 && lb < littleOnce:
		return p.short(kg/ounceKG, 1) + " oz"
	case p.us && lb < 100:
		return p.short(lb, 2) + " lb"
	case p.us:
		return p.short(lb, 1) + " lb"
	case kg > 0 && kg < littleOnce:
		return p.number(kg*1000, 0) + " g"
	}
	return p.short(kg, 3) + " kg"
}

// volume is that of a container or a liquid.
func (p *pageContext) volume(litres float64) string {
	switch gal := litres / gallonL; {
	case math.IsNaN(litres) || math.IsInf(litres, 0):
		return p.t("unknown")
	case p.us && gal >= littleOnce:
		return p.short(gal, 2) + " gal"
	case p.us && litres/quartL >= 0.25:
		return p.short(litres/quartL, 2) + " qt"
	case p.us:
		return p.short(litres/fluidOzL, 2) + " fl oz"
	case litres > 0 && litres < littleOnce:
		return p.short(litres*1000, 1) + " mL"
	}
	return p.short(litres, 2) + " L"
}

// days is a span of life in days, with a decimal while it is short.
func (p *pageContext) days(d float64) string {
	if math.IsNaN(d) || math.IsInf(d, 0) {
		return p.t("unknown")
	}
	decimals := 0
	if math.Abs(d) < 99.95 {
		decimals = 1
	}
	n := p.number(d, decimals)
	if math.Abs(d) < 0.05 {
		n = "0"
	}
	return p.t("%s days", n)
}

// ageing is a speed of ageing against plan storage, in words.
func (p *pageContext) ageing(v float64) string {
	decimals := 1
	switch {
	case math.IsNaN(v) || math.IsInf(v, 0):
		return p.t("unknown")
	case v >= 0.95 && v < 1.05:
		return p.t("as fast as planned")
	case v >= 9.95:
		decimals = 0
	case v < 0.1:
		decimals = 2
	}
	return p.t("%s times as fast as planned", p.number(v, decimals))
}

// ago is how long ago something was.
func (p *pageContext) ago(d time.Duration) string {
	switch {
	case d < 0:
		return p.t("in the future")
	case d < 48*time.Hour:
		return p.t("%s ago", p.span(d))
	}
	return p.tn("%d day ago", "%d days ago", int(d/(24*time.Hour)))
}

// span is a duration in the largest unit that says enough.
func (p *pageContext) span(d time.Duration) string {
	switch {
	case d < 90*time.Second:
		return strconv.FormatInt(int64(d/time.Second), 10) + " s"
	case d < 90*time.Minute:
		return strconv.FormatInt(int64(d/time.Minute), 10) + " min"
	case d < 48*time.Hour:
		return strconv.FormatInt(int64(d/time.Hour), 10) + " h"
	}
	return p.tn("%d day", "%d days", int(d/(24*time.Hour)))
}

// silence is a span given in seconds.
func (p *pageContext) silence(seconds float64) string {
	if !(seconds >= 0 && seconds < math.MaxInt32) {
		return p.t("not known")
	}
	return p.span(time.Duration(seconds) * time.Second)
}

// moment is a time shown twice: for people in the site's zone, for programs
// as RFC 3339.
type moment struct {
	Text, Machine string
}

func (p *pageContext) moment(t time.Time) moment {
	if t.IsZero() {
		return moment{Text: p.t("never")}
	}
	return moment{p.date(t, "2 Jan 2006 15:04 MST"), t.UTC().Format(time.RFC3339)}
}

// month is a date years away, for which a day would be false precision.
func (p *pageContext) month(t time.Time) moment {
	if t.IsZero() {
		return moment{Text: p.t("not known")}
	}
	return moment{p.date(t, "January 2006"), t.UTC().Format(time.RFC3339)}
}

// date is a time in the site's zone by a layout of package time, which the
// language may order in its own way and whose month it names.
func (p *pageContext) date(t time.Time, layout string) string {
	t, layout = t.In(p.zone), p.word(layout)
	for _, month := range []string{"January", "Jan"} {
		if before, after, ok := strings.Cut(layout, month); ok {
			return t.Format(before) + p.word(t.Format(month)) + t.Format(after)
		}
	}
	return t.Format(layout)
}

// typed is what was typed into a form, with the decimal mark that numbers of
// programs have: 9.5 where the language of the page writes 9,5.
func (p *pageContext) typed(text string) string {
	if p.tr.decimalMark() != "," {
		return text
	}
	b := []byte(text)
	figure := func(i int) bool { return i >= 0 && i < len(b) && b[i] >= '0' && b[i] <= '9' }
	for i := range b {
		if b[i] == ',' && figure(i-1) && figure(i+1) {
			b[i] = '.'
		}
	}
	return string(b)
}
