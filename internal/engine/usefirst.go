package engine

import (
	"fmt"
	"time"

	"dryhold/internal/barrier"
	"dryhold/internal/lot"
	"dryhold/internal/review"
)

// Projection is when a lot is thought to end: an instant is zero where it is
// not within 100 years.
type Projection struct {
	Early, Likely, Late time.Time
	By                  string
}

// Projected is the end by which lots are put in order and planned with: the
// only place that chooses among the ends that a view has.
func (v *LotView) Projected() Projection {
	return Projection{v.EndEarly, v.End, v.EndLate, v.EndBy}
}

// InStore is one lot that is not finished, for the order of use.
type InStore struct {
	review.Stock
	FoodName, Container, Room string
	Count                     int
	Packed                    time.Time
}

// InStore tells the lots that are not finished, in the order they were added,
// and the reviews of all lots.
func (e *Engine) InStore(now time.Time) ([]InStore, []Past, error) {
	pasts, err := e.Pasts(now)
	if err != nil {
		return nil, nil, fmt.Errorf("cannot put the lots in order of use: %w", err)
	}
	var out []InStore
	for _, l := range e.book.Lots() {
		if l.Finished() {
			continue
		}
		v := &e.lots[l.ID].view
		p := v.Projected()
		out = append(out, InStore{
			Stock: review.Stock{
				Lot: l.ID, Food: l.Packing.Food, KG: l.InStore().KG,
				Early: p.Early, Likely: p.Likely, Late: p.Late, By: p.By,
				Remaining: lot.Range(v.Remaining), RedPast: v.Moisture.Red.Past, Leaks: l.Seal == barrier.Failed,
			},
			FoodName: v.FoodName, Container: v.ContainerName, Room: l.Room(), Count: l.InStore().Count, Packed: l.Packing.PackedAt,
		})
	}
	return out, pasts, nil
}
