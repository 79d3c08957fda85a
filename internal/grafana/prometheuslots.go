package grafana

import (
	"github.com/grafana/grafana-foundation-sdk/go/units"

	"dryhold/internal/alarm"
)

func prometheusLots(l limits) board {
	lots := variable{name: "lot", label: "Lot", query: `label_values(dryhold_lot_remaining_quality_ratio{site=~"$site",room=~"$room"}, lot)`, several: true}
	each := func(expr string) query {
		return query{text: by("site, room, lot, food", expr), name: "{{site}} {{lot}} {{food}}"}
	}
	lines := func(title, text, unit string, decimals float64, s steps, drawn bool, q ...query) panel {
		return panel{shape: course, title: title, text: text + perLot, wide: 12, high: 9, unit: unit, decimals: decimals, steps: s, lines: drawn, queries: q}
	}
	return board{
		page: pageLots, title: "dryhold: lots and cost", from: "90d", refresh: "5m", variables: []variable{promSites(), promRooms(), lots},
		text: "What is left of each lot, what storage has cost it, and what is inside. " + notSafety,
		panels: []panel{
			caution(),
			lotTable(l),
			lines("Quality left", "Likely remaining quality of each lot: 1 at packing, 0 at the end of its life. At the line the default alarm of quality is raised.", units.PercentUnit, 0, l.below(alarm.Quality), true,
				each(ofLot("remaining_quality_ratio"))),
			lines("Life lost beyond plan", "Days of life that a lot has lost since packing beyond what plan storage would have cost it; below zero where it stood cooler than planned.", units.Days, 1, beyond(), true,
				each(ofLot("life_lost_beyond_plan_seconds")+" / 86400")),
			lines("Life lost a day", "Days of life lost beyond plan for each day of the week before. At the line the default alarm of ageing is raised.", "suffix:days a day", 2, l.above(alarm.Ageing), true,
				each("delta("+ofLot("life_lost_beyond_plan_seconds")+"[7d]) / 7 / 86400")),
			lines("Water above the amber line", "Likely water activity of the food, less that at which it wants attention. Above zero find how the water comes in.", units.NoUnit, 3, steps{{colour: green}, {0, colour(l[alarm.MoistureAmber])}}, true,
				each(ofLot("water_activity_ratio")+" - "+ofLot("water_activity_amber_ratio"))),
			lines("Water below the red line", "What is left until the water activity at which the food is lost for keeping. Below zero it is past that line.", units.NoUnit, 3, steps{{colour: colour(l[alarm.MoistureRed])}, {0, green}}, true,
				each(ofLot("water_activity_red_ratio")+" - "+ofLot("water_activity_ratio"))),
			lines("Oxygen inside", "Likely share of oxygen in the gas inside a container. Low-oxygen packing is only for dry food.", units.PercentUnit, 1, plain(), false,
				each(ofLot("oxygen_ratio"))),
		},
	}
}

// lotTable is a row for each lot.
func lotTable(l limits) panel {
	all := func(expr string) query { return query{text: by("site, room, lot, food", expr)} }
	return panel{
		shape: rows, title: "Lots", wide: gridWidth, high: 10, unit: units.NoUnit, steps: plain(), sort: "Likely end",
		text: "Each lot that is not finished. In one of ten draws the quality left is below the low bound, and ends before the early end. No end within 100 years is told as no data." + perLot,
		queries: []query{
			all(ofLot("remaining_quality_ratio")), all(ofLot("remaining_quality_low_ratio")),
			all(ofLot("projected_end_timestamp_seconds") + " * 1000"), all(ofLot("projected_end_early_timestamp_seconds") + " * 1000"),
			all(ofLot("life_lost_beyond_plan_seconds") + " / 86400"), all(ofLot("seal_failure_ratio")),
		},
		columns: []column{
			of("lot", "Lot"), of("food", "Food"), of("room", "Room"),
			{from: "A", name: "Quality left", unit: units.PercentUnit, steps: l.below(alarm.Quality)},
			{from: "B", name: "Low bound", unit: units.PercentUnit, steps: l.below(alarm.Quality)},
			{from: "C", name: "Likely end", unit: units.DatetimeISO, steps: plain()},
			{from: "D", name: "Early end", unit: units.DatetimeISO, steps: plain()},
			{from: "E", name: "Lost beyond plan", unit: units.Days, decimals: 1, steps: beyond()},
			{from: "F", name: "Seals that fail", unit: units.PercentUnit, decimals: 1, steps: plain()},
			of("site", "Site"),
		},
	}
}

func prometheusDaemon(l limits) board {
	lines := func(title, text, unit string, decimals float64, s steps, drawn bool, q ...query) panel {
		return panel{shape: course, title: title, text: text, wide: 12, high: 8, unit: unit, decimals: decimals, steps: s, lines: drawn, queries: q}
	}
	slowest := func(share, name string) query {
		return query{text: "histogram_quantile(" + share + ", sum by (site, le) (rate(" + ofSite("store_commit_duration_seconds_bucket") + "[$__rate_interval])))", name: name}
	}
	return board{
		page: pageDaemon, title: "dryhold: daemon health", from: "24h", refresh: "1m", variables: []variable{promSites()},
		text: "Whether dryhold hears, keeps and judges what the sensors send, and tells of it.",
		panels: []panel{
			answers(),
			{
				shape: figure, title: "Checks that fail", wide: 6, high: 4, unit: units.NoUnit, steps: none(),
				text:    "Checks of dryhold's own condition that fail. /healthz and the page Health say why, with the remedy.",
				queries: []query{{text: "sum(1 - " + ofSite("health_ok") + ")"}},
			},
			{
				shape: figure, title: "Broker", wide: 6, high: 4, unit: units.NoUnit, steps: steps{{colour: red}, {1, green}},
				text:    "Whether dryhold is connected to the message broker; of several sites, the worst.",
				queries: []query{{text: "min(" + ofSite("intake_connected") + ")"}},
				words:   map[string]word{"0": {"away", red}, "1": {"connected", green}},
			},
			{
				shape: figure, title: "Export behind", wide: 6, high: 4, unit: units.Seconds, steps: l.above(alarm.Export),
				text:    "Age of the oldest of what the export server has not taken. No data where nothing is exported.",
				queries: []query{{text: "max(" + ofSite("export_behind_seconds") + ")"}},
			},
			{
				shape: states, title: "Checks", wide: gridWidth, high: 9, unit: units.NoUnit, steps: plain(),
				text:    "Each check of dryhold's own condition. What is blank, nobody checked.",
				queries: []query{{text: "min by (site, check) (" + ofSite("health_ok") + ")", name: "{{site}} {{check}}"}},
				words:   map[string]word{"0": {"fails", red}, "1": {"good", green}},
			},
			lines("Readings", "Readings made durable, and messages received on mapped topics, a minute.", units.CountsPerMinute, 1, plain(), false,
				query{text: "60 * sum by (site) (rate(" + ofSite("intake_readings_stored_total") + "[$__rate_interval]))", name: "{{site}} readings"},
				query{text: "60 * sum by (site) (rate(" + ofSite("intake_messages_total") + "[$__rate_interval]))", name: "{{site}} messages"}),
			{
				shape: rows, title: "Messages that could not be used", wide: 12, high: 8, unit: units.NoUnit, steps: plain(), sort: "-Count",
				text:    "Messages or values that could not be used in the time shown, by topic and cause; empty when there were none.",
				queries: []query{{text: "sum by (site, topic, cause) (increase(" + ofSite("intake_errors_total") + "[$__range])) > 0"}},
				columns: []column{of("topic", "Topic"), of("cause", "Cause"), {from: "A", name: "Count", unit: units.NoUnit, steps: none()}, of("site", "Site")},
			},
			sensorTable(l),
			lines("Alarms and messages a day", "Alarms raised, and messages to people, in the 24 hours before. The bar of a household is three messages a day in a hot week, digests aside.", units.NoUnit, 0, plain(), false,
				query{text: "sum by (site) (increase(" + `dryhold_alarm_transitions_total{site=~"$site",to="active_unacknowledged"}` + "[1d]))", name: "{{site}} alarms"},
				query{text: "sum by (site) (increase(" + ofSite("messages_total") + "[1d]))", name: "{{site}} messages"}),
			lines("Time until on disk", "Time from the start of a commit until it is on disk: half of them are faster than the first line, 95 % than the second.", units.Seconds, 3, plain(), false,
				slowest("0.5", "{{site}} half"), slowest("0.95", "{{site}} 95 %")),
			lines("Memory", "Resident memory of the daemon.", units.BytesSI, 1, plain(), false,
				query{text: "process_resident_memory_bytes and on (job, instance) " + ofSite("last_evaluation_timestamp_seconds"), name: "{{instance}}"}),
			lines("Refused", "Logins, tokens and topics refused in the hour before, by kind.", units.NoUnit, 0, none(), false,
				query{text: "sum by (site, kind) (increase(" + ofSite("access_refused_total") + "[1h]))", name: "{{site}} {{kind}}"}),
		},
	}
}

// sensorTable is a row for each sensor in use.
func sensorTable(l limits) panel {
	all := func(expr string) query { return query{text: by("site, room, sensor", expr)} }
	return panel{
		shape: rows, title: "Sensors", wide: 12, high: 8, unit: units.NoUnit, steps: plain(), sort: "-Newest reading",
		text:    "Each sensor in use. Its battery is not known while it is silent, or where it does not tell.",
		queries: []query{all(ofSite("sensor_silent")), {text: "time() - " + by("site, room, sensor", ofSite("sensor_last_seen_timestamp_seconds"))}, all(ofSite("sensor_battery_ratio"))},
		columns: []column{
			of("sensor", "Sensor"), of("room", "Room"),
			{from: "A", name: "State", unit: units.NoUnit, steps: plain(), words: map[string]word{"0": {"heard", green}, "1": {"silent", orange}}},
			{from: "B", name: "Newest reading", unit: units.Seconds, steps: l.above(alarm.Silent)},
			{from: "C", name: "Battery", unit: units.PercentUnit, steps: l.below(alarm.LowBattery)},
			of("site", "Site"),
		},
	}
}

func prometheusSites(l limits) board {
	above := ofSite("room_temperature_celsius") + " - on (site, room) " + ofSite("room_temperature_limit_celsius")
	lines := func(title, text, unit string, decimals float64, s steps, q string) panel {
		return panel{shape: course, title: title, text: text, wide: 12, high: 9, unit: unit, decimals: decimals, steps: s, lines: true, queries: []query{{text: q, name: "{{site}}"}}}
	}
	return board{
		page: pageSites, title: "dryhold: many sites", from: "7d", refresh: "1m", variables: []variable{promSites()},
		text: "One row for each dryhold, the worst of each. A site whose dryhold has gone stays in the table while the time shown holds anything of it. " + notSafety,
		panels: []panel{
			{
				shape: rows, title: "Sites", wide: gridWidth, high: 9, unit: units.NoUnit, steps: plain(), sort: "-Last judged",
				text: "Last judged is the age of what dryhold says of the site; a site that does not answer has no data in the other columns. Above limit is the room that is most above its own limit. Quality is that of the lot that has least left.",
				queries: []query{
					{text: "time() - " + by("site", "last_over_time("+ofSite("last_evaluation_timestamp_seconds")+"[$__range])")},
					{text: "sum by (site) (1 - " + ofSite("health_ok") + ")"},
					{text: `sum by (site) (dryhold_alarms{site=~"$site",state=~"active_.*"})`},
					{text: by("site", above)},
					{text: "sum by (site) (" + ofSite("sensor_silent") + ")"},
					{text: "sum by (site) (" + ofSite("room_lots_warned") + ")"},
					{text: "min by (site) (" + ofSite("room_lowest_remaining_quality_ratio") + ")"},
				},
				columns: []column{
					of("site", "Site"),
					{from: "A", name: "Last judged", unit: units.Seconds, steps: steps{{colour: green}, {standsStill, red}}},
					{from: "B", name: "Checks that fail", unit: units.NoUnit, steps: none()},
					{from: "C", name: "Alarms", unit: units.NoUnit, steps: none()},
					{from: "D", name: "Above limit", unit: kelvins, decimals: 1, steps: l.overLimit()},
					{from: "E", name: "Silent sensors", unit: units.NoUnit, steps: none()},
					{from: "F", name: "Lots with a warning", unit: units.NoUnit, steps: none()},
					{from: "G", name: "Least quality left", unit: units.PercentUnit, steps: l.below(alarm.Quality)},
				},
			},
			lines("Warmest room above its limit", "By how much the room that is most above its own limit is above it.", kelvins, 1, l.overLimit(), by("site", above)),
			lines("Fastest ageing", "How many times as fast as at plan storage food ages in the room where it ages fastest, as the mean of the day before.", "suffix:times", 2, l.times(),
				by("site", "avg_over_time("+ofSite("room_ageing_acceleration_ratio")+"[1d])")),
			lines("Alarms active", "Alarm conditions that are active, acknowledged or not.", units.NoUnit, 0, none(), `sum by (site) (dryhold_alarms{site=~"$site",state=~"active_.*"})`),
			lines("Least quality left", "Likely remaining quality of the lot that has least left.", units.PercentUnit, 0, l.below(alarm.Quality),
				"min by (site) ("+ofSite("room_lowest_remaining_quality_ratio")+")"),
		},
	}
}
