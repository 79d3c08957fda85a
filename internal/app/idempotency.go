package app

import (
	"context"
	"fmt"
	"time"

	"dryhold/internal/lot"
	"dryhold/internal/store"
	"dryhold/internal/web"
)

// errDone ends an edit that was done before; its receipt has the answer. It is
// no fault of the machine.
var errDone = fmt.Errorf("it was done before, under the same name: %w", lot.ErrInvalid)

// Answered implements web.Answerer.
func (a *App) Answered(ctx context.Context, id string) (web.Answer, bool, error) {
	x, found, err := a.store.Answered(ctx, id, a.now())
	return web.Answer{Digest: x.Digest, Status: x.Status, Location: x.Location, Body: []byte(x.Body)}, found, err
}

// doneBefore looks whether an edit that names itself was done while this one
// waited, as where who asked gave up and asked again.
func (w *writer) doneBefore(ctx context.Context, c *web.Receipt) error {
	kept, found, err := w.Answered(ctx, c.ID)
	if err != nil {
		return err
	}
	if found {
		c.Done(kept)
		return errDone
	}
	return nil
}

// answer puts together what the edit being done is answered, to be stored with
// it; nil where it does not name itself.
func (w *writer) answer(result any, now time.Time) (*store.Answer, error) {
	if w.receipt == nil {
		return nil, nil
	}
	a, err := w.receipt.Answer(result)
	if err != nil {
		return nil, err
	}
	return &store.Answer{ID: w.receipt.ID, Digest: a.Digest, At: now, Status: a.Status, Location: a.Location, Body: string(a.Body)}, nil
}

// answerOfLots is the answer to changes of lots that passed CheckLots.
func (w *writer) answerOfLots(e *edit, changes []lot.Change, now time.Time) (*store.Answer, error) {
	if w.receipt == nil {
		return nil, nil
	}
	var lots []lot.Lot
	book := w.engine.Book()
	for _, c := range changes {
		book.Apply(c)
		if c.Lot == "" {
			continue // of a room
		}
		l, err := book.Find(c.Lot)
		if err != nil {
			return nil, err
		}
		lots = append(lots, l)
	}
	switch {
	case e.answer != nil:
		return w.answer(e.answer(lots), now)
	case len(lots) == 0:
		return w.answer(nil, now)
	}
	return w.answer(lots[len(lots)-1], now)
}

// meets refuses an edit on a condition that does not hold.
func (w *writer) meets(c *web.Condition) error {
	if c == nil {
		return nil
	}
	l, err := w.engine.Lot(c.Lot)
	if err != nil {
		return err
	}
	return c.Holds(l)
}
