package web

import (
	"context"
	"math"
	"slices"
	"time"

	"dryhold/internal/alarm"
	"dryhold/internal/catalog"
	"dryhold/internal/engine"
	"dryhold/internal/lot"
	"dryhold/internal/room"
	"dryhold/internal/unit"
)

// The loft as an engine tells it, invented: 60 days up to noon, 22 °C and more
// and warmer by the day, a day's gap three days ago, dark but at noon.

const loftDays = 60

func loftReadings() (out []room.Reading) {
	first := noon().Truncate(24*time.Hour).AddDate(0, 0, -loftDays)
	add := func(q unit.Quantity, at time.Time, v float64) {
		out = append(out, room.Reading{Series: room.Series{Room: "loft", Sensor: "loft-1", Quantity: q}, At: at, Value: q.Round(v)})
	}
	for at := first; at.Before(noon()); at = at.Add(20 * time.Minute) {
		if ago := noon().Sub(at); ago > 72*time.Hour && ago < 96*time.Hour {
			continue
		}
		h := at.Sub(first).Hours()
		add(unit.Temperature, at, 22+h/200+4*math.Sin(2*math.Pi*(h-9)/24))
		add(unit.Humidity, at, 0.5+0.08*math.Sin(2*math.Pi*h/100))
		add(unit.Illuminance, at, max(0, 60*math.Sin(2*math.Pi*(h-6)/24)))
	}
	return out
}

func loftEngine() (*engine.Engine, []room.Reading, error) {
	one := func(v float64) catalog.Band { return catalog.Band{Low: v, Likely: v, High: v} }
	packed := noon().AddDate(0, 0, -50)
	e, err := engine.New(engine.Config{
		Site: "Larch House", Zone: time.UTC, Rooms: []string{"loft", "attic"}, Stale: func(string) time.Duration { return time.Hour },
		Catalog: &catalog.Catalog{
			Reference: room.Reference,
			Foods: []catalog.Food{{ID: "hard-wheat", Name: "Hard wheat", Void: one(0.4),
				Modes: []catalog.Mode{{Name: "staling", Ea: one(80), Life: one(11_000), LowOxygenGain: one(1)}}}},
			Containers: []catalog.Container{{ID: "pail-20l", Name: "20 L pail", Volume: one(20), Lag: one(10.2)}},
		},
		Rules: func(string) map[alarm.Kind]alarm.Rule {
			return map[alarm.Kind]alarm.Rule{alarm.Warm: {Kind: alarm.Warm, Limit: 24}, alarm.Damp: {Kind: alarm.Damp, Limit: 0.6}, alarm.Bright: {Kind: alarm.Bright, Limit: 50}}
		},
		Lots: []lot.Change{{Kind: lot.Added, Lot: "hard-wheat-1", At: packed, Recorded: packed, Packing: &lot.Packing{
			Food: "hard-wheat", Container: "pail-20l", Count: 2, NetMassKG: 14, PackedAt: packed, Treatment: lot.Treatment{Kind: lot.NoTreatment}, Shading: lot.DarkRoom, Room: "loft",
		}}},
		Forecasting: engine.Forecasting{Futures: 2},
	})
	if err != nil {
		return nil, nil, err
	}
	readings := loftReadings()
	for day := range slices.Chunk(readings, 3*72) {
		e.Feed("loft", day, day[len(day)-1].At)
	}
	e.Feed("loft", nil, noon())
	return e, readings, nil
}

func (k *keeper) CourseRoom(_ context.Context, o CourseOrder) (engine.RoomCourse, error) {
	at := func(t time.Time) string { return t.UTC().Format(time.RFC3339) }
	if err := k.note("course of %s from %s to %s in %d", o.Room, at(o.From), at(o.To), o.Points); err != nil {
		return engine.RoomCourse{}, err
	}
	e, readings, err := loftEngine()
	if err != nil {
		return engine.RoomCourse{}, err
	}
	c, err := e.CourseRoom(noon(), o.Room, o.From, o.To, o.Points)
	if err != nil {
		return engine.RoomCourse{}, err
	}
	if c.Seed != nil {
		err = c.Fine(readings, func(string) time.Duration { return time.Hour })
	}
	return c.RoomCourse, err
}
