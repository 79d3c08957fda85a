package engine

import (
	"slices"
	"strings"
	"testing"
	"time"

	"dryhold/internal/barrier"
	"dryhold/internal/lot"
	"dryhold/internal/room"
)

func lotNamed(t *testing.T, s *Snapshot, id string) LotView {
	t.Helper()
	i := slices.IndexFunc(s.Lots, func(l LotView) bool { return l.ID == id })
	if i < 0 {
		t.Fatalf("no lot %s", id)
	}
	return s.Lots[i]
}

func riceOf(change func(*lot.Packing)) lot.Change {
	c := add("L-1", "brown-rice", "pet-2l", "cellar", at(0))
	change(c.Packing)
	return c
}

// TestLotIsThatOfTheLastHourTheRoomReaches: a lot is shown for a whole hour
// that the readings of its room reach, and for now where none ever came.
func TestLotIsThatOfTheLastHourTheRoomReaches(t *testing.T) {
	p := newPlay(t, config(riceOf(func(*lot.Packing) {})))
	f := func(now, want float64) {
		t.Helper()
		if l := lotNamed(t, p.e.Snapshot(at(now)), "L-1"); !l.AsOf.Equal(at(want)) {
			t.Errorf("at %g h: as of %v, want %v", now, l.AsOf, at(want))
		}
	}
	f(0.5, 0)
	f(5.5, 5)
	for h := 0.0; h <= 9.75; h += 0.25 {
		p.hear(temperature("cellar", "a", at(h), 18))
	}
	f(9.9, 9)
	f(10.5, 9) // the sensor may yet speak of the hour
	p.tick(11) // its stale limit is over
	f(11, 11)
	fx, err := p.e.ChangeLot(lot.Change{Kind: lot.Ended, Lot: "L-1", At: at(10.25), Recorded: at(11)})
	if err != nil || len(fx.Refold) > 0 {
		t.Fatal(fx, err)
	}
	p.tick(20)
	l := lotNamed(t, p.e.Snapshot(at(20)), "L-1")
	if !l.AsOf.Equal(at(10.25)) || !l.EndAtPlan.IsZero() || len(l.Warnings) > 0 {
		t.Errorf("a finished lot: as of %v, end %v, %q", l.AsOf, l.EndAtPlan, l.Warnings)
	}
}

// TestFreezingIsSeenAtTheCore: a freezer is a room like others; the hold is
// counted where a lot stands, once its core is cold.
func TestFreezingIsSeenAtTheCore(t *testing.T) {
	p := newPlay(t, config(riceOf(func(k *lot.Packing) { k.Treatment.Kind, k.Room = lot.FreezeThaw, "freezer" })))
	words := func(h float64) string {
		t.Helper()
		return lotNamed(t, p.e.Snapshot(at(h)), "L-1").Insects.Words
	}
	if got := words(0); !strings.Contains(got, "no freezer was watched") {
		t.Errorf("before any reading: %s", got)
	}
	var readings []room.Reading
	for h := 0.0; h <= 130; h += 0.5 {
		v := -18.0
		if h < 1 {
			v = 20 // packed in the kitchen
		}
		readings = append(readings, temperature("freezer", "f", at(h), v))
	}
	p.hear(readings[:2*50]...)
	p.tick(49.5)
	if got := words(49.5); !strings.HasPrefix(got, "freezing ") || !strings.Contains(got, "% complete, as seen at the core") {
		t.Errorf("after two days: %s", got)
	}
	p.hear(readings[2*50:]...)
	l := lotNamed(t, p.e.Snapshot(at(130)), "L-1")
	if !l.Insects.Frozen || l.Insects.Words != "freezing complete, as seen at the core" || !l.Insects.Ended {
		t.Errorf("after five days: %+v", *l.Insects)
	}
}

func TestWarnings(t *testing.T) {
	f := func(change func(*lot.Packing), hours float64, want ...string) {
		t.Helper()
		c := config(riceOf(change))
		c.Stale = func(string) time.Duration { return 24 * time.Hour }
		p := newPlay(t, c)
		for h := 0.0; h <= hours; h += 12 {
			p.hear(temperature("cellar", "a", at(h), 25))
		}
		l := lotNamed(t, p.e.Snapshot(at(hours)), "L-1")
		if len(l.Warnings) != len(want) {
			t.Errorf("warnings %q, want %q", l.Warnings, want)
			return
		}
		for i, w := range want {
			if !strings.Contains(l.Warnings[i], w) {
				t.Errorf("warning %q, want %q", l.Warnings[i], w)
			}
		}
	}
	absorbed := func(k *lot.Packing) {
		k.Treatment = lot.Treatment{Kind: lot.Absorber, CapacityCM3: 1000}
		k.NetMassKG = 1.6
	}
	f(absorbed, 24*40)
	f(func(k *lot.Packing) {}, 24*90, "No treatment is complete: insects that came in would have bred")
	f(func(k *lot.Packing) { absorbed(k); k.MoistureWB = 0.145 }, 24, "past the red line of 0.65: mould. When in doubt throw it out.")
	f(func(k *lot.Packing) { absorbed(k); k.MoistureWB = 0.127 }, 24, "past the amber line of 0.60: mould comes next.")
	f(func(k *lot.Packing) { absorbed(k) }, 24*1000, "Past the limit of staling")
}

// TestSealNoteChangesWhatIsShown: a leaking seal ends low oxygen at once, a
// verified one narrows the band.
func TestSealNoteChangesWhatIsShown(t *testing.T) {
	p := newPlay(t, config(riceOf(func(k *lot.Packing) {
		k.Treatment, k.NetMassKG = lot.Treatment{Kind: lot.Absorber, CapacityCM3: 400}, 1.6
	})))
	for h := 0.0; h <= 24*60; h += 24 {
		p.hear(temperature("cellar", "a", at(h), 18))
	}
	look := func() LotView { return lotNamed(t, p.e.Snapshot(at(24*60)), "L-1") }
	note := func(s barrier.Seal) {
		t.Helper()
		c := lot.Change{Kind: lot.Noted, Lot: "L-1", At: at(24 * 60), Recorded: at(24*60 + float64(s)), Seal: &s, Note: "looked"}
		if err := p.e.CheckLot(c); err != nil {
			t.Fatal(err)
		}
		if _, err := p.e.ChangeLot(c); err != nil {
			t.Fatal(err)
		}
	}
	assumed := look()
	if assumed.Oxygen.Words != "low oxygen" || assumed.Oxygen.Fraction.High < 0.2 {
		t.Errorf("assumed: %+v", assumed.Oxygen)
	}
	note(barrier.Verified)
	verified := look()
	if verified.Oxygen.Fraction.High > 0.02 || verified.Remaining.Low < assumed.Remaining.Low || verified.Remaining.Likely != assumed.Remaining.Likely {
		t.Errorf("verified: %+v %+v, assumed: %+v", verified.Oxygen, verified.Remaining, assumed.Remaining)
	}
	note(barrier.Failed)
	leaking := look()
	if leaking.Oxygen.Words != "air" || leaking.Remaining.Likely >= verified.Remaining.Likely || leaking.Insects.Hold > 0.1 {
		t.Errorf("failed: %+v %+v %+v", leaking.Oxygen, leaking.Remaining, leaking.Insects)
	}
	if len(leaking.Warnings) == 0 || !strings.HasPrefix(leaking.Warnings[0], "The seal leaks") {
		t.Errorf("warnings %q", leaking.Warnings)
	}
}

// TestHourCloseIsNotWorkedOutTwice: between two hours, and for readings that
// change nothing before them, lots stand as they were worked out.
func TestHourCloseIsNotWorkedOutTwice(t *testing.T) {
	p := newPlay(t, config(riceOf(func(*lot.Packing) {})))
	p.hear(temperature("cellar", "a", at(0), 18), temperature("cellar", "a", at(1), 18))
	p.e.Snapshot(at(1))
	was := p.e.lots["L-1"]
	mark := time.Unix(1, 0)
	was.view.AsOf = mark // is only replaced when worked out anew
	p.hear(temperature("cellar", "a", at(1.5), 30))
	if l := lotNamed(t, p.e.Snapshot(at(1.6)), "L-1"); !l.AsOf.Equal(mark) {
		t.Error("worked out again within the hour")
	}
	p.hear(temperature("cellar", "a", at(0.5), 35)) // late, before the hour
	if l := lotNamed(t, p.e.Snapshot(at(1.7)), "L-1"); !l.AsOf.Equal(at(1)) {
		t.Error("not worked out again for a late reading")
	}
}

// TestForgetsTheOlderOfTwoChanges: a lot that stood in two rooms forgets from
// the earlier change on, whichever is told first.
func TestForgetsTheOlderOfTwoChanges(t *testing.T) {
	for _, order := range [][]float64{{99, 10}, {10, 99}} {
		tr := tracked{asOf: at(100), lookedAt: at(96), settled: at(72)}
		for _, since := range order {
			tr.forget(at(since))
		}
		if !tr.asOf.IsZero() || !tr.lookedAt.IsZero() || !tr.settled.IsZero() {
			t.Errorf("changes at %v h: %v, %v, %v are kept", order, tr.asOf, tr.lookedAt, tr.settled)
		}
	}
	tr := tracked{asOf: at(100), lookedAt: at(96), settled: at(72)}
	tr.forget(at(99))
	if !tr.asOf.IsZero() || !tr.lookedAt.Equal(at(96)) || !tr.settled.Equal(at(72)) {
		t.Errorf("more than the last hours is forgotten: %v, %v, %v", tr.asOf, tr.lookedAt, tr.settled)
	}
}
