package engine

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"dryhold/internal/alarm"
	"dryhold/internal/lot"
	"dryhold/internal/note"
	"dryhold/internal/room"
	"dryhold/internal/sensor"
	"dryhold/internal/unit"
)

// neverRaised are rules with a plan and without alarms: alarms follow the
// order in which readings arrive, by design, and all else must not.
func neverRaised(string) map[alarm.Kind]alarm.Rule {
	return map[alarm.Kind]alarm.Rule{alarm.Warm: {Kind: alarm.Warm, Limit: 18, OnDelay: 100_000 * time.Hour, Priority: alarm.Medium}}
}

func quiet(lots ...lot.Change) Config {
	c := config(lots...)
	c.Rules = neverRaised
	c.Stale = func(sensor string) time.Duration {
		if sensor == "slow" {
			return 40 * time.Hour // longer than a day stays open
		}
		return 90 * time.Minute
	}
	return c
}

// sameBits compares numbers by their bits.
var sameBits = cmp.Comparer(func(a, b float64) bool { return math.Float64bits(a) == math.Float64bits(b) })

// arrival is a reading and how many steps late it comes.
type arrival struct {
	reading room.Reading
	at      time.Time
}

func drawArrivals(t *rapid.T) []arrival {
	days := rapid.IntRange(1, 5).Draw(t, "days")
	slots := rapid.SliceOfNDistinct(rapid.IntRange(0, days*24*4), 2, 60, rapid.ID[int]).Draw(t, "quarter hours")
	var out []arrival
	for _, n := range slots {
		when := at(float64(n) / 4)
		in := rapid.SampledFrom([]string{"loft", "loft", "cellar"}).Draw(t, "room")
		sensor := rapid.SampledFrom([]string{"a", "a", "b", "slow"}).Draw(t, "sensor")
		readings := []room.Reading{temperature(in, sensor, when, rapid.Float64Range(-5, 40).Draw(t, "t"))}
		if rapid.Bool().Draw(t, "humid") {
			readings = append(readings, humidity(in, sensor, when, rapid.Float64Range(0.1, 1).Draw(t, "rh")))
		}
		if rapid.Bool().Draw(t, "lit") {
			lux := room.Series{Room: in, Sensor: sensor, Quantity: unit.Illuminance}
			readings = append(readings, room.Reading{Series: lux, At: when, Value: 100})
		}
		times := rapid.SampledFrom([]int{1, 1, 1, 2}).Draw(t, "times delivered")
		for range times {
			late := rapid.SampledFrom([]int{0, 0, 0, 1, 7, 30, 100}).Draw(t, "hours late")
			for _, r := range readings {
				out = append(out, arrival{r, when.Add(time.Duration(late) * time.Hour)})
			}
		}
	}
	slices.SortStableFunc(out, func(a, b arrival) int { return a.at.Compare(b.at) })
	return out
}

// drawLots draws lots and moves in order of time; the foods and containers
// need different exposures.
func drawLots(t *rapid.T, until time.Time) []lot.Change {
	hours := until.Sub(at(0)).Hours()
	// The first was packed long before any reading and is followed by the day.
	changes := []lot.Change{add("L-1", rapid.SampledFrom([]string{"hard-wheat", "brown-rice"}).Draw(t, "first"), "pet-2l", "loft", at(-24*70))}
	changes[0].Packing.Shading = lot.OpenShelf
	for i, h := range rapid.SliceOfN(rapid.Float64Range(0, hours), 0, 5).Draw(t, "lot changes") {
		when := at(h).Truncate(time.Millisecond)
		if rapid.IntRange(0, 3).Draw(t, "test") == 0 {
			off := rapid.Bool().Draw(t, "off smell")
			result := &lot.Result{Taste: rapid.IntRange(1, 9).Draw(t, "taste"), OffSmell: &off}
			changes = append(changes, lot.Change{Kind: lot.Tested, Lot: "L-1", At: when, Recorded: until, Result: result})
			if rapid.IntRange(0, 3).Draw(t, "take a test back") == 0 {
				changes = append(changes, lot.Change{Kind: lot.Untested, Lot: "L-1", At: when, Recorded: until, Revokes: 1, Note: "invented"})
			}
			continue
		}
		if kind := rapid.SampledFrom([]lot.ChangeKind{"", lot.Split, lot.Opened, lot.Eaten, lot.Undone}).Draw(t, "use"); kind != "" {
			c := lot.Change{Kind: kind, Lot: "L-1", At: when, Recorded: until, Note: "because"}
			if kind == lot.Split {
				c.From, c.Room = "L-1", "cellar"
			}
			if kind == lot.Split || kind == lot.Eaten {
				c.Count = 1
			}
			changes = append(changes, c)
			continue
		}
		if rapid.Bool().Draw(t, "move") {
			changes = append(changes, lot.Change{Kind: lot.Moved, Lot: "L-1", At: when, Recorded: until, Room: []string{"cellar", "loft"}[i%2]})
			continue
		}
		c := add("", rapid.SampledFrom([]string{"hard-wheat", "brown-rice"}).Draw(t, "food"),
			rapid.SampledFrom([]string{"pail-20l", "pet-2l"}).Draw(t, "container"), rapid.SampledFrom([]string{"cellar", "loft"}).Draw(t, "stands in"), when)
		changes = append(changes, c)
	}
	return changes
}

// drawSensorChange draws what somebody says at an instant about the sensors of
// the arrivals, of any time since the first; it may be one that cannot be taken.
func drawSensorChange(t *rapid.T, seq int, now time.Time) sensor.Change {
	from := at(0).Add(time.Duration(rapid.Float64Range(0, now.Sub(at(0)).Hours()+1).Draw(t, "change from") * float64(time.Hour))).Truncate(time.Millisecond)
	c := sensor.Change{
		Kind: rapid.SampledFrom([]sensor.Kind{sensor.Calibrated, sensor.Corrected, sensor.Voided, sensor.Swapped, sensor.Revoked}).Draw(t, "change"),
		Seq:  seq, Room: rapid.SampledFrom([]string{"loft", "cellar"}).Draw(t, "change in"),
		Sensor: rapid.SampledFrom([]string{"a", "b", "slow"}).Draw(t, "change of"), Recorded: now, By: "Ada", Note: "invented", From: from,
	}
	q := rapid.SampledFrom([]unit.Quantity{unit.Temperature, unit.Humidity, unit.Illuminance}).Draw(t, "quantity")
	to := from.Add(time.Duration(rapid.Float64Range(0.1, 48).Draw(t, "change for") * float64(time.Hour))).Truncate(time.Millisecond)
	gain, offset := rapid.Float64Range(0.8, 1.2).Draw(t, "gain"), rapid.Float64Range(-0.1, 0.1).Draw(t, "offset")
	switch c.Kind {
	case sensor.Calibrated:
		c.Quantity, c.Gain, c.Offset = &q, gain, offset
	case sensor.Corrected:
		c.Quantity, c.Gain, c.Offset, c.To = &q, gain, offset, to
	case sensor.Voided:
		c.To = to
		if rapid.Bool().Draw(t, "of one quantity") {
			c.Quantity = &q
		}
	case sensor.Swapped:
		c.New = rapid.SampledFrom([]string{"", "", "b", "new"}).Draw(t, "by")
	case sensor.Revoked:
		c = sensor.Change{Kind: sensor.Revoked, Seq: seq, Recorded: now, By: "Ada", Note: "invented", Revokes: rapid.IntRange(1, max(1, seq-1)).Draw(t, "revokes")}
	}
	return c
}

// drawNote draws what somebody says at an instant of a stretch of a room's
// time, or takes back; it may be one that cannot be taken.
func drawNote(t *rapid.T, seq int, now time.Time) note.Change {
	c := note.Change{Kind: note.Noted, Seq: seq, Recorded: now, By: "Ada", Text: fmt.Sprintf("invented cause %d", seq)}
	if rapid.IntRange(0, 3).Draw(t, "take a note back") == 0 {
		c.Kind, c.Revokes = note.Revoked, rapid.IntRange(1, max(1, seq-1)).Draw(t, "note revoked")
		return c
	}
	c.Room = rapid.SampledFrom([]string{"loft", "cellar"}).Draw(t, "note of")
	c.From = at(0).Add(time.Duration(rapid.Float64Range(-48, now.Sub(at(0)).Hours()).Draw(t, "note from") * float64(time.Hour))).Truncate(time.Millisecond)
	c.To = c.From.Add(time.Duration(rapid.Float64Range(0.1, 72).Draw(t, "note for") * float64(time.Hour))).Truncate(time.Millisecond)
	if c.To.After(now) {
		c.To = now
	}
	return c
}

// TestAnyOrderGivesTheSameState: whatever order readings come in, late, more
// than once, with lots added, moved and tested in between, sensors calibrated,
// corrected, replaced and their readings voided, and causes of stretches noted
// and taken back, the state shown is to the last bit that of an engine fed the
// whole store in order.
func TestAnyOrderGivesTheSameState(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		arrivals := drawArrivals(t)
		end := arrivals[len(arrivals)-1].at.Add(time.Duration(rapid.IntRange(0, 200).Draw(t, "minutes past")) * time.Minute)
		wanted := drawLots(t, end)

		outdoors := rapid.SampledFrom([]string{"", "cellar"}).Draw(t, "outdoors")
		begun := quiet()
		begun.Forecasting.Outdoors = outdoors
		live := engineOf(t, begun)
		var taken []lot.Change
		var stored []room.Reading
		var pending []Refold
		var said []sensor.Change
		say := func(now time.Time) {
			c := drawSensorChange(t, live.NextSensorChange(), now)
			if live.CheckSensor(c) != nil {
				return // of a sensor not heard yet, or one replaced before
			}
			fx, err := live.ChangeSensor(c)
			if err != nil {
				t.Fatal(err)
			}
			said = append(said, c)
			pending = append(pending, fx.Refold...)
		}
		var notes []note.Change
		sayNote := func(now time.Time) {
			c := drawNote(t, live.NextNote(), now)
			if live.CheckNote(c) != nil {
				return // of a room not there yet, or of a note taken back before
			}
			live.ChangeNote(c)
			notes = append(notes, c)
		}
		change := func() {
			c := wanted[0]
			wanted = wanted[1:]
			if c.Kind == lot.Added || c.Kind == lot.Split {
				c.Lot = live.NextLot()
				c.Recorded = end
			}
			if err := live.CheckLot(c); err != nil {
				return // a move to where it stands, or before it came there
			}
			fx, err := live.ChangeLot(c)
			if err != nil {
				t.Fatal(err)
			}
			taken = append(taken, c)
			pending = append(pending, fx.Refold...)
		}
		for i := 0; i < len(arrivals); {
			n := rapid.IntRange(1, 8).Draw(t, "batch")
			batch := arrivals[i:min(i+n, len(arrivals))]
			i += len(batch)
			now := batch[len(batch)-1].at
			var readings []room.Reading
			for _, a := range batch {
				readings = append(readings, a.reading)
				if !slices.Contains(stored, a.reading) {
					stored = append(stored, a.reading)
				}
			}
			fx := live.Observe(now, readings)
			pending = append(pending, fx.Refold...)
			if len(fx.Notices)+len(fx.events) > 0 {
				t.Fatalf("notices: %+v", fx.Notices)
			}
			if len(wanted) > 0 && rapid.Bool().Draw(t, "change a lot") {
				change()
			}
			if rapid.IntRange(0, 2).Draw(t, "say of a sensor") == 0 {
				say(now)
			}
			if rapid.IntRange(0, 2).Draw(t, "note a cause") == 0 {
				sayNote(now)
			}
			if rapid.Bool().Draw(t, "refold now") {
				for _, f := range pending {
					refold(live, f, stored, now)
				}
				pending = nil
			}
			if rapid.Bool().Draw(t, "carry lots on") {
				carryOn(t, live, now, rapid.IntRange(0, behindPieces).Draw(t, "pieces"))
			}
			live.Tick(now)
			if rapid.Bool().Draw(t, "look") {
				live.Snapshot(now) // what was worked out for it must not linger
				reviewed(t, live, now)
			}
		}
		for len(wanted) > 0 {
			change()
		}
		for _, f := range pending {
			refold(live, f, stored, end)
		}
		live.Tick(end)

		told := quiet(taken...)
		told.Forecasting.Outdoors = outdoors
		told.Sensors, told.Notes = said, notes
		fresh := engineOf(t, told)
		for _, name := range roomsOf(stored) {
			refold(fresh, Refold{Room: name}, stored, end)
		}
		carryOn(t, fresh, end, rapid.IntRange(0, behindPieces).Draw(t, "pieces of the rebuilt"))
		if d := cmp.Diff(fresh.Snapshot(end), live.Snapshot(end), sameBits); d != "" {
			t.Fatalf("the live state differs from the rebuilt one (-rebuilt +live):\n%.3000s", d)
		}
		if d := cmp.Diff(reviewed(t, fresh, end), reviewed(t, live, end), sameBits); d != "" {
			t.Fatalf("the live review differs from the rebuilt one (-rebuilt +live):\n%.3000s", d)
		}
	})
}

// carryOn does so many pieces of what lots are behind, side by side.
func carryOn(t *rapid.T, e *Engine, now time.Time, pieces int) {
	work, err := e.Behind(now)
	if err != nil {
		t.Fatal(err)
	}
	errs := make(chan error, len(work))
	n := min(pieces, len(work))
	for _, do := range work[:n] {
		go func() { errs <- do() }()
	}
	for range n {
		if err := <-errs; err != nil {
			t.Fatal(err)
		}
	}
}

func TestLateReadingAsksForARefold(t *testing.T) {
	e := engineOf(t, quiet(add("L-1", "hard-wheat", "pet-2l", "loft", at(0))))
	var stored []room.Reading
	for h := 0.0; h <= 96; h += 0.5 {
		r := temperature("loft", "a", at(h), 20)
		if h >= 10 && h <= 12 {
			continue
		}
		stored = append(stored, r)
		if fx := e.Observe(r.At, []room.Reading{r}); len(fx.Refold) > 0 {
			t.Fatalf("readings in order ask for a refold: %+v", fx.Refold)
		}
	}
	if got := e.Snapshot(at(96)).Lots[0].EstimatedDays; math.Abs(got-3.0/24) > 1e-9 {
		t.Errorf("%g days estimated, want the 3 hours between the readings at 9:30 and 12:30", got)
	}
	var late []room.Reading
	for h := 10.0; h <= 12; h += 0.5 {
		late = append(late, temperature("loft", "a", at(h), 30))
	}
	fx := e.Observe(at(96.1), late)
	if want := []Refold{{"loft", late[0].At.Add(-90 * time.Minute)}}; !cmp.Equal(fx.Refold, want) {
		t.Errorf("asked for %+v, want %+v", fx.Refold, want)
	}
	before := e.Snapshot(at(96.2)).Lots[0]
	stored = append(stored, late...)
	for _, f := range fx.Refold {
		if from := e.Restart(f); from.After(late[0].At) {
			t.Errorf("fed again from %v only", from)
		}
		refold(e, f, stored, at(96.2))
	}
	after := e.Snapshot(at(96.2)).Lots[0]
	if after.EstimatedDays != 0 || !(after.Modes[0].Exposure.Likely > before.Modes[0].Exposure.Likely) {
		t.Errorf("after the late readings: %g days estimated, exposure %g, before %g", after.EstimatedDays, after.Modes[0].Exposure.Likely, before.Modes[0].Exposure.Likely)
	}
}

func TestNewLotAsksForItsExposures(t *testing.T) {
	e := engineOf(t, quiet(add("L-1", "hard-wheat", "pet-2l", "loft", at(0))))
	var stored []room.Reading
	for h := 0.0; h <= 48; h += 0.5 {
		readings := []room.Reading{temperature("loft", "a", at(h), 24), temperature("cellar", "b", at(h), 15)}
		stored = append(stored, readings...)
		e.Observe(at(h), readings)
	}
	f := func(c lot.Change, want ...Refold) []Refold {
		t.Helper()
		if err := e.CheckLot(c); err != nil {
			t.Fatal(err)
		}
		fx, err := e.ChangeLot(c)
		if err != nil || !cmp.Equal(fx.Refold, want) {
			t.Errorf("asked for %+v, want %+v (%v)", fx.Refold, want, err)
		}
		return fx.Refold
	}
	f(add("L-2", "hard-wheat", "pet-2l", "cellar", at(1))) // the same exposures
	asked := f(add("L-3", "brown-rice", "pail-20l", "loft", at(24)), Refold{Room: "cellar"}, Refold{Room: "loft"})
	view := func(id string) LotView {
		s := e.Snapshot(at(48))
		return s.Lots[slices.IndexFunc(s.Lots, func(l LotView) bool { return l.ID == id })]
	}
	if got := view("L-3").UnknownDays; got != 1 {
		t.Errorf("until it is folded again the lot's time is unknown: %g days, want 1", got)
	}
	for _, f := range asked {
		refold(e, f, stored, at(48))
	}
	if v := view("L-3"); v.UnknownDays != 0 || v.Modes[0].Exposure.Likely < 1 {
		t.Errorf("folded again: %g days unknown, exposure %g", v.UnknownDays, v.Modes[0].Exposure.Likely)
	}
	f(lot.Change{Kind: lot.Moved, Lot: "L-3", At: at(30), Recorded: at(48), Room: "cellar"})
	f(lot.Change{Kind: lot.Ended, Lot: "L-3", At: at(40), Recorded: at(48)})
}

func TestCheckLotChecksThePacking(t *testing.T) {
	e := engineOf(t, quiet())
	f := func(c lot.Change, want string) {
		t.Helper()
		if err := e.CheckLot(c); err == nil || err.Error() != want {
			t.Errorf("got %v, want %s", err, want)
		}
	}
	f(add("L-1", "hard-whaet", "pet-2l", "loft", at(0)), `unknown food class "hard-whaet": did you mean "hard-wheat"?`)
	f(add("L-2", "hard-wheat", "pet-2l", "loft", at(0)), `change adds lot "L-2", the next is "L-1"`)
	f(lot.Change{Kind: lot.Moved, Lot: "L-1", Room: "loft", At: at(0), Recorded: at(0)}, `no lot "L-1"`)
	if err := e.CheckLot(add("L-1", "hard-wheat", "pet-2l", "loft", at(0))); err != nil {
		t.Error(err)
	}
	if _, err := e.Lot("L-1"); err == nil {
		t.Error("checking a change must not make it")
	}
}

func TestNewRefusesUnknownClasses(t *testing.T) {
	f := func(food, container, want string) {
		t.Helper()
		if _, err := New(config(add("L-1", food, container, "loft", at(0)))); err == nil || fmt.Sprint(err) != want {
			t.Errorf("got %v, want %s", err, want)
		}
	}
	f("hard-whaet", "pet-2l", `cannot follow lot L-1: unknown food class "hard-whaet": did you mean "hard-wheat"?`)
	f("hard-wheat", "pet-2", `cannot follow lot L-1: unknown container class "pet-2": did you mean "pet-2l"?`)

	// A class that nothing can be computed from ends no daemon later on.
	c := config()
	c.Catalog.Containers[1].Lag = exactly(-1)
	const want = "cannot follow lot L-1: "
	e := engineOf(t, c)
	change := add("L-1", "hard-wheat", "pet-2l", "loft", at(0))
	if err := e.CheckLot(change); !errors.Is(err, lot.ErrInvalid) || !strings.Contains(err.Error(), want) {
		t.Errorf("adding: %v", err)
	}
	c.Lots = []lot.Change{change}
	if _, err := New(c); err == nil || !strings.Contains(err.Error(), want) {
		t.Errorf("starting: %v", err)
	}
}
