package web

import (
	"compress/gzip"
	"context"
	"io"
	"math"
	"net/http"
	"testing"
	"time"

	"dryhold/internal/engine"
	"dryhold/internal/room"
	"dryhold/internal/unit"
)

// longKeeper has followed the loft for ten years, by the hour.
type longKeeper struct {
	*keeper
	e   *engine.Engine
	now time.Time
}

func (k *longKeeper) CourseRoom(_ context.Context, o CourseOrder) (engine.RoomCourse, error) {
	c, err := k.e.CourseRoom(k.now, o.Room, o.From, o.To, o.Points)
	if err != nil {
		return engine.RoomCourse{}, err
	}
	return c.RoomCourse, nil
}

func newLongKeeper(b *testing.B) *longKeeper {
	e, _, err := loftEngine()
	if err != nil {
		b.Fatal(err)
	}
	k := &longKeeper{keeper: &keeper{}, e: e, now: noon().Truncate(24 * time.Hour)}
	e.Restart(engine.Refold{Room: "loft"})
	for first := k.now.AddDate(-10, 0, 0); first.Before(k.now); first = first.AddDate(0, 0, 1) {
		var day []room.Reading
		for at := first; at.Before(first.Add(24 * time.Hour)); at = at.Add(time.Hour) {
			h := float64(at.Unix()) / 3600
			of := func(q unit.Quantity, v float64) {
				day = append(day, room.Reading{Series: room.Series{Room: "loft", Sensor: "a", Quantity: q}, At: at, Value: q.Round(v)})
			}
			// What no two hours have alike, as in a real room, so that it does not pack too well.
			noise := math.Mod(h*h*0.618, 1)
			of(unit.Temperature, 17+9*math.Sin(2*math.Pi*h/8766)+3*math.Sin(2*math.Pi*h/24)+noise)
			of(unit.Humidity, 0.5+0.1*math.Sin(h/300)+0.02*noise)
			of(unit.Illuminance, max(0, 80*math.Sin(2*math.Pi*h/24)+9*noise))
		}
		e.Feed("loft", day, day[len(day)-1].At)
	}
	e.Feed("loft", nil, k.now)
	if _, err := e.Review(k.now); err != nil {
		b.Fatal(err)
	}
	return k
}

// BenchmarkRoomCourse answers ten years of hours, told by the engine each time,
// in 800 buckets as JSON and as a page, compressed.
func BenchmarkRoomCourse(b *testing.B) {
	k := newLongKeeper(b)
	h, _ := house(b, larchHouse(), func(c *Config) { c.Actions, c.Now = k, func() time.Time { return k.now } })
	for _, c := range []struct{ name, path string }{
		{"api", "/api/v1/rooms/loft/course?from=2016-07-14&points=800"}, {"page", "/room/loft?last=decade"},
	} {
		b.Run(c.name, func(b *testing.B) {
			size, plain := 0.0, 0.0
			for b.Loop() {
				res := ask(b, h, http.MethodGet, c.path, "", "Accept-Encoding", "gzip")
				body, err := io.ReadAll(res.Body)
				if err != nil || res.StatusCode != 200 || res.Header.Get("Content-Encoding") != "gzip" {
					b.Fatalf("%d, %v: %.300s", res.StatusCode, err, body)
				}
				size = float64(len(body))
			}
			res := ask(b, h, http.MethodGet, c.path, "", "Accept-Encoding", "gzip")
			z, err := gzip.NewReader(res.Body)
			if err != nil {
				b.Fatal(err)
			}
			n, err := io.Copy(io.Discard, z)
			if plain = float64(n); err != nil {
				b.Fatal(err)
			}
			b.ReportMetric(size/1000, "kB-gzip")
			b.ReportMetric(plain/1000, "kB")
		})
	}
}
