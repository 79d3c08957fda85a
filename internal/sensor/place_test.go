package sensor

import (
	"errors"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"dryhold/internal/lot"
	"dryhold/internal/room"
	"dryhold/internal/unit"
)

// carried is sensor a of the loft at a place; to of 0 is without an end.
func carried(seq int, place string, from, to float64) Change {
	c := Change{Kind: Placed, Seq: seq, Room: "loft", Sensor: "a", Recorded: at(1000), From: at(from), Place: place}
	if to != 0 {
		c.To = at(to)
	}
	return c
}

func TestPlacements(t *testing.T) {
	f := func(want []Placement, changes ...Change) {
		t.Helper()
		if d := cmp.Diff(want, book(t, changes...).Placements()); d != "" {
			t.Errorf("(-want +got):\n%s", d)
		}
	}
	p := func(seq int, in, place string, from, to float64) Placement {
		x := Placement{seq, "loft", "a", in, place, at(from), at(to)}
		if to == 0 {
			x.To = time.Time{}
		}
		return x
	}
	f(nil)
	f([]Placement{p(1, "loft", "shelf", 10, 20)}, carried(1, "shelf", 10, 20))
	f([]Placement{p(1, "loft", "shelf", 10, 30), p(2, "loft", "floor", 30, 0)}, carried(1, "shelf", 10, 0), carried(2, "floor", 30, 0))
	f([]Placement{p(1, "loft", "shelf", 10, 30)}, carried(1, "shelf", 10, 0), carried(2, "", 30, 0)) // back
	f([]Placement{p(1, "loft", "shelf", 10, 15), p(2, "loft", "floor", 15, 18)}, carried(1, "shelf", 10, 20), carried(2, "floor", 15, 18))
	f([]Placement{p(2, "loft", "floor", 5, 10), p(1, "loft", "shelf", 10, 20)}, carried(1, "shelf", 10, 20), carried(2, "floor", 5, 0)) // told later
	f([]Placement{p(2, "loft", "floor", 10, 20)}, carried(1, "shelf", 10, 0), carried(2, "floor", 10, 20))                              // told right
	f([]Placement{p(1, "loft", "shelf", 10, 0)}, carried(1, "shelf", 10, 0), carried(2, "floor", 30, 0), revoked(3, 2))
	other := carried(1, "shelf", 10, 0)
	other.In = "cellar"
	f([]Placement{p(1, "cellar", "shelf", 10, 0)}, other)
}

func TestCheckPlaced(t *testing.T) {
	f := func(want string, slip func(*Change)) {
		t.Helper()
		c := carried(1, "top shelf by the window", 10, 20)
		slip(&c)
		var b Book
		err := b.Check(c)
		if want == "" && err != nil || want != "" && (!errors.Is(err, lot.ErrInvalid) || !strings.Contains(err.Error(), want)) {
			t.Errorf("%+v: %v, want %q", c, err, want)
		}
	}
	f("", func(*Change) {})
	f("", func(c *Change) { c.In, c.To = "cellar", time.Time{} })
	f("", func(c *Change) { c.Place, c.To = "", time.Time{} })
	f("no place", func(c *Change) { c.Place = "" })
	f("no place", func(c *Change) { c.Place, c.To, c.In = "", time.Time{}, "cellar" })
	f("is empty", func(c *Change) { c.To = c.From })
	f("in the future", func(c *Change) { c.To = at(1100) })
	f("a name and a time only", func(c *Change) { c.Gain = 1 })
	f("begins or ends with a space", func(c *Change) { c.Place = " shelf" })
	f("81 characters", func(c *Change) { c.Place = strings.Repeat("ä", 81) })
	f("cannot be printed", func(c *Change) { c.Place = "top\nshelf" })
	f("cannot be printed", func(c *Change) { c.Place = "top\xff" })
	f(`goes with kind "placed" only`, func(c *Change) { c.Kind, c.Note = Voided, "why" })
}

// TestPlacedDoesNotCount: what a sensor reads at a place does not count for its
// room and counts for the place, calibrated; the stretches that do are those
// outside of every placement.
func TestPlacedDoesNotCount(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var b Book
		for range rapid.IntRange(0, 6).Draw(t, "changes") {
			from := rapid.Float64Range(0, 100).Draw(t, "from")
			n := b.NextSeq()
			c := rapid.SampledFrom([]Change{
				carried(n, "shelf", from, 0), carried(n, "floor", from, from+10), carried(n, "", from, 0),
				calibrated(n, from, 1, 2), voided(n, from, from+5), revoked(n, max(1, n-1)),
			}).Draw(t, "change")
			if b.Check(c) == nil {
				b.Apply(c)
			}
		}
		for hours := 0.0; hours < 120; hours += 0.5 {
			r := reading("a", unit.Temperature, hours, 20)
			away := false
			for _, p := range b.Placements() {
				away = away || !r.At.Before(p.From) && (p.To.IsZero() || r.At.Before(p.To))
			}
			got, counts := b.Correct(r)
			there, countsThere := b.CorrectPlaced(r)
			if counts != (countsThere && !away) || counts && got != there {
				t.Fatalf("at %g: counts %v, placed %v, counts there %v", hours, counts, away, countsThere)
			}
		}
	})
}

// TestPlacedAt: where a sensor stands, and that its battery is its own there.
func TestPlacedAt(t *testing.T) {
	c := carried(1, "shelf", 10, 20)
	c.In = "cellar"
	b := book(t, c)
	f := func(hours float64, in, place string, want bool) {
		t.Helper()
		if gotIn, got, away := b.PlacedAt("loft", "a", at(hours)); away != want || away && (got != place || gotIn != in) {
			t.Errorf("at %g: %v %q in %s", hours, away, got, gotIn)
		}
	}
	f(9.9, "", "", false)
	f(10, "cellar", "shelf", true)
	f(20, "", "", false)
	for q, want := range map[unit.Quantity]bool{unit.Temperature: false, unit.Humidity: false, unit.Illuminance: false, unit.Oxygen: false, unit.Battery: true, unit.Link: true} {
		if _, counts := b.Correct(reading("a", q, 15, 0.5)); counts != want {
			t.Errorf("%v at the place counts for the device: %v", q, counts)
		}
	}
}

// TestPlacedTouches: a placement changes how readings count from its beginning.
func TestPlacedTouches(t *testing.T) {
	b := book(t, carried(1, "shelf", 10, 20))
	in, names, since := b.Touches(revoked(2, 1))
	if in != "loft" || len(names) != 1 || names[0] != "a" || !since.Equal(at(10)) {
		t.Errorf("%s %v %v", in, names, since)
	}
	if _, counts := b.Correct(room.Reading{Series: room.Series{Room: "cellar", Sensor: "a"}, At: at(15)}); !counts {
		t.Error("a sensor of that name in another room")
	}
}
