package app

import (
	"context"
	"slices"
	"strings"
	"time"

	"dryhold/internal/audit"
	"dryhold/internal/engine"
	"dryhold/internal/lot"
	"dryhold/internal/web"
)

// UseLot implements web.LotKeeper.
func (a *App) UseLot(ctx context.Context, c lot.Change) (lot.Lot, error) {
	e := &edit{change: &c}
	switch c.Kind {
	case lot.Split:
		e = &edit{changes: func(b *lot.Book) ([]lot.Change, error) {
			c.From, c.Lot = c.Lot, b.NextID()
			return []lot.Change{c}, nil
		}}
	case lot.Completed:
		evidence, err := a.evidence(ctx, c.Lot)
		if err != nil {
			return lot.Lot{}, err
		}
		c.Evidence = &evidence
	case lot.Opened:
		e = &edit{changes: func(b *lot.Book) ([]lot.Change, error) { return opening(b, c) }}
	}
	if err := a.submit(ctx, e); err != nil {
		return lot.Lot{}, err // the writer may still be at it
	}
	return e.result, nil
}

// evidence is what the engine knows of the treatment of a lot.
func (a *App) evidence(ctx context.Context, id string) (lot.Evidence, error) {
	return told(ctx, a, func(e *engine.Engine, now time.Time) (lot.Evidence, error) { return e.Evidence(id, now) })
}

// opening opens Count containers of a lot, one where it does not say: some of
// many become a lot of their own first, since the others stay closed.
func opening(b *lot.Book, c lot.Change) ([]lot.Change, error) {
	l, err := b.Find(c.Lot)
	if err != nil {
		return nil, err
	}
	n := max(1, c.Count)
	c.Count = 0
	if n >= l.InStore().Count || l.Finished() || !l.OpenedAt.IsZero() {
		if n > l.InStore().Count {
			return nil, lot.Invalid("%d containers of lot %s: there are %d", n, l.ID, l.InStore().Count)
		}
		return []lot.Change{c}, nil
	}
	apart := c
	apart.Kind, apart.From, apart.Lot, apart.Count, apart.Note = lot.Split, l.ID, b.NextID(), n, "to be opened"
	c.Lot = apart.Lot
	return []lot.Change{apart, c}, nil
}

// History implements web.LotKeeper.
func (a *App) History(ctx context.Context, id string) ([]audit.Act, error) {
	changes, err := a.store.LotChanges(ctx)
	if err != nil {
		return nil, err
	}
	acts, found := audit.OfLot(changes, id)
	if !found {
		return nil, lot.NotFound("no lot %q", id)
	}
	return acts, nil
}

// ImportLots implements web.LotKeeper.
func (a *App) ImportLots(ctx context.Context, in web.ImportLots) (web.ImportedLots, error) {
	var out web.ImportedLots
	err := a.submit(ctx, &edit{work: func(w *writer) error {
		out = a.lookOver(w, in.Lots)
		return nil
	}})
	if err != nil {
		return web.ImportedLots{}, err
	}
	if in.DryRun || len(out.Problems) > 0 {
		return out, nil
	}
	number := 0
	whole := func(lots []lot.Lot) web.ImportedLots {
		out := out
		out.Number, out.Lots = number, lots
		return out
	}
	e := &edit{answer: func(lots []lot.Lot) any { return whole(lots) }, changes: func(b *lot.Book) ([]lot.Change, error) {
		number = b.Imports() + 1
		var out []lot.Change
		for i := range in.Lots {
			p := &in.Lots[i]
			c := lot.Change{Kind: lot.Added, Lot: b.NextID(), At: p.PackedAt, By: in.By, Packing: p, Import: number}
			b.Apply(c)
			out = append(out, c)
		}
		return out, nil
	}}
	if err := a.submit(ctx, e); err != nil {
		return web.ImportedLots{}, err // the writer may still be at it
	}
	return whole(e.results), nil
}

// lookOver says what is wrong with lots to be registered, and what their keeper
// should know of them.
func (a *App) lookOver(w *writer, lots []lot.Packing) (out web.ImportedLots) {
	now := w.now().UTC()
	for i, p := range lots {
		at := lot.Change{Kind: lot.Added, Packing: &p, Room: p.Room}
		err := p.Check(a.opts.Catalog, now)
		if err == nil {
			err = w.checkRoom(at)
		}
		if err == nil {
			err = a.allowed(p)
		}
		if err != nil {
			out.Problems = append(out.Problems, web.LotFault{Index: i, Text: err.Error()})
		} else if text := strings.TrimSpace(p.Caution() + " " + p.Against()); text != "" {
			out.Cautions = append(out.Cautions, web.LotFault{Index: i, Text: text})
		}
	}
	return out
}

// UndoImport implements web.LotKeeper.
func (a *App) UndoImport(ctx context.Context, number int, note, by string) ([]lot.Lot, error) {
	e := &edit{changes: func(b *lot.Book) (out []lot.Change, err error) {
		for _, l := range b.Lots() {
			if l.Import != number || number < 1 {
				continue
			}
			if !b.Untouched(l.ID) {
				return nil, lot.Invalid("import %d cannot be taken back: %s was changed since; take that back first", number, l.ID)
			}
			out = append(out, lot.Change{Kind: lot.Undone, Lot: l.ID, By: by, Note: note})
		}
		if len(out) == 0 {
			return nil, lot.NotFound("there is no import %d of lots, or it was taken back", number)
		}
		slices.Reverse(out) // what was split off stands behind
		return out, nil
	}}
	if err := a.submit(ctx, e); err != nil {
		return nil, err // the writer may still be at it
	}
	return e.results, nil
}
