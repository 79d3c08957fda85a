package packing

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
)

// Titles of the sections.
const (
	titleFood      = "Is the food fit?"
	titleMoisture  = "Is it dry enough?"
	titleContainer = "Is the container fit?"
	titleAbsorber  = "The absorber at hand"
	titleFill      = "How many containers"
	titleOxygen    = "Oxygen absorber"
	titleInsects   = "Insects"
	titleLife      = "How long it will likely last"
	titleOptions   = "What would extend it"
	titlePractice  = "Rules of the trade beside this model"
	titleWork      = "Order of work"
	titleCautions  = "Cautions"
)

// Sources that stand at many lines.
const (
	practice  = "common practice, no source"
	memory    = "from memory"
	judgement = "judgement"
	computed  = "computed from the catalog"
)

// say adds a line to the section under way.
func (a *adviser) say(level Level, source, format string, args ...any) {
	l := Line{Level: level, Text: fmt.Sprintf(format, args...), Source: source}
	a.lines = append(a.lines, l)
	if level == Refused {
		a.out.Refused = true
		a.out.Reasons = append(a.out.Reasons, l.Text)
	}
}

// end closes the section under way, if anything was said in it.
func (a *adviser) end(title string) {
	if len(a.lines) > 0 {
		a.out.Sections = append(a.out.Sections, Section{title, a.lines})
	}
	a.lines = nil
}

func inOrder(sections []Section, titles []string) []Section {
	place := func(s Section) int {
		if i := slices.Index(titles, s.Title); i >= 0 {
			return i
		}
		return len(titles)
	}
	slices.SortStableFunc(sections, func(x, y Section) int { return place(x) - place(y) })
	return sections
}

// figures is a number with up to so many significant digits, never in powers of
// ten.
func figures(v float64, n int) string {
	if v == 0 || math.IsNaN(v) || math.IsInf(v, 0) {
		return strconv.FormatFloat(v, 'f', 0, 64)
	}
	places := n - 1 - int(math.Floor(math.Log10(math.Abs(v))))
	if places < 0 {
		scale := math.Pow(10, float64(-places))
		return strconv.FormatFloat(math.Round(v/scale)*scale, 'f', 0, 64)
	}
	text := strconv.FormatFloat(v, 'f', min(places, 6), 64)
	if strings.Contains(text, ".") {
		text = strings.TrimRight(strings.TrimRight(text, "0"), ".")
	}
	return text
}

func cm3(v float64) string { return strconv.FormatFloat(math.Round(v), 'f', 0, 64) + " cm3" }

func whole(v float64) string { return strconv.FormatFloat(math.Round(v), 'f', 0, 64) }

// exact is a number as it was written.
func exact(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }

func percent(fraction float64) string { return figures(100*fraction, 3) + " %" }

// pounds in a kilogram, by definition.
const poundKG = 0.45359237

// kilos is a mass in both trades.
func kilos(kg float64) string { return figures(kg, 3) + " kg (" + figures(kg/poundKG, 2) + " lb)" }

// about is lasting with the word that goes before an estimate.
func about(days float64) string {
	if days >= beyond {
		return lasting(days)
	}
	return "about " + lasting(days)
}

// lasting is a number of days in the unit people would use.
func lasting(days float64) string {
	switch {
	case days >= beyond:
		return "more than 100 years"
	case days >= 2*year:
		return figures(days/year, 2) + " years"
	case days >= 60:
		return whole(days/(year/12)) + " months"
	case math.Round(days) == 1:
		return "1 day"
	}
	return whole(days) + " days"
}

const (
	year   = 365.25
	beyond = 100 * year // how far package course looks
)
