package lot

import (
	"testing"

	"dryhold/internal/catalog"
)

// TestAbsorberNote. Oxygen enclosed in 2 L: rice 187.7 cm3, oats 298.9 cm3,
// with the margin 225 and 359 (models section 5.5, computed there).
func TestAbsorberNote(t *testing.T) {
	f := func(food, container string, treatment Treatment, want string) {
		t.Helper()
		p := with(good(), func(p *Packing) { p.Food, p.Container, p.Treatment = food, container, treatment })
		fd, k := classes(t, food, container)
		if got := p.AbsorberNote(fd, k); got != want {
			t.Errorf("%s in %s, %+v\ngot  %s\nwant %s", food, container, treatment, got, want)
		}
	}
	absorber := func(capacity float64) Treatment { return Treatment{Kind: Absorber, CapacityCM3: capacity} }

	f("rolled-oats", "pet-2l", Treatment{Kind: NoTreatment}, "no absorber")
	f("rolled-oats", "pet-2l", Treatment{Kind: FreezeThaw}, "no absorber")
	f("sugar", "pet-2l", absorber(300), "an absorber does not go with this food: it turns to a block")
	f("sugar", "pet-2l", Treatment{Kind: NoTreatment}, "no absorber")
	f("rolled-oats", "paper-sack", absorber(5000), "the container does not hold low oxygen")

	// The need, its margin and an absorber that is too small.
	f("rolled-oats", "pet-2l", absorber(400), "absorber of 400 cm3 for 299 cm3 enclosed")
	f("white-rice", "pet-2l", absorber(300), "absorber of 300 cm3 for 188 cm3 enclosed")
	f("white-rice", "pet-2l", absorber(226), "absorber of 226 cm3 for 188 cm3 enclosed")
	f("white-rice", "pet-2l", absorber(225), "absorber of 225 cm3 for 188 cm3 enclosed; below the usual margin of 20 % (225 cm3)")
	f("rolled-oats", "pet-2l", absorber(300), "absorber of 300 cm3 for 299 cm3 enclosed; below the usual margin of 20 % (359 cm3)")
	// 100 of 298.9 cm3 taken from 20.9 %: 20.9 x 198.9/298.9 = 13.9 %.
	f("rolled-oats", "pet-2l", absorber(100), "absorber too small: 100 of 299 cm3, oxygen rests at about 14 %")
	const oats = 2000 * 0.715 * 0.209 // written out: what is enclosed to the last bit but one
	f("rolled-oats", "pet-2l", absorber(oats*1.000001), "absorber of 299 cm3 for 299 cm3 enclosed; below the usual margin of 20 % (359 cm3)")
	f("rolled-oats", "pet-2l", absorber(oats*0.999999), "absorber too small: 299 of 299 cm3, oxygen rests at about 0 %")
}

// TestAbsorberNoteOfClassesOutOfOrder: what a checked catalog never holds is
// told, not computed with.
func TestAbsorberNoteOfClassesOutOfOrder(t *testing.T) {
	f := func(change func(*catalog.Food, *catalog.Container), want string) {
		t.Helper()
		fd, k := classes(t, "rolled-oats", "pet-2l")
		change(&fd, &k)
		p := with(good(), func(p *Packing) { p.Treatment = Treatment{Kind: Absorber, CapacityCM3: 400} })
		if got := p.AbsorberNote(fd, k); got != want {
			t.Errorf("got  %s\nwant %s", got, want)
		}
	}
	f(func(fd *catalog.Food, _ *catalog.Container) { fd.Void = exactly(1.5) },
		"the absorber needed is not known: cannot find gas space: void fraction 1.5 is not a fraction of 0 to 1")
}

func classes(t *testing.T, food, container string) (catalog.Food, catalog.Container) {
	t.Helper()
	f, err := pantry().Food(food)
	if err != nil {
		t.Fatal(err)
	}
	k, err := pantry().Container(container)
	if err != nil {
		t.Fatal(err)
	}
	return f, k
}
