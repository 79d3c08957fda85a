package web

import (
	"context"
	"math"
	"time"

	"dryhold/internal/engine"
	"dryhold/internal/lot"
)

// LotCourse is invented, as all of Larch House: a month by the day to now, and
// from there by the year to the projected end.
func (k *keeper) LotCourse(_ context.Context, id string, points int) (engine.LotCourse, error) {
	switch {
	case id == "L-9":
		return engine.LotCourse{}, lot.NotFound("no lot %q: did you mean %q?", id, "L-1")
	case points != 0 && points < engine.LeastCoursePoints:
		return engine.LotCourse{}, lot.Invalid("%d points: ask for %d to %d", points, engine.LeastCoursePoints, engine.MostCoursePoints)
	}
	return larchCourse(id), k.note("course of %s in %d points", id, points)
}

func larchCourse(id string) engine.LotCourse {
	now := noon().Truncate(time.Hour)
	c := engine.LotCourse{
		Lot: id, FoodName: "White rice", PackedAt: now.AddDate(0, 0, -30), AsOf: now, Remaining: between(0.93, 0.96, 0.98), Limiting: "oxidation",
		EndEarly: now.AddDate(8, 0, 0), End: now.AddDate(12, 0, 0), EndLate: now.AddDate(16, 0, 0), EndBy: "oxidation", Amber: 0.6, Red: 0.65,
	}
	add := func(at time.Time, ahead bool, q engine.Estimate, i int) {
		c.At, c.Ahead = append(c.At, at), append(c.Ahead, ahead)
		for _, x := range []struct {
			to *engine.EstimateColumns
			e  engine.Estimate
		}{{&c.Quality, q}, {&c.Activity, between(0.40, 0.43+float64(i)/1000, 0.60)}, {&c.Oxygen, between(0.001, 0.002, 0.21)}} {
			x.to.Low, x.to.Likely, x.to.High = append(x.to.Low, x.e.Low), append(x.to.Likely, x.e.Likely), append(x.to.High, x.e.High)
		}
		var core, ageing, known *float64
		in := ""
		if !ahead {
			t := 16 + 4*math.Sin(float64(i))
			core = &t
			if i > 0 {
				in = "cellar"
				share, factor := 1.0, 0.5+float64(i)/10
				if i == 5 {
					share = 0
				} else {
					ageing = &factor
				}
				known = &share
			}
		}
		c.Core, c.Ageing, c.Known, c.Room = append(c.Core, core), append(c.Ageing, ageing), append(c.Known, known), append(c.Room, in)
	}
	for i := range 31 {
		q := 1 - 0.04*float64(i)/30
		add(c.PackedAt.AddDate(0, 0, i), false, between(q-0.001*float64(i), q, q+(1-q)/2), i)
	}
	for i := 1; i <= 16; i++ {
		q := 0.96 * (1 - float64(i)/12)
		add(now.AddDate(i, 0, 0), true, between(0.93*(1-float64(i)/8), q, 0.98*(1-float64(i)/16)), 30+i)
	}
	return c
}
