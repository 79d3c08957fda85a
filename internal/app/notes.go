package app

import (
	"context"
	"time"

	"dryhold/internal/crash"
	"dryhold/internal/note"
	"dryhold/internal/room"
	"dryhold/internal/store"
	"dryhold/internal/web"
)

// RoomNotes implements web.RoomNoter.
func (a *App) RoomNotes(ctx context.Context) ([]note.Change, error) {
	return a.store.NoteChanges(ctx)
}

// NoteRoom implements web.RoomNoter.
func (a *App) NoteRoom(ctx context.Context, c note.Change) (web.RoomNoted, error) {
	return worked(ctx, a, func(w *writer) (web.RoomNoted, error) { return w.noteRoom(c) })
}

// noteRoom does one edit of the notes of a room: it is on disk when this
// returns without error.
func (w *writer) noteRoom(c note.Change) (web.RoomNoted, error) {
	ctx := w.armed(context.Background()) // a commit is not broken off
	now := w.now().UTC().Truncate(time.Millisecond)
	c.Seq, c.Recorded = w.engine.NextNote(), now
	if c.To.IsZero() && c.Kind == note.Noted {
		c.To = now
	}
	c.From, c.To = c.From.UTC().Truncate(time.Millisecond), c.To.UTC().Truncate(time.Millisecond)
	if err := w.engine.CheckNote(c); err != nil {
		return web.RoomNoted{}, err
	}
	target, lots := w.engine.NoteReach(c)
	done := web.RoomNoted{Change: c, Of: target, Lots: lots}
	answer, err := w.answer(done, now)
	if err != nil {
		return web.RoomNoted{}, err
	}
	err = w.store.Commit(ctx, store.Batch{}, nil, now, func([]room.Reading) (store.Outcome, error) {
		return store.Outcome{Notes: []note.Change{c}, Answer: answer}, nil
	})
	w.committed(err)
	if err != nil {
		return web.RoomNoted{}, err
	}
	w.at(crash.Edited)
	w.engine.ChangeNote(c)
	w.shown = time.Time{} // at once: the answer must show what it promised
	return done, nil
}
