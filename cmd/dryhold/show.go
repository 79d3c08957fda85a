package main

import (
	"fmt"
	"io"
	"math"
	"strings"
	"text/tabwriter"
	"time"
	"unicode/utf8"

	"dryhold/internal/engine"
	"dryhold/internal/lot"
	"dryhold/internal/room"
	"dryhold/internal/web"
)

const (
	screen  = 100 // characters of a line
	unknown = "not known"
)

// sheet writes rows of a name and a value, long values over several lines.
type sheet struct{ *tabwriter.Writer }

// nameWide is the room the names of a sheet take, the gap with them.
const nameWide = 26

func (s sheet) row(name, format string, args ...any) {
	for line := range strings.Lines(wrapTo(screen-nameWide, fmt.Sprintf(format, args...), "")) {
		fmt.Fprintf(s, "%s\t%s", name, line)
		name = ""
	}
}

func printLot(w io.Writer, l engine.LotView) error {
	s := sheet{tabwriter.NewWriter(w, nameWide, 0, 2, ' ', 0)}
	for _, text := range l.Warnings {
		s.row("!! warning", "%s", text)
	}
	s.packing(l)
	s.left(l)
	if !l.AsOf.IsZero() {
		s.water(l)
		s.oxygen(l)
		s.life(l)
	}
	if l.Packing.Note != "" {
		s.row("note", "%s", l.Packing.Note)
	}
	for _, n := range l.Notes {
		s.row("seen", "%s", web.Noted(n, n.At.Format(time.DateOnly)))
	}
	if l.Caution != "" {
		s.row("caution", "%s", l.Caution)
	}
	s.row("", "Quality is not safety: when in doubt, throw it out.")
	return s.Flush()
}

func (s sheet) packing(l engine.LotView) {
	s.row("lot", "%s", l.ID)
	s.row("food", "%s", l.FoodName)
	s.row("packed", "%s: %d x %g kg in %s", l.Packing.PackedAt.Format(time.DateOnly), l.Packing.Count, l.Packing.NetMassKG, l.ContainerName)
	s.store(l)
	if n := l.Packing.PerCarton; n > 1 {
		s.row("cartons", "%d in each, which warms and cools as one block", n)
	}
	s.row("treatment", "%s", treated(l.Packing.Treatment))
	s.row("moisture at packing", "%s", moistureText(l.Packing.MoistureWB))
	s.row("light", "%s", l.Packing.Shading)
	s.row("seal", "%s; of such containers %s leak", sealText(l.Lot), share(l.Oxygen.SealFailure))
	for _, stay := range l.Stays {
		s.row("stands in", "%s since %s", stay.Room, stay.From.Format(time.DateOnly))
	}
	if l.Finished() {
		s.row("finished", "%s %s", l.FinishedAt.Format(time.DateOnly), l.FinishNote)
	}
}

// left is what is left of the lot and of its modes, and when it ends.
func (s sheet) left(l engine.LotView) {
	s.row("quality left", "%s, limited by %s", share(l.Remaining), l.Limiting)
	if likely, band := web.Ending(l, time.UTC, "2006-01"); !l.Finished() {
		if band != "" {
			likely += ", " + band
		}
		if l.EndBy != "" {
			likely += ", by " + l.EndBy
		}
		s.row("projected end", "%s, under the forecast of its room", likely)
		if likely, band = web.AtPlan(l, time.UTC, "2006-01"); band != "" {
			likely += ", " + band
		}
		if l.PlanBy != "" {
			likely += ", by " + l.PlanBy
		}
		s.row("end at plan", "%s, if kept at plan storage from now on", likely)
	}
	s.row("lost to heat", "%.1f days of life beyond plan; all causes: dryhold review --lot %s", l.LostBeyondPlan, l.ID)
	s.row("not measured", "%.1f days estimated, %.1f days unknown", l.EstimatedDays, l.UnknownDays)
	for _, m := range l.Modes {
		if m.Nutrient && m.Retention != nil {
			s.row("  "+m.Name, "%s kept; nutrient, ends no lot; %s", share(*m.Retention), factors(m))
			continue
		}
		text := share(m.Consumed) + " of its life spent"
		if m.Retention != nil {
			text += ", " + share(*m.Retention) + " kept"
		}
		s.row("  "+m.Name, "%s; %s", text, factors(m))
	}
}

// factors is how a mode came to where it is.
func factors(m engine.ModeView) string {
	return fmt.Sprintf("%.1f (%.1f to %.1f) equivalent days at %g °C, water x %.3g, oxygen x %.3g, light %.1f %%",
		m.Exposure.Likely, m.Exposure.Low, m.Exposure.High, float64(room.Reference), m.Water, m.Oxygen, 100*m.Light)
}

func (s sheet) water(l engine.LotView) {
	m := l.Moisture
	s.row("moisture", "%s of wet mass", share(m.WetBasis))
	likely, band := web.Activity(m.Activity)
	if band != "" {
		likely += " (" + band + ")"
	}
	s.row("water activity", "%s: %s", likely, marked(web.Water(l)))
	s.row("  amber", "%g: %s", m.Amber.Level, web.Passed(m.Amber, time.UTC))
	s.row("  red", "%g: %s; then: %s", m.Red.Level, web.Passed(m.Red, time.UTC), m.Limit)
}

func (s sheet) oxygen(l engine.LotView) {
	o := l.Oxygen
	likely, band := web.Oxygen(o.Fraction)
	if band != "" {
		likely += " (" + band + ")"
	}
	s.row("oxygen", "%s: %s", likely, marked(web.Atmosphere(l)))
	s.row("  enclosed at packing", "%.0f cm3 in each container (%s)", o.Enclosed, o.Note)
	if text := web.Absorber(l, time.UTC); text != "" {
		s.row("  absorber", "%s", strings.TrimSpace(strings.TrimPrefix(strings.TrimPrefix(text, "absorber"), ":")))
		if !o.Spent.Past {
			s.row("  absorber is spent", "%s", web.Passed(o.Spent, time.UTC))
		}
	}
	for _, p := range o.Rises {
		s.row(fmt.Sprintf("  rises past %g %%", 100*p.Level), "%s", web.Passed(p, time.UTC))
	}
}

// life is insects, seed and light.
func (s sheet) life(l engine.LotView) {
	s.row("insects", "%s", marked(web.Insects(l)))
	if i := l.Insects; i != nil {
		s.row("  "+i.Species, "%.1f (%.1f to %.1f) generations possible since packing, if one pair came in and nothing was done; %.1f days not known",
			i.Generations.Likely, i.Generations.Low, i.Generations.High, i.UnknownDays)
	}
	if l.Viable != nil {
		s.row("seed that sprouts", "%s", share(*l.Viable))
	}
	s.row("light received", "%.0f lux hours", l.LightDose)
}

func treated(t lot.Treatment) string {
	switch {
	case t.Kind != lot.Absorber:
		return string(t.Kind)
	case t.MoistureActivated:
		return fmt.Sprintf("moisture-activated absorber of %g cm3 in each container", t.CapacityCM3)
	}
	return fmt.Sprintf("absorber of %g cm3 in each container", t.CapacityCM3)
}

func moistureText(wb float64) string {
	if wb == 0 {
		return "not measured, the usual is taken"
	}
	return fmt.Sprintf("%.4g %% of wet mass", 100*wb)
}

// mark stands in front of words that are not good.
func mark(w web.Words) string {
	switch w.Standing {
	case web.Near:
		return "!"
	case web.Bad:
		return "!!"
	case web.Doubtful:
		return "?"
	}
	return ""
}

func marked(w web.Words) string { return strings.TrimSpace(mark(w) + " " + w.Text) }

// share is a share with its band, in percent.
func share(e engine.Estimate) string {
	if e.Low == e.High {
		return fmt.Sprintf("%.1f %%", 100*e.Likely)
	}
	return fmt.Sprintf("%.1f %% (%.1f to %.1f %%)", 100*e.Likely, 100*e.Low, 100*e.High)
}

// left is what is left of a lot in few characters.
func left(e engine.Estimate) string {
	f := func(v float64) string {
		switch v = math.Round(100 * v); {
		case math.IsNaN(v):
			return "?"
		case v < -100: // how far below says no more
			return "<-100"
		}
		return fmt.Sprint(v + 0) // no minus zero
	}
	return f(e.Likely) + " % " + f(e.Low) + " to " + f(e.High)
}

// ending is when a lot ends, in few characters.
func ending(l engine.LotView) string {
	if l.Finished() {
		return "finished " + l.FinishedAt.Format(time.DateOnly)
	}
	likely, band := web.Ending(l, time.UTC, "2006-01")
	if band != "" {
		likely += ", " + band
	}
	return brief(likely)
}

func brief(s string) string {
	return strings.NewReplacer("under ", "<", "beyond ", ">", unknown, "?").Replace(s)
}

// cut shortens a text to at most n characters.
func cut(s string, n int) string {
	if utf8.RuneCountInString(s) <= n {
		return s
	}
	return string([]rune(s)[:n-1]) + "…"
}

// wrap breaks a text into lines that fit the screen, the second and further
// ones indented.
func wrap(s, indent string) string { return wrapTo(screen, s, indent) }

func wrapTo(width int, s, indent string) string {
	var b strings.Builder
	at := 0
	for i, word := range strings.Fields(s) {
		n := utf8.RuneCountInString(word)
		switch {
		case i == 0:
		case at+1+n > width:
			b.WriteString("\n" + indent)
			at = len(indent)
		default:
			b.WriteByte(' ')
			at++
		}
		b.WriteString(word)
		at += n
	}
	b.WriteByte('\n')
	return b.String()
}
