package web

import (
	"bytes"
	"encoding/json"
	"fmt"
	"slices"
	"time"

	"dryhold/internal/alarm"
	"dryhold/internal/engine"
	"dryhold/internal/health"
)

// The data of the events. The id of each is the time of the state that it was
// found in.
type (
	// StateEvent is the whole state in short, sent at the beginning and when
	// anything in it changes.
	StateEvent struct {
		At   time.Time `json:"at"`
		Site string    `json:"site"`
		// MissedSince is set at the beginning of a stream whose client says by
		// Last-Event-ID what it heard last: what happened from then to At was
		// not told and is not repeated. Alarms of that time are under
		// /api/v1/alarms/history, values in this state.
		MissedSince time.Time   `json:"missed_since,omitzero"`
		Rooms       []RoomState `json:"rooms"`
		Counts      StateCounts `json:"counts"`
	}
	// RoomState is one room now, each condition "ok", "over" its limit, or
	// "unknown".
	RoomState struct {
		Name        string       `json:"name"`
		Temperature engine.Value `json:"temperature_celsius"`
		Humidity    engine.Value `json:"relative_humidity_fraction"`
		Illuminance engine.Value `json:"illuminance_lux"`
		Cool        string       `json:"cool"`
		Dark        string       `json:"dark"`
		Dry         string       `json:"dry"`
		Lots        int          `json:"lots"`
	}
	// StateCounts are of the whole site.
	StateCounts struct {
		Lots           int `json:"lots"`
		LotsWarned     int `json:"lots_with_warnings"`
		Alarms         int `json:"alarms"` // conditions that are not normal
		Unacknowledged int `json:"alarms_unacknowledged"`
		Sensors        int `json:"sensors"`
		Silent         int `json:"sensors_silent"`
		Failing        int `json:"checks_failing"`
	}
	// ReadingEvent is the newest reading of a sensor, as it counts: calibrated
	// and corrected. Of several within a second only the newest is told.
	ReadingEvent struct {
		Room     string    `json:"room"`
		Sensor   string    `json:"sensor"`
		Quantity string    `json:"quantity"` // with its unit, as in the status: temperature_celsius
		Value    float64   `json:"value"`
		At       time.Time `json:"at"`
	}
	// AlarmEvent is a change of an alarm from one state to another.
	AlarmEvent struct {
		Key      alarm.Key      `json:"key"`
		From     alarm.State    `json:"from"`
		To       alarm.State    `json:"to"`
		Priority alarm.Priority `json:"priority"`
		Text     string         `json:"text"`
		At       time.Time      `json:"at"` // by which it was so
	}
	// HealthEvent is sent at the beginning and when a check turns.
	HealthEvent struct {
		OK     bool           `json:"ok"`
		Checks []health.Check `json:"checks"`
	}
)

// news writes what is new to this client since it was told last.
func (f *feed) news(out *bytes.Buffer) error {
	snap, well := f.Snapshot(), f.healthNow()
	id := f.Now()
	if snap != nil {
		id = snap.At
	}
	var failed error
	event := func(topic string, data any) {
		if !f.wants(topic) || failed != nil {
			return
		}
		body, err := json.Marshal(data)
		if failed = err; err == nil {
			fmt.Fprintf(out, "event: %s\nid: %s\ndata: %s\n\n", topic, id.UTC().Format(time.RFC3339Nano), body)
		}
	}
	if snap != nil {
		if f.wants("state") {
			f.stateNews(snap, well, event)
		}
		for _, x := range readingsSince(f.last, snap, f.asked.room) {
			event("reading", x)
		}
		for _, x := range alarmsSince(f.last, snap, f.asked.room) {
			event("alarm", x)
		}
		f.last = snap
	}
	turned, err := turns(well)
	if err == nil && !bytes.Equal(turned, f.health) {
		event("health", HealthEvent(well))
		f.health = turned
	}
	if failed == nil {
		failed = err
	}
	return failed
}

func (f *feed) wants(topic string) bool { return slices.Contains(f.asked.topics, topic) }

// turns is what a check of health is told for: whether it is well, not the
// words, which count seconds.
func turns(h HealthAnswer) ([]byte, error) {
	turned := map[string]bool{}
	for _, c := range h.Checks {
		turned[c.Code] = c.OK
	}
	return json.Marshal(turned)
}

// stateNews tells the state where anything but its time has changed.
func (f *feed) stateNews(snap *engine.Snapshot, well HealthAnswer, event func(string, any)) {
	state := stateOf(snap, well, f.asked.room)
	bare, err := json.Marshal(state)
	if err == nil && f.last != nil && bytes.Equal(bare, f.state) {
		return
	}
	f.state, state.At = bare, snap.At
	if heard, err := time.Parse(time.RFC3339, f.r.Header.Get("Last-Event-ID")); f.last == nil && err == nil && !heard.Equal(snap.At) {
		state.MissedSince = heard.UTC()
	}
	event("state", state)
}

// stateOf is the state in short, without its time.
func stateOf(snap *engine.Snapshot, well HealthAnswer, room string) StateEvent {
	s := StateEvent{Site: snap.Site, Rooms: []RoomState{}, Counts: StateCounts{Lots: len(snap.Lots), Alarms: len(snap.Alarms)}}
	for _, r := range snap.Rooms {
		if room != "" && r.Name != room {
			continue
		}
		s.Rooms = append(s.Rooms, RoomState{
			Name: r.Name, Temperature: r.Temperature, Humidity: r.Humidity, Illuminance: r.Illuminance, Lots: r.LotCount,
			Cool: standing(r.Temperature, float64(r.WarmLimit)), Dark: standing(r.Illuminance, float64(r.BrightLimit)), Dry: standing(r.Humidity, float64(r.DampLimit)),
		})
	}
	for _, l := range snap.Lots {
		if len(l.Warnings) > 0 {
			s.Counts.LotsWarned++
		}
	}
	for _, a := range snap.Alarms {
		if a.State == alarm.ActiveUnacknowledged || a.State == alarm.ReturnedUnack {
			s.Counts.Unacknowledged++
		}
	}
	for _, x := range snap.Sensors {
		if x.State == engine.Retired {
			continue
		}
		s.Counts.Sensors++
		if x.Silent {
			s.Counts.Silent++
		}
	}
	for _, c := range well.Checks {
		if !c.OK {
			s.Counts.Failing++
		}
	}
	return s
}

func standing(v engine.Value, limit float64) string {
	switch {
	case !v.Known:
		return "unknown"
	case v.Value > limit:
		return "over"
	}
	return "ok"
}

// readingsSince are the newest readings of each sensor that the state before
// did not have; none where there was no state before.
func readingsSince(before, now *engine.Snapshot, room string) (out []ReadingEvent) {
	if before == nil || before == now {
		return nil
	}
	type place struct{ room, sensor string }
	old := map[place]*engine.SensorView{}
	for i := range before.Sensors {
		x := &before.Sensors[i]
		old[place{x.Room, x.Name}] = x
	}
	for i := range now.Sensors {
		x := &now.Sensors[i]
		if room != "" && x.Room != room {
			continue
		}
		had := values(old[place{x.Room, x.Name}])
		for j, q := range values(x) {
			if q.Known && (!had[j].Known || !q.At.Equal(had[j].At) || q.Value.Value != had[j].Value.Value) {
				out = append(out, ReadingEvent{x.Room, x.Name, q.name, q.Value.Value, q.At})
			}
		}
	}
	return out
}

type namedValue struct {
	name string
	engine.Value
}

// values are what a sensor read last, by the names of the status; unknown for
// one that was not there.
func values(x *engine.SensorView) [6]namedValue {
	if x == nil {
		x = &engine.SensorView{}
	}
	return [6]namedValue{
		{"temperature_celsius", x.Temperature}, {"relative_humidity_fraction", x.Humidity}, {"illuminance_lux", x.Illuminance},
		{"oxygen_fraction", x.Oxygen}, {"battery_fraction", x.Battery}, {"link_dbm", x.Link},
	}
}

// alarmsSince are the alarms that stand otherwise than in the state before.
func alarmsSince(before, now *engine.Snapshot, room string) (out []AlarmEvent) {
	if before == nil || before == now {
		return nil
	}
	old := map[alarm.Key]engine.AlarmView{}
	for _, a := range before.Alarms {
		old[a.Key] = a
	}
	tell := func(a engine.AlarmView, from, to alarm.State) {
		if from != to && (room == "" || alarmRoom(now, a.Key) == room) {
			out = append(out, AlarmEvent{a.Key, from, to, a.Priority, a.Text, now.At})
		}
	}
	for _, a := range now.Alarms {
		from := alarm.Normal
		if was, stood := old[a.Key]; stood {
			from = was.State
		}
		tell(a, from, a.State)
		delete(old, a.Key)
	}
	for _, a := range before.Alarms {
		if _, over := old[a.Key]; over {
			tell(a, a.State, alarm.Normal)
		}
	}
	return out
}

// alarmRoom is where an alarm is: that of a lot is where the lot is.
func alarmRoom(snap *engine.Snapshot, k alarm.Key) string {
	i := slices.IndexFunc(snap.Lots, func(l engine.LotView) bool { return k.Lot != "" && l.ID == k.Lot })
	if k.Room != "" || i < 0 || len(snap.Lots[i].Stays) == 0 {
		return k.Room
	}
	return snap.Lots[i].Room()
}
