package engine

import (
	"errors"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"dryhold/internal/alarm"
	"dryhold/internal/lot"
	"dryhold/internal/review"
	"dryhold/internal/room"
)

func (p *play) want(notices ...told) {
	p.t.Helper()
	if d := cmp.Diff(notices, p.told()); d != "" {
		p.t.Errorf("notices (-want +got):\n%s", d)
	}
}

func (p *play) state(key alarm.Key, want alarm.State) alarm.Condition {
	p.t.Helper()
	for _, c := range p.conditions {
		if c.Key == key {
			if c.State != want {
				p.t.Errorf("%s is %s, want %s", key, c.State, want)
			}
			return c
		}
	}
	p.t.Errorf("%s is not kept, want %s", key, want)
	return alarm.Condition{}
}

var warmLoft = alarm.Key{Kind: alarm.Warm, Room: "loft"}

func TestWarmSpell(t *testing.T) {
	lots := []lot.Change{
		add("L-1", "hard-wheat", "pet-2l", "loft", at(-48)), add("L-2", "brown-rice", "pail-20l", "loft", at(-48)),
		add("L-3", "brown-rice", "pail-20l", "cellar", at(-48)), // elsewhere: not concerned
	}
	p := newPlay(t, config(lots...))
	p.course("loft-1", -24, 1.5, 20)
	p.course("loft-1", 2, 9.5, 30) // above the limit from 2:00, active at 4:00
	p.course("loft-1", 10, 12, 20) // within from 10:00, back at 11:00
	p.want(
		told{alarm.Raised, "warm/loft", at(4), at(2), "Loft too warm: 30.0 °C, up to 11.5 days of life a week"},
		told{alarm.Returned, "warm/loft", at(11), at(2), p.notices[len(p.notices)-1].Subject},
	)
	if s := p.notices[1].Subject; !strings.HasPrefix(s, "Loft cool again: 20.0 °C, up to ") {
		t.Errorf("subject of the return: %s", s)
	}
	p.state(warmLoft, alarm.ReturnedUnack)

	// The cost told is that of the review of the same excursion, on an engine
	// that saw nothing but the store.
	reviews, err := p.restart(12, lots...).e.Review(at(12))
	if err != nil {
		t.Fatal(err)
	}
	n := p.notices[1]
	if len(n.Costs) != 2 {
		t.Fatalf("%s names %d lots, want the 2 of the loft", n.Event, len(n.Costs))
	}
	for _, c := range n.Costs {
		i := slices.IndexFunc(reviews, func(r review.Review) bool { return r.Lot == c.Lot })
		want := excursions(&reviews[i], "loft")
		if math.Abs(c.Days-want) > 1e-12 || !(c.Days > 0) {
			t.Errorf("%s: %s lost %.15g days, the review says %.15g", n.Event, c.Lot, c.Days, want)
		}
	}
	if raised, returned := p.notices[0].Costs, p.notices[1].Costs; returned[0].Days < raised[0].Days {
		t.Errorf("the spell costs less at its end than at its start: %g, %g", returned[0].Days, raised[0].Days)
	}
	// 30 °C against 21 °C at 80 kJ/mol is 2.6409 times as fast: models section 3.1.
	if week := weekOf(p.notices[0], "L-1"); math.Abs(week-7*1.6409) > 1e-3 {
		t.Errorf("another week costs the wheat %g days, want %g", week, 7*1.6409)
	}
}

// excursions is what the excursions of a room have cost a lot by heat, days.
func excursions(r *review.Review, in string) (days float64) {
	for _, x := range r.Events {
		if x.Kind == review.Excursion && x.Room == in {
			days += r.InDays(x.Cost).Lost.Heat
		}
	}
	return days
}

func weekOf(n alarm.Notice, id string) float64 {
	for _, c := range n.Costs {
		if c.Lot == id {
			return c.Week
		}
	}
	return math.NaN()
}

func TestShortHeatRaisesNothing(t *testing.T) {
	p := newPlay(t, config())
	p.course("loft-1", 0, 1.5, 20)
	p.course("loft-1", 2, 3.5, 30) // an hour and a half above the limit
	p.course("loft-1", 4, 8, 20)
	p.want()
	p.state(warmLoft, alarm.Normal)
}

func TestTickAloneRaisesOnceTheDelayIsOver(t *testing.T) {
	p := newPlay(t, config())
	p.hear(temperature("loft", "loft-1", at(0), 30))
	p.hear(temperature("loft", "loft-1", at(1), 30)) // stands until its stale limit, at 2
	p.tick(1.99)
	p.want()
	p.tick(2)
	p.want(told{alarm.Raised, "warm/loft", at(2), at(0), "Loft too warm: 30.0 °C"})
}

func TestWarmestSensorDecides(t *testing.T) {
	p := newPlay(t, config())
	for h := 0.0; h <= 3; h += 0.5 {
		p.hear(temperature("loft", "roof", at(h), 26), temperature("loft", "floor", at(h), 18))
	}
	p.want(told{alarm.Raised, "warm/loft", at(2), at(0), "Loft too warm: 26.0 °C"})

	// The roof falls silent, hot. The floor goes on, cool: nobody knows that
	// the heat is over.
	p.course("floor", 3.5, 12, 18)
	c := p.state(warmLoft, alarm.ActiveUnacknowledged)
	if !c.Unknown || !c.Active {
		t.Errorf("the alarm should stand, its value unknown: %+v", c)
	}
	silent := alarm.Key{Kind: alarm.Silent, Room: "loft", Sensor: "roof"}
	p.state(silent, alarm.ActiveUnacknowledged)
	if v := p.e.Snapshot(at(12)).Alarms[0]; v.Key != warmLoft || !v.Unknown || !strings.Contains(v.Text, "last 26.0 °C") {
		t.Errorf("shown: %+v", v)
	}

	// It speaks again, cool: now the off-delay can run.
	p.course("roof", 12.5, 13.5, 18)
	p.state(warmLoft, alarm.ReturnedUnack)
	p.state(silent, alarm.ReturnedUnack)
}

func TestHotSensorKeepsItsAlarmAgainstCoolOnes(t *testing.T) {
	p := newPlay(t, config())
	for h := 0.0; h <= 6; h += 0.5 {
		p.hear(temperature("loft", "roof", at(h), 26), temperature("loft", "floor", at(h+0.25), 18))
	}
	p.want(told{alarm.Raised, "warm/loft", at(2), at(0), "Loft too warm: 26.0 °C"})
	if c := p.state(warmLoft, alarm.ActiveUnacknowledged); c.Unknown || c.Value != 26 {
		t.Errorf("the value is the warmest: %+v", c)
	}
}

func TestSilence(t *testing.T) {
	silent := alarm.Key{Kind: alarm.Silent, Room: "loft", Sensor: "loft-1"}
	t.Run("raised after the stale limit, back when heard", func(t *testing.T) {
		p := newPlay(t, config())
		p.hear(temperature("loft", "loft-1", at(0), 18))
		for h := 0.25; h < 3; h += 0.25 {
			p.tick(h)
		}
		p.want(told{alarm.Raised, "silent/loft/loft-1", at(1.25), at(1.25), "Loft: sensor loft-1 silent for 1 h 15 min"})
		p.hear(temperature("loft", "loft-1", at(3), 18))
		p.want(
			told{alarm.Raised, "silent/loft/loft-1", at(1.25), at(1.25), "Loft: sensor loft-1 silent for 1 h 15 min"},
			told{alarm.Returned, "silent/loft/loft-1", at(3), at(1.25), "Loft: sensor loft-1 is back"},
		)
	})
	t.Run("not because the daemon was down", func(t *testing.T) {
		p := newPlay(t, config())
		p.course("loft-1", 0, 2, 18)
		p = p.restart(72)
		for h := 72.0; h <= 73; h += 0.25 {
			p.tick(h)
		}
		p.want()
		p.hear(temperature("loft", "loft-1", at(73), 18))
		p.tick(73.5)
		p.want()
	})
	t.Run("but when it stays silent after the start", func(t *testing.T) {
		p := newPlay(t, config())
		p.course("loft-1", 0, 2, 18)
		p = p.restart(72)
		p.tick(73)
		p.want()
		p.tick(73.25)
		if len(p.notices) != 1 || p.notices[0].Event != alarm.Raised || p.notices[0].Alarm != silent {
			t.Fatalf("want the silence raised: %+v", p.told())
		}
	})
	t.Run("active stays active over a restart, and is told once", func(t *testing.T) {
		p := newPlay(t, config())
		p.hear(temperature("loft", "loft-1", at(0), 18))
		p.tick(2)
		p = p.restart(2.5)
		for h := 2.5; h <= 6; h += 0.25 {
			p.tick(h)
		}
		p.want()
		p.state(silent, alarm.ActiveUnacknowledged)
		if v := p.e.Snapshot(at(6)).Alarms; len(v) != 1 || v[0].Value != 6*3600 {
			t.Errorf("silent since 0:00, shown %+v", v)
		}
		p.hear(temperature("loft", "loft-1", at(7), 18))
		if len(p.notices) != 1 || p.notices[0].Event != alarm.Returned {
			t.Errorf("want the return told: %+v", p.told())
		}
	})
}

func TestAlarmsOutliveARestart(t *testing.T) {
	t.Run("active", func(t *testing.T) {
		p := newPlay(t, config())
		p.course("loft-1", 0, 3, 30)
		p = p.restart(30)
		p.tick(30)
		p.want()
		c := p.state(warmLoft, alarm.ActiveUnacknowledged)
		if !c.Unknown {
			t.Error("after downtime the value is not known")
		}
		p.course("loft-1", 31, 32, 18)
		p.state(warmLoft, alarm.ReturnedUnack)
	})
	t.Run("a pending delay goes on, downtime not counted", func(t *testing.T) {
		p := newPlay(t, config())
		p.course("loft-1", 0, 1, 30)
		p = p.restart(30)
		p.course("loft-1", 30, 30.5, 30)
		// Known heat: 0:00 to 2:00, the last reading standing for its stale
		// limit of an hour.
		p.want(told{alarm.Raised, "warm/loft", at(30), at(0), "Loft too warm: 30.0 °C"})
	})
	t.Run("acknowledged", func(t *testing.T) {
		p := newPlay(t, config())
		p.course("loft-1", 0, 3, 30)
		if _, err := p.acknowledge(3, warmLoft, "Ada"); err != nil {
			t.Fatal(err)
		}
		p = p.restart(3.5)
		p.course("loft-1", 3.5, 5, 30)
		p.want()
		if c := p.state(warmLoft, alarm.ActiveAcknowledged); c.AckBy != "Ada" {
			t.Errorf("acknowledged by %q", c.AckBy)
		}
	})
}

func (p *play) acknowledge(h float64, key alarm.Key, by string) (Effects, error) {
	fx, err := p.e.Operate(at(h), Operation{Do: alarm.ActAcknowledge, Key: key, By: by, Note: "window shaded"})
	return p.take(fx), err
}

func TestAcknowledge(t *testing.T) {
	p := newPlay(t, config())
	p.course("loft-1", 0, 1, 30)
	f := func(key alarm.Key, by string, kind error, text string) {
		t.Helper()
		fx, err := p.acknowledge(1, key, by)
		if !errors.Is(err, kind) || !strings.Contains(err.Error(), text) {
			t.Errorf("got %v, want %q (%v)", err, text, kind)
		}
		if len(fx.Conditions)+len(fx.Notices)+len(fx.Refold) > 0 {
			t.Errorf("a refusal has effects: %+v", fx)
		}
	}
	f(alarm.Key{Kind: alarm.Warm, Room: "attic"}, "Ada", lot.ErrNotFound, "no alarm condition warm/attic")
	f(alarm.Key{Kind: alarm.Bright, Room: "loft"}, "Ada", lot.ErrNotFound, "no alarm condition bright/loft")
	f(alarm.Key{}, "Ada", lot.ErrNotFound, "no alarm condition")
	f(warmLoft, "Ada", lot.ErrInvalid, "cannot acknowledge warm/loft: it is normal")
	p.course("loft-1", 1.5, 3, 30)
	f(warmLoft, " ", lot.ErrInvalid, "without a name")
	fx, err := p.acknowledge(3, warmLoft, "Ada")
	if err != nil || len(fx.Conditions) != 1 || len(fx.Notices) != 0 {
		t.Fatalf("%+v, %v", fx, err)
	}
	if c := fx.Conditions[0]; c.State != alarm.ActiveAcknowledged || c.AckBy != "Ada" || c.AckNote != "window shaded" || !c.AckAt.Equal(at(3)) {
		t.Errorf("kept: %+v", c)
	}
	f(warmLoft, "Ben", lot.ErrInvalid, "by Ada already")
	p.course("loft-1", 3.5, 5, 18)
	p.state(warmLoft, alarm.Normal) // an acknowledged alarm is over when it returns
}

func TestOldReadingsFoldButMoveNoAlarm(t *testing.T) {
	p := newPlay(t, config(add("L-1", "hard-wheat", "pet-2l", "loft", at(-72))))
	var backlog []room.Reading // of heat that is over
	for h := -60.0; h <= -24.5; h += 0.5 {
		backlog = append(backlog, temperature("loft", "loft-1", at(h), 40))
	}
	p.take(p.e.Observe(at(0), p.keep(backlog...)))
	p.want()
	if len(p.conditions) != 0 {
		t.Errorf("conditions moved: %+v", p.conditions)
	}
	if e := p.e.Exposure("loft", 2.33, 80, at(-60), at(-25)); e.Measured != 35*time.Hour || e.Days < 7 {
		t.Errorf("the heat does count: %+v", e)
	}
	for h := -24.0; h <= -21; h += 0.5 { // what is at most a day old is judged
		p.take(p.e.Observe(at(0), p.keep(temperature("loft", "loft-1", at(h), 40))))
	}
	if len(p.notices) != 1 || !p.notices[0].At.Equal(at(-22)) || !p.notices[0].Since.Equal(at(-24)) {
		t.Errorf("notices: %+v", p.told())
	}
}

func TestDampRaisesWithoutCost(t *testing.T) {
	p := newPlay(t, config(add("L-1", "hard-wheat", "pet-2l", "cellar", at(-24))))
	for h := 0.0; h <= 2; h += 0.5 {
		p.hear(humidity("cellar", "cellar-1", at(h), 0.72), temperature("cellar", "cellar-1", at(h), 16))
	}
	p.want(told{alarm.Raised, "damp/cellar", at(1), at(0), "Cellar too damp: 72.0 % RH"})
	if n := p.notices[0]; len(n.Costs) != 1 || n.Costs[0].Days != 0 || n.Priority != alarm.High || !strings.Contains(n.Body, "no lot any life so far") {
		t.Errorf("%+v", n)
	}
}

func TestNothingIsWatchedWithoutARule(t *testing.T) {
	c := config()
	c.Rules = func(string) map[alarm.Kind]alarm.Rule { return nil }
	p := newPlay(t, c)
	p.course("loft-1", 0, 5, 40)
	for h := 5.0; h < 20; h++ {
		p.tick(h)
	}
	if len(p.conditions) != 0 || len(p.notices) != 0 {
		t.Errorf("%+v", p.conditions)
	}
	if got := p.e.Plan("loft"); got != 21 {
		t.Errorf("plan storage without a limit is %g °C, want the reference", float64(got))
	}
}

// TestSteadyTicksChangeNothing: nothing to write to disk while nothing
// happens.
func TestSteadyTicksChangeNothing(t *testing.T) {
	p := newPlay(t, config())
	p.course("loft-1", 0, 1, 18)
	for i := range 100 {
		if fx := p.tick(1 + float64(i)/200); len(fx.Conditions)+len(fx.Notices) > 0 {
			t.Fatalf("tick %d: %+v", i, fx)
		}
	}
}
