package engine

import (
	"errors"
	"fmt"
	"math"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"dryhold/internal/lot"
)

func courseOf(t *testing.T, e *Engine, id string, points int, now float64) LotCourse {
	t.Helper()
	c, err := e.Course(id, points, at(now))
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func sameAs(t *testing.T, what string, want, got Estimate) {
	t.Helper()
	for i, d := range []float64{want.Low - got.Low, want.Likely - got.Likely, want.High - got.High} {
		if !(math.Abs(d) <= 1e-9) {
			t.Errorf("%s: %v, want %v (differs by %g at %d)", what, got, want, d, i)
		}
	}
}

// ordered says that a course has at most so many points, in time, whose bands
// enclose what is likely.
func ordered(t interface {
	Helper()
	Errorf(string, ...any)
	Fatalf(string, ...any)
}, c LotCourse, points int) {
	t.Helper()
	n := len(c.At)
	if n > points || !c.At[0].Equal(c.PackedAt) {
		t.Errorf("%s: %d points from %v, want at most %d from %v", c.Lot, n, c.At[0], points, c.PackedAt)
	}
	for _, m := range []int{len(c.Ahead), len(c.Quality.Low), len(c.Activity.High), len(c.Oxygen.Likely), len(c.Core), len(c.Room), len(c.Ageing), len(c.Known)} {
		if m != n {
			t.Fatalf("%s: a column has %d rows, want %d", c.Lot, m, n)
		}
	}
	for i, at := range c.At {
		if i > 0 && !at.After(c.At[i-1]) {
			t.Errorf("%s: point %d at %v is not after %v", c.Lot, i, at, c.At[i-1])
		}
		if c.Ahead[i] != at.After(c.AsOf) {
			t.Errorf("%s: point at %v is ahead: %t, as of %v", c.Lot, at, c.Ahead[i], c.AsOf)
		}
		for _, e := range []Estimate{c.Quality.Row(i), c.Activity.Row(i), c.Oxygen.Row(i)} {
			if !(e.Low <= e.Likely && e.Likely <= e.High) || math.IsInf(e.Likely, 0) {
				t.Errorf("%s at %v: %v", c.Lot, at, e)
			}
		}
		if q := c.Quality.Likely; i > 0 && q[i] > q[i-1]+1e-9 {
			t.Errorf("%s: quality rises at %v, from %v to %v", c.Lot, at, q[i-1], q[i])
		}
	}
}

// TestCourseIsThatOfTheView: every food in three containers and rooms, at now
// as the view has it, at its projected end without quality left.
func TestCourseIsThatOfTheView(t *testing.T) {
	p := everything(t)
	for _, v := range p.e.Snapshot(at(told40)).Lots {
		c := courseOf(t, p.e, v.ID, 0, told40)
		ordered(t, c, CoursePoints)
		now, ends := 0, 0
		for i, at := range c.At {
			q := c.Quality.Row(i)
			if at.Equal(v.AsOf) {
				now++
				sameAs(t, v.ID+" quality now", v.Remaining, q)
				sameAs(t, v.ID+" water now", v.Moisture.Activity, c.Activity.Row(i))
				sameAs(t, v.ID+" oxygen now", v.Oxygen.Fraction, c.Oxygen.Row(i))
			}
			byMode := v.EndBy != v.Moisture.Limit
			if c.Ahead[i] && at.Equal(v.End) && byMode {
				ends++
				if math.Abs(q.Likely) > 1e-9 {
					t.Errorf("%s at its end: %v left", v.ID, q)
				}
			}
			if c.Ahead[i] && at.Equal(v.EndEarly) && byMode && v.EndEarly.Before(v.End) && q.Low > 1e-9 {
				t.Errorf("%s at its early edge: %v left", v.ID, q)
			}
		}
		if now != 1 || ends != 1 && !v.End.IsZero() && v.End.After(v.AsOf.Add(24*time.Hour)) && v.EndBy != v.Moisture.Limit {
			t.Errorf("%s: %d points now and %d at its end %v", v.ID, now, ends, v.End)
		}
		if d := cmp.Diff([]any{v.Remaining, v.Limiting, v.End, v.EndEarly, v.EndLate, v.EndBy}, []any{c.Remaining, c.Limiting, c.End, c.EndEarly, c.EndLate, c.EndBy}); d != "" {
			t.Errorf("%s (-view +course):\n%s", v.ID, d)
		}
	}
}

// TestCourseOfUnknownTime: of a room of which nothing is known no factor is
// told; of one that is warm, that it ages faster than planned.
func TestCourseOfUnknownTime(t *testing.T) {
	p := storeHouse(t, packing(1, "hard-wheat", "pet-2l", "attic", nil), packing(2, "hard-wheat", "pet-2l", "loft", nil))
	c := courseOf(t, p.e, "L-1", 0, told40)
	for i := range c.At {
		if i > 0 && !c.Ahead[i] && (c.Ageing[i] != nil || *c.Known[i] != 0 || c.Room[i] != "attic") {
			t.Errorf("in the attic: ageing %v, known %v, in %q", c.Ageing[i], *c.Known[i], c.Room[i])
		}
	}
	c = courseOf(t, p.e, "L-2", 0, told40)
	for i := range c.At {
		if i > 1 && !c.Ahead[i] && (c.Ageing[i] == nil || *c.Ageing[i] < 1 || *c.Known[i] < 0.9 || c.Core[i] == nil) {
			t.Errorf("in the loft at %v: ageing %v, known %v", c.At[i], c.Ageing[i], *c.Known[i])
		}
	}
}

func TestCourseOfAFinishedLot(t *testing.T) {
	p := storeHouse(t, packing(1, "hard-wheat", "pet-2l", "loft", nil),
		lot.Change{Kind: lot.Ended, Lot: "L-1", At: at(20*24 + 5.5), Recorded: at(20*24 + 5.5), By: "Mara"})
	v := lotNamed(t, p.e.Snapshot(at(told40)), "L-1")
	c := courseOf(t, p.e, "L-1", 40, told40)
	ordered(t, c, 40)
	if last := len(c.At) - 1; c.Ahead[last] || !c.At[last].Equal(v.FinishedAt) {
		t.Errorf("ends at %v, want %v", c.At[last], v.FinishedAt)
	} else {
		sameAs(t, "at its end", v.Remaining, c.Quality.Row(last))
	}
}

func TestCourseRefused(t *testing.T) {
	p := storeHouse(t, packing(1, "hard-wheat", "pet-2l", "loft", nil))
	for _, points := range []int{-1, 1, LeastCoursePoints - 1, MostCoursePoints + 1} {
		if _, err := p.e.Course("L-1", points, at(told40)); !errors.Is(err, lot.ErrInvalid) {
			t.Errorf("%d points: %v", points, err)
		}
	}
	if _, err := p.e.Course("L-11", 0, at(told40)); !errors.Is(err, lot.ErrNotFound) {
		t.Errorf("no such lot: %v", err)
	}
}

// TestCoursesOfAnyLot: however a lot is packed and however many points are
// asked for, its course is in order and goes through the view.
func TestCoursesOfAnyLot(t *testing.T) {
	c := shipped(t)
	var lots []lot.Change
	for i, f := range c.Foods {
		lots = append(lots, packing(i+1, f.ID, c.Containers[i%len(c.Containers)].ID, []string{"attic", "cellar", "loft"}[i%3], func(p *lot.Packing) {
			p.PackedAt = at(float64(i * 24 * 5 % told40)).Add(time.Duration(i) * 7 * time.Minute)
		}))
		lots[i].At = lots[i].Packing.PackedAt
	}
	p := storeHouse(t, lots...)
	rapid.Check(t, func(r *rapid.T) {
		id, points := fmt.Sprintf("L-%d", rapid.IntRange(1, len(lots)).Draw(r, "lot")), rapid.IntRange(LeastCoursePoints, 200).Draw(r, "points")
		now := told40 + float64(rapid.IntRange(0, 24*100).Draw(r, "later"))/24*24
		c, err := p.e.Course(id, points, at(now))
		if err != nil {
			r.Fatal(err)
		}
		ordered(r, c, points)
		v := p.e.lots[id].view
		for i, at := range c.At {
			if at.Equal(v.AsOf) && math.Abs(c.Quality.Likely[i]-v.Remaining.Likely) > 1e-9 {
				r.Errorf("now %v, view %v", c.Quality.Row(i), v.Remaining)
			}
		}
	})
}

// The instants of a course lie where its steps end.
func TestCourseInstants(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		packed := at(float64(rapid.IntRange(0, 1e6).Draw(r, "minutes")) / 60)
		now := packed.Add(time.Duration(rapid.IntRange(0, 30*365*24).Draw(r, "hours")) * time.Hour)
		points := rapid.IntRange(LeastCoursePoints, MostCoursePoints).Draw(r, "points")
		x := courseInstants(packed, now, points)
		if len(x) > points || !x[0].Equal(packed) || !x[len(x)-1].Equal(now) {
			r.Fatalf("%d instants from %v to %v", len(x), x[0], x[len(x)-1])
		}
		for i, at := range x[1 : max(2, len(x))-1] {
			whole := 24 * time.Hour
			if at.Sub(packed) <= 60*24*time.Hour {
				whole = time.Hour
			}
			if !at.Truncate(whole).Equal(at) || !at.After(x[i]) {
				r.Fatalf("%v is no whole step after %v", at, x[i])
			}
		}
	})
}

// A lot that was taken back is found no more, and nothing breaks.
func TestCourseOfAWithdrawnLot(t *testing.T) {
	p := storeHouse(t, packing(1, "hard-wheat", "pet-2l", "loft", nil), packing(2, "hard-wheat", "pet-2l", "loft", nil),
		lot.Change{Kind: lot.Undone, Lot: "L-2", At: at(1), Recorded: at(1), By: "Mara"})
	if _, err := p.e.Course("L-2", 0, at(told40)); !errors.Is(err, lot.ErrNotFound) {
		t.Errorf("its course: %v", err)
	}
	if _, err := p.e.Explain("L-2", at(told40)); !errors.Is(err, lot.ErrNotFound) {
		t.Errorf("its explanation: %v", err)
	}
}

// BenchmarkLotCourse10y follows a lot of ten years and looks ahead, in the
// points that a page asks for.
func BenchmarkLotCourse10y(b *testing.B) {
	const now = 10 * yearly
	c := quiet(packing(1, "hard-wheat", "pet-2l", "loft", withAbsorber(300)))
	c.Catalog, c.Stale = shipped(b), func(string) time.Duration { return 3 * time.Hour }
	c.Forecasting = Forecasting{}
	e := engineOf(b, c)
	readings := histories(0, now, map[string]func(float64) float64{"loft": seasonal(16, 8, 2)})
	refold(e, Refold{Room: "loft"}, readings, at(now))
	for b.Loop() {
		if _, err := e.Course("L-1", 0, at(now)); err != nil {
			b.Fatal(err)
		}
	}
}
