package web

import (
	"math"
	"net/http"
	"net/url"

	"dryhold/internal/alarm"
	"dryhold/internal/engine"
	"dryhold/internal/lot"
	"dryhold/internal/packing"
)

const (
	get  = http.MethodGet
	post = http.MethodPost
)

// Parameters that several operations have.

func paged(most int) []parameter {
	return []parameter{
		{"limit", "integer", "so many at most; Link names the page after it (RFC 8288, rel=next)", most},
		{"cursor", "string", "where that page begins: taken from Link, and of no other use", 0},
	}
}

func ofDays() []parameter {
	return []parameter{{"from", "date", "the first day, in the zone of the site", 0}, {"to", "date", "the last day", 0}}
}

func inRoom(says string) parameter { return parameter{"room", "string", says, 0} }

func houseOperations() []operation {
	return []operation{
		{method: get, path: "/healthz", id: "getHealth", tag: "house", summary: "Whether all is well: 503 where it is not. Strangers are told no more than that.",
			answer: HealthAnswer{}, also: http.StatusServiceUnavailable},
		{method: get, path: "/metrics", id: "getMetrics", tag: "house", summary: "Metrics in the text format of Prometheus.", media: mediaText,
			faults: []int{http.StatusUnauthorized}},
		{method: get, path: openAPIPath, id: "getOpenAPI", tag: "house", summary: "This document.", answer: map[string]any{}, still: true},
		{method: get, path: "/api/v1/status", id: "getStatus", tag: "house", summary: "The whole state: rooms, sensors, lots, alarms, intake and health.", answer: StatusAnswer{}},
		{method: get, path: "/api/v1/audit", id: "listActs", tag: "house", summary: "What people did, told since an instant, the newest first.",
			query: append([]parameter{{"since", "date-time", "told at this instant or later", 0}, {"before", "date-time", "told before this instant", 0}, {"by", "string", "by this person or program", 0},
				{"kind", "string", "done to a lot, alarm, sensor, room or readings", 0}, {"of", "string", "done to this one, L-1, cellar/cellar-1 or warm/loft; of a room also to its sensors and alarms", 0}}, paged(mostActs)...), answer: AuditAnswer{}},
		{method: get, path: "/api/v1/vitals", id: "getVitals", tag: "house", summary: "How dryhold fares: what is stored and backed up, disk, clock, broker, notices, export, versions.", answer: Vitals{}},
		{method: get, path: logPath, id: "getLogLevels", tag: "house", summary: "The least level of what each part of dryhold says in its log.", answer: LogAnswer{}},
		{method: post, path: logPath, id: "changeLogLevels", tag: "house", summary: "Has parts say more or less in the log for a time, or as usual again.", body: ChangeLog{}, again: true},
		{method: post, path: "/api/v1/refold", id: "refold", tag: "house", summary: "Works out everything anew from the stored facts. The answer is one JSON object a line, of which the last says what was done.",
			body: Refold{}, answer: RefoldLine{}, media: mediaLines, again: true},
		{method: get, path: "/api/v1/notices", id: "listNotices", tag: "house", summary: "Notices that went out or wait, the newest first.",
			query:  append([]parameter{{"undelivered", "boolean", "only those that wait or were refused", 0}, {"key", "string", "of one notice, which then has its body", 0}}, paged(mostNotices)...),
			answer: NoticesAnswer{}, faults: []int{http.StatusNotFound}},
		{method: post, path: "/api/v1/notices/test", id: "testNotice", tag: "house", summary: "Queues a notice that says it is a test.", body: TestNotice{}, answer: TestQueued{}, status: http.StatusAccepted},
		{method: post, path: "/api/v1/notices/drill", id: "acknowledgeDrill", tag: "house", summary: "Acknowledges the yearly drill for a recipient.", body: DrillDone{}, faults: []int{http.StatusNotFound}},
	}
}

// lotPath is where a lot is found, from what an edit came to.
func lotPath(result any) string {
	l, _ := result.(lot.Lot)
	return "/api/v1/lots/" + url.PathEscape(l.ID)
}

func lotOperations() []operation {
	const one = "/api/v1/lots/{id}"
	return []operation{
		{method: get, path: "/api/v1/lots", id: "listLots", tag: "lots", summary: "Every lot, finished ones too.", query: paged(mostLots), answer: LotsAnswer{}},
		{method: post, path: "/api/v1/lots", id: "addLot", tag: "lots", summary: "Registers a lot that was packed.", body: AddLot{}, answer: lot.Lot{}, status: http.StatusCreated, located: lotPath},
		{method: get, path: one, id: "getLot", tag: "lots", summary: "One lot. What its entity tag begins with, up to the dot, changes only when something is done to the lot; see If-Match.", answer: engine.LotView{}},
		{method: get, path: one + "/explanation", id: "explainLot", tag: "lots", summary: "How the numbers of a lot come about.", answer: engine.Explanation{}},
		{method: get, path: one + "/course", id: "followLot", tag: "lots", summary: "How a lot went from packing to now, and how it is likely to go on to its projected end, in columns.",
			query: []parameter{{"points", "integer", "about so many points, at least 20", engine.MostCoursePoints}}, answer: engine.LotCourse{}},
		{method: get, path: one + "/history", id: "listLotHistory", tag: "lots", summary: "What was done to a lot, in the order it was told.", answer: AuditAnswer{}},
		{method: post, path: one + "/move", id: "moveLot", tag: "lots", summary: "Moves a lot into another room.", body: MoveLot{}},
		{method: post, path: one + "/finish", id: "finishLot", tag: "lots", summary: "Ends a lot: eaten, given away or thrown away.", body: FinishLot{}},
		{method: post, path: one + "/note", id: "noteLot", tag: "lots", summary: "Keeps what was seen of a lot: a text, the state of its seal, or both.", body: NoteLot{}},
		{method: post, path: one + "/test", id: "testLot", tag: "lots", summary: "Keeps what the keeper found in some of a lot.", body: TestLot{}},
		{method: post, path: one + "/tests/{number}/revoke", id: "revokeLotTest", tag: "lots", summary: "Takes back a test.", body: RevokeTest{}},
	}
}

func practiceOperations() []operation {
	out := []operation{
		{method: post, path: "/api/v1/imports/lots", id: "importLots", tag: "lots", summary: "Registers up to 500 lots or, with a problem or as a dry run (200), none.",
			body: ImportLots{}, answer: ImportedLots{}, status: http.StatusCreated, also: http.StatusOK},
		{method: post, path: "/api/v1/imports/lots/{number}/undo", id: "undoImport", tag: "lots", summary: "Takes back the lots of an import, while none of them was changed since.", body: UndoImport{}},
		{method: get, path: "/api/v1/labels", id: "getLabels", tag: "lots", summary: "Labels for the containers of lots in store, as PDF. Lengths are in mm.", media: mediaPDF,
			query: []parameter{
				{"lots", "string", "lots, with commas between; all in store when left out", 0}, inRoom("those in it"),
				{"import", "integer", "those of this import", math.MaxInt32}, {"sheet", "string", "labels across and down, 3x8", 0}, {"paper", "string", "a4 or letter", 0},
				{"label", "string", "size of a label, 63.5x33.9", 0}, {"margin", "string", "of the sheet, 7.2x12.9", 0}, {"gap", "string", "between labels", 0},
				{"tape", "string", "width of a tape instead of a sheet", 0}, {"skip", "integer", "so many labels of the sheet are used already", math.MaxInt32},
			}, faults: []int{http.StatusNotFound}},
		{method: post, path: packingPath, id: "advisePacking", tag: "packing", summary: "Advice before a lot is packed. Nothing is changed by it.", body: packing.Question{}, answer: packing.Advice{}},
		{method: get, path: "/api/v1/packing/foods", id: "listFoods", still: true, tag: "packing", summary: "Foods that have a verdict on whether they may be packed.", answer: []packing.Judged{}},
		{method: get, path: "/api/v1/rounds", id: "listRounds", tag: "rooms", summary: "When each room was looked through last, and when it is due.", answer: RoundsAnswer{}},
		{method: post, path: "/api/v1/rounds/{room}", id: "keepRound", tag: "rooms", summary: "Keeps an inspection round, and the state of the seals it tells of.", body: RoundDone{}},
	}
	words := map[string]string{
		"split": "Makes a lot of its own of some containers; the answer is the new one.", "open": "Opens containers, which become a lot of their own where there are others; the answer is that which is open.",
		"eat": "Takes containers or kilograms that were eaten.", "discard": "Takes containers or kilograms that were thrown away.", "recount": "Corrects the number of containers.",
		"price": "Says what the food costs.", "treat": "Says that the treatment is complete.", "undo": "Takes back the last change of the lot.",
	}
	for _, act := range sortedKeys(uses()) {
		out = append(out, operation{method: post, path: "/api/v1/lots/{id}/" + act, id: act + "Lot", tag: "lots", summary: words[act], body: UseLot{}, answer: lot.Lot{}})
	}
	return out
}

func alarmOperations() []operation {
	out := []operation{
		{method: get, path: "/api/v1/alarms", id: "listAlarms", tag: "alarms", summary: "The alarms that are not normal, worst first.",
			query: []parameter{{"all", "boolean", "the conditions that are normal too", 0}}, answer: AlarmsAnswer{}},
		{method: get, path: "/api/v1/alarms/history", id: "listAlarmEvents", tag: "alarms", summary: "What alarms went through, the newest first.",
			query:  append([]parameter{{"from", "date-time", "at this instant or later", 0}, {"to", "date-time", "before this instant", 0}, {"alarm", "string", "of one alarm, warm/loft", 0}}, paged(mostEvents)...),
			answer: AlarmHistoryAnswer{}},
		{method: post, path: replayPath, id: "replayAlarms", tag: "alarms", summary: "Plays a stretch of the past again, also with other limits. The answer is one JSON object a line, of which the last says what came out.",
			body: Replay{}, answer: ReplayLine{}, media: mediaLines, again: true},
		{method: get, path: "/api/v1/events", id: "streamEvents", still: true, tag: "house", summary: "What happens, as server-sent events, for as long as it is listened to.",
			query: []parameter{{"topics", "string", "some of state, reading, alarm, health, with commas between", 0}, inRoom("only of this room")}, media: mediaEvents,
			faults: []int{http.StatusNotFound, http.StatusUnprocessableEntity, http.StatusServiceUnavailable}},
	}
	words := map[string]string{
		alarm.ActAcknowledge: "Acknowledges an alarm.", alarm.ActShelve: "Shelves an alarm for a time.", alarm.ActUnshelve: "Takes an alarm off the shelf.",
		alarm.ActOutOfService: "Takes an alarm out of service.", alarm.ActReturn: "Returns an alarm to service.", alarm.ActAnnotate: "Adds a note to an alarm.",
	}
	ids := map[string]string{alarm.ActOutOfService: "takeAlarmOutOfService", alarm.ActReturn: "returnAlarmToService"}
	for _, act := range alarm.Acts() {
		id := ids[act]
		if id == "" {
			id = act + "Alarm"
		}
		out = append(out, operation{method: post, path: "/api/v1/alarms/" + act, id: id, tag: "alarms", summary: words[act], body: OperateAlarm{}, faults: []int{http.StatusNotFound}})
	}
	return out
}

func roomOperations() []operation {
	return []operation{
		{method: get, path: "/api/v1/rooms/compare", id: "compareRooms", tag: "rooms", summary: "The rooms compared by season, and the best room for each lot.",
			query: append(ofDays(), inRoom("the seasons of this one and the lots in it")), answer: CompareAnswer{}, faults: []int{http.StatusNotFound}},
		{method: get, path: "/api/v1/rooms/map", id: "mapRooms", tag: "rooms", summary: "The places of a room, by what sensors measured there.",
			query: []parameter{inRoom("this one alone")}, answer: MapAnswer{}, faults: []int{http.StatusNotFound}},
		{method: get, path: "/api/v1/rooms/{room}/course", id: "followRoom", tag: "rooms", summary: "What a room was like over a stretch of time, in columns: null where it is not known. Days count as from their beginning, or to their end.",
			query:  []parameter{{"from", "date-time", "an instant, or a day of the site: a day before the end, where left out", 0}, {"to", "date-time", "the end, or the last day: now, where left out", 0}, {"points", "integer", "so many buckets at most, at least 10", mostPoints}},
			answer: engine.RoomCourse{}},
		{method: get, path: "/api/v1/rooms/{room}/backtest", id: "backtestRoom", tag: "rooms", summary: "How good the forecasts of a room have been.", answer: Backtest{}},
		{method: get, path: "/api/v1/rooms/notes", id: "listRoomNotes", tag: "rooms", summary: "Notes on stretches of a room's time, in the order they were told.", answer: RoomNotesAnswer{}},
		{method: post, path: "/api/v1/rooms/{room}/note", id: "noteRoom", tag: "rooms", summary: "Keeps a note on a stretch of a room's time.", body: NoteRoom{}, answer: RoomNoted{}},
		{method: post, path: "/api/v1/rooms/notes/{seq}/revoke", id: "revokeRoomNote", tag: "rooms", summary: "Takes back a note.", body: RevokeNote{}, answer: RoomNoted{}},
	}
}

func sensorOperations() []operation {
	const one = "/api/v1/sensors/{room}/{sensor}/"
	return []operation{
		{method: get, path: "/api/v1/sensors", id: "listSensors", tag: "sensors", summary: "The sensors, and all that was told of them.", answer: SensorsAnswer{}},
		{method: post, path: one + "calibrate", id: "calibrateSensor", tag: "sensors", summary: "Says how readings are to be taken from an instant on.", body: CalibrateSensor{}, answer: SensorChanged{}},
		{method: post, path: one + "correct", id: "correctSensor", tag: "sensors", summary: "Says how readings of a stretch are to be taken.", body: CorrectSensor{}, answer: SensorChanged{}},
		{method: post, path: one + "void", id: "voidSensor", tag: "sensors", summary: "Says that readings of a stretch do not count.", body: VoidSensor{}, answer: SensorChanged{}},
		{method: post, path: one + "swap", id: "swapSensor", tag: "sensors", summary: "Puts another sensor in the place of one.", body: SwapSensor{}, answer: SensorChanged{}},
		{method: post, path: one + "place", id: "placeSensor", tag: "sensors", summary: "Says where a sensor stands for a time, to map a room.", body: PlaceSensor{}, answer: SensorChanged{}},
		{method: post, path: "/api/v1/sensors/changes/{seq}/revoke", id: "revokeSensorChange", tag: "sensors", summary: "Takes back what was told of a sensor.", body: RevokeSensor{}, answer: SensorChanged{}},
		{method: get, path: topicsPath, id: "listTopics", tag: "sensors", summary: "What arrives at the broker, read or not, while somebody looks: each topic with its newest message and what is read of it.", answer: TopicsAnswer{}},
		{method: post, path: topicsPath, id: "watchTopics", tag: "sensors", summary: "Looks at all topics for five minutes, or five more.", body: WatchTopics{}, again: true},
		{method: post, path: topicsPath + "/leave", id: "leaveTopics", tag: "sensors", summary: "Ends the look before its time.", body: WatchTopics{}, again: true},
		{method: get, path: proposalPath, id: "proposeTopic", tag: "sensors", summary: "Proposes how the messages of a topic that was seen are to be read, as lines of the configuration, with what is read by them.",
			query: []parameter{{"topic", "string", "the topic, as it was seen", 0}}, answer: TopicProposal{}, faults: []int{http.StatusNotFound}},
		{method: post, path: proposalPath, id: "chooseTopic", tag: "sensors", summary: "The same as chosen. Nothing is changed by it.", body: ChooseTopic{}, answer: TopicProposal{}, faults: []int{http.StatusNotFound}, again: true},
		{method: post, path: "/api/v1/readings", id: "importReadings", tag: "sensors", summary: "Stores readings of the past, at most 1 MiB. What is there already is not stored again.", body: Import{}, answer: ImportAnswer{}},
		{method: post, path: "/api/v1/readings/imported", id: "endImport", tag: "sensors", summary: "Ends an import: it is put on record, and what follows from its readings is worked out.", body: ImportDone{}},
	}
}

func reviewOperations() []operation {
	return []operation{
		{method: get, path: "/api/v1/review", id: "review", tag: "review", summary: "What storage has cost, by lot, room, month and event.",
			query: []parameter{{"lot", "string", "this lot alone", 0}, inRoom("the time in this room alone"), {"year", "integer", "this calendar year alone", 9999}}, answer: ReviewAnswer{}, faults: []int{http.StatusNotFound}},
		{method: get, path: "/api/v1/use-first", id: "listUseFirst", tag: "review", summary: "What to eat first, the rotation, and how long the store feeds the household.", answer: UseFirstAnswer{}},
		{method: post, path: whatIfPath, id: "askWhatIf", tag: "review", summary: "What another way of keeping would do. Nothing is changed by it.", body: WhatIf{}, answer: engine.WhatIf{}, faults: []int{http.StatusNotFound}},
		{method: get, path: "/api/v1/report", id: "getReport", tag: "review", summary: "The storage review of a stretch of days, as a file.",
			query: append(ofDays(), inRoom("this one alone"), parameter{"lot", "string", "this one alone", 0}, parameter{"format", "string", "text, json, csv, html or pdf", 0}),
			media: mediaReport, faults: []int{http.StatusNotFound}},
	}
}
