package grafana

import (
	"time"

	"github.com/grafana/grafana-foundation-sdk/go/units"

	"dryhold/internal/alarm"
	"dryhold/internal/influx"
)

// hourly asks for one field of the hours of what is chosen, as a line.
func hourly(field, fn string, chosen []string, by ...string) points {
	return points{of: influx.MeasurementHour, fields: []string{field}, chosen: chosen,
		then: []string{groups(by...), windows("v.windowPeriod", fn), keeps(append([]string{"_time", "_value"}, by...)...)}}
}

func influxRoom(l limits) board {
	chosen := []string{"site", "room"}
	hour := func(field, name string) query { return ask(hourly(field, "mean", chosen, chosen...), name) }
	lines := func(title, text, unit string, decimals float64, s steps, q ...query) panel {
		return panel{shape: course, title: title, text: text, wide: 12, high: 9, unit: unit, decimals: decimals, steps: s, lines: true, least: "1h", queries: q}
	}
	now := func(title, quantity, unit string, decimals float64, s steps) panel {
		p := points{of: influx.MeasurementReading, fields: []string{"value"}, chosen: chosen, is: map[string]string{"quantity": quantity}, since: heard(),
			then: []string{"last()", groups(chosen...), "max()", keeps("site", "room", "_value")}}
		return panel{shape: figure, title: title, text: "Of the sensor that tells most. No data: nothing for " + heard() + ", and not known.", wide: 6, high: 4, unit: unit, decimals: decimals, steps: s, queries: []query{ask(p, "")}}
	}
	daily := hourly("exposure_days", "sum", chosen, chosen...)
	daily.then[1] = windows("1d", "sum")
	known := hourly("quality", "", chosen, chosen...)
	known.then = []string{groups(chosen...), keeps("_time", "_value", "site", "room")} // hour by hour
	return board{
		page: pageRoom, title: "dryhold: room (InfluxDB)", from: "7d", refresh: "5m", variables: []variable{one(fluxSites()), one(fluxRooms())},
		text: "One room by its hours. Limits that the room has of its own are not exported: lines are the default ones.",
		panels: []panel{
			now("Temperature now", "temperature", units.Celsius, 1, l.above(alarm.Warm, alarm.Hot)),
			now("Humidity now", "humidity", units.PercentUnit, 0, l.above(alarm.Damp)),
			now("Light now", "illuminance", units.Lux, 0, l.above(alarm.Bright)),
			now("Oxygen now", "oxygen", units.PercentUnit, 1, plain()),
			lines("Temperature", "Mean, lowest and highest of each hour; whether it was measured or estimated stands under How well it is known. The lines are the default limits of warm and hot. A gap is time of which nothing is known.", units.Celsius, 1, l.above(alarm.Warm, alarm.Hot),
				hour("temperature_mean", "mean"), hour("temperature_min", "lowest"), hour("temperature_max", "highest")),
			lines("Relative humidity", "Mean of each hour, with the default limit of damp.", units.PercentUnit, 0, l.above(alarm.Damp), hour("humidity_mean", "air")),
			lines("Ageing", "Days at 21 °C that each day has aged food by (83.144 kJ/mol): 1 is as planned by default. Twice as fast for a week raises the default alarm of ageing. A day that is under way, or of which a part is unknown, counts what is there.", "suffix:days a day", 2, l.times(),
				ask(daily, "aged")),
			{
				shape: states, title: "How well it is known", wide: 12, high: 9, unit: units.NoUnit, steps: plain(), gap: 90 * time.Minute,
				text:    "Whether the temperature of each hour was measured. What is blank has not arrived here.",
				queries: []query{ask(known, "{{room}}")}, words: qualities(),
			},
			fluxAlarms("room"),
		},
	}
}

func influxLots(l limits) board {
	// Tags of a lot are its site and itself: where it stands and what it is are
	// fields, since a lot may move.
	lots := variable{name: "lot", label: "Lot", query: values("lot", influx.MeasurementLot, "site"), several: true}
	chosen := []string{"site", "lot"}
	lines := func(title, text, field, unit string, decimals float64, s steps) panel {
		p := points{of: influx.MeasurementLot, fields: []string{field}, chosen: chosen,
			then: []string{groups(chosen...), windows("v.windowPeriod", "mean"), keeps("_time", "_value", "site", "lot")}}
		return panel{shape: course, title: title, text: text, wide: 12, high: 9, unit: unit, decimals: decimals, steps: s, lines: len(s) > 1, least: "1d", queries: []query{ask(p, "{{site}} {{lot}}")}}
	}
	aDay := lines("Life lost a day", "Days of life lost beyond plan from one day to the next. Held for a week at the line, the default alarm of ageing is raised.", "lost_days", "suffix:days a day", 2, l.above(alarm.Ageing))
	aDay.queries[0] = ask(points{of: influx.MeasurementLot, fields: []string{"lost_days"}, chosen: chosen,
		then: []string{groups(chosen...), windows("1d", "mean"), "difference()", keeps("_time", "_value", "site", "lot")}}, "{{site}} {{lot}}")
	return board{
		page: pageLots, title: "dryhold: lots and cost (InfluxDB)", from: "90d", refresh: "1h", variables: []variable{fluxSites(), lots},
		text: "What is left of each lot, what storage has cost it, and what is inside: one result for each UTC day and each change. " + notSafety,
		panels: []panel{
			caution(),
			fluxLotTable(l, "Lots", gridWidth, 10, "site", "lot"),
			lines("Quality left", "Likely remaining quality of each lot: 1 at packing, 0 at the end of its life. At the line the default alarm of quality is raised.", "remaining_likely", units.PercentUnit, 0, l.below(alarm.Quality)),
			lines("Life lost beyond plan", "Days of life that a lot has lost since packing beyond what plan storage would have cost it; below zero where it stood cooler than planned.", "lost_days", units.Days, 1, beyond()),
			aDay,
			lines("Water activity", "Likely water activity of the food. Its amber and red lines differ from food to food and are not exported.", "water_activity", units.NoUnit, 3, plain()),
			lines("Oxygen inside", "Likely share of oxygen in the gas inside a container. Low-oxygen packing is only for dry food.", "oxygen", units.PercentUnit, 1, plain()),
			lines("Unknown days", "Days in the life of a lot of which nothing was measured; they count at plan storage with a wide band.", "unknown_days", units.Days, 0, plain()),
		},
	}
}

func influxDaemon(l limits) board {
	site := []string{"site"}
	perRoom := func(title, text, field, fn, unit string) panel {
		return panel{shape: course, title: title, text: text, wide: 12, high: 8, unit: unit, steps: plain(), least: "1h",
			queries: []query{ask(hourly(field, fn, site, "site", "room"), "{{site}} {{room}}")}}
	}
	raised := points{of: influx.MeasurementAlarm, fields: []string{"active"}, chosen: site, is: map[string]string{"to": string(alarm.ActiveUnacknowledged)},
		then: []string{groups("site"), `aggregateWindow(every: 1d, fn: count, createEmpty: false)`, keeps("_time", "_value", "site")}}
	return board{
		page: pageDaemon, title: "dryhold: daemon health (InfluxDB)", from: "7d", refresh: "5m", variables: []variable{fluxSites()},
		text: "dryhold by what arrives here. Its own figures (checks, commits, memory) are for Prometheus.",
		panels: []panel{
			fluxAnswers(l),
			{
				shape: figure, title: "Alarms active", wide: 6, high: 4, unit: units.NoUnit, steps: none(),
				text:    "Alarms that are active, acknowledged or not. No data: no alarm has spoken for a year.",
				queries: []query{ask(fluxActive(), "")},
			},
			fluxSensorTable(l),
			perRoom("Readings an hour", "Readings of temperature in each hour.", "n", "mean", units.NoUnit),
			perRoom("Unknown time", "Of each hour, the time whose temperature is not known.", "unknown_s", "mean", units.Seconds),
			perRoom("Estimated time", "Of each hour, the time whose temperature was estimated.", "estimated_s", "mean", units.Seconds),
			{
				shape: course, title: "Alarms raised a day", wide: 12, high: 8, unit: units.NoUnit, steps: plain(), least: "1d", upright: true,
				text:    "Alarms raised in each UTC day; no bar where none was told of.",
				queries: []query{ask(raised, "{{site}}")},
			},
			fluxAlarms(),
		},
	}
}

// fluxSensorTable is a row for each sensor that was heard in the last month.
func fluxSensorTable(l limits) panel {
	last := func(then ...string) points {
		return points{of: influx.MeasurementReading, fields: []string{"value"}, chosen: []string{"site"}, since: "30d", then: then}
	}
	seen := last(stages([]string{"last()"}, latest("site", "room", "sensor"), []string{age(), keeps("site", "room", "sensor", "age"), groups()})...)
	charge := last("last()", groups("site", "room", "sensor"), keeps("site", "room", "sensor", "_value"), groups())
	charge.is, charge.since = map[string]string{"quantity": "battery"}, newestLot
	return panel{
		shape: rows, title: "Sensors", wide: 12, high: 8, unit: units.NoUnit, steps: plain(), sort: "-Newest reading",
		text:    "Each sensor heard in the last 30 days. Its battery is that of the last two days.",
		queries: []query{ask(seen, ""), ask(charge, "")},
		columns: []column{
			of("sensor", "Sensor"), of("room", "Room"),
			{from: "age", name: "Newest reading", unit: units.Seconds, steps: l.above(alarm.Silent)},
			{from: "_value", name: "Battery", unit: units.PercentUnit, steps: l.below(alarm.LowBattery)},
			of("site", "Site"),
		},
	}
}

func influxSites(l limits) board {
	site := []string{"site"}
	lines := func(title, text, unit string, decimals float64, s steps, p points) panel {
		return panel{shape: course, title: title, text: text, wide: 12, high: 9, unit: unit, decimals: decimals, steps: s, lines: true, least: "1h", queries: []query{ask(p, "{{site}}")}}
	}
	table := func(name string, p points, then ...string) query {
		p.then = append(p.then, then...)
		p.then = append(p.then, groups(), `rename(columns: {_value: "`+name+`"})`, keeps("site", name))
		return ask(p, "")
	}
	seen := points{of: influx.MeasurementReading, fields: []string{"value"}, chosen: site, since: newestAlarm,
		then: stages([]string{"last()"}, latest("site"), []string{age(), keeps("site", "age"), groups()})}
	warmest := points{of: influx.MeasurementReading, fields: []string{"value"}, chosen: site, is: map[string]string{"quantity": "temperature"}, since: heard(),
		then: []string{"last()", groups("site"), "max()"}}
	least := points{of: influx.MeasurementLot, fields: []string{"remaining_likely"}, chosen: site, since: newestLot,
		then: []string{"last()", groups("site"), "min()"}}
	ageing := hourly("exposure_days", "sum", site, "site", "room")
	ageing.then = []string{groups("site", "room"), windows("1d", "sum"), groups("site"), windows("1d", greatest), keeps("_time", "_value", "site")}
	return board{
		page: pageSites, title: "dryhold: many sites (InfluxDB)", from: "7d", refresh: "5m", variables: []variable{fluxSites()},
		text: "One row for each dryhold that has sent anything in a year, the worst of each. " + notSafety,
		panels: []panel{
			{
				shape: rows, title: "Sites", wide: gridWidth, high: 9, unit: units.NoUnit, steps: plain(), sort: "-Newest reading",
				text:    "A site that has fallen silent has no data in the other columns. Warmest is the warmest sensor of the last " + heard() + "; quality is that of the lot that has least left.",
				queries: []query{ask(seen, ""), table("warmest", warmest), table("alarms", fluxActive("site")), table("least", least)},
				columns: []column{
					of("site", "Site"),
					{from: "age", name: "Newest reading", unit: units.Seconds, steps: l.above(alarm.Silent)},
					{from: "warmest", name: "Warmest", unit: units.Celsius, decimals: 1, steps: l.above(alarm.Warm, alarm.Hot)},
					{from: "alarms", name: "Alarms", unit: units.NoUnit, steps: none()},
					{from: "least", name: "Least quality left", unit: units.PercentUnit, steps: l.below(alarm.Quality)},
				},
			},
			lines("Warmest room", "The highest hourly mean among the rooms. The lines are the default limits of warm and hot.", units.Celsius, 1, l.above(alarm.Warm, alarm.Hot), hourly("temperature_mean", greatest, site, "site")),
			lines("Fastest ageing", "Days at 21 °C that each day has aged food by, in the room where it ages fastest: 1 is as planned by default.", "suffix:days a day", 2, l.times(), ageing),
			lines("Unknown time", "Of each hour, the time whose temperature is not known, in the room of which least is known.", units.Seconds, 0, plain(), hourly("unknown_s", greatest, site, "site")),
			lines("Readings an hour", "Readings of temperature in each hour, as the mean of the rooms.", units.NoUnit, 0, plain(), hourly("n", "mean", site, "site")),
		},
	}
}
