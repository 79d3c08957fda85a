package app

import (
	"context"
	"time"

	"dryhold/internal/course"
	"dryhold/internal/engine"
	"dryhold/internal/lot"
	"dryhold/internal/packing"
	"dryhold/internal/unit"
)

// PackingAdvice implements web.Packer. Each look ahead is asked of the writer by
// itself, so that readings and edits are taken in between.
func (a *App) PackingAdvice(ctx context.Context, q packing.Question) (packing.Advice, error) {
	r, err := q.Request(a.now().UTC())
	if err != nil {
		return packing.Advice{}, err
	}
	rooms, err := a.receivings(ctx)
	if err != nil {
		return packing.Advice{}, err
	}
	if len(rooms) == 0 {
		return packing.Advise(r, a.opts.Catalog, nil)
	}
	return packing.Advise(r, a.opts.Catalog, receiving{ctx, a, rooms})
}

// Foods implements web.Packer.
func (a *App) Foods() []packing.Judged { return packing.Foods(a.opts.Catalog) }

// Containers implements web.Packer.
func (a *App) Containers() []string { return packing.Containers(a.opts.Catalog) }

func (a *App) receivings(ctx context.Context) ([]packing.Room, error) {
	return told(ctx, a, func(e *engine.Engine, now time.Time) (out []packing.Room, err error) {
		rooms, err := e.Receivings(now)
		for _, r := range rooms {
			out = append(out, packing.Room(r))
		}
		return out, err
	})
}

// receiving is the house that an advice looks ahead in. It implements
// packing.House for the time of one request.
type receiving struct {
	ctx   context.Context
	app   *App
	rooms []packing.Room
}

// Rooms implements packing.House.
func (h receiving) Rooms() []packing.Room { return h.rooms }

// Ends implements packing.House.
func (h receiving) Ends(l lot.Lot, in string, colder float64) (course.Ends, error) {
	var warmest *unit.Celsius
	for _, r := range h.rooms {
		if t := r.Temperature - unit.Celsius(colder); r.Name == in && colder > 0 {
			warmest = &t
		}
	}
	return told(h.ctx, h.app, func(e *engine.Engine, now time.Time) (course.Ends, error) { return e.Unpacked(now, l, in, warmest) })
}

// allowed refuses a lot that may poison as it is packed, unless its keeper says
// why it is so.
func (a *App) allowed(p lot.Packing) error { return packing.Allow(a.opts.Catalog, p) }
