package engine

import (
	"maps"
	"math"
	"strings"
	"testing"
	"time"

	"dryhold/internal/alarm"
	"dryhold/internal/lot"
	"dryhold/internal/room"
	"dryhold/internal/settings"
)

// byDefault is the house with the rules that ship, and sensors that speak every
// few hours, so that years are played in a moment. warm is the limit of the
// loft.
func byDefault(lots ...lot.Change) Config {
	c := config(lots...)
	c.Rules = settings.Default().Rules
	c.Stale = func(string) time.Duration { return 13 * time.Hour }
	c.SiteRules = settings.Default().SiteRules
	return c
}

// without is a rule set less some kinds.
func without(rules func(string) map[alarm.Kind]alarm.Rule, kinds ...alarm.Kind) func(string) map[alarm.Kind]alarm.Rule {
	return func(in string) map[alarm.Kind]alarm.Rule {
		out := maps.Clone(rules(in))
		for _, k := range kinds {
			delete(out, k)
		}
		return out
	}
}

// air brings temperature and humidity of a room every step hours, with a tick
// after each.
func (p *play) air(in string, from, to, step float64, t, rh func(h float64) float64) {
	for h := from; h <= to; h += step {
		rs := []room.Reading{temperature(in, in+"-1", at(h), t(h))}
		if rh != nil {
			rs = append(rs, humidity(in, in+"-1", at(h), rh(h)))
		}
		p.hear(rs...)
		p.tick(h)
	}
}

func steady(v float64) func(float64) float64 { return func(float64) float64 { return v } }

// anew restarts with the same configuration.
func (p *play) anew(h float64, c Config) *play {
	p.t.Helper()
	c.Started, c.Conditions = at(h), p.conditions
	next := newPlay(p.t, c)
	next.stored = p.stored
	for _, name := range roomsOf(p.stored) {
		refold(next.e, Refold{Room: name}, p.stored, at(h))
	}
	return next
}

// of is what was told of a kind.
func (p *play) of(kind alarm.Kind) (out []alarm.Notice) {
	for _, n := range p.notices {
		if n.Alarm.Kind == kind {
			out = append(out, n)
		}
	}
	return out
}

// events is what was told of a kind, in a word each.
func (p *play) events(kind alarm.Kind) string {
	var out []string
	for _, n := range p.of(kind) {
		out = append(out, string(n.Event))
	}
	return strings.Join(out, " ")
}

func (p *play) told1(kind alarm.Kind, want string) {
	p.t.Helper()
	if got := p.events(kind); got != want {
		p.t.Errorf("%s: told %q, want %q", kind, got, want)
	}
}

// keeps holds that a restart tells nothing anew and that what is then rebuilt
// judges as what went on.
func (p *play) keeps(h float64, c Config, kind alarm.Kind) {
	p.t.Helper()
	next := p.anew(h, c)
	for i := range 4 {
		next.tick(h + float64(i)/2)
	}
	next.told1(kind, "")
	before := maps.Collect(func(yield func(string, alarm.State) bool) {
		for _, c := range p.conditions {
			if c.Key.Kind == kind && !yield(c.Key.String(), c.State) {
				return
			}
		}
	})
	for _, c := range next.conditions {
		if c.Key.Kind == kind && c.State != before[c.Key.String()] {
			p.t.Errorf("%s: %s after a restart, %s before", c.Key, c.State, before[c.Key.String()])
		}
	}
}

func TestHotIsASecondLimit(t *testing.T) {
	c := byDefault(add("L-1", "hard-wheat", "pet-2l", "loft", at(-24)))
	p := newPlay(t, c)
	p.air("loft", -24, 0, 1, steady(19), nil)
	p.air("loft", 1, 6, 0.5, steady(31), nil)
	p.told1(alarm.Hot, "raised")
	if n := p.of(alarm.Hot)[0]; n.Priority != alarm.High || !n.At.Equal(at(2)) || !strings.HasPrefix(n.Subject, "Loft far too warm: 31.0 °C") {
		t.Errorf("%+v", n)
	}
	p.told1(alarm.Warm, "raised")
	p.keeps(6, c, alarm.Hot)
	// Nobody speaks: it stands.
	for h := 7.0; h < 48; h++ {
		p.tick(h)
	}
	p.told1(alarm.Hot, "raised")
	p.air("loft", 48, 54, 0.5, steady(28.5), nil) // no longer hot, still warm
	p.told1(alarm.Hot, "raised returned")
	p.told1(alarm.Warm, "raised")
}

func TestAShelfHasItsOwnLimit(t *testing.T) {
	c := byDefault(add("L-1", "hard-wheat", "pet-2l", "loft", at(-24)))
	warm := c.Rules("")[alarm.Warm]
	warm.Limit = 30
	c.ShelfRules = func(sensor string) map[alarm.Kind]alarm.Rule {
		if sensor == "roof" {
			return map[alarm.Kind]alarm.Rule{alarm.Warm: warm, alarm.Hot: {}}
		}
		return nil
	}
	p := newPlay(t, c)
	both := func(from, to, roof, floor float64) {
		for h := from; h <= to; h += 0.5 {
			p.hear(temperature("loft", "roof", at(h), roof), temperature("loft", "floor", at(h), floor))
			p.tick(h)
		}
	}
	both(0, 6, 28, 18) // above the limit of the room, below that of the shelf
	p.want()
	both(6.5, 12, 33, 18)
	p.want(told{alarm.Raised, "warm/loft/roof", at(8.5), at(6.5), "Loft, shelf of roof, too warm: 33.0 °C"})
	for h := 13.0; h < 30; h++ { // the roof is silent, the floor goes on
		p.hear(temperature("loft", "floor", at(h), 18))
		p.tick(h)
	}
	if c := p.state(alarm.Key{Kind: alarm.Warm, Room: "loft", Sensor: "roof"}, alarm.ActiveUnacknowledged); !c.Unknown {
		t.Errorf("it should stand, its value unknown: %+v", c)
	}
	p.keeps(30, c, alarm.Warm)
	both(30, 33, 20, 18)
	p.told1(alarm.Warm, "raised returned")
	both(33.5, 40, 20, 24)
	if n := p.of(alarm.Warm)[2]; n.Alarm != warmLoft {
		t.Errorf("the floor drives the alarm of the room: %s", n.Alarm)
	}
}

func TestCondensing(t *testing.T) {
	c := byDefault(add("L-1", "hard-wheat", "pail-20l", "cellar", at(-72)))
	p := newPlay(t, c)
	p.air("cellar", -72, 0, 1, steady(9), steady(0.55))
	p.told1(alarm.Condensing, "")
	p.air("cellar", 0.5, 4, 0.5, steady(19), steady(0.85)) // dew point 16.4 °C, the pail at 9 °C
	p.told1(alarm.Condensing, "raised")
	if n := p.of(alarm.Condensing)[0]; n.At.After(at(3)) || !strings.Contains(n.Body, "dehumidifier") {
		t.Errorf("%+v", n)
	}
	p.keeps(4, c, alarm.Condensing)
	for h := 4.5; h < 30; h += 0.5 { // the humidity is not known: it stands
		p.hear(temperature("cellar", "cellar-1", at(h), 19))
		p.tick(h)
	}
	p.told1(alarm.Condensing, "raised")
	p.air("cellar", 30, 60, 0.5, steady(19), steady(0.55))
	p.told1(alarm.Condensing, "raised returned")
}

// TestAgeingTellsOfWarmthThatStays: at 30 °C wheat (80 kJ/mol) ages 2.6409 times
// as fast as at 21 °C (models, section 3.1), so that a week loses a day a day
// once it has been so for 4.3 days.
func TestAgeingTellsOfWarmthThatStays(t *testing.T) {
	c := byDefault(add("L-1", "hard-wheat", "pet-2l", "loft", at(-24*9)))
	p := newPlay(t, c)
	p.air("loft", -24*9, 0, 6, steady(21), nil)
	p.air("loft", 6, 24*6, 6, steady(30), nil)
	p.told1(alarm.Ageing, "raised")
	n := p.of(alarm.Ageing)[0]
	if days := n.At.Sub(at(0)).Hours() / 24; math.Abs(days-7/1.6409) > 0.6 {
		t.Errorf("raised after %.2f days, want about %.2f", days, 7/1.6409)
	}
	if len(n.Costs) != 1 || math.Abs(n.Costs[0].Days-7) > 0.4 {
		t.Errorf("a day a day over a week: %+v", n.Costs)
	}
	p.keeps(24*6, c, alarm.Ageing)
	for h := 24.0 * 6.5; h < 24*14; h += 6 { // silence looks like no cost, and ends nothing
		p.tick(h)
	}
	p.told1(alarm.Ageing, "raised")
	p.air("loft", 24*14, 24*24, 6, steady(20), nil)
	p.told1(alarm.Ageing, "raised returned")
}

func TestHoursOverAddUp(t *testing.T) {
	c := byDefault()
	c.Rules = without(c.Rules, alarm.Warm, alarm.Hot)
	p := newPlay(t, c)
	afternoons := func(h float64) float64 { // 6 hours of each day above 25 °C
		if d := math.Mod(h+240, 24); d >= 12 && d < 18 {
			return 28
		}
		return 18
	}
	p.air("loft", 0, 24*3.5, 0.5, afternoons, nil)
	p.told1(alarm.HoursOver, "") // 24 h of it, not more
	p.air("loft", 24*3.5+0.5, 24*5, 0.5, afternoons, nil)
	p.told1(alarm.HoursOver, "raised")
	if n := p.of(alarm.HoursOver)[0]; !strings.HasPrefix(n.Subject, "Loft: 25 h over 25.0 °C in 7 days") || !n.At.After(at(24*4+12)) {
		t.Errorf("%+v", n)
	}
	p.keeps(24*5, c, alarm.HoursOver)
	for h := 24*5 + 14.0; h < 24*12; h += 6 { // nobody knows what these days were like
		p.tick(h)
	}
	p.told1(alarm.HoursOver, "raised")
	p.air("loft", 24*12, 24*22, 1, steady(18), nil)
	p.told1(alarm.HoursOver, "raised returned")
}

// TestAheadWarnsBeforeTheLimitIsPassed: the loft warms by a kelvin a day.
func TestAheadWarnsBeforeTheLimitIsPassed(t *testing.T) {
	c := byDefault(add("L-1", "hard-wheat", "pet-2l", "loft", at(-24*50)))
	p := newPlay(t, c)
	day := func(h float64) float64 { return 1.5 * math.Sin(2*math.Pi*(h-9)/24) }
	p.air("loft", -24*50, 0, 3, func(h float64) float64 { return 14 + day(h) + 0.6*math.Sin(h/31) }, nil)
	p.told1(alarm.Ahead, "")
	p.air("loft", 3, 24*9, 3, func(h float64) float64 { return 14 + day(h) + h/24 }, nil)
	ahead, warm := p.of(alarm.Ahead), p.of(alarm.Warm)
	if len(ahead) == 0 || len(warm) == 0 || !ahead[0].At.Before(warm[0].At) {
		t.Fatalf("heat is to be told before it comes: %+v", p.told())
	}
	if lead := warm[0].At.Sub(ahead[0].At); lead > 72*time.Hour {
		t.Errorf("told %s before, the window is two days", lead)
	}
	if !strings.Contains(ahead[0].Body, "If it comes, then most likely about ") {
		t.Error(ahead[0].Body)
	}
	p.told1(alarm.Ahead, "raised") // that it has come true is told by the alarm of warmth
	p.state(alarm.Key{Kind: alarm.Ahead, Room: "loft"}, alarm.Normal)
	p.keeps(24*9, c, alarm.Ahead)
}

func TestAheadIsTakenBack(t *testing.T) {
	c := byDefault(add("L-1", "hard-wheat", "pet-2l", "loft", at(-24*50)))
	c.Rules = without(c.Rules, alarm.Hot, alarm.Ageing)
	p := newPlay(t, c)
	p.air("loft", -24*50, 0, 3, func(h float64) float64 { return 17.5 + 2*math.Sin(2*math.Pi*(h-9)/24) + 2.5*math.Sin(h/40) }, nil)
	before := len(p.of(alarm.Ahead))
	p.air("loft", 3, 24*12, 3, func(h float64) float64 { return 20.2 + 0.2*math.Sin(2*math.Pi*(h-9)/24) }, nil)
	raised := len(p.of(alarm.Ahead))
	for h := 24*12 + 14.0; h < 24*14; h += 6 { // nobody speaks, and nothing is taken back
		p.tick(h)
	}
	if len(p.of(alarm.Ahead)) != raised {
		t.Errorf("silence has moved it: %v", p.events(alarm.Ahead))
	}
	p.air("loft", 24*14, 24*22, 3, steady(12), nil)
	all := p.of(alarm.Ahead)
	if raised == before || all[len(all)-1].Event != alarm.Returned {
		t.Errorf("%v, of it %d before", p.events(alarm.Ahead), before)
	}
}
