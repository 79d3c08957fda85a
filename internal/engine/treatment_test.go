package engine

import (
	"encoding/json"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"dryhold/internal/lot"
	"dryhold/internal/room"
)

// Two cold spells of a lot carried between the kitchen and the freezer, with a
// power cut that only pauses, and a thaw that begins the spell again, by the
// rules of pest.FreezeHold. Each time the keeper is told what comes next, and
// the end is recorded with what was seen. Larch House is invented.
func TestFreezeThawIsFollowedToItsRecord(t *testing.T) {
	c := riceOf(func(k *lot.Packing) {
		k.Treatment, k.Room = lot.Treatment{Kind: lot.FreezeThaw, Cycles: 2}, "kitchen"
	})
	told := []lot.Change{c}
	p := newPlay(t, config(c))
	change := func(c lot.Change) {
		t.Helper()
		if err := p.e.CheckLot(c); err != nil {
			t.Fatal(err)
		}
		fx, err := p.e.ChangeLot(c)
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range fx.Refold {
			refold(p.e, f, p.stored, c.Recorded)
		}
		told = append(told, c)
	}
	moved := func(h float64, to string) {
		t.Helper()
		change(lot.Change{Kind: lot.Moved, Lot: "L-1", At: at(h), Recorded: at(h), Room: to})
	}
	freezer := func(h float64) float64 {
		switch {
		case h >= 60 && h < 72: // the power is cut, the door stays shut
			return -6
		case h >= 200 && h < 206: // somebody left the door open
			return 12
		}
		return -20
	}
	h := 0.0
	until := func(end float64) {
		t.Helper()
		var readings []room.Reading
		for ; h < end; h += 0.5 {
			readings = append(readings, temperature("kitchen", "k", at(h), 21), temperature("freezer", "f", at(h), freezer(h)))
		}
		p.hear(readings...)
		p.tick(end)
	}
	next := func(want ...string) {
		t.Helper()
		got := lotNamed(t, p.e.Snapshot(at(h)), "L-1").Insects.Next
		for _, w := range want {
			if !strings.Contains(got, w) {
				t.Errorf("after %g h: %q, want %q", h, got, w)
			}
		}
	}
	until(2)
	next("freeze it where a sensor measures", "dryhold lots move L-1 ROOM")
	moved(2, "freezer")
	until(50)
	next("leave it in the freezer: cold spell 1 of 2 is 45 %", "complete at the core")
	before := lotNamed(t, p.e.Snapshot(at(h)), "L-1").Insects.Freeze
	until(72)
	if in := lotNamed(t, p.e.Snapshot(at(h)), "L-1").Insects; !(in.Freeze > before) || in.Resets != 0 {
		t.Errorf("a power cut with the door shut: share %g, was %g, begun again %d times", in.Freeze, before, in.Resets)
	}
	until(140)
	next("cold spell 1 of 2 is complete", "24 h")
	moved(140, "kitchen")
	until(180)
	next("cold spell 2 of 2") // thawed long enough, waiting for the cold
	moved(180, "freezer")
	until(212)
	next("begun again 1 times")
	until(330)
	next("let it come to room temperature closed")
	moved(330, "kitchen")
	until(350)
	next("record it: dryhold lots treat L-1")

	x, err := p.e.Evidence("L-1", at(h))
	if err != nil || x.Share != 1 || x.Spells != 2 || x.Cycles != 2 || x.Resets != 1 || x.CompleteOn.Before(at(300)) || x.CompleteOn.After(at(330)) {
		t.Errorf("evidence %+v, %v", x, err)
	}
	change(lot.Change{Kind: lot.Completed, Lot: "L-1", At: at(h), Recorded: at(h), By: "mara", Note: "five days each", Evidence: &x})
	next("")
	live := lotNamed(t, p.e.Snapshot(at(h)), "L-1")
	if live.Insects.Next != "" || live.Treated == nil || live.Treated.Evidence != x {
		t.Errorf("recorded: next %q, %+v", live.Insects.Next, live.Treated)
	}
	if err := p.e.CheckLot(lot.Change{Kind: lot.Completed, Lot: "L-1", At: at(h), Recorded: at(h), Evidence: &x}); err == nil {
		t.Error("recorded twice")
	}

	var stored []lot.Change // as the store gives them back
	body, err := json.Marshal(told)
	if err == nil {
		err = json.Unmarshal(body, &stored)
	}
	if err != nil {
		t.Fatal(err)
	}
	again := p.restart(h, stored...)
	again.tick(h)
	if d := cmp.Diff(live, lotNamed(t, again.e.Snapshot(at(h)), "L-1")); d != "" {
		t.Errorf("rebuilt is not live (-live +rebuilt):\n%s", d)
	}
}

// A treatment of which nothing was seen is the keeper's word: its evidence says
// so, and a lot without one has none to complete.
func TestEvidenceOfNothing(t *testing.T) {
	p := newPlay(t, config(riceOf(func(k *lot.Packing) { k.Treatment.Kind = lot.FreezeThaw }), add("L-2", "brown-rice", "pet-2l", "cellar", at(0))))
	p.tick(24)
	x, err := p.e.Evidence("L-1", at(24))
	if err != nil || x.Share != 0 || !x.CompleteOn.IsZero() || !strings.Contains(x.Words, "no freezer was watched") {
		t.Errorf("%+v, %v", x, err)
	}
	if _, err := p.e.Evidence("L-9", at(24)); err == nil {
		t.Error("evidence of no lot")
	}
	if err := p.e.CheckLot(lot.Change{Kind: lot.Completed, Lot: "L-2", At: at(24), Recorded: at(24), Evidence: &x}); err == nil {
		t.Error("a treatment that was none is complete")
	}
	bad := riceOf(func(k *lot.Packing) { k.Treatment = lot.Treatment{Kind: lot.Absorber, CapacityCM3: 300, Cycles: 2} })
	bad.Lot = "L-3"
	if err := p.e.CheckLot(bad); err == nil || !strings.Contains(err.Error(), "2 cold spells with treatment") {
		t.Errorf("cold spells of an absorber: %v", err)
	}
}
