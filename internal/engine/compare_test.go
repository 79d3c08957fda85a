package engine

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"dryhold/internal/forecast"
	"dryhold/internal/lot"
	"dryhold/internal/review"
	"dryhold/internal/room"
	"dryhold/internal/sensor"
)

// comparedYear is a house whose loft follows the yard by the hour, 4 K warmer,
// and whose cellar is at 15 °C, for 14 months; of the cellar April and May are
// missing.
func comparedYear(t *testing.T) (*Engine, time.Time) {
	t.Helper()
	start := time.Date(2025, 11, 20, 0, 0, 0, 0, time.UTC)
	end := start.AddDate(1, 2, 0)
	c := config(add("L-1", "hard-wheat", "pail-20l", "loft", end.AddDate(0, 0, -9)), add("L-2", "brown-rice", "pet-2l", "cellar", end.AddDate(0, 0, -9)))
	c.Started, c.Rooms, c.Forecasting.Outdoors = start, []string{"cellar", "loft", "yard"}, "yard"
	e := engineOf(t, c)
	for _, name := range c.Rooms {
		var readings []room.Reading
		for at := start; !at.After(end); at = at.Add(time.Hour) {
			h := at.Sub(start).Hours()
			v := 12 - 10*math.Cos(2*math.Pi*(h/24-60)/365.25) + 4*math.Sin(2*math.Pi*h/24)
			switch name {
			case "loft":
				v += 4
			case "cellar":
				if v = 15; at.Month() == time.April || at.Month() == time.May {
					continue
				}
			}
			readings = append(readings, temperature(name, "a", at, v), humidity(name, "a", at, 0.45))
		}
		refold(e, Refold{Room: name}, readings, end)
	}
	return e, end
}

func compared(t interface {
	Helper()
	Fatal(args ...any)
}, e *Engine, now time.Time) (Comparison, []review.AirRoom) {
	t.Helper()
	c, err := e.Compare(now, time.Time{}, time.Time{})
	if err != nil {
		t.Fatal(err)
	}
	outdoors := e.AirOutdoors(c)
	var rooms []review.AirRoom
	for _, name := range c.Rooms {
		rooms = append(rooms, e.AirOf(c, name, outdoors))
	}
	return c, rooms
}

// TestComparedDaysAreTheLedgers: what days are told to have exposed adds up to
// what the ledger has for the whole time, in zones that begin their days within
// an hour too; and a year is what its hours are.
func TestComparedDaysAreTheLedgers(t *testing.T) {
	zurich, err := time.LoadLocation("Europe/Zurich")
	if err != nil {
		t.Fatal(err)
	}
	e, end := comparedYear(t)
	for _, zone := range []*time.Location{time.UTC, zurich, time.FixedZone("half", 5*3600+1800)} {
		e.cfg.Zone = zone
		c, rooms := compared(t, e, end)
		for i, r := range rooms {
			ledger := e.find(c.Rooms[i]).ledger
			for _, k := range c.Keys {
				sum := 0.0
				for _, d := range r.Ageing[k] {
					sum += d
				}
				if want := float64(ledger.Between(k.Lag, k.Ea, end.AddDate(-3, 0, 0), end).Days); math.Abs(sum-want) > 1e-9*want {
					t.Errorf("%s in %v: days add up to %v, the ledger has %v", r.Name, zone, sum, want)
				}
			}
			hours, exposure := 0, 0.0
			for _, d := range r.Days {
				hours, exposure = hours+d.Hours, exposure+d.Ageing
			}
			if want := int(end.Sub(c.First) / time.Hour); hours != want && hours != want+1 {
				t.Errorf("%s in %v: %d hours, want %d", r.Name, zone, hours, want)
			}
			if r.Name == "cellar" {
				continue
			}
			if want := float64(ledger.Between(0, room.AirEa, c.First, end).Days); math.Abs(exposure-want) > 1e-9*want {
				t.Errorf("%s in %v: exposure of the air %v, want %v", r.Name, zone, exposure, want)
			}
			got := review.SeasonsOf(r)
			i := slices.IndexFunc(got.Years, func(y review.SeasonAir) bool { return y.Year == 2026 })
			from := time.Date(2025, 12, 1, 0, 0, 0, 0, zone)
			whole := float64(ledger.Between(0, room.AirEa, from.Add(59*time.Minute).Truncate(time.Hour), from.AddDate(1, 0, 0).Add(59*time.Minute).Truncate(time.Hour)).Days)
			sum := 0.0
			for _, s := range got.Seasons {
				if s.Year == 2026 {
					sum += s.Exposure
				}
			}
			if y := got.Years[i]; math.Abs(y.Exposure-whole) > 1e-9*whole || math.Abs(sum-whole) > 1e-9*whole || y.Partial {
				t.Errorf("%s in %v: the year %v, its seasons %v, the ledger %v", r.Name, zone, y.Exposure, sum, whole)
			}
		}
	}
}

// TestCompareAHouse: the loft is cool in winter and hot in summer, and of the
// cellar too little is known in spring.
func TestCompareAHouse(t *testing.T) {
	e, end := comparedYear(t)
	c, rooms := compared(t, e, end)
	got := review.BestRooms(c.Lots, rooms)
	if len(got) != 2 || got[0].Lot != "L-1" || got[0].Mode != "staling" {
		t.Fatalf("%+v", got)
	}
	best := func(l review.LotRooms) string {
		var out []string
		for _, s := range l.Seasons {
			out = append(out, s.Best)
		}
		return strings.Join(out, " ")
	}
	if got := best(got[0]); got != "loft loft cellar cellar" {
		t.Errorf("from the loft: %s", got)
	}
	if got := best(got[1]); got != "loft cellar cellar cellar" {
		t.Errorf("from the cellar: %s", got)
	}
	if got[0].Advice != review.AdviceSeasons || got[0].Known != 4 || got[1].Known != 3 {
		t.Errorf("advice %s, seasons known %d and %d", got[0].Advice, got[0].Known, got[1].Known)
	}
	if spring := got[0].Seasons[review.MarMay].Rooms[0]; spring.Room != "cellar" || spring.Rate != nil || spring.Not != review.NotMeasured || math.Abs(spring.Coverage-31.0/92) > 0.02 {
		t.Errorf("the cellar in spring: %+v", spring)
	}
	s := review.SeasonsOf(rooms[1])
	summer := s.Seasons[slices.IndexFunc(s.Seasons, func(x review.SeasonAir) bool { return x.Season == "Jun-Aug" })]
	if summer.DegreeDays == nil || summer.PerDegreeDay == nil || summer.Above == 0 {
		t.Errorf("the summer in the loft: %+v", summer)
	}
	// The yard against itself by the hour.
	want := 0.0
	for at, slot := range e.find("yard").ledger.Hours(time.Date(2026, 6, 1, 0, 0, 0, 0, time.UTC), time.Date(2026, 9, 1, 0, 0, 0, 0, time.UTC)) {
		_ = at
		want += max(0, float64(slot.TempMean)-21) / 24
	}
	if math.Abs(*summer.DegreeDays-want) > 1e-9 {
		t.Errorf("degree-days %v, want %v", *summer.DegreeDays, want)
	}
}

// TestCompareWithin: days asked for are those told; without an outdoor room
// nothing is divided.
func TestCompareWithin(t *testing.T) {
	e, end := comparedYear(t)
	from := time.Date(2026, 6, 1, 0, 0, 0, 0, time.UTC)
	c, err := e.Compare(end, from, from.AddDate(0, 3, 0))
	if err != nil || !c.First.Equal(from) || !c.End.Equal(from.AddDate(0, 3, 0)) {
		t.Fatalf("%v to %v: %v", c.First, c.End, err)
	}
	if r := e.AirOf(c, "loft", e.AirOutdoors(c)); len(r.Days) != 92 || r.Days[0].Known != 24 || r.Days[91].Hours != 24 || r.Days[0].Both != 24 {
		t.Errorf("%d days", len(r.Days))
	}
	e.cfg.Forecasting = Forecasting{Outdoors: "elsewhere", Normals: func(string) *forecast.Normals { return nil }}
	c, err = e.Compare(end, from, time.Time{})
	if err != nil || c.Outdoors != "" || e.AirOutdoors(c) != nil {
		t.Errorf("outdoors %q, %v", c.Outdoors, err)
	}
	if s := review.SeasonsOf(e.AirOf(c, "loft", nil)); s.Seasons[0].DegreeDays != nil || s.Seasons[0].Mean == nil {
		t.Errorf("%+v", s.Seasons[0])
	}
	if r := e.AirOf(c, "nowhere", nil); len(r.Days) != 0 {
		t.Error("days of no room")
	}
	empty := engineOf(t, config())
	if c, rooms := compared(t, empty, at(5)); len(rooms) != len(c.Rooms) || len(review.BestRooms(c.Lots, rooms)) != 0 {
		t.Error("of an empty house")
	}
}

// TestPlacedIsNeverHavingBeenThere: what a sensor read while it was carried
// about leaves the state of its room as if it had not been there.
func TestPlacedIsNeverHavingBeenThere(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		all := drawCourse(t)
		end := all[len(all)-1].At.Add(time.Hour)
		from := rapid.Float64Range(0, end.Sub(at(0)).Hours()-0.1).Draw(t, "from")
		c := sensor.Change{Kind: sensor.Placed, Seq: 1, Room: "loft", Sensor: "a", Recorded: end, Place: "top shelf", From: at(from), To: at(from + rapid.Float64Range(0.5, 30).Draw(t, "for"))}
		if c.To.After(end) {
			c.To = end // from then on it is shown as back
		}
		placed := func(r room.Reading) bool { return r.Sensor == "a" && !r.At.Before(c.From) && r.At.Before(c.To) }
		if !slices.ContainsFunc(all, func(r room.Reading) bool { return r.Sensor == "a" && !placed(r) }) {
			return // one that was never elsewhere is still one that was heard
		}
		twins(t, func(cfg *Config) []room.Reading {
			cfg.Sensors = []sensor.Change{c}
			return all
		}, func(*Config) []room.Reading { return slices.DeleteFunc(slices.Clone(all), placed) }, end)
	})
}

func TestCheckPlace(t *testing.T) {
	p := newPlay(t, config())
	p.hear(temperature("loft", "a", at(0), 20), temperature("cellar", "b", at(0), 15))
	f := func(want string, change func(c *sensor.Change)) {
		t.Helper()
		c := sensor.Change{Kind: sensor.Placed, Seq: 1, Room: "loft", Sensor: "a", Recorded: at(1), From: at(0), Place: "floor", In: "cellar"}
		change(&c)
		if err := p.e.CheckSensor(c); want == "" && err != nil || want != "" && (err == nil || !strings.Contains(err.Error(), want)) {
			t.Errorf("%+v: %v, want %q", c, err, want)
		}
	}
	f("", func(*sensor.Change) {})
	f(`no room "celar": did you mean "cellar"?`, func(c *sensor.Change) { c.In = "celar" })
	f(`no sensor "c"`, func(c *sensor.Change) { c.Sensor = "c" })
}

// TestPlaceIsShown: the view of a sensor says where it stands.
func TestPlaceIsShown(t *testing.T) {
	p := newPlay(t, config())
	p.hear(temperature("loft", "a", at(0), 20), temperature("loft", "b", at(0), 20))
	if _, err := p.e.ChangeSensor(sensor.Change{Kind: sensor.Placed, Seq: 1, Room: "loft", Sensor: "a", Recorded: at(1), From: at(0.5), Place: "floor"}); err != nil {
		t.Fatal(err)
	}
	for _, v := range p.e.Snapshot(at(1)).Sensors {
		if want := map[string]string{"a": "floor in loft", "b": " in "}[v.Name]; v.Place+" in "+v.PlaceRoom != want {
			t.Errorf("%s is shown at %q in %q", v.Name, v.Place, v.PlaceRoom)
		}
	}
}

// BenchmarkCompare10y compares eight rooms with ten years of hours behind them,
// which for want of memory are one ledger under eight names, for 500 lots.
func BenchmarkCompare10y(b *testing.B) {
	end := time.Date(2026, 7, 1, 0, 0, 0, 0, time.UTC)
	start := end.AddDate(-10, 0, 0)
	var names []string
	for i := range 8 {
		names = append(names, fmt.Sprint("room-", i))
	}
	var lots []lot.Change
	for i := range 500 {
		c := add(fmt.Sprint("L-", i+1), []string{"hard-wheat", "brown-rice"}[i%2], []string{"pail-20l", "pet-2l"}[i/2%2], names[i/4%8], end.AddDate(0, 0, -9))
		c.Packing.PerCarton = i % 7 // lags of their own
		lots = append(lots, c)
	}
	c := config(lots...)
	c.Started, c.Rooms, c.Forecasting.Outdoors = start, names, names[7]
	e := engineOf(b, c)
	var readings []room.Reading
	for at := start; !at.After(end); at = at.Add(time.Hour) {
		h := at.Sub(start).Hours()
		readings = append(readings, temperature(names[0], "a", at, 18+8*math.Sin(2*math.Pi*h/8766)+3*math.Sin(2*math.Pi*h/24)), humidity(names[0], "a", at, 0.45))
	}
	refold(e, Refold{Room: names[0]}, readings, end)
	for _, r := range e.rooms {
		r.ledger = e.find(names[0]).ledger
	}
	e.mustWorkOut(end)
	b.ReportAllocs()
	for b.Loop() {
		c, rooms := compared(b, e, end)
		if l := review.BestRooms(c.Lots, rooms); len(l) != 500 || l[0].Known != 4 {
			b.Fatal(len(l))
		}
		for _, r := range rooms {
			if s := review.SeasonsOf(r); len(s.Years) < 10 {
				b.Fatal(len(s.Years))
			}
		}
		b.ReportMetric(float64(len(c.Keys)), "keys")
	}
}
