package engine

import (
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"dryhold/internal/alarm"
	"dryhold/internal/barrier"
	"dryhold/internal/catalog"
	"dryhold/internal/lot"
)

// packed is a lot of brown rice with an absorber, or none where it has no
// capacity.
func packed(id, container string, at time.Time, capacity float64) lot.Change {
	c := add(id, "brown-rice", container, "loft", at)
	if capacity > 0 {
		c.Packing.Treatment = lot.Treatment{Kind: lot.Absorber, CapacityCM3: capacity}
	}
	c.Packing.NetMassKG = 1.6
	return c
}

// only leaves some kinds of a rule set.
func only(c Config, kinds ...alarm.Kind) Config {
	all := c.Rules
	c.Rules = func(in string) map[alarm.Kind]alarm.Rule {
		out := map[alarm.Kind]alarm.Rule{}
		for _, k := range append(kinds, alarm.Silent) {
			if r, ok := all(in)[k]; ok {
				out[k] = r
			}
		}
		return out
	}
	return c
}

func TestQualityOfALot(t *testing.T) {
	c := only(byDefault(add("L-1", "brown-rice", "pail-20l", "loft", at(0))), alarm.Quality)
	p := newPlay(t, c)
	h := 0.0
	for ; len(p.of(alarm.Quality)) == 0 && h < 24*200; h += 12 {
		p.air("loft", h, h, 12, steady(21), steady(0.4))
	}
	p.told1(alarm.Quality, "raised")
	n := p.of(alarm.Quality)[0]
	// A day and a half after a quarter was passed, at a 180th a day or some more.
	if left := p.e.Snapshot(n.At).Lots[0].Remaining.Likely; left >= 0.25 || left < 0.23 || h < 24*90 {
		t.Errorf("raised with %.3f left after %.1f days", left, h/24)
	}
	h = 24 * 150
	p.air("loft", n.At.Sub(at(0)).Hours()+12, h, 12, steady(21), steady(0.4))
	if n.Alarm != (alarm.Key{Kind: alarm.Quality, Lot: "L-1"}) || !strings.HasPrefix(n.Subject, "L-1 Brown rice: quality down to 2") || !strings.Contains(n.Body, "What limits it is staling.") {
		t.Errorf("%+v", n)
	}
	p.keeps(24*150, c, alarm.Quality)
	stands := p.state(n.Alarm, alarm.ActiveUnacknowledged)
	for h += 14; h < 24*170; h += 12 { // silence neither ends it nor makes it new
		p.tick(h)
	}
	p.told1(alarm.Quality, "raised")
	// Finished, there is nothing left to watch.
	end := lot.Change{Kind: lot.Ended, Lot: "L-1", At: at(24 * 170), Recorded: at(24 * 170)}
	fx, err := p.e.ChangeLot(end)
	if err != nil {
		t.Fatal(err)
	}
	p.take(fx)
	p.tick(24 * 170)
	p.told1(alarm.Quality, "raised")
	if p.state(stands.Key, alarm.Normal); len(p.e.Snapshot(at(24*170)).Alarms) > 1 { // the silent sensor
		t.Errorf("%+v", p.e.Snapshot(at(24*170)).Alarms)
	}
}

func TestAbsorbers(t *testing.T) {
	enclosed := func(t *testing.T) float64 {
		t.Helper()
		e := engineOf(t, config(packed("L-1", "pet-2l", at(0), 50)))
		return e.Snapshot(at(0)).Lots[0].Oxygen.Enclosed
	}(t)
	t.Run("too small is told at once, and is not spent besides", func(t *testing.T) {
		c := byDefault(packed("L-1", "pet-2l", at(0), enclosed/2))
		p := newPlay(t, c)
		p.air("loft", 0, 24, 3, steady(18), steady(0.4))
		p.told1(alarm.AbsorberSmall, "raised")
		p.told1(alarm.OxygenSpent, "")
		if n := p.of(alarm.AbsorberSmall)[0]; !strings.HasPrefix(n.Subject, "L-1 Brown rice: absorber too small, 50 % of what it needs") || !strings.Contains(n.Body, "absorber too small") {
			t.Errorf("%+v", n)
		}
		p.keeps(24, c, alarm.AbsorberSmall)
	})
	t.Run("spent when the oxygen that comes in has used it up", func(t *testing.T) {
		c := only(byDefault(packed("L-1", "pet-2l", at(0), 1.05*enclosed)), alarm.OxygenSpent, alarm.AbsorberSmall)
		p := newPlay(t, c)
		p.air("loft", 0, 24*2, 12, steady(18), steady(0.4))
		p.told1(alarm.OxygenSpent, "")
		p.air("loft", 24*2+12, 24*90, 12, steady(18), steady(0.4))
		p.told1(alarm.OxygenSpent, "raised")
		p.told1(alarm.AbsorberSmall, "")
		p.keeps(24*90, c, alarm.OxygenSpent)
	})
	t.Run("none, none", func(t *testing.T) {
		p := newPlay(t, byDefault(packed("L-1", "pet-2l", at(0), 0), packed("L-2", "pail-20l", at(0), 500)))
		p.air("loft", 0, 24, 3, steady(18), steady(0.4))
		p.told1(alarm.AbsorberSmall, "")
		p.told1(alarm.OxygenSpent, "")
	})
}

func TestInsectHold(t *testing.T) {
	sealed := func(id string, capacity float64) lot.Change { return packed(id, "pet-2l", at(0), capacity) }
	t.Run("complete is told once, as information that goes away", func(t *testing.T) {
		c := only(byDefault(sealed("L-1", 600)), alarm.HoldComplete, alarm.HoldIncomplete)
		p := newPlay(t, c)
		p.air("loft", 0, 24*50, 12, steady(25), steady(0.4))
		p.told1(alarm.HoldComplete, "raised")
		p.told1(alarm.HoldIncomplete, "")
		if n := p.of(alarm.HoldComplete)[0]; n.Priority != alarm.Low || n.Subject != "L-1 Brown rice: insect hold complete" || !strings.Contains(n.Body, "low-oxygen hold complete") {
			t.Errorf("%+v", n)
		}
		p.keeps(24*50, c, alarm.HoldComplete)
		p.air("loft", 24*50+12, 24*100, 12, steady(25), steady(0.4))
		p.told1(alarm.HoldComplete, "raised")
		p.state(alarm.Key{Kind: alarm.HoldComplete, Lot: "L-1"}, alarm.Normal)
	})
	t.Run("not complete when it should be", func(t *testing.T) {
		leaks := barrier.Failed
		c := only(byDefault(sealed("L-1", 60), lot.Change{Kind: lot.Noted, Lot: "L-1", At: at(1), Recorded: at(1), Seal: &leaks}), alarm.HoldComplete, alarm.HoldIncomplete)
		p := newPlay(t, c)
		p.air("loft", 0, 24*59, 12, steady(18), steady(0.4))
		p.told1(alarm.HoldIncomplete, "")
		p.air("loft", 24*59+12, 24*63, 12, steady(18), steady(0.4))
		p.told1(alarm.HoldIncomplete, "raised")
		p.told1(alarm.HoldComplete, "")
		p.keeps(24*63, c, alarm.HoldIncomplete)
	})
}

// leaky is the pantry with a bag that lets much water through.
func leaky() *catalog.Catalog {
	c := pantry()
	bag := c.Containers[1]
	bag.ID, bag.Name, bag.WaterWall, bag.Sealed = "bag-2l", "2 L bag", exactly(20), true
	c.Containers = append(c.Containers, bag)
	return c
}

func TestMoistureLines(t *testing.T) {
	c := only(byDefault(packed("L-1", "bag-2l", at(0), 0)), alarm.MoistureAmber, alarm.MoistureRed)
	c.Catalog = leaky()
	p := newPlay(t, c)
	p.air("loft", 0, 24*120, 12, steady(20), steady(0.8))
	p.told1(alarm.MoistureAmber, "raised")
	p.told1(alarm.MoistureRed, "raised")
	amber, red := p.of(alarm.MoistureAmber)[0], p.of(alarm.MoistureRed)[0]
	if !amber.At.Before(red.At) || red.Priority != alarm.High || !strings.Contains(red.Subject, "too damp to keep, water activity 0.6") || !strings.Contains(red.Body, "Limit         0.65") || !strings.Contains(amber.Body, "What comes of it is mould.") {
		t.Errorf("amber %+v\nred %+v", amber, red)
	}
	p.keeps(24*120, c, alarm.MoistureRed)
	for h := 24*120 + 14.0; h < 24*200; h += 12 { // taken at the damp limit it would dry: nobody knows
		p.tick(h)
	}
	p.told1(alarm.MoistureRed, "raised")
	p.air("loft", 24*200, 24*320, 12, steady(20), steady(0.3))
	p.told1(alarm.MoistureRed, "raised returned")
	p.told1(alarm.MoistureAmber, "raised returned")
}

func TestEndsEarly(t *testing.T) {
	c := only(byDefault(add("L-1", "hard-wheat", "pet-2l", "loft", at(0))), alarm.EndsEarly, alarm.Warm)
	p := newPlay(t, c)
	p.air("loft", 0, 24*40, 12, steady(29), nil)
	p.told1(alarm.EndsEarly, "raised")
	n := p.of(alarm.EndsEarly)[0]
	if n.Priority != alarm.Low || !strings.Contains(n.Body, "It was to last until ") || n.At.Before(at(24*7)) {
		t.Errorf("%+v", n)
	}
	p.keeps(24*40, c, alarm.EndsEarly)

	// A day that the keeper plans goes before: it is met at 29 °C.
	rule := c.Rules("loft")[alarm.EndsEarly]
	rule.Planned, rule.Limit = at(24*365), 0
	c.LotRules = func(string) map[alarm.Kind]alarm.Rule { return map[alarm.Kind]alarm.Rule{alarm.EndsEarly: rule} }
	p = newPlay(t, c)
	p.air("loft", 0, 24*40, 12, steady(29), nil)
	p.told1(alarm.EndsEarly, "")
}

func TestALotHasItsOwnLimits(t *testing.T) {
	c := byDefault(add("L-1", "hard-wheat", "pail-20l", "loft", at(-48)), add("L-2", "hard-wheat", "pail-20l", "loft", at(-48)))
	c.LotRules = func(id string) map[alarm.Kind]alarm.Rule {
		if id != "L-2" {
			return nil
		}
		return map[alarm.Kind]alarm.Rule{
			alarm.CoreWarm: {Kind: alarm.CoreWarm, Limit: 18, Deadband: 0.5, OffDelay: time.Hour, Priority: alarm.High},
			alarm.Quality:  {},
		}
	}
	p := newPlay(t, c)
	p.air("loft", -48, 0, 1, steady(15), nil)
	p.air("loft", 0.5, 12, 0.5, steady(20), nil)
	p.told1(alarm.CoreWarm, "raised")
	n := p.of(alarm.CoreWarm)[0]
	// The core follows with 10.2 h: 15 to 18 of 20 °C takes 10.2 ln(5/2) = 9.3 h.
	if h := n.At.Sub(at(0)).Hours(); n.Alarm.Lot != "L-2" || h < 9 || h > 11.5 {
		t.Errorf("after %.1f h: %+v", h, n)
	}
	p.told1(alarm.Warm, "")
	p.keeps(12, c, alarm.CoreWarm)
	if _, ok := p.e.lotRule(must(p.e.Lot("L-2")), alarm.Quality); ok {
		t.Error("quality of L-2 is switched off")
	}
	if r, ok := p.e.lotRule(must(p.e.Lot("L-1")), alarm.Quality); !ok || r.Limit != 0.25 {
		t.Errorf("that of L-1 is the room's: %+v", r)
	}
}

func must(l lot.Lot, err error) lot.Lot {
	if err != nil {
		panic(err)
	}
	return l
}

func TestVitals(t *testing.T) {
	c := byDefault()
	p := newPlay(t, c)
	feed := func(h float64, kind alarm.Kind, v float64) { p.take(p.e.Vital(at(h), kind, v)) }
	f := func(kind alarm.Kind, good, bad float64, subject string) {
		t.Helper()
		p.notices = nil
		feed(1, kind, good)
		p.told1(kind, "")
		feed(2, kind, bad)
		p.told1(kind, "raised")
		if n := p.notices[0]; n.Subject != subject || n.Alarm != (alarm.Key{Kind: kind}) || n.Alarm.String() != string(kind) || len(n.Costs) != 0 {
			t.Errorf("%+v", n)
		}
		p.tick(30) // nobody says how it is: it stands
		next := p.anew(31, c)
		next.take(next.e.Vital(at(31), kind, bad))
		next.told1(kind, "")
		feed(32, kind, good)
		feed(34, kind, good)
		p.told1(kind, "raised returned")
	}
	f(alarm.Disk, 8e9, 340e6, "dryhold: disk nearly full, 340 MB free")
	f(alarm.Clock, 0, 1200, "dryhold: clock not trusted for 20 min")
	f(alarm.Export, 60, 3*3600, "dryhold: export stuck for 3 h")
	f(alarm.Delivery, 0, 7*3600, "dryhold: notices not delivered for 7 h")
	feed(40, alarm.Warm, 50) // no vital
	feed(40, "unheard", 50)
	if n := len(p.notices); n != 2 {
		t.Errorf("%d notices", n)
	}
}

// TestRebuiltJudgesAsLive: an engine rebuilt from what is stored goes on as the
// one that never stopped.
func TestRebuiltJudgesAsLive(t *testing.T) {
	c := byDefault(add("L-1", "brown-rice", "pet-2l", "loft", at(-24*30)), packed("L-2", "pet-2l", at(-24*30), 200), add("L-3", "hard-wheat", "pail-20l", "loft", at(-24*30)))
	air := func(h float64) float64 { return 19 + 6*float64(int(h/60)%2) + float64(int(h)%24)/8 }
	p := newPlay(t, c)
	p.air("loft", -24*30, 0, 3, air, steady(0.62))
	next := p.anew(0, c)
	next.notices, p.notices = nil, nil
	for _, x := range []*play{p, next} {
		x.air("loft", 3, 24*20, 3, air, steady(0.62))
	}
	if len(p.notices) == 0 {
		t.Fatal("nothing was told")
	}
	if d := cmp.Diff(p.told(), next.told()); d != "" {
		t.Errorf("live and rebuilt tell different things:\n%s", d)
	}
	for i := range p.notices {
		if d := cmp.Diff(p.notices[i], next.notices[i]); d != "" {
			t.Errorf("%s:\n%s", p.notices[i].Key, d)
		}
	}
	live, rebuilt := p.e.Snapshot(at(24*20)).Alarms, next.e.Snapshot(at(24*20)).Alarms
	if d := cmp.Diff(live, rebuilt); d != "" {
		t.Errorf("alarms shown:\n%s", d)
	}
}
