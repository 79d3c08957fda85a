package lot

import (
	"encoding/json"
	"errors"
	"math"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"dryhold/internal/barrier"
)

// use is a change of L-1 told when it happens.
func use(kind ChangeKind, at time.Time, set func(*Change)) Change {
	c := Change{Kind: kind, Lot: "L-1", At: at, Recorded: at, By: "mara"}
	if set != nil {
		set(&c)
	}
	return c
}

func eaten(count int, kg float64, at time.Time) Change {
	return use(Eaten, at, func(c *Change) { c.Count, c.KG = count, kg })
}

func splitOff(id string, count int, to string, at time.Time) Change {
	return use(Split, at, func(c *Change) { c.Lot, c.From, c.Count, c.Room = id, "L-1", count, to })
}

func TestEating(t *testing.T) {
	f := func(want Rest, finished bool, changes ...Change) {
		t.Helper()
		b := bookOf(t, append([]Change{added("L-1", "cellar")}, changes...)...) // 4 of 0.8 kg
		l := b.Lots()[0]
		r := l.InStore()
		if r.Count != want.Count || math.Abs(r.KG-want.KG) > 1e-9 || l.Finished() != finished {
			t.Errorf("%+v, finished %t; want %+v, %t", r, l.Finished(), want, finished)
		}
	}
	f(Rest{4, 3.2}, false)
	f(Rest{3, 2.4}, false, eaten(1, 0, day(1)))
	f(Rest{4, 2.9}, false, eaten(0, 0.3, day(1)))
	f(Rest{3, 2.4}, false, eaten(0, 0.3, day(1)), eaten(0, 0.5, day(2)))
	f(Rest{3, 2.4}, false, eaten(0, 0.3, day(1)), eaten(1, 0, day(2))) // the begun one is emptied
	f(Rest{1, 0.1}, false, eaten(0, 3.1, day(1)))
	f(Rest{4, 3.2}, true, eaten(4, 0, day(1)))
	f(Rest{4, 3.2}, true, eaten(0, 3.2, day(1)))
	f(Rest{1, 0.8}, true, eaten(3, 0, day(1)), eaten(0, 0.7995, day(2))) // what scales at home do not show
	f(Rest{3, 2.4}, false, use(Discarded, day(1), func(c *Change) { c.Count, c.Note = 1, "gnawed by mice" }))
	f(Rest{6, 4.8}, false, use(Recounted, day(1), func(c *Change) { c.Count, c.Note = 6, "two more behind the flour" }))
	f(Rest{2, 1.3}, false, eaten(0, 0.3, day(1)), use(Recounted, day(2), func(c *Change) { c.Count, c.Note = 2, "miscounted" }))
	f(Rest{4, 3.2}, false, eaten(1, 0, day(1)), use(Undone, day(2), nil))
	f(Rest{4, 3.2}, false, eaten(4, 0, day(1)), use(Undone, day(2), nil))
	f(Rest{3, 2.4}, false, eaten(1, 0, day(1)), eaten(1, 0, day(2)), use(Undone, day(3), nil))
}

func TestSplitKeepsWhatWas(t *testing.T) {
	leaks := barrier.Failed
	b := bookOf(t, added("L-1", "loft"), use(Priced, day(1), func(c *Change) { c.Price = 2.4 }), moved("L-1", "cellar", day(2)),
		use(Noted, day(3), func(c *Change) { c.Seal = &leaks }), splitOff("L-2", 3, "north-pantry", day(4)))
	l, c := b.Lots()[0], b.Lots()[1]
	if l.Packing.Count != 1 || l.InStore() != (Rest{1, 0.8}) || l.Room() != "cellar" || c.Packing.Count != 3 || c.InStore().Count != 3 || c.SplitFrom != "L-1" {
		t.Errorf("after the split:\n%+v\n%+v", l, c)
	}
	if d := cmp.Diff([]Stay{{"loft", packed}, {"cellar", day(2)}, {"north-pantry", day(4)}}, c.Stays); d != "" {
		t.Errorf("rooms of the part (-want +got):\n%s", d)
	}
	if c.Seal != barrier.Failed || c.Packing.PricePerKG != 2.4 || !c.Packing.PackedAt.Equal(l.Packing.PackedAt) || b.NextID() != "L-3" {
		t.Errorf("the part has seal %v, price %g", c.Seal, c.Packing.PricePerKG)
	}
	b.Apply(moved("L-2", "loft", day(5))) // the lots go their own ways
	if again, err := b.Find("L-1"); err != nil || again.Room() != "cellar" {
		t.Errorf("the part moved, and the rest with it: %+v, %v", again, err)
	}
	whole := bookOf(t, added("L-1", "loft"), splitOff("L-2", 3, "", day(1)), use(Undone, day(2), nil))
	if got := whole.Lots(); len(got) != 1 || got[0].InStore() != (Rest{4, 3.2}) || whole.NextID() != "L-3" {
		t.Errorf("the split taken back leaves %+v", got)
	}
}

func TestUseRefuses(t *testing.T) {
	b := bookOf(t, added("L-1", "cellar"), added("L-2", "cellar"), added("L-3", "cellar"),
		Change{Kind: Ended, Lot: "L-2", At: day(1), Recorded: day(1)}, Change{Kind: Undone, Lot: "L-3", At: day(1), Recorded: day(1)},
		eaten(0, 0.1, day(1)))
	before := b.Lots()
	f := func(c Change, want string) {
		t.Helper()
		if err := b.Check(c); err == nil || err.Error() != want || !errors.Is(err, ErrInvalid) {
			t.Errorf("got  %v\nwant %s", err, want)
		}
	}
	f(eaten(0, 0, day(2)), "say how much of lot L-1: a number of containers, or kilograms, above 0")
	f(eaten(1, 1, day(2)), "say how much of lot L-1: a number of containers, or kilograms, above 0")
	f(eaten(0, math.NaN(), day(2)), "say how much of lot L-1: a number of containers, or kilograms, above 0")
	f(eaten(-1, 0, day(2)), "say how much of lot L-1: a number of containers, or kilograms, above 0")
	f(eaten(5, 0, day(2)), "5 containers of lot L-1: there are 4")
	f(eaten(0, 9, day(2)), "9 kg of lot L-1: there are 3.1 kg")
	f(eaten(1, 0, packed.Add(-time.Hour)), "lot L-1 stands in cellar since 2026-03-14T12:00:00Z: the change at 2026-03-14T11:00:00Z is earlier")
	f(use(Discarded, day(2), func(c *Change) { c.Count = 1 }), "no reason: say why it is thrown out, it is kept with the change")
	f(use(Discarded, day(2), func(c *Change) { c.Count, c.Note = 1, "a\nb" }), "the note has a character that cannot be printed: write one line of plain text")
	f(use(Recounted, day(2), func(c *Change) { c.Count = 3 }), "no reason: say why the count is another, it is kept with the change")
	f(use(Recounted, day(2), func(c *Change) { c.Note = "gone" }), "0 containers: give 1 to 100000; a lot of which nothing is left is finished, or thrown out")
	f(use(Recounted, day(2), func(c *Change) { c.Count, c.Note = 4, "gone" }), "there are 4 containers of lot L-1 already")
	f(use(Priced, day(2), func(c *Change) { c.Price = math.NaN() }), "a price of NaN per kg: give one above 0")
	f(splitOff("L-9", 1, "", day(2)), `change splits off lot "L-9", the next is "L-4"`)
	f(splitOff("L-4", 4, "", day(2)), "4 of the 4 containers of lot L-1: at least one must go and one stay; all of them are moved, not split")
	f(splitOff("L-4", 0, "", day(2)), "0 of the 4 containers of lot L-1: at least one must go and one stay; all of them are moved, not split")
	b2 := bookOf(t, added("L-1", "cellar"), eaten(0, 2.5, day(1)))
	if err := b2.Check(splitOff("L-2", 1, "", day(2))); err == nil {
		t.Error("the last, begun container became a lot of its own")
	}
	f(Change{Kind: Eaten, Lot: "L-2", Count: 1, At: day(2), Recorded: day(2)}, "lot L-2 was finished on 2026-03-15")
	f(Change{Kind: Eaten, Lot: "L-3", Count: 1, At: day(2), Recorded: day(2)}, "lot L-3 was taken back: it counts as never there")
	if d := cmp.Diff(before, b.Lots()); d != "" {
		t.Errorf("a check changed the book:\n%s", d)
	}
	opened := bookOf(t, added("L-1", "cellar"), use(Opened, day(1), nil))
	if err := opened.Check(use(Opened, day(2), nil)); err == nil || err.Error() != "lot L-1 was opened on 2026-03-15" {
		t.Errorf("opened twice: %v", err)
	}
	tested := bookOf(t, added("L-1", "cellar"), Change{Kind: Tested, Lot: "L-1", At: day(1), Recorded: day(1), Result: &Result{Taste: 7}})
	if err := tested.Check(use(Undone, day(2), nil)); err == nil {
		t.Error("a test was taken back by undo")
	}
	parts := bookOf(t, added("L-1", "cellar"), splitOff("L-2", 1, "", day(1)))
	if err := parts.Check(Change{Kind: Undone, Lot: "L-2", At: day(2), Recorded: day(2)}); err == nil {
		t.Error("the part took back its split: the rest would stay short")
	}
	parts.Apply(Change{Kind: Opened, Lot: "L-2", At: day(2), Recorded: day(2)})
	if err := parts.Check(use(Undone, day(3), nil)); err == nil {
		t.Error("a split was taken back though its part was opened since")
	}
}

// TestNoKilogramIsLostOrMade: whatever is done to lots, what is in store and
// what was taken out are what was packed; taking the newest change back leaves
// the book as it was; and the fold of the stored changes is the same.
func TestNoKilogramIsLostOrMade(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := with(good(), func(p *Packing) {
			p.Count = rapid.IntRange(1, 12).Draw(t, "packed")
			p.NetMassKG = rapid.Float64Range(0.05, 1.6).Draw(t, "net")
		})
		b := &Book{}
		var told []Change
		tell := func(c Change) { b.Apply(c); told = append(told, c) }
		tell(Change{Kind: Added, Lot: "L-1", At: p.PackedAt, Recorded: p.PackedAt, Packing: &p})
		total, out := float64(p.Count)*p.NetMassKG, 0.0
		for i := range rapid.IntRange(0, 12).Draw(t, "changes") {
			at := day(float64(i + 1))
			lots := b.Lots()
			l := rapid.SampledFrom(lots).Draw(t, "lot")
			c := Change{
				Kind: rapid.SampledFrom([]ChangeKind{Split, Opened, Eaten, Eaten, Discarded, Moved, Priced}).Draw(t, "kind"),
				Lot:  l.ID, At: at, Recorded: at, Note: "because",
				Room: rapid.SampledFrom([]string{"loft", "cellar"}).Draw(t, "room"),
			}
			switch c.Kind {
			case Split:
				c.Lot, c.From, c.Count = b.NextID(), l.ID, rapid.IntRange(1, 12).Draw(t, "count")
			case Eaten, Discarded:
				if rapid.Bool().Draw(t, "by count") {
					c.Count = rapid.IntRange(1, 12).Draw(t, "count")
				} else {
					c.KG = rapid.Float64Range(0.01, 3).Draw(t, "kg")
				}
			case Priced:
				c.Price = 2
			}
			if b.Check(c) != nil {
				continue
			}
			had := b.Clone()
			tell(c)
			if back := (Change{Kind: Undone, Lot: l.ID, At: at, Recorded: at}); rapid.Bool().Draw(t, "take it back") {
				if err := b.Check(back); err != nil {
					t.Fatalf("cannot take back %s of %s: %v", c.Kind, l.ID, err)
				}
				tell(back)
				if d := cmp.Diff(had.Lots(), b.Lots()); d != "" {
					t.Fatalf("taken back, and not as before:\n%s", d)
				}
				continue
			}
			if c.Kind == Eaten || c.Kind == Discarded {
				after, err := b.Find(l.ID)
				if err != nil {
					t.Fatal(err)
				}
				out += l.InStore().KG
				if !after.Finished() {
					out -= after.InStore().KG
				}
			}
		}
		in := 0.0
		for _, l := range b.Lots() {
			if r := l.InStore(); !l.Finished() {
				in += r.KG
				if r.Count < 1 || !(r.KG > 0) || r.KG > float64(r.Count)*l.Packing.NetMassKG*(1+1e-9) || r.KG < float64(r.Count-1)*l.Packing.NetMassKG*(1-1e-9) {
					t.Fatalf("%s: %d containers of %g kg hold %g kg", l.ID, r.Count, l.Packing.NetMassKG, r.KG)
				}
			}
		}
		if math.Abs(in+out-total) > 0.03*p.NetMassKG { // crumbs
			t.Fatalf("%g kg packed, %g taken out, %g in store", total, out, in)
		}
		again := &Book{}
		for _, c := range told {
			var stored Change
			body, err := json.Marshal(c)
			if err == nil {
				err = json.Unmarshal(body, &stored)
			}
			if err != nil {
				t.Fatal(err)
			}
			again.Apply(stored)
		}
		if d := cmp.Diff(b.Lots(), again.Lots()); d != "" {
			t.Fatalf("rebuilt is not live:\n%s", d)
		}
	})
}
