package app

import (
	"context"
	"fmt"
	"time"

	"dryhold/internal/engine"
	"dryhold/internal/lot"
	"dryhold/internal/room"
	"dryhold/internal/sensor"
	"dryhold/internal/web"
)

// CourseRoom implements web.RoomFollower. The writer's engine tells hours and
// days; what is told from readings themselves, two days at most, is read from
// the store and folded beside the writer. The engine is asked first: the store
// holds all that it had settled then.
func (a *App) CourseRoom(ctx context.Context, o web.CourseOrder) (engine.RoomCourse, error) {
	var c *engine.CourseDraft
	err := a.ask(ctx, func(e *engine.Engine, now time.Time) (err error) {
		if !o.From.IsZero() && now.Sub(o.From) > longestReport*24*time.Hour {
			return lot.Invalid("from %s is longer than 31 years ago: ask for less", o.From.UTC().Format(time.RFC3339))
		}
		c, err = e.CourseRoom(now, o.Room, o.From, o.To, o.Points)
		return err
	})
	if err != nil {
		return engine.RoomCourse{}, err // the writer may still be at it
	}
	if c.Seed != nil {
		since, until := c.Seed.Needs(c.To)
		readings, err := a.counted(ctx, o.Room, since, until)
		if err == nil {
			err = c.Fine(readings, a.staleLimit)
		}
		if err != nil {
			return engine.RoomCourse{}, fmt.Errorf("cannot follow room %s: %w", o.Room, err)
		}
	}
	return c.RoomCourse, nil
}

// counted are the readings of a room as they count, in order of time.
func (a *App) counted(ctx context.Context, name string, from, to time.Time) ([]room.Reading, error) {
	told, err := a.store.SensorChanges(ctx)
	if err != nil {
		return nil, err
	}
	var book sensor.Book
	for _, c := range told {
		book.Apply(c)
	}
	var out []room.Reading
	err = a.store.EachDayOf(ctx, []string{name}, from, to, func(day []room.Reading) error {
		for _, r := range day {
			if r, counts := book.Correct(r); counts {
				out = append(out, r)
			}
		}
		return nil
	})
	return out, err
}
