package engine

import (
	"slices"
	"testing"
	"time"

	"dryhold/internal/alarm"
	"dryhold/internal/catalog"
	"dryhold/internal/lot"
	"dryhold/internal/room"
	"dryhold/internal/sensor"
	"dryhold/internal/sorption"
	"dryhold/internal/unit"
)

// at is an instant some hours into the tests.
func at(hours float64) time.Time {
	return time.Date(2026, time.July, 1, 0, 0, 0, 0, time.UTC).Add(time.Duration(hours * float64(time.Hour)))
}

func exactly(v float64) catalog.Band { return catalog.Band{Low: v, Likely: v, High: v} }

// pantry is a small catalog: two foods and two containers, so that the second
// lot may need exposures the first does not.
func pantry() *catalog.Catalog {
	food := func(id, name string, ea, life float64) catalog.Food {
		return catalog.Food{ID: id, Name: name, Void: exactly(0.4), Modes: []catalog.Mode{
			{Name: "staling", Ea: exactly(ea), Life: exactly(life), LowOxygenGain: exactly(2)},
			{Name: "fading", Ea: exactly(100), Life: exactly(20_000), LowOxygenGain: exactly(1)},
		}}
	}
	rice := food("brown-rice", "Brown rice", 60, 180)
	rice.Isotherm, rice.Moisture = sorption.ModifiedHenderson{K: 1.9187e-5, N: 2.4451, C: 51.161}, catalog.Band{Low: 0.10, Likely: 0.11, High: 0.12}
	rice.Amber, rice.Red, rice.Limit, rice.Species = exactly(0.60), exactly(0.65), "mould", "rice"
	rice.Modes[0].OxygenHalf, rice.Modes[0].ActivityAt = catalog.Band{Low: 0.01, Likely: 0.02, High: 0.04}, exactly(0.4)
	rice.Modes[0].PerTenth, rice.Modes[0].Ea = catalog.Band{Low: 1.1, Likely: 1.3, High: 1.5}, catalog.Band{Low: 50, Likely: 60, High: 70}
	return &catalog.Catalog{
		Reference: room.Reference,
		Foods:     []catalog.Food{rice, food("hard-wheat", "Hard wheat", 80, 11_000)},
		Containers: []catalog.Container{
			{ID: "pail-20l", Name: "20 L pail", Volume: exactly(20), Lag: exactly(10.2)},
			{
				ID: "pet-2l", Name: "2 L PET bottle", Volume: exactly(2), Lag: exactly(2.33), Clear: true, Sealed: true,
				SealFailure: catalog.Band{Low: 0.1, Likely: 0.25, High: 0.6}, WallEa: exactly(32.8),
				OxygenWall: catalog.Band{Low: 0.4, Likely: 0.6, High: 0.8}, OxygenClosure: exactly(0.2),
				WaterWall: catalog.Band{Low: 0.02, Likely: 0.03, High: 0.05}, WaterClosure: exactly(0),
			},
		},
	}
}

// rules of every room: warm above 21 °C for two hours, damp above 60 %,
// silent at once.
func rules(string) map[alarm.Kind]alarm.Rule {
	return map[alarm.Kind]alarm.Rule{
		alarm.Warm:   {Kind: alarm.Warm, Limit: 21, Deadband: 0.5, OnDelay: 2 * time.Hour, OffDelay: time.Hour, Priority: alarm.Medium},
		alarm.Damp:   {Kind: alarm.Damp, Limit: 0.6, Deadband: 0.03, OnDelay: time.Hour, OffDelay: time.Hour, Priority: alarm.High},
		alarm.Silent: {Kind: alarm.Silent, Priority: alarm.Low},
	}
}

func stale(string) time.Duration { return time.Hour }

func config(lots ...lot.Change) Config {
	return Config{
		Site: "larch-house", Zone: time.UTC, Catalog: pantry(), Rules: rules, Stale: stale, Started: at(0), Lots: lots,
		Forecasting: Forecasting{Futures: 3}, // of many days that are played
	}
}

func engineOf(t interface {
	Helper()
	Fatal(...any)
}, c Config) *Engine {
	t.Helper()
	e, err := New(c)
	if err != nil {
		t.Fatal(err)
	}
	return e
}

// add is the change that adds a lot.
func add(id, food, container, in string, packed time.Time) lot.Change {
	return lot.Change{Kind: lot.Added, Lot: id, At: packed, Recorded: packed, Packing: &lot.Packing{
		Food: food, Container: container, Count: 1, NetMassKG: 1, PackedAt: packed,
		Treatment: lot.Treatment{Kind: lot.NoTreatment}, Shading: lot.DarkRoom, Room: in,
	}}
}

func temperature(in, sensor string, when time.Time, v float64) room.Reading {
	return room.Reading{Series: room.Series{Room: in, Sensor: sensor, Quantity: unit.Temperature}, At: when, Value: unit.Temperature.Round(v)}
}

func humidity(in, sensor string, when time.Time, v float64) room.Reading {
	return room.Reading{Series: room.Series{Room: in, Sensor: sensor, Quantity: unit.Humidity}, At: when, Value: unit.Humidity.Round(v)}
}

// play is an engine with what it was told and what it said.
type play struct {
	t          *testing.T
	e          *Engine
	stored     []room.Reading
	notices    []alarm.Notice
	conditions []alarm.Condition // as the store keeps them
	said       []sensor.Change
}

func newPlay(t *testing.T, c Config) *play {
	t.Helper()
	return &play{t: t, e: engineOf(t, c), conditions: slices.Clone(c.Conditions)}
}

// take stores effects as the daemon does.
func (p *play) take(fx Effects) Effects {
	p.notices = append(p.notices, fx.Notices...)
	for _, c := range fx.Conditions {
		i := slices.IndexFunc(p.conditions, func(x alarm.Condition) bool { return x.Key == c.Key })
		if i < 0 {
			p.conditions = append(p.conditions, c)
		} else {
			p.conditions[i] = c
		}
	}
	return fx
}

// hear brings readings at the instant of the newest.
func (p *play) hear(readings ...room.Reading) Effects {
	p.stored = append(p.stored, readings...)
	now := readings[0].At
	for _, r := range readings {
		if r.At.After(now) {
			now = r.At
		}
	}
	return p.take(p.e.Observe(now, readings))
}

// course brings a temperature of the loft every half hour, with a tick after
// each.
func (p *play) course(sensor string, from, to, v float64) {
	for h := from; h <= to; h += 0.5 {
		p.hear(temperature("loft", sensor, at(h), v))
		p.tick(h)
	}
}

func (p *play) tick(h float64) Effects { return p.take(p.e.Tick(at(h))) }

// restart is the daemon after downtime: what was stored and nothing else.
func (p *play) restart(hours float64, lots ...lot.Change) *play {
	p.t.Helper()
	c := config(lots...)
	c.Started, c.Conditions = at(hours), p.conditions
	next := newPlay(p.t, c)
	next.stored = p.stored
	for _, name := range roomsOf(p.stored) {
		refold(next.e, Refold{Room: name}, p.stored, at(hours))
	}
	return next
}

func roomsOf(stored []room.Reading) []string {
	var names []string
	for _, r := range stored {
		names = append(names, r.Room)
	}
	slices.Sort(names)
	return slices.Compact(names)
}

// refold feeds one room again from what is stored, a day at a time.
func refold(e *Engine, f Refold, stored []room.Reading, now time.Time) {
	from := e.Restart(f)
	var days [][]room.Reading
	again := slices.DeleteFunc(slices.Clone(stored), func(r room.Reading) bool { return r.Room != f.Room || r.At.Before(from) })
	slices.SortStableFunc(again, func(a, b room.Reading) int { return a.At.Compare(b.At) })
	last := time.Time{}
	for _, r := range again {
		if d := r.At.Truncate(24 * time.Hour); len(days) == 0 || d.After(last) {
			days, last = append(days, nil), d
		}
		days[len(days)-1] = append(days[len(days)-1], r)
	}
	for _, day := range days {
		e.Feed(f.Room, day, day[len(day)-1].At)
	}
	e.Feed(f.Room, nil, now)
}

// told is a notice without its prose.
type told struct {
	Event   alarm.NoticeEvent
	Alarm   string
	At      time.Time
	Since   time.Time
	Subject string
}

func (p *play) told() []told {
	var out []told
	for _, n := range p.notices {
		out = append(out, told{n.Event, n.Alarm.String(), n.At, n.Since, n.Subject})
	}
	return out
}

func (p *play) keep(readings ...room.Reading) []room.Reading {
	p.stored = append(p.stored, readings...)
	return readings
}
