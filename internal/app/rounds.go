package app

import (
	"context"
	"time"

	"dryhold/internal/barrier"
	"dryhold/internal/engine"
	"dryhold/internal/lot"
	"dryhold/internal/web"
)

// Rounds implements web.Rounder.
func (a *App) Rounds(ctx context.Context) ([]engine.RoundView, error) {
	return told(ctx, a, func(e *engine.Engine, now time.Time) ([]engine.RoundView, error) { return e.Rounds(now), nil })
}

// RoundDone implements web.Rounder. The round and the notes of the lots it tells
// of are one commit.
func (a *App) RoundDone(ctx context.Context, room string, r web.RoundDone) error {
	return a.submit(ctx, &edit{changes: func(b *lot.Book) ([]lot.Change, error) {
		out := []lot.Change{{Kind: lot.Inspected, Room: room, At: r.At, By: r.By, Answers: r.Answers, Note: r.Note}}
		for _, x := range []struct {
			lots []string
			seal barrier.Seal
			text string
		}{{r.Failed, barrier.Failed, "seen failed on an inspection round"}, {r.Holding, barrier.Verified, "seen holding on an inspection round"}} {
			for _, id := range x.lots {
				l, err := b.Find(id)
				if err != nil {
					return nil, err
				}
				if l.Room() != room {
					return nil, lot.Invalid("lot %s stands in %s, not in %s", id, l.Room(), room)
				}
				seal := x.seal
				out = append(out, lot.Change{Kind: lot.Noted, Lot: id, At: r.At, By: r.By, Seal: &seal, Note: x.text})
			}
		}
		return out, nil
	}})
}
