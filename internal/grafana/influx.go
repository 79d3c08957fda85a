package grafana

import (
	"fmt"
	"strings"

	"github.com/grafana/grafana-foundation-sdk/go/units"

	"dryhold/internal/alarm"
	"dryhold/internal/influx"
	"dryhold/internal/settings"
)

// How far back what is now may lie (judgement): an hour is exported ten minutes
// after it has ended, and so up to 130 minutes after it began; the result of a
// lot goes out once a UTC day; an alarm speaks when it changes.
const (
	newestHour  = "3h"
	newestLot   = "48h"
	newestAlarm = "1y"
)

// heard is how long a reading counts as one of now: the default stale limit.
func heard() string { return fmt.Sprintf("%dm", int(settings.DefaultStale.Minutes())) }

// fieldLabels turns {{label}} into what the plug-in for InfluxDB wants.
func fieldLabels(name string) string {
	return strings.NewReplacer("{{", "${__field.labels.", "}}", "}").Replace(name)
}

// ask joins a query of a panel.
func ask(p points, name string) query { return query{text: p.String(), name: name} }

func fluxSites() variable {
	return variable{name: "site", label: "Site", query: values("site", influx.MeasurementHour), several: true}
}

func fluxRooms() variable {
	return variable{name: "room", label: "Room", query: values("room", influx.MeasurementHour, "site"), several: true}
}

// qualities are how well a value is known.
func qualities() map[string]word {
	return map[string]word{
		string(influx.Measured): {"measured", green}, string(influx.Partial): {"in part", yellow},
		string(influx.Estimated): {"estimated", orange}, string(influx.Unknown): {"unknown", red},
	}
}

// standing gives the newest word of each alarm, whatever it was about.
func standing(kinds ...string) points {
	p := points{of: influx.MeasurementAlarm, fields: []string{"active"}, chosen: append([]string{"site"}, kinds...), since: newestAlarm}
	p.then = []string{`group(columns: ["_time", "_value", "to"], mode: "except")`, `sort(columns: ["_time"])`, "tail(n: 1)"}
	return p
}

func fluxAlarms(chosen ...string) panel {
	p := standing(chosen...)
	p.then = append(p.then, fmt.Sprintf("filter(fn: (r) => r.to != %q)", alarm.Normal), groups())
	return panel{
		shape: rows, title: "Alarms", wide: 12, high: 8, unit: units.NoUnit, steps: plain(), sort: "-Since",
		text:    "Alarms that are not normal, by dryhold's own limits and delays. A condition of a lot has no room, since the lot may move. An empty table beside fresh readings means that all is normal.",
		queries: []query{ask(p, "")},
		columns: []column{
			of("kind", "Kind"), of("room", "Room"), of("sensor", "Sensor"), of("lot", "Lot"),
			{from: "to", name: "State", unit: units.NoUnit, steps: plain(), words: map[string]word{
				string(alarm.ActiveUnacknowledged): {"active", red}, string(alarm.ActiveAcknowledged): {"acknowledged", orange},
				string(alarm.ReturnedUnack): {"returned", yellow}, string(alarm.Shelved): {"shelved", grey},
				string(alarm.OutOfService): {"out of service", grey},
			}},
			{from: "_time", name: "Since", unit: units.DatetimeISO, steps: plain()},
			of("site", "Site"),
		},
	}
}

// fluxActive counts the alarms that are active, 0 where all are over.
func fluxActive(by ...string) points {
	p := standing()
	p.then = append(p.then, "map(fn: (r) => ({r with _value: if r._value then 1 else 0}))", groups(by...), "sum()")
	return p
}

// fluxAnswers is the age of the newest reading.
func fluxAnswers(l limits) panel {
	p := points{of: influx.MeasurementReading, fields: []string{"value"}, chosen: []string{"site"}, since: "30d",
		then: stages([]string{"last()"}, latest(), []string{age(), keeps("age")})}
	return panel{
		shape: figure, title: "Newest reading", wide: 6, high: 4, unit: units.Seconds, steps: l.above(alarm.Silent),
		text:    "Age of the newest reading that has arrived here. No data: none in 30 days, and nothing on this page is of now.",
		queries: []query{ask(p, "")},
	}
}

func influxNow(l limits) board {
	now := points{of: influx.MeasurementReading, fields: []string{"value"}, chosen: []string{"site"}, is: map[string]string{"quantity": "temperature"}}
	lines := now
	now.since, now.then = heard(), []string{"last()", groups("site", "room"), "max()", keeps("site", "room", "_value")}
	lines.then = []string{groups("site", "room"), windows("v.windowPeriod", greatest), keeps("site", "room", "_time", "_value")}
	cost := points{of: influx.MeasurementLot, fields: []string{"lost_days"}, chosen: []string{"site"},
		then: []string{groups("site", "lot"), `sort(columns: ["_time"])`, "difference()", "sum()", groups(), `sort(columns: ["_value"], desc: true)`, "limit(n: 8)", groups("site", "lot")}}
	return board{
		page: pageNow, title: "dryhold: now (InfluxDB)", from: "48h", refresh: "5m", variables: []variable{fluxSites()},
		text: "What is too warm now, what has it cost, what ends first. Limits that rooms have of their own are not exported: colours go by the default ones. " + notSafety,
		panels: []panel{
			{
				shape: figure, title: "Alarms active", wide: 6, high: 4, unit: units.NoUnit, steps: none(),
				text:    "Alarms that are active, acknowledged or not. No data: no alarm has spoken for a year.",
				queries: []query{ask(fluxActive(), "")},
			},
			fluxAnswers(l),
			{
				shape: bars, title: "Temperature now", wide: 12, high: 8, unit: units.Celsius, decimals: 1, steps: l.above(alarm.Warm, alarm.Hot),
				text:    "The warmest sensor of each room. A room that is not here has sent nothing for " + heard() + ": what happens in it is not known.",
				queries: []query{ask(now, "{{site}} {{room}}")},
			},
			fluxRoomTable(l),
			{
				shape: course, title: "Temperature", wide: 12, high: 9, unit: units.Celsius, decimals: 1, steps: l.above(alarm.Warm, alarm.Hot), lines: true, least: "30m",
				text:    "The warmest sensor of each room, as the highest of each window. The lines are the default limits of warm and hot. A gap is time of which nothing is known.",
				queries: []query{ask(lines, "{{site}} {{room}}")},
			},
			{
				shape: bars, title: "What storage has cost in the time shown", wide: 12, high: 9, unit: units.Days, decimals: 1, steps: beyond(),
				text:    "Days of life that lots have lost in the time shown beyond what plan storage would have cost them, by the results of each day; below zero where the room stayed cooler than planned. The eight that lost most. " + notSafety,
				queries: []query{ask(cost, "{{site}} {{lot}}")},
			},
			fluxLotTable(l, "What ends first", 12, 8, "site"),
			fluxAlarms(),
		},
	}
}

// fluxRoomTable is a row for each room that has an hour, known or not.
func fluxRoomTable(l limits) panel {
	p := points{of: influx.MeasurementHour, fields: []string{"temperature_mean", "temperature_max", "humidity_mean", "quality"}, chosen: []string{"site"}, since: newestHour,
		then: stages(newest("site", "room"), []string{groups()})}
	return panel{
		shape: rows, title: "Rooms", wide: gridWidth, high: 7, unit: units.NoUnit, steps: plain(), sort: "-Highest",
		text:    "The newest hour of each room. A room that was never measured is not here. A click on a room opens it.",
		queries: []query{ask(p, "")},
		columns: []column{
			{from: "room", name: "Room", unit: units.NoUnit, steps: plain(), link: pageRoom},
			{from: "temperature_mean", name: "Temperature", unit: units.Celsius, decimals: 1, steps: l.above(alarm.Warm, alarm.Hot)},
			{from: "temperature_max", name: "Highest", unit: units.Celsius, decimals: 1, steps: l.above(alarm.Warm, alarm.Hot)},
			{from: "humidity_mean", name: "Humidity", unit: units.PercentUnit, steps: l.above(alarm.Damp)},
			{from: "quality", name: "Known", unit: units.NoUnit, steps: plain(), words: qualities()},
			{from: "_time", name: "Hour", unit: units.DatetimeISO, steps: plain()},
			of("site", "Site"),
		},
	}
}

// fluxLotTable is a row for each lot that is not finished.
func fluxLotTable(l limits, title string, wide, high uint32, chosen ...string) panel {
	p := points{
		of: influx.MeasurementLot, chosen: chosen, since: newestLot, seconds: []string{"end", "end_early"}, whole: []string{"site", "lot"},
		fields: []string{"remaining_likely", "remaining_low", "end", "end_early", "lost_days", "quality", "room", "food", "finished"},
		then:   stages(newest("site", "lot"), []string{"filter(fn: (r) => not r.finished)", groups()}),
	}
	return panel{
		shape: rows, title: title, wide: wide, high: high, unit: units.NoUnit, steps: plain(), sort: "Likely end",
		text:    "Each lot that is not finished, by its newest result of the last two days; the one that is likely to end first stands first. In one of ten draws the quality left is below the low bound, and ends before the early end. " + notSafety,
		queries: []query{ask(p, "")},
		columns: []column{
			{from: "lot", name: "Lot", unit: units.NoUnit, steps: plain(), link: pageLots},
			of("food", "Food"), of("room", "Room"),
			{from: "end", name: "Likely end", unit: units.DatetimeISO, steps: plain()},
			{from: "end_early", name: "Early end", unit: units.DatetimeISO, steps: plain()},
			{from: "remaining_likely", name: "Quality left", unit: units.PercentUnit, steps: l.below(alarm.Quality)},
			{from: "remaining_low", name: "Low bound", unit: units.PercentUnit, steps: l.below(alarm.Quality)},
			{from: "lost_days", name: "Lost beyond plan", unit: units.Days, decimals: 1, steps: beyond()},
			{from: "quality", name: "Known", unit: units.NoUnit, steps: plain(), words: qualities()},
			of("site", "Site"),
		},
	}
}
