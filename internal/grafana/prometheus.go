package grafana

import (
	"github.com/grafana/grafana-foundation-sdk/go/units"

	"dryhold/internal/alarm"
)

// kelvins is not among the units of Grafana but as a temperature.
const kelvins = "suffix:K"

// The selectors of the series of dryhold, by what is chosen.
func ofSite(name string) string { return "dryhold_" + name + `{site=~"$site"}` }
func ofRoom(name string) string { return "dryhold_room_" + name + `{site=~"$site",room=~"$room"}` }
func ofLot(name string) string {
	return "dryhold_lot_" + name + `{site=~"$site",room=~"$room",lot=~"$lot"}`
}

// by takes the greatest of each of what the labels name, and no other label.
func by(labels, expr string) string { return "max by (" + labels + ") (" + expr + ")" }

// perLot is said where a panel needs the series of lots.
const perLot = " Needs metrics: {per_lot: true} in the configuration of dryhold."

// The variables. The limits of rooms are there whatever is known of the rooms.
func promSites() variable {
	return variable{name: "site", label: "Site", query: "label_values(dryhold_last_evaluation_timestamp_seconds, site)", several: true}
}

func promRooms() variable {
	return variable{name: "room", label: "Room", query: `label_values(dryhold_room_temperature_limit_celsius{site=~"$site"}, room)`, several: true}
}

func one(v variable) variable {
	v.several = false
	return v
}

// alarmTable lists what is not normal; where narrows it down by more labels.
func alarmTable(where string) panel {
	return panel{
		shape: rows, title: "Alarms", wide: 12, high: 8, unit: units.NoUnit, steps: plain(), sort: "-State",
		text:    "Alarm conditions that are not normal, by dryhold's own limits and delays. A condition of a lot has no room, since the lot may move. An empty table beside an answering dryhold means that all is normal.",
		queries: []query{{text: by("site, kind, priority, room, sensor, lot", `dryhold_alarm_active{site=~"$site"`+where+`}`)}},
		columns: []column{
			of("kind", "Kind"), of("room", "Room"), of("sensor", "Sensor"), of("lot", "Lot"),
			{from: "priority", name: "Priority", unit: units.NoUnit, steps: plain(), words: map[string]word{"high": {"high", red}, "medium": {"medium", orange}, "low": {"low", yellow}}},
			{from: "A", name: "State", unit: units.NoUnit, steps: plain(), words: map[string]word{"1": {"active", orange}, "0": {"returned, shelved or out of service", grey}}},
			of("site", "Site"),
		},
	}
}

// answers is how old the published state is.
func answers() panel {
	return panel{
		shape: figure, title: "Last judged", wide: 6, high: 4, unit: units.Seconds, steps: steps{{colour: green}, {standsStill, red}},
		text:    "Age of the state that everything else on this page shows, of the site that is worst. No data: dryhold does not answer, and nothing here is of now.",
		queries: []query{{text: "time() - min(" + ofSite("last_evaluation_timestamp_seconds") + ")"}},
	}
}

func prometheusNow(l limits) board {
	temperature, limit := ofSite("room_temperature_celsius"), ofSite("room_temperature_limit_celsius")
	return board{
		page: pageNow, title: "dryhold: now", from: "24h", refresh: "1m", variables: []variable{promSites()},
		text: "What is too warm now, what has it cost, what ends first. " + notSafety,
		panels: []panel{
			{
				shape: figure, title: "Alarms active", wide: 6, high: 4, unit: units.NoUnit, steps: none(),
				text:    "Alarm conditions that are active, acknowledged or not.",
				queries: []query{{text: "sum(" + `dryhold_alarms{site=~"$site",state=~"active_.*"}` + ")"}},
			},
			{
				shape: figure, title: "Rooms of unknown temperature", wide: 6, high: 4, unit: units.NoUnit, steps: none(),
				text: "Rooms of which no fresh temperature is known. What happens in them is not known either.",
				// A room without a temperature is what is counted here.
				queries: []query{{text: "count(" + limit + ") - (count(" + temperature + ") or 0 * count(" + limit + "))"}},
			},
			{
				shape: figure, title: "Silent sensors", wide: 6, high: 4, unit: units.NoUnit, steps: none(),
				text:    "Sensors that have sent nothing for their stale limit.",
				queries: []query{{text: "sum(" + ofSite("sensor_silent") + ")"}},
			},
			answers(),
			roomTable(l),
			{
				shape: course, title: "Temperature", wide: 12, high: 9, unit: units.Celsius, decimals: 1, steps: l.above(alarm.Warm, alarm.Hot),
				text: "Air temperature of each room, with the limit of the room as a dashed line. A gap is time of which nothing is known.",
				queries: []query{
					{text: by("site, room", temperature), name: "{{site}} {{room}}"},
					{text: by("site, room", limit), name: "{{site}} {{room}} limit", line: true},
				},
			},
			{
				shape: bars, title: "What storage has cost in the time shown", wide: 12, high: 9, unit: units.Days, decimals: 1, steps: beyond(),
				text:    "Life that lots have lost in the time shown beyond what plan storage would have cost them; below zero where the room stayed cooler than planned. The eight that lost most. " + notSafety + perLot,
				queries: []query{{text: "topk(8, sum by (site, lot, food) (delta(" + ofSite("lot_life_lost_beyond_plan_seconds") + "[$__range]))) / 86400", name: "{{site}} {{lot}} {{food}}"}},
			},
			endsFirst(l),
			alarmTable(""),
		},
	}
}

// roomTable is a row for each room, also for one of which nothing is known.
func roomTable(l limits) panel {
	temperature, limit := ofSite("room_temperature_celsius"), ofSite("room_temperature_limit_celsius")
	return panel{
		shape: rows, title: "Rooms", wide: gridWidth, high: 7, unit: units.NoUnit, steps: plain(), sort: "-Above limit",
		text: "Each room now. Above limit is by how much it is warmer than its own limit; ageing is how many times as fast as at plan storage food ages at this temperature. A click on a room opens it.",
		queries: []query{
			{text: by("site, room", limit)},
			{text: by("site, room", temperature)},
			{text: by("site, room", temperature+" - on (site, room) "+limit)},
			{text: by("site, room", ofSite("room_relative_humidity_ratio"))},
			{text: by("site, room", ofSite("room_ageing_acceleration_ratio"))},
			{text: "time() - " + by("site, room", `dryhold_room_last_reading_timestamp_seconds{site=~"$site",quantity="temperature"}`)},
		},
		columns: []column{
			{from: "room", name: "Room", unit: units.NoUnit, steps: plain(), link: pageRoom},
			{from: "B", name: "Temperature", unit: units.Celsius, decimals: 1, steps: l.above(alarm.Warm, alarm.Hot)},
			{from: "C", name: "Above limit", unit: kelvins, decimals: 1, steps: l.overLimit()},
			{from: "A", name: "Limit", unit: units.Celsius, decimals: 1, steps: plain()},
			{from: "D", name: "Humidity", unit: units.PercentUnit, steps: l.above(alarm.Damp)},
			{from: "E", name: "Ageing", unit: "suffix:times", decimals: 2, steps: l.times()},
			{from: "F", name: "Newest reading", unit: units.Seconds, steps: l.above(alarm.Silent)},
			of("site", "Site"),
		},
	}
}

// endsFirst lists the lots whose end is nearest.
func endsFirst(l limits) panel {
	end := ofSite("lot_projected_end_timestamp_seconds")
	first := "bottomk(10, " + by("site, room, lot, food", end) + ")"
	also := func(name string) string {
		return by("site, room, lot, food", ofSite(name)) + " and on (site, lot) " + first
	}
	return panel{
		shape: rows, title: "What ends first", wide: 12, high: 8, unit: units.NoUnit, steps: plain(), sort: "Likely end",
		text: "The ten lots whose quality is likely to end first under the forecast of their room. In one of ten draws it ends before the early end. " + notSafety + perLot,
		queries: []query{
			{text: first + " * 1000"},
			{text: "(" + also("lot_projected_end_early_timestamp_seconds") + ") * 1000"},
			{text: also("lot_remaining_quality_ratio")},
		},
		columns: []column{
			{from: "lot", name: "Lot", unit: units.NoUnit, steps: plain(), link: pageLots},
			of("food", "Food"), of("room", "Room"),
			{from: "A", name: "Likely end", unit: units.DatetimeISO, steps: plain()},
			{from: "B", name: "Early end", unit: units.DatetimeISO, steps: plain()},
			{from: "C", name: "Quality left", unit: units.PercentUnit, steps: l.below(alarm.Quality)},
			of("site", "Site"),
		},
	}
}

func prometheusRoom(l limits) board {
	now := func(title, text, expr, unit string, decimals float64, s steps) panel {
		return panel{shape: figure, title: title, text: text, wide: 6, high: 4, unit: unit, decimals: decimals, steps: s, queries: []query{{text: by("site, room", expr)}}}
	}
	lines := func(title, text, unit string, decimals float64, s steps, drawn bool, q ...query) panel {
		return panel{shape: course, title: title, text: text, wide: 12, high: 9, unit: unit, decimals: decimals, steps: s, lines: drawn, queries: q}
	}
	each := func(name, series string) query { return query{text: by("site, room", ofRoom(series)), name: name} }
	limit := func(series string) query {
		return query{text: by("site, room", ofRoom(series)), name: "limit", line: true}
	}
	return board{
		page: pageRoom, title: "dryhold: room", from: "7d", refresh: "1m", variables: []variable{one(promSites()), one(promRooms())},
		text: "One room against its limits. The charts of dryhold itself show more: excursions with their cost, and what was estimated.",
		panels: []panel{
			now("Temperature now", "Air temperature now.", ofRoom("temperature_celsius"), units.Celsius, 1, l.above(alarm.Warm, alarm.Hot)),
			now("Humidity now", "Relative humidity of the air now.", ofRoom("relative_humidity_ratio"), units.PercentUnit, 0, l.above(alarm.Damp)),
			now("Ageing now", "How many times as fast as at plan storage food ages at this temperature (80 kJ/mol).", ofRoom("ageing_acceleration_ratio"), "suffix:times", 2, l.times()),
			now("Measured in the last day", "Share of the last 24 hours with a measured temperature; the rest was estimated, or is unknown.", ofRoom("temperature_coverage_ratio"), units.PercentUnit, 0, plain()),
			lines("Temperature", "Air temperature with the limit of the room, the dew point, and the mean kinetic temperature of the last 30 days: the steady temperature that would have aged food as much, known once half of them was measured. A gap is time of which nothing is known.",
				units.Celsius, 1, l.above(alarm.Warm, alarm.Hot), false,
				each("air", "temperature_celsius"), limit("temperature_limit_celsius"), each("dew point", "dew_point_celsius"), each("mean kinetic, 30 days", "mean_kinetic_temperature_celsius")),
			lines("Relative humidity", "Relative humidity of the air with the limit of the room.", units.PercentUnit, 0, l.above(alarm.Damp), false,
				each("air", "relative_humidity_ratio"), limit("relative_humidity_limit_ratio")),
			lines("Ageing", "How many times as fast as at plan storage food ages (80 kJ/mol), and the mean of the day before. At the upper line, held for a week, the default alarm of ageing is raised.", "suffix:times", 2, l.times(), true,
				each("now", "ageing_acceleration_ratio"), query{text: by("site, room", "avg_over_time("+ofRoom("ageing_acceleration_ratio")+"[1d])"), name: "mean of a day"}),
			lines("Light", "Illuminance with the limit of the room.", units.Lux, 0, l.above(alarm.Bright), false,
				each("light", "illuminance_lux"), limit("illuminance_limit_lux")),
			lines("Mould index", "Of surfaces as warm as the air, 0 to 6; from 1 on mould grows. It says nothing of food.", units.NoUnit, 2, none(), true,
				query{text: by("site, room, surface", ofRoom("mould_index")), name: "{{surface}}"}),
			{
				shape: states, title: "Sensors", wide: 12, high: 9, unit: units.NoUnit, steps: plain(),
				text:    "Which sensors were heard. What is blank, nobody watched: dryhold did not answer.",
				queries: []query{{text: by("site, room, sensor", `dryhold_sensor_silent{site=~"$site",room=~"$room"}`), name: "{{sensor}}"}},
				words:   map[string]word{"0": {"heard", green}, "1": {"silent", orange}},
			},
			alarmTable(`,room=~"$room"`),
			{
				shape: figure, title: "Lots here, and with a warning", wide: 12, high: 8, unit: units.NoUnit, steps: plain(),
				text:    "Lots that stand in the room, and those of them with a warning: water, seal, insects or the end of their life. " + notSafety,
				queries: []query{each("lots", "lots"), each("with a warning", "lots_warned")},
			},
		},
	}
}
