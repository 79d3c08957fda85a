package app

import (
	"context"
	"slices"
	"time"

	"dryhold/internal/engine"
	"dryhold/internal/lot"
	"dryhold/internal/review"
	"dryhold/internal/web"
)

// ask has the writer answer a question between two edits.
func (a *App) ask(ctx context.Context, read func(e *engine.Engine, now time.Time) error) error {
	return a.submit(ctx, &edit{read: read})
}

// past is what the writer's engine told: all else is worked out of it outside
// of the writer.
type past struct {
	at    time.Time
	stock []engine.InStore
	pasts []engine.Past
	rooms []string
}

func (a *App) past(ctx context.Context) (past, error) {
	return told(ctx, a, func(e *engine.Engine, now time.Time) (p past, err error) {
		p.at, p.rooms = now, e.Rooms()
		p.stock, p.pasts, err = e.InStore(now)
		return p, err
	})
}

// filter leaves the reviews of one lot, the time in one room and one year.
func (p *past) filter(f web.ReviewFilter) ([]review.Review, error) {
	if f.Room != "" && !slices.Contains(p.rooms, f.Room) {
		return nil, lot.NotFound("there is no room %q: it is one of %v", f.Room, p.rooms)
	}
	var out []review.Review
	found := f.Lot == ""
	for _, x := range p.pasts {
		if f.Lot != "" && x.Lot != f.Lot {
			continue
		}
		found = true
		r, stood := x.Review, true
		if f.Room != "" {
			r, stood = r.In(f.Room, x.InMonths)
		}
		if stood && f.Year != 0 {
			r, stood = r.InYear(f.Year, x.InMonths)
		}
		if stood {
			out = append(out, r)
		}
	}
	if !found {
		return nil, lot.NotFound("there is no lot %q: `dryhold lots list --all` lists them", f.Lot)
	}
	return out, nil
}

// Review implements web.Reviewer.
func (a *App) Review(ctx context.Context, f web.ReviewFilter) (web.ReviewAnswer, error) {
	p, err := a.past(ctx)
	if err != nil {
		return web.ReviewAnswer{}, err
	}
	reviews, err := p.filter(f)
	if err != nil {
		return web.ReviewAnswer{}, err
	}
	return web.NewReviewAnswer(a.opts.Settings.Site, p.at, f, reviews, a.foodName), nil
}

// foodName is the name of a class, or the class where the catalog has it no
// longer.
func (a *App) foodName(id string) string {
	if f, err := a.opts.Catalog.Food(id); err == nil {
		return f.Name
	}
	return id
}

// trialSlice is how many lots are tried between two turns of the writer: about
// 7 ms each (3.6 s for 500, `-bench WhatIf500 ./internal/engine`).
const trialSlice = 8

// WhatIf implements web.Reviewer. The lots are tried a few at a time, and in
// between the writer takes readings and edits; a state that is replaced
// meanwhile is asked anew.
func (a *App) WhatIf(ctx context.Context, q engine.Question) (engine.WhatIf, error) {
	var trial *engine.Trial
	for more := true; more; {
		var next *engine.Trial // the writer may still be at it when ctx ends
		var left bool
		err := a.ask(ctx, func(e *engine.Engine, now time.Time) (err error) {
			if next = trial; next == nil || !next.Of(e) {
				if next, err = e.Try(now, q); err != nil {
					return err
				}
			}
			left, err = next.Next(now, trialSlice)
			return err
		})
		if err != nil {
			return engine.WhatIf{}, err
		}
		trial, more = next, left
	}
	return trial.Answer(), nil
}

// household is what the configuration says of eating.
func (a *App) household() []review.Eating {
	var out []review.Eating
	for _, e := range a.opts.Settings.Eating {
		out = append(out, review.Eating{Food: e.Food, KGPerMonth: e.KGPerMonth, Months: e.Months})
	}
	return out
}

// UseFirst implements web.Reviewer.
func (a *App) UseFirst(ctx context.Context) (web.UseFirstAnswer, error) {
	p, err := a.past(ctx)
	if err != nil {
		return web.UseFirstAnswer{}, err
	}
	if err := a.repacks(ctx, &p); err != nil {
		return web.UseFirstAnswer{}, err
	}
	return a.useFirst(p)
}

// stocks are the lots in store, as package review takes them.
func (p *past) stocks() []review.Stock {
	out := make([]review.Stock, 0, len(p.stock))
	for _, s := range p.stock {
		out = append(out, s.Stock)
	}
	return out
}

const (
	// repackInto and repackCM3 are the repack that is tried where food will not
	// be eaten in time: the tightest small container of the shipped catalog,
	// and more capacity than its gas space holds oxygen (about 0.3 L).
	repackInto = "foil-pouch-4l"
	repackCM3  = 500
	// repackMost bounds how many lots are tried for one answer.
	repackMost = 100
)

// repacks finds by how much a repack would move the early edge of the lots that
// will not be eaten in time.
func (a *App) repacks(ctx context.Context, p *past) error {
	plans, err := review.Rotate(p.stocks(), a.household(), p.at)
	if err != nil {
		return err
	}
	var late []string
	for _, plan := range plans {
		for _, t := range plan.Tasks {
			if t.Code == review.GiveAway && len(late) < repackMost {
				late = append(late, t.Lot)
			}
		}
	}
	if _, err := a.opts.Catalog.Container(repackInto); err != nil || len(late) == 0 {
		return nil // a catalog of one's own may be without it
	}
	x, err := a.WhatIf(ctx, engine.Question{Lots: late, Scenario: review.Scenario{Container: repackInto, AbsorberCM3: repackCM3}})
	if err != nil {
		return err
	}
	for _, g := range x.Lots {
		if i := slices.IndexFunc(p.stock, func(s engine.InStore) bool { return s.Lot == g.Lot }); i >= 0 && g.Not == "" {
			p.stock[i].RepackDays = max(0, g.Gain.Then.Band().Low-g.Gain.Now.Band().Low)
		}
	}
	return nil
}

// useFirst works out the order, the plan and the supply.
func (a *App) useFirst(p past) (web.UseFirstAnswer, error) {
	zone := a.opts.Settings.Zone
	x := web.UseFirstAnswer{Site: a.opts.Settings.Site, At: p.at, Caution: web.UseFirstCaution, Lots: []web.UseTurn{}, Plans: []web.UsePlan{}}
	byLot := map[string]engine.InStore{}
	for _, s := range p.stock {
		byLot[s.Lot] = s
	}
	var reviews []review.Review
	for _, r := range p.pasts {
		reviews = append(reviews, r.Review)
	}
	for _, t := range review.UseFirst(p.stocks(), reviews, p.at) {
		s := byLot[t.Lot]
		u := web.UseTurn{Turn: t, FoodName: s.FoodName, Container: s.Container, Room: s.Room, Count: s.Count}
		for _, r := range t.Reasons {
			u.Words = append(u.Words, web.ReasonWords(r, zone))
		}
		x.Lots = append(x.Lots, u)
	}
	plans, err := review.Rotate(p.stocks(), a.household(), p.at)
	if err != nil {
		return x, err
	}
	for _, plan := range plans {
		u := web.UsePlan{Rotation: plan, FoodName: a.foodName(plan.Food), Words: []string{}}
		for _, t := range plan.Tasks {
			u.Words = append(u.Words, web.TaskWords(t, u.FoodName, zone))
		}
		x.Plans = append(x.Plans, u)
	}
	if whom := a.opts.Settings.Persons; whom != nil {
		need := whom.Need
		if need == 0 {
			need = review.PlanningEnergy
		}
		supply, err := review.Supplies(a.opts.Catalog, p.stocks(), whom.Count, need, p.at)
		if err != nil {
			return x, err
		}
		x.Supply = &supply
	}
	x.Words = web.SupplyWords(x.Supply)
	return x, nil
}
