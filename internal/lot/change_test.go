package lot

import (
	"errors"
	"math"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

func TestPackingCheck(t *testing.T) {
	now := packed.Add(48 * time.Hour)
	f := func(p Packing, want string) {
		t.Helper()
		err := p.Check(pantry(), now)
		switch {
		case want == "" && err != nil:
			t.Errorf("refused: %v", err)
		case want != "" && err == nil:
			t.Errorf("taken, want %q", want)
		case want != "" && (err.Error() != want || !errors.Is(err, ErrInvalid)):
			t.Errorf("got  %q (invalid: %t)\nwant %q", err, errors.Is(err, ErrInvalid), want)
		}
	}
	f(good(), "")
	f(with(good(), func(p *Packing) { p.MoistureWB = 0.5 }), "")
	f(with(good(), func(p *Packing) { p.PackedAt = now.Add(24 * time.Hour) }), "") // today, in a zone ahead
	f(with(good(), func(p *Packing) { p.PackedAt = time.Date(1980, 1, 1, 0, 0, 0, 0, time.UTC) }), "")
	f(with(good(), func(p *Packing) { p.Treatment = Treatment{Kind: Absorber, CapacityCM3: 300} }), "")
	f(with(good(), func(p *Packing) { p.Treatment = Treatment{Kind: FreezeThaw} }), "")

	f(with(good(), func(p *Packing) { p.Food = "roled-oats" }), `unknown food class "roled-oats": did you mean "rolled-oats"?`)
	f(with(good(), func(p *Packing) { p.Food = "" }), `unknown food class "": it is one of hard-wheat, rolled-oats, sugar, white-rice`)
	f(with(good(), func(p *Packing) { p.Container = "pet-21" }), `unknown container class "pet-21": did you mean "pet-2l"?`)
	f(with(good(), func(p *Packing) { p.Container = "amphora" }), `unknown container class "amphora": it is one of paper-sack, pet-2l`)
	f(with(good(), func(p *Packing) { p.Count = 0 }), "count 0 containers: give 1 to 100000")
	f(with(good(), func(p *Packing) { p.Count = -3 }), "count -3 containers: give 1 to 100000")
	f(with(good(), func(p *Packing) { p.Count = 100_001 }), "count 100001 containers: give 1 to 100000")
	f(with(good(), func(p *Packing) { p.NetMassKG = 0 }), "net mass 0 kg of each container: give a mass above 0")
	f(with(good(), func(p *Packing) { p.NetMassKG = -1.6 }), "net mass -1.6 kg of each container: give a mass above 0")
	f(with(good(), func(p *Packing) { p.NetMassKG = math.NaN() }), "net mass NaN kg of each container: give a mass above 0")
	f(with(good(), func(p *Packing) { p.NetMassKG = 800 }), "net mass 800 kg does not go into a 2 L PET bottle of 2 L")
	f(with(good(), func(p *Packing) { p.NetMassKG = math.Inf(1) }), "net mass +Inf kg does not go into a 2 L PET bottle of 2 L")
	f(with(good(), func(p *Packing) { p.NetMassKG = math.Inf(-1) }), "net mass -Inf kg of each container: give a mass above 0")
	f(with(good(), func(p *Packing) { p.PackedAt = time.Time{} }), "no pack date: give the day it was packed")
	f(with(good(), func(p *Packing) { p.PackedAt = now.AddDate(0, 1, 0) }), "pack date 2026-04-16 is in the future")
	f(with(good(), func(p *Packing) { p.PackedAt = now.Add(24*time.Hour + time.Millisecond) }), "pack date 2026-03-17 is in the future")
	f(with(good(), func(p *Packing) { p.PackedAt = time.Date(1900, 5, 1, 0, 0, 0, 0, time.UTC) }), "pack date 1900-05-01 is before 1980")
	f(with(good(), func(p *Packing) { p.MoistureWB = 0.8 }), "moisture 80 % of wet mass: give 0 to 50 %")
	f(with(good(), func(p *Packing) { p.MoistureWB = 0.555 }), "moisture 55.5 % of wet mass: give 0 to 50 %")
	f(with(good(), func(p *Packing) { p.MoistureWB = 11.5 }), "moisture 1150 % of wet mass: give 0 to 50 %")
	f(with(good(), func(p *Packing) { p.MoistureWB = -0.1 }), "moisture -10 % of wet mass: give 0 to 50 %")
	f(with(good(), func(p *Packing) { p.MoistureWB = math.NaN() }), "moisture NaN % of wet mass: give 0 to 50 %")
	f(with(good(), func(p *Packing) { p.MoistureWB = math.Inf(1) }), "moisture +Inf % of wet mass: give 0 to 50 %")
	f(with(good(), func(p *Packing) { p.MoistureWB = math.Inf(-1) }), "moisture -Inf % of wet mass: give 0 to 50 %")
	f(with(good(), func(p *Packing) { p.Room = "" }), "no room: say where the lot stands")
	f(with(good(), func(p *Packing) { p.Treatment.Kind = "salt" }), `unknown treatment "salt": it is one of none, absorber, freeze-thaw`)
	f(with(good(), func(p *Packing) { p.Treatment.Kind = "" }), `unknown treatment "": it is one of none, absorber, freeze-thaw`)
	f(with(good(), func(p *Packing) { p.Shading = "attic" }), `unknown shading "attic": it is one of open-shelf, boxed, dark-room`)
	const capacity = "absorber capacity %s cm3: give the rated oxygen capacity of the packets in one container, up to 20000 cm3"
	f(with(good(), func(p *Packing) { p.Treatment = Treatment{Kind: Absorber} }), Invalid(capacity, "0").Error())
	f(with(good(), func(p *Packing) { p.Treatment = Treatment{Kind: Absorber, CapacityCM3: -300} }), Invalid(capacity, "-300").Error())
	f(with(good(), func(p *Packing) { p.Treatment = Treatment{Kind: Absorber, CapacityCM3: 20_001} }), Invalid(capacity, "20001").Error())
	f(with(good(), func(p *Packing) { p.Treatment = Treatment{Kind: Absorber, CapacityCM3: math.NaN()} }), Invalid(capacity, "NaN").Error())
	f(with(good(), func(p *Packing) { p.Treatment = Treatment{Kind: Absorber, CapacityCM3: math.Inf(1)} }), Invalid(capacity, "+Inf").Error())
	f(with(good(), func(p *Packing) { p.Treatment = Treatment{Kind: FreezeThaw, CapacityCM3: 300} }),
		`absorber capacity 300 cm3 with treatment "freeze-thaw": the capacity goes with treatment absorber`)
	f(with(good(), func(p *Packing) { p.Treatment = Treatment{Kind: NoTreatment, CapacityCM3: math.NaN()} }),
		`absorber capacity NaN cm3 with treatment "none": the capacity goes with treatment absorber`)
	f(with(good(), func(p *Packing) { p.PerCarton = 12 }), "")
	f(with(good(), func(p *Packing) { p.PerCarton = -1 }), "-1 containers in a carton: give 2 to 200, or 0 where they stand by themselves")
	f(with(good(), func(p *Packing) { p.PerCarton = 201 }), "201 containers in a carton: give 2 to 200, or 0 where they stand by themselves")
	moist := Treatment{Kind: Absorber, CapacityCM3: 300, MoistureActivated: true}
	f(with(good(), func(p *Packing) { p.Treatment = moist }), "")
	f(with(good(), func(p *Packing) { p.Treatment = Treatment{Kind: NoTreatment, MoistureActivated: true} }),
		`a moisture-activated absorber with treatment "none": the kind of absorber goes with treatment absorber`)
	f(with(good(), func(p *Packing) { p.Treatment = Treatment{Kind: FreezeThaw, MoistureActivated: true} }),
		`a moisture-activated absorber with treatment "freeze-thaw": the kind of absorber goes with treatment absorber`)
}

// added, moved and ended are changes told when they happen.
func added(id, in string) Change {
	p := with(good(), func(p *Packing) { p.Room = in })
	return Change{Kind: Added, Lot: id, At: p.PackedAt, Recorded: day(1), Packing: &p}
}
func moved(id, to string, at time.Time) Change {
	return Change{Kind: Moved, Lot: id, At: at, Recorded: at, Room: to}
}
func ended(id, note string, at time.Time) Change {
	return Change{Kind: Ended, Lot: id, At: at, Recorded: at, Note: note}
}

// bookOf applies changes that all must pass.
func bookOf(t *testing.T, changes ...Change) *Book {
	t.Helper()
	b := &Book{}
	for _, c := range changes {
		if err := b.Check(c); err != nil {
			t.Fatalf("%s %s: %v", c.Kind, c.Lot, err)
		}
		b.Apply(c)
	}
	return b
}

func TestBookFoldsChangesInOrder(t *testing.T) {
	b := bookOf(t,
		added("L-1", "loft"), added("L-2", "cellar"),
		moved("L-1", "cellar", day(2)), moved("L-1", "north-pantry", day(2)), // carried on at once
		ended("L-2", "eaten", day(3)),
		added("L-3", "loft"),
	)
	in := func(room string) Packing { return with(good(), func(p *Packing) { p.Room = room }) }
	want := []Lot{
		{ID: "L-1", Packing: in("loft"), Stays: []Stay{{"loft", packed}, {"cellar", day(2)}, {"north-pantry", day(2)}}},
		{ID: "L-2", Packing: in("cellar"), Stays: []Stay{{"cellar", packed}}, FinishedAt: day(3), FinishNote: "eaten"},
		{ID: "L-3", Packing: in("loft"), Stays: []Stay{{"loft", packed}}},
	}
	if d := cmp.Diff(want, b.Lots()); d != "" {
		t.Errorf("lots (-want +got):\n%s", d)
	}
	if got := b.NextID(); got != "L-4" { // a finished lot keeps its number
		t.Errorf("next ID %s, want L-4", got)
	}
	if l, err := b.Find("L-1"); err != nil || l.Room() != "north-pantry" || l.Finished() {
		t.Errorf("L-1 stands in %s, finished %t, %v", l.Room(), l.Finished(), err)
	}
	if l, err := b.Find("L-2"); err != nil || l.Room() != "cellar" || !l.Finished() {
		t.Errorf("L-2 stood in %s, finished %t, %v", l.Room(), l.Finished(), err)
	}
}

func TestBookRefuses(t *testing.T) {
	b := bookOf(t, added("L-1", "loft"), added("L-2", "cellar"), ended("L-2", "", day(3)), moved("L-1", "cellar", day(2)))
	before := b.Lots()
	f := func(c Change, kind error, want string) {
		t.Helper()
		err := b.Check(c)
		if !errors.Is(err, kind) || err.Error() != want {
			t.Errorf("got  %v\nwant %s (%v)", err, want, kind)
		}
	}
	f(added("L-2", "loft"), ErrInvalid, `change adds lot "L-2", the next is "L-3"`)
	f(added("L-4", "loft"), ErrInvalid, `change adds lot "L-4", the next is "L-3"`)
	f(Change{Kind: Added, Lot: "L-3"}, ErrInvalid, `change adds lot "L-3" without its packing`)
	f(moved("L-9", "loft", day(4)), ErrNotFound, `no lot "L-9"`)
	f(ended("", "", day(4)), ErrNotFound, `no lot ""`)
	f(moved("L-2", "loft", day(4)), ErrInvalid, "lot L-2 was finished on 2026-03-17")
	f(ended("L-2", "", day(4)), ErrInvalid, "lot L-2 was finished on 2026-03-17")
	f(moved("L-1", "cellar", day(4)), ErrInvalid, "lot L-1 stands in cellar already")
	f(moved("L-1", "", day(4)), ErrInvalid, "no room: say where lot L-1 goes")
	f(moved("L-1", "loft", day(1)), ErrInvalid, "lot L-1 stands in cellar since 2026-03-16T12:00:00Z: the change at 2026-03-15T12:00:00Z is earlier")
	f(ended("L-1", "", packed.Add(-time.Hour)), ErrInvalid, "lot L-1 stands in cellar since 2026-03-16T12:00:00Z: the change at 2026-03-14T11:00:00Z is earlier")
	f(Change{Kind: Moved, Lot: "L-1", Room: "loft", At: day(9), Recorded: day(7)}, ErrInvalid, "the change at 2026-03-23T12:00:00Z is in the future")
	f(Change{Kind: "boiled", Lot: "L-1", At: day(4), Recorded: day(4)}, ErrInvalid, `unknown change "boiled"`)
	if d := cmp.Diff(before, b.Lots()); d != "" {
		t.Errorf("a check changed the book:\n%s", d)
	}
	b.Apply(moved("L-9", "loft", day(4))) // what did not pass Check does no harm
	if d := cmp.Diff(before, b.Lots()); d != "" {
		t.Errorf("a change of no lot changed the book:\n%s", d)
	}
}

// TestLotsGivenAreNotChanged: whoever took the lots earlier, such as a
// published state, keeps what it saw.
func TestLotsGivenAreNotChanged(t *testing.T) {
	b := bookOf(t, added("L-1", "loft"), moved("L-1", "cellar", day(1)), moved("L-1", "loft", day(2)))
	seen := b.Lots()
	b.Apply(moved("L-1", "cellar", day(3)))
	b.Apply(ended("L-1", "eaten", day(4)))
	if l := seen[0]; len(l.Stays) != 3 || l.Room() != "loft" || l.Finished() {
		t.Errorf("the lot seen before has changed: %+v", l)
	}
}

func TestErrorsAreToldApart(t *testing.T) {
	if err := Invalid("mass %d", 3); err.Error() != "mass 3" || !errors.Is(err, ErrInvalid) || errors.Is(err, ErrNotFound) {
		t.Errorf("%v", err)
	}
	if err := NotFound("lot %q", "x"); err.Error() != `lot "x"` || !errors.Is(err, ErrNotFound) || errors.Is(err, ErrInvalid) {
		t.Errorf("%v", err)
	}
}
