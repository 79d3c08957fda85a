package engine

import (
	"math"
	"testing"
	"time"

	"dryhold/internal/room"
	"dryhold/internal/unit"
)

// BenchmarkRoomCourse tells ten years of hours, 87,660, in 800 buckets, of a
// room with a lot in it that was packed at their beginning.
func BenchmarkRoomCourse(b *testing.B) {
	first, hours := time.Date(2016, time.July, 1, 0, 0, 0, 0, time.UTC), 87_660
	e := engineOf(b, config(add("L-1", "hard-wheat", "pail-20l", "pantry", first.AddDate(0, 0, 1))))
	for day := 0; day < hours/24; day++ {
		var readings []room.Reading
		for h := day * 24; h < day*24+24; h++ {
			at := first.Add(time.Duration(h) * time.Hour)
			of := func(q unit.Quantity, v float64) room.Reading {
				return room.Reading{Series: room.Series{Room: "pantry", Sensor: "a", Quantity: q}, At: at, Value: q.Round(v)}
			}
			x := float64(h)
			readings = append(readings, of(unit.Temperature, 17+7*math.Sin(2*math.Pi*x/8766)+2*math.Sin(2*math.Pi*x/24)),
				of(unit.Humidity, 0.5+0.1*math.Sin(x/300)), of(unit.Illuminance, max(0, 80*math.Sin(2*math.Pi*x/24))))
		}
		e.Feed("pantry", readings, readings[len(readings)-1].At)
	}
	now := first.Add(time.Duration(hours) * time.Hour)
	e.Feed("pantry", nil, now)
	if _, err := e.Review(now); err != nil { // as it is on any page before
		b.Fatal(err)
	}
	for b.Loop() {
		c, err := e.CourseRoom(now, "pantry", first, now, 800)
		if err != nil || len(c.Buckets.Start) < 500 {
			b.Fatalf("%v, %d buckets", err, len(c.Buckets.Start))
		}
	}
}
