package audit

import (
	"fmt"
	"strings"

	"dryhold/internal/lot"
)

// Lots are the acts that changes of lots are, in their order.
func Lots(changes []lot.Change) []Act {
	var book lot.Book
	out := make([]Act, 0, len(changes))
	for _, c := range changes {
		a := Act{Told: c.Recorded, At: c.At, By: c.By, Kind: Lot, Of: c.Lot, Why: c.Note}
		before, err := book.Find(c.Lot)
		a.What, a.Old = lotWords(c, before, err == nil)
		if c.Packing != nil {
			a.Why = strings.TrimSpace(c.Packing.Against() + " " + c.Packing.Note)
		}
		book.Apply(c)
		out = append(out, a)
	}
	return out
}

// lotWords says what a change did to a lot, and what was there before.
func lotWords(c lot.Change, before lot.Lot, known bool) (what, old string) {
	room := ""
	if known && len(before.Stays) > 0 {
		room = "in " + before.Room()
	}
	switch {
	case c.Kind == lot.Added && c.Packing != nil:
		p := c.Packing
		return fmt.Sprintf("packed %d x %g kg of %s in %s, in %s", p.Count, p.NetMassKG, p.Food, p.Container, p.Room), ""
	case c.Kind == lot.Moved:
		return "moved to " + c.Room, room
	case c.Kind == lot.Ended:
		return "finished", room
	case c.Kind == lot.Tested && c.Result != nil:
		return "tested: " + c.Result.String(), ""
	case c.Kind == lot.Untested:
		for _, t := range before.Tests {
			if t.Number == c.Revokes {
				old = t.Result.String()
			}
		}
		return fmt.Sprintf("revoked test %d", c.Revokes), old
	case c.Kind == lot.Noted && c.Seal != nil:
		if known {
			old = "seal " + before.Seal.String()
		}
		return "noted, seal " + c.Seal.String(), old
	}
	return string(c.Kind), ""
}
