package engine

import (
	"encoding/json"
	"fmt"
	"math"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"dryhold/internal/alarm"
	"dryhold/internal/lot"
	"dryhold/internal/room"
	"dryhold/internal/unit"
)

func roomNamed(t *testing.T, s *Snapshot, name string) RoomView {
	t.Helper()
	for _, r := range s.Rooms {
		if r.Name == name {
			return r
		}
	}
	t.Fatalf("no room %s", name)
	return RoomView{}
}

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s: got %.10g, want %.10g", what, got, want)
	}
}

func TestRoomWithoutReadingsIsUnknown(t *testing.T) {
	c := config(add("L-1", "hard-wheat", "pet-2l", "cellar", at(-48)))
	c.Rooms = []string{"cellar"}
	s := engineOf(t, c).Snapshot(at(0))
	want := RoomView{Name: "cellar", WarmLimit: 21, DampLimit: 0.6, LotCount: 1}
	if d := cmp.Diff([]RoomView{want}, s.Rooms); d != "" {
		t.Errorf("room (-want +got):\n%s", d)
	}
	l := s.Lots[0]
	if l.UnknownDays != 2 || !(l.Remaining.Low < l.Remaining.Likely && l.Remaining.Likely < 1 && l.Remaining.Likely < l.Remaining.High) {
		t.Errorf("two unknown days count, with their spread: %+v", l)
	}
	if _, err := json.Marshal(s); err != nil {
		t.Errorf("the state has no JSON: %v", err)
	}
}

func TestLotInARoomThatNeverSpokeIsUnknown(t *testing.T) {
	e := engineOf(t, config(add("L-1", "hard-wheat", "pet-2l", "shed", at(-24))))
	if l := e.Snapshot(at(0)).Lots[0]; l.UnknownDays != 1 {
		t.Errorf("%+v", l)
	}
}

func TestValuesGoUnknownWhenStale(t *testing.T) {
	p := newPlay(t, config())
	p.hear(temperature("loft", "a", at(0), 25), humidity("loft", "a", at(0), 0.5))
	f := func(h float64, want Value, known bool) {
		t.Helper()
		r := roomNamed(t, p.e.Snapshot(at(h)), "loft")
		if d := cmp.Diff(want, r.Temperature); d != "" {
			t.Errorf("at %g h (-want +got):\n%s", h, d)
		}
		if r.Humidity.Known != known || r.DewPoint.Known != known || r.Acceleration.Known != known {
			t.Errorf("at %g h: humidity %+v, dew point %+v, ageing %+v", h, r.Humidity, r.DewPoint, r.Acceleration)
		}
		if r.Illuminance != (Value{}) {
			t.Errorf("light was never measured: %+v", r.Illuminance)
		}
	}
	f(0.5, Value{true, 25, at(0)}, true)
	f(1, Value{true, 25, at(0)}, true) // the stale limit itself still holds
	f(1.01, Value{false, 25, at(0)}, false)
}

func TestDerivedValues(t *testing.T) {
	p := newPlay(t, config())
	for h := -24.0; h <= 0; h += 0.5 {
		p.hear(temperature("loft", "a", at(h), 25), humidity("loft", "a", at(h), 0.5))
	}
	r := roomNamed(t, p.e.Snapshot(at(0)), "loft")
	// 25 °C, 50 %: dew point 13.864 °C, the 30-point table of models section
	// 1.2, computed with npm psychrolib 1.1.1.
	near(t, "dew point", r.DewPoint.Value, 13.864, 0.02)
	// 25 °C against 21 °C at 80 kJ/mol: 1.5509, models section 3.1.
	near(t, "ageing", r.Acceleration.Value, 1.5509, 5e-5)
	near(t, "coverage", r.Coverage24h, 1, 1e-9)
	if r.MeanKinetic.Known {
		t.Errorf("one day of thirty is no mean: %+v", r.MeanKinetic)
	}
	for h := 0.5; h <= 16*24; h += 0.5 {
		p.hear(temperature("loft", "a", at(h), 25))
	}
	r = roomNamed(t, p.e.Snapshot(at(16*24)), "loft")
	if !r.MeanKinetic.Known || !r.MeanKinetic.At.Equal(at(16*24)) {
		t.Errorf("mean kinetic temperature: %+v", r.MeanKinetic)
	}
	near(t, "mean kinetic temperature of steady air", r.MeanKinetic.Value, 25, 1e-6)
}

func TestSensorsOfARoomAreAveraged(t *testing.T) {
	p := newPlay(t, config())
	p.hear(temperature("loft", "a", at(0), 20), temperature("loft", "b", at(0.5), 24), temperature("loft", "c", at(-2), 60))
	s := p.e.Snapshot(at(0.75))
	if got, want := roomNamed(t, s, "loft").Temperature, (Value{true, 22, at(0.5)}); got != want { // c is stale
		t.Errorf("got %+v, want %+v", got, want)
	}
	want := []SensorView{
		{Name: "a", Room: "loft", LastSeen: at(0), StaleSeconds: 3600, State: Speaking, Temperature: Value{true, 20, at(0)}},
		{Name: "b", Room: "loft", LastSeen: at(0.5), StaleSeconds: 3600, State: Speaking, Temperature: Value{true, 24, at(0.5)}},
		{Name: "c", Room: "loft", LastSeen: at(-2), StaleSeconds: 3600, Silent: true, State: Quiet, Temperature: Value{false, 60, at(-2)}},
	}
	if d := cmp.Diff(want, s.Sensors); d != "" {
		t.Errorf("sensors (-want +got):\n%s", d)
	}
}

func TestSensorIsSeenByItsNewestQuantity(t *testing.T) {
	p := newPlay(t, config())
	p.hear(temperature("loft", "a", at(0), 20))
	p.hear(humidity("loft", "a", at(2), 0.5))
	s := p.e.Snapshot(at(2.5))
	want := []SensorView{{
		Name: "a", Room: "loft", LastSeen: at(2), StaleSeconds: 3600, State: Speaking,
		Temperature: Value{false, 20, at(0)}, Humidity: Value{true, 0.5, at(2)},
	}}
	if !cmp.Equal(s.Sensors, want) {
		t.Errorf("sensors %+v, want %+v", s.Sensors, want)
	}
	if r := roomNamed(t, s, "loft"); r.Temperature.Known || !r.Humidity.Known {
		t.Errorf("temperature %+v, humidity %+v", r.Temperature, r.Humidity)
	}
}

func TestSnapshotOrder(t *testing.T) {
	finished := lot.Change{Kind: lot.Ended, Lot: "L-1", At: at(-10), Recorded: at(-10)}
	p := newPlay(t, config(
		add("L-1", "brown-rice", "pet-2l", "loft", at(-500)), finished,
		add("L-2", "hard-wheat", "pet-2l", "loft", at(-400)),
		add("L-3", "brown-rice", "pet-2l", "loft", at(-300)),
		add("L-4", "brown-rice", "pet-2l", "cellar", at(-450)),
	))
	spell := func(in string, from, to, t, rh float64) {
		for h := from; h <= to; h += 0.5 {
			p.hear(temperature(in, in+"-1", at(h), t), humidity(in, in+"-1", at(h), rh))
		}
	}
	spell("attic", 0, 3, 30, 0.5)  // warm, to be acknowledged
	spell("cellar", 0, 3, 30, 0.7) // warm and damp
	spell("loft", 0, 3, 30, 0.5)
	spell("loft", 3.5, 6, 18, 0.5) // warm, back at 4:30
	spell("attic", 3.5, 6, 30, 0.5)
	spell("cellar", 3.5, 6, 30, 0.7)
	if _, err := p.acknowledge(6, alarm.Key{Kind: alarm.Warm, Room: "attic"}, "Ada"); err != nil {
		t.Fatal(err)
	}
	s := p.e.Snapshot(at(6))
	var rooms, lots, alarms []string
	for _, r := range s.Rooms {
		rooms = append(rooms, r.Name)
	}
	for _, l := range s.Lots {
		lots = append(lots, l.ID)
	}
	for _, a := range s.Alarms {
		alarms = append(alarms, a.Key.String()+" "+string(a.State))
	}
	f := func(what string, got []string, want ...string) {
		t.Helper()
		if d := cmp.Diff(want, got); d != "" {
			t.Errorf("%s (-want +got):\n%s", what, d)
		}
	}
	f("rooms by name", rooms, "attic", "cellar", "loft")
	f("lots by what is left, finished ones last", lots, "L-4", "L-3", "L-2", "L-1")
	f("alarms by what wants a person, then priority", alarms,
		"damp/cellar active unacknowledged", "warm/cellar active unacknowledged", "warm/loft returned unacknowledged", "warm/attic active acknowledged")
}

func TestCautionsOfFoodAndPackingAreJoined(t *testing.T) {
	c := add("L-1", "hard-wheat", "pet-2l", "loft", at(-24))
	c.Packing.Treatment, c.Packing.MoistureWB = lot.Treatment{Kind: lot.Absorber, CapacityCM3: 300}, 0.14
	f := func(food, want string) {
		t.Helper()
		cfg := config(c, add("L-2", "hard-wheat", "pet-2l", "loft", at(-24)))
		cfg.Catalog.Foods[1].Caution = food
		s := engineOf(t, cfg).Snapshot(at(0))
		for _, l := range s.Lots {
			if got := l.Caution; l.ID == "L-1" && got != want || l.ID == "L-2" && got != food {
				t.Errorf("%s: %q", l.ID, got)
			}
		}
	}
	f("", c.Packing.Caution())
	f("Contains gluten.", "Contains gluten. "+c.Packing.Caution())
}

func TestAlarmShown(t *testing.T) {
	p := newPlay(t, config(add("L-1", "hard-wheat", "pet-2l", "loft", at(-24))))
	p.course("loft-1", -24, 1.5, 20)
	p.course("loft-1", 2, 6, 30)
	p.course("loft-1", 6.5, 7, 28)
	s := p.e.Snapshot(at(7))
	if len(s.Alarms) != 1 {
		t.Fatalf("%d alarms", len(s.Alarms))
	}
	a := s.Alarms[0]
	if len(a.Costs) != 1 || a.Costs[0].Lot != "L-1" || !(a.Costs[0].Days > 0) {
		t.Fatalf("costs %+v", a.Costs)
	}
	a.Costs = nil
	want := AlarmView{
		Key: warmLoft, State: alarm.ActiveUnacknowledged, Priority: alarm.Medium, Since: at(2), Value: 28, Peak: 30, Limit: 21,
		Spell: "1/20260701T040000Z", Active: true,
		Text: "Loft too warm: 28.0 °C, up to 0.2 days of life lost",
	}
	if d := cmp.Diff(want, a); d != "" {
		t.Errorf("alarm (-want +got):\n%s", d)
	}
}

// TestSnapshotIsNotTheEnginesOwn: what was published stays as it was.
func TestSnapshotIsNotTheEnginesOwn(t *testing.T) {
	p := newPlay(t, config(add("L-1", "hard-wheat", "pet-2l", "loft", at(-24))))
	p.course("loft-1", 0, 5, 30)
	s := p.e.Snapshot(at(5))
	before, err := json.Marshal(s)
	if err != nil {
		t.Fatal(err)
	}
	p.course("loft-1", 5.5, 60, 15)
	if _, err := p.e.ChangeLot(lot.Change{Kind: lot.Moved, Lot: "L-1", Room: "cellar", At: at(50), Recorded: at(50)}); err != nil {
		t.Fatal(err)
	}
	after, err := json.Marshal(s)
	if err != nil {
		t.Fatal(err)
	}
	if string(before) != string(after) {
		t.Error("a published state has changed")
	}
}

// BenchmarkReadingWith500Lots is what one message costs until the state of all
// lots, alarms and rooms is ready to be published, without the commit.
func BenchmarkReadingWith500Lots(b *testing.B) {
	var lots []lot.Change
	for i := range 500 {
		c := add("", []string{"hard-wheat", "brown-rice"}[i%2], []string{"pail-20l", "pet-2l"}[i/2%2], []string{"loft", "cellar"}[i/4%2], at(-24*30))
		c.Lot = fmt.Sprintf("L-%d", i+1)
		lots = append(lots, c)
	}
	c := config(lots...)
	c.Rooms = []string{"cellar", "loft"}
	e := engineOf(b, c)
	when := at(-24 * 30)
	next := func() {
		when = when.Add(time.Minute)
		e.Observe(when, []room.Reading{temperature("loft", "a", when, 30), {Series: room.Series{Room: "loft", Sensor: "a", Quantity: unit.Humidity}, At: when, Value: 0.5}})
	}
	for range 24 * 60 {
		next()
	}
	b.ReportAllocs()
	for b.Loop() {
		next()
		e.Tick(when)
		if s := e.Snapshot(when); len(s.Lots) != 500 {
			b.Fatal(len(s.Lots))
		}
	}
}
