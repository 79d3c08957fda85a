package hub

import (
	"time"

	"dryhold/internal/alarm"
	"dryhold/internal/engine"
	"dryhold/internal/lot"
)

// noon is in the hot week of the invented Larch House.
var noon = time.Date(2026, 7, 14, 12, 0, 0, 0, time.UTC)

func value(v float64) engine.Value { return engine.Value{Known: true, Value: v, At: noon} }

// larch is the invented Larch House on a hot day: the loft is too warm and its
// light sensor has a dead battery, the north pantry has not been heard of since
// yesterday.
func larch() *engine.Snapshot {
	keep := func(id, food, in string, left float64, end time.Time) engine.LotView {
		packed := time.Date(2025, 10, 1, 0, 0, 0, 0, time.UTC)
		l := engine.LotView{FoodName: food, AsOf: noon, Remaining: engine.Estimate{Low: left - 0.1, Likely: left, High: left + 0.05}, End: end, EndAtPlan: end}
		l.ID, l.Packing.PackedAt, l.Stays = id, packed, []lot.Stay{{Room: in, From: packed}}
		return l
	}
	stale := engine.Value{Value: 16.25, At: noon.AddDate(0, 0, -1)}
	wheat := keep("L-3", "Wheat berries", "loft", 0.7134, noon.AddDate(6, 2, 3))
	wheat.Warnings = []string{"The absorber is spent."}
	done := keep("L-4", "Sugar", "cellar", 0.2, time.Time{})
	done.FinishedAt = noon.AddDate(0, -1, 0)
	return &engine.Snapshot{
		Site: "larch-house", At: noon,
		Rooms: []engine.RoomView{
			{Name: "cellar", Temperature: value(14.218), Humidity: value(0.5833), DewPoint: value(6.12), Illuminance: value(0), WarmLimit: 17, DampLimit: 0.6, BrightLimit: 5},
			{Name: "loft", Temperature: value(33.4), Humidity: value(0.41), DewPoint: value(18.04), WarmLimit: 24, DampLimit: 0.6, BrightLimit: 5},
			{Name: "north-pantry", Temperature: stale, Humidity: engine.Value{Value: 0.5}, WarmLimit: 18, DampLimit: 0.6, BrightLimit: 5},
		},
		Lots: []engine.LotView{
			keep("L-1", "White rice", "cellar", 0.9312, noon.AddDate(21, 0, 0)), keep("L-2", "Rolled oats", "north-pantry", 0.8804, noon.AddDate(3, 1, 0)), wheat, done,
		},
		Alarms: []engine.AlarmView{
			{Key: alarm.Key{Kind: alarm.Warm, Room: "loft"}, State: alarm.ActiveUnacknowledged, Active: true},
			{Key: alarm.Key{Kind: alarm.Silent, Room: "north-pantry", Sensor: "north-1"}, State: alarm.ActiveAcknowledged, Active: true},
			{Key: alarm.Key{Kind: alarm.HoldComplete, Lot: "L-1"}, State: alarm.ReturnedUnack, Active: false},
		},
	}
}

// larchHub announces everything of it.
func larchHub() Config {
	return Config{
		Prefix: "homeassistant", Homie: true, Lots: true, Site: "larch-house", Root: "dryhold", Status: "dryhold/status", Version: "1.0", Page: "https://hearth.lan:8090",
	}
}
