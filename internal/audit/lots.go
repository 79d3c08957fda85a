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
		of := c.Lot
		if c.Kind == lot.Split {
			of = c.From
		}
		before, err := book.Find(of)
		a.What, a.Old = lotWords(c, before, err == nil)
		if last, any := book.Last(c.Lot); c.Kind == lot.Undone {
			a.What = "taken back: it counts as never there"
			if any {
				x, _ := lotWords(last, before, true)
				a.What = "took back: " + x
			}
		}
		if c.Packing != nil {
			a.Why = strings.TrimSpace(c.Packing.Against() + " " + c.Packing.Note)
		}
		if c.Kind == lot.Inspected {
			a.Kind, a.Of = Room, c.Room
		}
		book.Apply(c)
		out = append(out, a)
	}
	return out
}

// OfLot are the acts on one lot, with those by which lots were split off it, in
// their order; false where there is no such lot.
func OfLot(changes []lot.Change, id string) (out []Act, found bool) {
	for i, a := range Lots(changes) {
		if c := changes[i]; c.Lot == id || c.From == id {
			out, found = append(out, a), true
		}
	}
	return out, found
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
	case c.Kind == lot.Inspected:
		what = "looked through"
		for _, x := range c.Answers {
			what += ", " + x.Question + " " + x.Answer
		}
		return what, ""
	case c.Kind == lot.Untested:
		for _, t := range before.Tests {
			if t.Number == c.Revokes {
				old = t.Result.String()
			}
		}
		return fmt.Sprintf("revoked test %d", c.Revokes), old
	case c.Kind == lot.Split || c.Kind == lot.Opened || c.Kind == lot.Eaten || c.Kind == lot.Discarded || c.Kind == lot.Recounted || c.Kind == lot.Priced || c.Kind == lot.Completed:
		return useWords(c, before, known)
	case c.Kind == lot.Noted && c.Seal != nil:
		if known {
			old = "seal " + before.Seal.String()
		}
		return "noted, seal " + c.Seal.String(), old
	}
	return string(c.Kind), ""
}

// useWords are those of a change by which a lot is used up.
func useWords(c lot.Change, before lot.Lot, known bool) (what, old string) {
	if known {
		r := before.InStore()
		old = fmt.Sprintf("%d in store, %.6g kg", r.Count, r.KG)
	}
	much := fmt.Sprintf("%g kg", c.KG)
	if c.Count > 0 {
		much = fmt.Sprint(c.Count)
	}
	switch c.Kind {
	case lot.Split:
		what = fmt.Sprintf("%d split off %s", c.Count, c.From)
		if c.Room != "" {
			what += ", to " + c.Room
		}
	case lot.Opened:
		what = "opened"
	case lot.Eaten:
		what = "ate " + much
	case lot.Discarded:
		what = "threw out " + much
	case lot.Recounted:
		what = "counted " + fmt.Sprint(c.Count)
	case lot.Completed:
		what, old = "recorded the end of the treatment", ""
		if c.Evidence != nil {
			what += ": " + c.Evidence.Words
		}
	case lot.Priced:
		what, old = fmt.Sprintf("priced at %g per kg", c.Price), ""
		if known && before.Packing.PricePerKG > 0 {
			old = fmt.Sprintf("%g per kg", before.Packing.PricePerKG)
		}
	}
	return what, old
}
