package app

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"dryhold/internal/engine"
	"dryhold/internal/lot"
	"dryhold/internal/review"
	"dryhold/internal/room"
	"dryhold/internal/sensor"
	"dryhold/internal/web"
)

// CompareRooms implements web.RoomComparer. The days of each room are copied
// from the engine in a turn of the writer; the rest is worked out beside it.
func (a *App) CompareRooms(ctx context.Context, o web.CompareOrder) (web.CompareAnswer, error) {
	var c engine.Comparison
	var outdoors []float32
	var at time.Time
	err := a.ask(ctx, func(e *engine.Engine, now time.Time) (err error) {
		from, to, err := a.compared(o, now)
		if err != nil {
			return err
		}
		if c, err = e.Compare(now, from, to); err != nil {
			return err
		}
		at, outdoors = now, e.AirOutdoors(c)
		return knownRoom(o.Room, c.Rooms)
	})
	if err != nil {
		return web.CompareAnswer{}, err // the writer may still be at it
	}
	var rooms []review.AirRoom
	for _, name := range c.Rooms {
		air, err := told(ctx, a, func(e *engine.Engine, _ time.Time) (review.AirRoom, error) { return e.AirOf(c, name, outdoors), nil })
		if err != nil {
			return web.CompareAnswer{}, err
		}
		rooms = append(rooms, air)
	}
	return web.NewCompareAnswer(a.opts.Settings.Site, at, o.Room, c, rooms), nil
}

func knownRoom(name string, rooms []string) error {
	if name != "" && !slices.Contains(rooms, name) {
		return lot.NotFound("there is no room %q: it is one of %v", name, rooms)
	}
	return nil
}

// compared is the days of a comparison: to is excluded.
func (a *App) compared(o web.CompareOrder, now time.Time) (from, to time.Time, err error) {
	from, to = o.From, o.To
	if !to.IsZero() {
		y, m, d := to.In(a.opts.Settings.Zone).Date()
		to = time.Date(y, m, d+1, 0, 0, 0, 0, a.opts.Settings.Zone)
	}
	switch {
	case !from.IsZero() && from.After(now):
		return from, to, lot.Invalid("from %s lies ahead: a comparison looks back", from.Format(time.DateOnly))
	case !from.IsZero() && !to.IsZero() && !from.Before(to):
		return from, to, lot.Invalid("from %s to %s is no stretch of days: put the first day first", from.Format(time.DateOnly), o.To.Format(time.DateOnly))
	case !from.IsZero() && now.Sub(from) > longestReport*24*time.Hour:
		return from, to, lot.Invalid("from %s is longer than 31 years ago: ask for less", from.Format(time.DateOnly))
	}
	return from, to, nil
}

// MapRooms implements web.RoomComparer. What the sensor that was carried about
// read comes from the store, what the room was like from the engine.
func (a *App) MapRooms(ctx context.Context, name string) (web.MapAnswer, error) {
	told, err := a.store.SensorChanges(ctx)
	if err != nil {
		return web.MapAnswer{}, err
	}
	var book sensor.Book
	for _, c := range told {
		book.Apply(c)
	}
	m := mapping{a: a, book: &book}
	if err := a.ask(ctx, func(e *engine.Engine, now time.Time) error {
		m.at, m.rooms = now, e.Rooms()
		return knownRoom(name, m.rooms)
	}); err != nil {
		return web.MapAnswer{}, err
	}
	out := web.MapAnswer{Site: a.opts.Settings.Site, At: m.at, Rooms: []web.MappedRoom{}}
	for _, in := range m.rooms {
		if name != "" && in != name {
			continue
		}
		x, err := m.room(ctx, in)
		if err != nil {
			return web.MapAnswer{}, err
		}
		if name != "" || len(x.Places) > 0 {
			out.Rooms = append(out.Rooms, x)
		}
	}
	return out, nil
}

// mapping is places that are being worked out.
type mapping struct {
	a     *App
	book  *sensor.Book
	at    time.Time
	rooms []string
}

// place is one place of a room with all its stays.
type place struct {
	review.Place
	hours       []review.PlaceHour
	sent, fixed bool
}

func (m *mapping) room(ctx context.Context, name string) (web.MappedRoom, error) {
	var places []place
	for stay, p := range m.book.Placements() {
		if p.In != name {
			continue
		}
		if p.To.IsZero() || p.To.After(m.at) {
			p.To = m.at
		}
		p.From = review.StayFrom(p.From, p.To)
		there, err := m.there(ctx, p)
		if err != nil {
			return web.MappedRoom{}, err
		}
		in, err := told(ctx, m.a, func(e *engine.Engine, _ time.Time) ([]review.MeasuredHour, error) {
			return e.MeasuredHours(name, p.From, p.To), nil
		})
		if err != nil {
			return web.MappedRoom{}, err
		}
		i := slices.IndexFunc(places, func(x place) bool { return x.Place.Place == p.Place })
		if i < 0 {
			i = len(places)
			places = append(places, place{Place: review.Place{Room: name, Place: p.Place, From: p.From, To: p.To}})
		}
		x := &places[i]
		hours, sent, fixed := review.HoursApart(stay, p.From, there, in)
		x.hours, x.sent, x.fixed = append(x.hours, hours...), x.sent || sent, x.fixed || fixed
		if p.To.After(x.To) {
			x.To = p.To
		}
	}
	var known []review.Place
	for i := range places {
		places[i].MapPlace(places[i].hours, places[i].sent, places[i].fixed)
		known = append(known, places[i].Place)
	}
	limit, err := told(ctx, m.a, func(e *engine.Engine, _ time.Time) (float64, error) { return float64(e.Plan(name)), nil })
	return web.NewMappedRoom(review.MapOf(name, known), limit), err
}

// errEnough ends a walk through the store.
var errEnough = errors.New("read enough")

// there folds what a sensor read at a place, as a room of its own.
func (m *mapping) there(ctx context.Context, p sensor.Placement) ([]review.MeasuredHour, error) {
	fold, err := room.NewFold(room.NewKeys())
	if err != nil {
		return nil, err
	}
	l := room.NewLedger(fold, m.a.staleLimit)
	err = m.a.store.EachDay(ctx, p.Room, p.From, func(readings []room.Reading) error {
		for _, r := range readings {
			if !r.At.Before(p.To) {
				return errEnough
			}
			if r.Sensor != p.Sensor {
				continue
			}
			if r, counts := m.book.CorrectPlaced(r); counts {
				l.Feed(r)
			}
		}
		return nil
	})
	if err != nil && !errors.Is(err, errEnough) {
		return nil, fmt.Errorf("cannot read what %s read at %q: %w", p.Sensor, p.Place, err)
	}
	l.Advance(p.To)
	return review.MeasuredHours(l, p.From, p.To), nil
}
