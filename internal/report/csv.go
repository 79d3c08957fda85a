package report

import (
	"encoding/csv"
	"io"
	"slices"
	"strconv"
	"strings"
	"time"
)

// Columns are the columns of the CSV form: one file of several tables, each
// row naming its own in the first column and leaving empty what it does not
// have. Filter by that column and every table is whole.
//
//	table      one row for each, and the columns it fills
//	report     the review: name (the site), zone, first_day, last_day, from (when made), text (version), cost
//	room       name, limits, climate, cost
//	day        room, first_day, climate
//	month      room, first_day, climate, cost
//	season     room, name, first_day, measured, mean, season (mean_kinetic_celsius to beyond_plan_per_100_degree_days), text (against the year before)
//	excursion  room, name (its kind), from, to (empty while it lasts), peak with peak_unit, cost, text (its note)
//	worst      a lot that an excursion cost most: room, name, from, lot, food, lost_days
//	lot        lot, food, container, room, first_day (packed), net_mass_kg, remaining, end, name (what ends it),
//	           spent_at_plan_days, cost, lost_percent, rank, text (why that rank)
//	step       the plan of use: lot, food, first_day, last_day, in_time_kg, late_kg
//	supply     food, net_mass_kg, used_kg_per_month, lasts_days
//	text       name (note, advice, basis, caution), text
//
// Days are of the site's zone, instants in UTC. A text that a spreadsheet
// could take for a formula has an apostrophe before it.
func Columns() []string {
	return slices.Concat(
		[]string{"table", "room", "lot", "name", "food", "container", "zone", "first_day", "last_day", "from", "to"},
		[]string{"warm_limit_celsius", "damp_limit_percent", "bright_limit_lux"},
		[]string{"temperature_mean_celsius", "temperature_min_celsius", "temperature_max_celsius", "relative_humidity_mean_percent",
			"light_dose_kilolux_hours", "acceleration_against_plan", "measured_percent", "estimated_percent", "unknown_percent"},
		[]string{"peak", "peak_unit", "net_mass_kg", "remaining_low_percent", "remaining_likely_percent", "remaining_high_percent",
			"end_low", "end_likely", "end_high", "spent_at_plan_days"},
		[]string{"heat_days", "moisture_days", "oxygen_days", "light_days", "lost_days", "lost_kg", "lost_percent"},
		[]string{"rank", "in_time_kg", "late_kg", "used_kg_per_month", "lasts_days", "text"},
		[]string{"mean_kinetic_celsius", "exposure_days", "beyond_plan_days", "hours_above_limit", "outdoor_degree_days", "beyond_plan_per_100_degree_days"},
	)
}

// record is one row by the names of its columns.
type record map[string]string

func writeCSV(w io.Writer, r Report) error {
	out := csv.NewWriter(w)
	columns := Columns()
	_ = out.Write(columns) // an error stays in out until the end
	row := make([]string, len(columns))
	put := func(table string, parts ...record) {
		clear(row)
		for _, part := range append(parts, record{"table": table}) {
			for name, v := range part {
				row[slices.Index(columns, name)] = v
			}
		}
		_ = out.Write(row)
	}
	r.csvHead(put)
	r.csvRooms(put)
	r.csvLots(put)
	r.csvPlan(put)
	out.Flush()
	return out.Error()
}

func (r Report) csvHead(put func(string, ...record)) {
	put("report", record{"name": guard(r.Site), "zone": guard(r.Zone.String()), "first_day": r.From.String(), "last_day": r.To.String(), "from": instant(r.Made),
		"text": guard(r.Version)}, r.Cost.record())
	for _, kind := range []struct {
		name  string
		lines []string
	}{{"note", r.Notes}, {"basis", []string{r.Plan.Basis}}, {"advice", r.Plan.Advice}, {"caution", append([]string{Caution}, r.Cautions...)}} {
		for _, line := range kind.lines {
			if line != "" {
				put("text", record{"name": kind.name, "text": guard(line)})
			}
		}
	}
}

func (r Report) csvRooms(put func(string, ...record)) {
	for _, room := range r.Rooms {
		in := record{"room": guard(room.Name)}
		put("room", in, record{"warm_limit_celsius": room.WarmLimit.plain(celsiusDecimals),
			"damp_limit_percent": room.DampLimit.plain(percentDecimals), "bright_limit_lux": room.BrightLimit.plain(luxDecimals),
		}, room.Climate.record(), room.Cost.record())
		for _, d := range room.Days {
			put("day", in, record{"first_day": d.Date.String()}, d.Climate.record())
		}
		for _, m := range room.Months {
			put("month", in, record{"first_day": m.First.String()}, m.Climate.record(), m.Cost.record())
		}
		for _, s := range room.Seasons {
			put("season", in, s.record())
		}
		for _, e := range room.Excursions {
			spell := record{"name": guard(e.Kind), "from": instant(e.From)}
			put("excursion", in, spell, record{"to": instant(e.To), "peak": e.Peak.plain(e.peakDecimals()),
				"peak_unit": guard(e.Unit), "text": guard(e.Note)}, e.Cost.record())
			for _, l := range e.Worst {
				put("worst", in, spell, record{"lot": guard(l.Lot), "food": guard(l.Food), "lost_days": l.Days.plain(daysDecimals)})
			}
		}
	}
}

func (r Report) csvLots(put func(string, ...record)) {
	for _, l := range r.Lots {
		put("lot", record{
			"lot": guard(l.ID), "food": guard(l.Food), "container": guard(l.Container), "room": guard(l.Room), "name": guard(l.EndedBy),
			"first_day": l.Packed.String(), "net_mass_kg": l.Mass.plain(massDecimals),
			"remaining_low_percent":    l.Remaining.Low.plain(percentDecimals),
			"remaining_likely_percent": l.Remaining.Likely.plain(percentDecimals),
			"remaining_high_percent":   l.Remaining.High.plain(percentDecimals),
			"end_low":                  l.End.Low.String(), "end_likely": l.End.Likely.String(), "end_high": l.End.High.String(),
			"spent_at_plan_days": l.Spent.plain(daysDecimals), "lost_percent": l.LostShare.plain(percentDecimals),
			"rank": strconv.Itoa(l.Rank), "text": guard(l.Reason),
		}, l.Lost.record())
	}
}

func (r Report) csvPlan(put func(string, ...record)) {
	for _, s := range r.Plan.Steps {
		put("step", record{"lot": guard(s.Lot), "food": guard(s.Food), "first_day": s.From.String(), "last_day": s.To.String(),
			"in_time_kg": s.InTime.plain(massDecimals), "late_kg": s.Late.plain(massDecimals)})
	}
	for _, s := range r.Plan.Supplies {
		put("supply", record{"food": guard(s.Food), "net_mass_kg": s.Mass.plain(massDecimals),
			"used_kg_per_month": s.PerMonth.plain(massDecimals), "lasts_days": s.Days.plain(daysDecimals)})
	}
}

func (c Climate) record() record {
	return record{
		"temperature_mean_celsius": c.Mean.plain(celsiusDecimals), "temperature_min_celsius": c.Min.plain(celsiusDecimals),
		"temperature_max_celsius": c.Max.plain(celsiusDecimals), "relative_humidity_mean_percent": c.Humidity.plain(percentDecimals),
		"light_dose_kilolux_hours": c.LightDose.plain(doseDecimals), "acceleration_against_plan": c.Acceleration.plain(factorDecimals),
		"measured_percent": c.Measured.plain(percentDecimals), "estimated_percent": c.Estimated.plain(percentDecimals),
		"unknown_percent": c.Unmeasured.plain(percentDecimals),
	}
}

func (c Cost) record() record {
	return record{
		"heat_days": c.Heat.plain(daysDecimals), "moisture_days": c.Moisture.plain(daysDecimals), "oxygen_days": c.Oxygen.plain(daysDecimals),
		"light_days": c.Light.plain(daysDecimals), "lost_days": c.Sum.plain(daysDecimals), "lost_kg": c.Mass.plain(massDecimals),
	}
}

func instant(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.UTC().Format(time.RFC3339)
}

// guard keeps a spreadsheet from running a text as a formula (OWASP, CSV
// injection): one that begins with =, +, -, @ or a blank before them.
func guard(s string) string {
	if t := strings.TrimLeft(s, " \u00a0\u202f'"); t != "" && strings.ContainsRune("=+-@＝＋－＠", []rune(t)[0]) {
		return "'" + s
	}
	return s
}
