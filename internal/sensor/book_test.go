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

// at is an instant some hours into the tests.
func at(hours float64) time.Time {
	return time.Date(2026, time.July, 1, 0, 0, 0, 0, time.UTC).Add(time.Duration(hours * float64(time.Hour)))
}

func of(q unit.Quantity) *unit.Quantity { return &q }

// told is at(1000), after all that the tests tell of.
func calibrated(seq int, from, gain, offset float64) Change {
	return Change{Kind: Calibrated, Seq: seq, Room: "loft", Sensor: "a", Recorded: at(1000), Quantity: of(unit.Temperature), From: at(from), Gain: gain, Offset: offset}
}

func corrected(seq int, from, to, gain, offset float64) Change {
	c := calibrated(seq, from, gain, offset)
	c.Kind, c.To, c.Note = Corrected, at(to), "stood in the sun"
	return c
}

func voided(seq int, from, to float64) Change {
	return Change{Kind: Voided, Seq: seq, Room: "loft", Sensor: "a", Recorded: at(1000), From: at(from), To: at(to), Note: "lay in the kitchen"}
}

func swapped(seq int, sensor string, from float64, by string) Change {
	return Change{Kind: Swapped, Seq: seq, Room: "loft", Sensor: sensor, Recorded: at(1000), From: at(from), New: by}
}

func revoked(seq, of int) Change {
	return Change{Kind: Revoked, Seq: seq, Recorded: at(1000), Revokes: of, Note: "a slip"}
}

func book(t interface {
	Helper()
	Fatal(...any)
}, changes ...Change) *Book {
	t.Helper()
	var b Book
	for _, c := range changes {
		if err := b.Check(c); err != nil {
			t.Fatal(err)
		}
		b.Apply(c)
	}
	return &b
}

func reading(sensor string, q unit.Quantity, hours, v float64) room.Reading {
	return room.Reading{Series: room.Series{Room: "loft", Sensor: sensor, Quantity: q}, At: at(hours), Value: v}
}

func TestCorrect(t *testing.T) {
	const gone = -999.0
	f := func(r room.Reading, want float64, changes ...Change) {
		t.Helper()
		got, ok := book(t, changes...).Correct(r)
		if ok != (want != gone) || ok && got.Value != want {
			t.Errorf("%s at %s, %g counts as %g, %v: want %g", r.Series, r.At, r.Value, got.Value, ok, want)
		}
		if got.Series != r.Series || !got.At.Equal(r.At) {
			t.Errorf("%+v became %+v", r, got)
		}
	}
	temp := func(h float64) room.Reading { return reading("a", unit.Temperature, h, 20) }
	f(temp(5), 20)
	// A calibration holds from its instant on, until the next.
	f(temp(4.9), 20, calibrated(1, 5, 1.1, -1))
	f(temp(5), 21, calibrated(1, 5, 1.1, -1))
	f(temp(500), 21, calibrated(1, 5, 1.1, -1))
	f(temp(8), 19, calibrated(1, 5, 1.1, -1), calibrated(2, 7, 1, -1))
	f(temp(6), 21, calibrated(1, 5, 1.1, -1), calibrated(2, 7, 1, -1))
	// Told later of an earlier time it still ends where the other begins.
	f(temp(8), 19, calibrated(1, 7, 1, -1), calibrated(2, 5, 1.1, -1))
	// Of the same instant the later word counts.
	f(temp(8), 22, calibrated(1, 7, 1, -1), calibrated(2, 7, 1, 2))
	// Another sensor, quantity or room is not concerned.
	f(reading("b", unit.Temperature, 8, 20), 20, calibrated(1, 5, 1.1, -1))
	f(reading("a", unit.Humidity, 8, 0.5), 0.5, calibrated(1, 5, 1.1, -1))
	elsewhere := temp(8)
	elsewhere.Room = "cellar"
	f(elsewhere, 20, calibrated(1, 5, 1.1, -1))
	// A correction comes on top, up to its end, in the order told.
	f(temp(8), 23, calibrated(1, 5, 1.1, -1), corrected(2, 7, 9, 1, 2))
	f(temp(9), 21, calibrated(1, 5, 1.1, -1), corrected(2, 7, 9, 1, 2))
	f(temp(6.9), 21, calibrated(1, 5, 1.1, -1), corrected(2, 7, 9, 1, 2))
	f(temp(8), 44, corrected(1, 7, 9, 1, 2), corrected(2, 6, 10, 2, 0))
	f(temp(8), 42, corrected(1, 6, 10, 2, 0), corrected(2, 7, 9, 1, 2))
	// Rounded once, to 0.001 °C; kept in the plausible range.
	f(temp(8), 20.667, calibrated(1, 5, 1.03333333, 0))
	f(reading("a", unit.Temperature, 8, 90), 100, calibrated(1, 5, 1.2, 0))
	humid := voided(1, 7, 9)
	humid.Quantity = of(unit.Humidity)
	// Voided.
	f(temp(6.9), 20, voided(1, 7, 9))
	f(temp(7), gone, voided(1, 7, 9))
	f(temp(9), 20, voided(1, 7, 9))
	f(reading("a", unit.Battery, 8, 0.5), gone, voided(1, 7, 9))
	f(temp(8), 20, humid)
	f(reading("a", unit.Humidity, 8, 0.5), gone, humid)
	// Replaced under the same name: the calibration ends.
	f(temp(8), 20, calibrated(1, 5, 1.1, -1), swapped(2, "a", 7, ""))
	f(temp(6), 21, calibrated(1, 5, 1.1, -1), swapped(2, "a", 7, ""))
	f(temp(8), 22, calibrated(1, 5, 1.1, -1), swapped(2, "a", 7, ""), calibrated(3, 7.5, 1.1, 0))
	// Replaced by another: what the old one goes on to send does not count,
	// until it comes back, without its calibration.
	f(temp(8), gone, swapped(1, "a", 7, "b"))
	f(temp(6), 20, swapped(1, "a", 7, "b"))
	f(reading("b", unit.Temperature, 8, 20), 20, swapped(1, "a", 7, "b"))
	f(temp(10), 20, calibrated(1, 5, 1.1, -1), swapped(2, "a", 7, "b"), swapped(3, "b", 9, "a"))
	// One calibrated before it is put in place keeps that.
	b := calibrated(1, 5, 1.1, -1)
	b.Sensor = "b"
	f(reading("b", unit.Temperature, 8, 20), 21, b, swapped(2, "a", 7, "b"))
	// Taken back.
	f(temp(8), 20, voided(1, 7, 9), revoked(2, 1))
	f(temp(8), 21, calibrated(1, 5, 1.1, -1), calibrated(2, 7, 1, -1), revoked(3, 2))
	f(temp(8), 20, swapped(1, "a", 7, "b"), revoked(2, 1))
}

func TestCheck(t *testing.T) {
	have := []Change{calibrated(1, 5, 1, 0), voided(2, 7, 9), revoked(3, 2), swapped(4, "a", 100, "b")}
	f := func(edit func(c *Change), kind error, want string) {
		t.Helper()
		c := corrected(5, 10, 12, 1, 0.5)
		edit(&c)
		err := book(t, have...).Check(c)
		if !errors.Is(err, kind) || (err != nil && !strings.Contains(err.Error(), want)) {
			t.Errorf("%v, want %s", err, want)
		}
	}
	no := lot.ErrInvalid
	f(func(*Change) {}, nil, "")
	f(func(c *Change) { c.Seq = 7 }, no, "has the number 7, the next is 5")
	f(func(c *Change) { c.Kind = "moved" }, no, `unknown change "moved"`)
	f(func(c *Change) { c.Room = "" }, no, "no room")
	f(func(c *Change) { c.Sensor = "" }, no, "no sensor")
	f(func(c *Change) { c.From = time.Time{} }, no, "no time")
	f(func(c *Change) { c.From = time.Date(1970, 1, 1, 0, 0, 1, 0, time.UTC) }, no, "before 1980")
	f(func(c *Change) { c.From, c.To = at(1025), at(1026) }, no, "in the future")
	f(func(c *Change) { c.To = time.Time{} }, no, "no end")
	f(func(c *Change) { c.To = c.From }, no, "is empty")
	f(func(c *Change) { c.To = at(1025) }, no, "in the future")
	f(func(c *Change) { c.Due = at(2000) }, no, "due date")
	f(func(c *Change) { c.Note = " " }, no, "no reason")
	f(func(c *Change) { c.Note = "a\nb" }, no, "U+000A")
	f(func(c *Change) { c.Note = "\xff" }, no, "not UTF-8")
	f(func(c *Change) { c.Note = strings.Repeat("ä", 501) }, no, "501 characters")
	f(func(c *Change) { c.Quantity = nil }, no, "no quantity")
	f(func(c *Change) { c.Quantity = of(unit.Battery) }, no, "battery is not calibrated")
	f(func(c *Change) { c.Quantity = of(99) }, no, "not calibrated")
	f(func(c *Change) { c.Gain = 0 }, no, "gain 0: give 0.5 to 2")
	f(func(c *Change) { c.Gain = nan() }, no, "gain NaN")
	f(func(c *Change) { c.Offset = 20.5 }, no, "at most 20 either way")
	f(func(c *Change) { c.Offset = nan() }, no, "offset NaN")
	f(func(c *Change) { c.Offset, c.Quantity = 0.31, of(unit.Humidity) }, no, "at most 0.3")
	f(func(c *Change) { c.New = "b" }, no, "goes with kind")
	f(func(c *Change) { c.Revokes = 1 }, no, "revokes none")

	f(func(c *Change) { c.Kind = Calibrated }, no, "holds until the next one")
	f(func(c *Change) { c.Kind, c.To, c.Due = Calibrated, time.Time{}, at(9) }, no, "before it")
	f(func(c *Change) { c.Kind, c.To, c.Due, c.Note = Calibrated, time.Time{}, at(9000), "" }, nil, "")
	f(func(c *Change) { c.Kind = Voided }, no, "leave gain and offset out")
	f(func(c *Change) { *c = voided(5, 1, 2); c.Quantity = of(99) }, no, "unknown quantity 99")
	f(func(c *Change) { *c = swapped(5, "a", 50, "a") }, no, "by itself")
	f(func(c *Change) { *c = swapped(5, "a", 150, "c") }, no, "was replaced before")
	f(func(c *Change) { *c = swapped(5, "a", 50, "c"); c.Gain = 1 }, no, "by itself")
	f(func(c *Change) { *c = revoked(5, 9) }, lot.ErrNotFound, "no change 9")
	f(func(c *Change) { *c = revoked(5, 0) }, lot.ErrNotFound, "no change 0")
	f(func(c *Change) { *c = revoked(5, 2) }, no, "taken back already")
	f(func(c *Change) { *c = revoked(5, 3) }, no, "tell it again")
	f(func(c *Change) { *c = revoked(5, 1); c.Note = "" }, no, "no reason")
	f(func(c *Change) { *c = revoked(5, 1); c.Sensor = "b" }, no, "is of sensor a in loft")
	f(func(c *Change) { *c = revoked(5, 1) }, nil, "")
}

func nan() float64 { z := 0.0; return z / z }

func TestWhatIsKnownOfASensor(t *testing.T) {
	due := calibrated(1, 5, 1.1, -1)
	due.Due, due.By, due.Note = at(900), "Ada", "beside a trusted one"
	b := book(t, due, swapped(2, "a", 50, "b"), swapped(3, "b", 80, ""), swapped(4, "b", 120, "a"))
	want := Calibration{Gain: 1.1, Offset: -1, From: at(5), Due: at(900), By: "Ada", Note: "beside a trusted one"}
	if d := cmp.Diff(want, b.Calibration("loft", "a", unit.Temperature, at(20))); d != "" {
		t.Error(d)
	}
	if got := b.Calibration("loft", "a", unit.Temperature, at(60)); got != (Calibration{Gain: 1}) {
		t.Errorf("replaced, it is not calibrated: %+v", got)
	}
	f := func(hours float64, a, b1 bool) {
		t.Helper()
		if gotA, gotB := b.Retired("loft", "a", at(hours)), b.Retired("loft", "b", at(hours)); gotA != a || gotB != b1 {
			t.Errorf("at %g h retired: a %v, b %v", hours, gotA, gotB)
		}
	}
	f(49.9, false, false)
	f(50, true, false)
	f(100, true, false)
	f(120, false, true)
	if got := b.Swapped("loft", "b", at(100)); !got.Equal(at(80)) {
		t.Errorf("b was replaced at %v", got)
	}
	if got := b.Renewed("loft", "a", unit.Temperature, at(200)); !got.Equal(at(120)) {
		t.Errorf("a was renewed at %v", got)
	}
	if got := b.Renewed("loft", "a", unit.Humidity, at(20)); !got.IsZero() {
		t.Errorf("the humidity of a was renewed at %v", got)
	}
	expected := func(hours float64, want ...Expected) {
		t.Helper()
		if d := cmp.Diff(want, b.Expected("loft", at(hours))); d != "" {
			t.Errorf("expected at %g h (-want +got):\n%s", hours, d)
		}
	}
	expected(20)
	expected(60, Expected{"b", at(1000)}) // from when somebody said so
	expected(130, Expected{"a", at(1000)})
	if in, sensors, since := b.Touches(revoked(5, 2)); in != "loft" || !cmp.Equal(sensors, []string{"a", "b"}) || !since.Equal(at(50)) {
		t.Errorf("touches %s %v since %v", in, sensors, since)
	}
	if b.NextSeq() != 5 || len(b.Changes()) != 4 {
		t.Errorf("%d changes, the next is %d", len(b.Changes()), b.NextSeq())
	}
}

// drawChanges draws changes of two sensors that pass Check.
func drawChanges(t *rapid.T, most int) []Change {
	var b Book
	for range rapid.IntRange(0, most).Draw(t, "changes") {
		from := rapid.Float64Range(0, 100).Draw(t, "from")
		to := from + rapid.Float64Range(0.5, 50).Draw(t, "for")
		gain, offset := rapid.Float64Range(0.5, 2).Draw(t, "gain"), rapid.Float64Range(-5, 5).Draw(t, "offset")
		n := b.NextSeq()
		c := rapid.SampledFrom([]Change{
			calibrated(n, from, gain, offset), corrected(n, from, to, gain, offset), voided(n, from, to),
			swapped(n, "a", from, ""), swapped(n, "a", from, "b"), swapped(n, "b", from, "a"), carried(n, "shelf", from, to), carried(n, "", from, 0), revoked(n, max(1, n-1)),
		}).Draw(t, "change")
		if b.Check(c) == nil {
			b.Apply(c)
		}
	}
	return b.Changes()
}

// TestRevokeRestores: taken back, a change has never been.
func TestRevokeRestores(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		changes := drawChanges(t, 6)
		before := book(t, changes...)
		after := book(t, changes...)
		c := corrected(after.NextSeq(), 1, rapid.Float64Range(2, 99).Draw(t, "to"), 1.5, 3)
		if rapid.Bool().Draw(t, "swap") {
			c = swapped(after.NextSeq(), "a", rapid.Float64Range(0, 99).Draw(t, "at"), "b")
		}
		if after.Check(c) != nil {
			return
		}
		after.Apply(c)
		if err := after.Check(revoked(c.Seq+1, c.Seq)); err != nil {
			t.Fatal(err)
		}
		after.Apply(revoked(c.Seq+1, c.Seq))
		for h := 0.0; h < 150; h += 0.5 {
			for _, name := range []string{"a", "b"} {
				r := reading(name, unit.Temperature, h, 17)
				x, okX := before.Correct(r)
				y, okY := after.Correct(r)
				if x != y || okX != okY {
					t.Fatalf("%s at %g h: %g %v before, %g %v after", name, h, x.Value, okX, y.Value, okY)
				}
			}
		}
	})
}

// TestOrderOfTellingDoesNotMatter: changes that do not overlap may be told in
// any order.
func TestOrderOfTellingDoesNotMatter(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var spans []Change
		for i := range rapid.IntRange(1, 6).Draw(t, "spans") {
			from := float64(20 * i)
			spans = append(spans, rapid.SampledFrom([]Change{
				calibrated(0, from, 1.25, 1), calibrated(0, from, 0.75, float64(i)), corrected(0, from, from+20, 1.5, 0), voided(0, from, from+10),
			}).Draw(t, "change"))
		}
		tell := func(cs []Change) *Book {
			for i := range cs {
				cs[i].Seq = i + 1
			}
			return book(t, cs...)
		}
		inOrder := tell(append([]Change(nil), spans...))
		shuffled := tell(rapid.Permutation(spans).Draw(t, "told"))
		for h := -1.0; h < 140; h += 0.5 {
			r := reading("a", unit.Temperature, h, 17)
			x, okX := inOrder.Correct(r)
			y, okY := shuffled.Correct(r)
			if x != y || okX != okY {
				t.Fatalf("at %g h: %g %v in order, %g %v shuffled", h, x.Value, okX, y.Value, okY)
			}
		}
	})
}
