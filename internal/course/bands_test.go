package course_test

import (
	"math"
	"slices"
	"testing"
	"time"

	"dryhold/internal/catalog"
	"dryhold/internal/course"
	"dryhold/internal/lot"
	"dryhold/internal/unit"
)

// seasons is a room of 21 ± 8 °C over the year and ± 4 over the day, at steady
// absolute damp: 50 % at 21 °C.
func seasons() *house {
	h := steady(21, 0.5)
	h.piece = 6 * time.Hour
	h.temp = func(_ string, at time.Time) unit.Celsius {
		hours := at.Sub(packed()).Hours() + 1
		return unit.Celsius(21 + 8*math.Sin(2*math.Pi*hours/8766) + 4*math.Sin(2*math.Pi*hours/24))
	}
	return h
}

// lone is a catalog of one food in one container.
func lone(f catalog.Food, k catalog.Container) *catalog.Catalog {
	return &catalog.Catalog{Reference: 21, Foods: []catalog.Food{f}, Containers: []catalog.Container{k}}
}

// The bands come from sums at a few places of each constant's band. Here every
// one of the draws is followed on its own, with a catalog whose constants are
// those of the draw, and the quantiles must agree within 2 % of the width of
// the band: of the constants of the modes alone, and of everything, with wall,
// seal and moisture.
func TestBandsAgainstFollowingEveryDraw(t *testing.T) {
	c := shipped(t)
	for _, x := range []struct {
		food, box string
		capacity  float64
		age       time.Duration
	}{
		{"rolled-oats", "pet-2l", 300, 700 * day},
		{"brown-rice", "can-no10", 500, 200 * day},
		{"nonfat-dry-milk", "foil-pouch-4l", 500, 200 * day},
		{"hard-wheat", "pail-20l", 2000, 200 * day},
	} {
		t.Run(x.food+" in "+x.box, func(t *testing.T) {
			t.Parallel()
			l := lotOf(t, c, x.food, x.box, x.capacity)
			f, err := c.Food(x.food)
			if err != nil {
				t.Fatal(err)
			}
			k, err := c.Container(x.box)
			if err != nil {
				t.Fatal(err)
			}
			// Water runs through the wall one way or the other as the seasons
			// turn; no single wall stands for a draw, so it is left out here.
			k.WaterWall, k.WaterClosure = exactly(k.WaterWall.Likely), exactly(k.WaterClosure.Likely)
			if x.food == "rolled-oats" {
				constants(t, f, k, l, x.age)
			}
			whole(t, f, k, l, x.age)
		})
	}
}

// constants compares the bands of the constants of the modes alone: wall, seal
// and moisture are as is likely.
func constants(t *testing.T, f catalog.Food, k catalog.Container, l lot.Lot, age time.Duration) {
	t.Helper()
	if k.Sealed {
		k.SealFailure = exactly(0)
	}
	g := course.New(lone(f, k), seasons())
	s := stateOf(t, g, advance(t, g, l, packed().Add(age)).LikelyOnly(), l)
	agree(t, "constants", s, 0.02, func(i int) course.State {
		_, one := follow(t, course.New(lone(drawn(f, i), k), seasons()), l, age)
		return one
	})
}

// whole compares the bands of everything: constants, wall, seal and moisture.
func whole(t *testing.T, f catalog.Food, k catalog.Container, l lot.Lot, age time.Duration) {
	t.Helper()
	g := course.New(lone(f, k), seasons())
	_, s := follow(t, g, l, age)
	agree(t, "whole", s, 0.02, func(i int) course.State {
		own, box, err := g.DrawnLot(l, i)
		if err != nil {
			t.Fatal(err)
		}
		_, one := follow(t, course.New(lone(drawn(f, i), box), seasons()), own, age)
		return one
	})
}

// drawn is a food with every constant of its modes at its value in one draw.
func drawn(f catalog.Food, i int) catalog.Food {
	modes := f.Modes
	f.Modes = nil
	for _, m := range modes {
		f.Modes = append(f.Modes, course.Drawn(f.ID, m, i))
	}
	return f
}

// agree compares the bands of a state with the quantiles of draws followed one
// by one: within a share of the width of the band.
func agree(t *testing.T, what string, s course.State, share float64, one func(i int) course.State) {
	t.Helper()
	left, values := []float64(nil), make([][]float64, len(s.Modes))
	for i := range course.Draws {
		state := one(i)
		left = append(left, state.Remaining.Likely)
		for n, m := range state.Modes {
			values[n] = append(values[n], m.Consumed.Likely)
		}
	}
	same := func(name string, got lot.Range, v []float64) {
		t.Helper()
		slices.Sort(v)
		low, high := min(v[course.Draws/10], got.Likely), max(v[course.Draws-1-course.Draws/10], got.Likely)
		width := high - low
		near(t, what+", "+name+", 10 %", got.Low, low, share*width)
		near(t, what+", "+name+", 90 %", got.High, high, share*width)
		t.Logf("%s, %s: 10 %% %+.2f %%, 90 %% %+.2f %% of a width of %.3f", what, name, 100*(got.Low-low)/width, 100*(got.High-high)/width, width)
	}
	for n, m := range s.Modes {
		same(m.Mode.Name, m.Consumed, values[n])
	}
	same("remaining", s.Remaining, left)
}
