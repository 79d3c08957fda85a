package engine

import (
	"math"
	"strings"
	"testing"

	"dryhold/internal/lot"
)

// TestWorthOfOneMoreSensor: where a room was watched for weeks, one outdoors or
// a year of readings makes the ends surer and moves none of them; where it was
// watched for years there is little to gain; a sensor in another room tells
// nothing; and nothing is changed by asking.
func TestWorthOfOneMoreSensor(t *testing.T) {
	const now = 3 * yearly
	loft, cellar := seasonal(22, 8, 3), seasonal(13, 3, 0.2)
	readings := append(histories(0, now, map[string]func(float64) float64{"cellar": cellar}),
		histories(now-40*24, now, map[string]func(float64) float64{"loft": loft})...)
	e := watched(t, readings, now, nil, add("L-1", "hard-wheat", "pet-2l", "loft", at(now-10*24)), add("L-2", "hard-wheat", "pet-2l", "cellar", at(now-10*24)),
		add("L-3", "hard-wheat", "pet-2l", "loft", at(now-10*24)), lot.Change{Kind: lot.Ended, Lot: "L-3", At: at(now - 24), Recorded: at(now - 24)})
	before := map[string]LotView{"L-1": viewOf(t, e, now, "L-1"), "L-2": viewOf(t, e, now, "L-2")}
	worth := func(where string) map[string]*Narrowing {
		t.Helper()
		x := answer(t, e, at(now), Question{Sensor: where}, 1)
		out := map[string]*Narrowing{}
		for _, g := range x.Lots {
			v := before[g.Lot]
			p := v.Projected()
			if width := p.Late.Sub(p.Early).Hours() / 24; math.Abs(width-g.Band.Now) > 0.01 {
				t.Errorf("%s: the band is told as %.2f days, its view has %.2f", g.Lot, g.Band.Now, width)
			}
			if !g.Now.Equal(p.Likely) || math.Abs(g.Then.Sub(g.Now).Hours()) > 1 || g.Days.Likely != 0 {
				t.Errorf("%s: a sensor %s moves its end from %v to %v", g.Lot, where, g.Now, g.Then)
			}
			out[g.Lot] = g.Band
		}
		if len(out) != 2 || len(x.Climates) != 2 || x.Climates[1].Room != "loft" || !strings.Contains(x.Climates[1].From, "40 days of readings") {
			t.Errorf("a sensor %s: %d lots, %+v", where, len(out), x.Climates)
		}
		t.Logf("a sensor %s: loft %+v, cellar %+v", where, *out["L-1"], *out["L-2"])
		return out
	}
	in, away, out := worth("loft"), worth("cellar"), worth(Outdoors)
	if in["L-1"].Share < 0.3 || in["L-2"].Days() != 0 {
		t.Error("a sensor in the loft is worth that to loft and cellar")
	}
	if away["L-1"].Days() != 0 || away["L-2"].Share > 0.1 {
		t.Error("a sensor in the cellar is worth that to loft and cellar")
	}
	if out["L-1"].Share < 0.2 || out["L-1"].Share > in["L-1"].Share || out["L-2"].Share > 0.1 {
		t.Error("a sensor outdoors is worth that to loft and cellar")
	}
	fine := answer(t, e, at(now), Question{Sensor: "loft", Lots: []string{"L-3"}}, 1)
	if fine.Tried != 0 || fine.Lots[0].Not != "finished" {
		t.Errorf("a lot that is finished: %+v", fine.Lots)
	}
	for id, v := range before {
		if after := viewOf(t, e, now, id); !after.End.Equal(v.End) || !after.EndEarly.Equal(v.EndEarly) {
			t.Errorf("asking has moved the end of %s", id)
		}
	}
}
