package engine

import (
	"errors"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"dryhold/internal/alarm"
	"dryhold/internal/lot"
	"dryhold/internal/room"
	"dryhold/internal/sensor"
	"dryhold/internal/unit"
)

// faultRules are the rules of the tests with those of faults.
func faultRules(string) map[alarm.Kind]alarm.Rule {
	out := rules("")
	for _, r := range []alarm.Rule{
		{Kind: alarm.Stuck, Limit: 48 * 3600, Priority: alarm.Low},
		{Kind: alarm.Spike, Limit: 5, Deadband: 1, OffDelay: 6 * time.Hour, Priority: alarm.Low},
		{Kind: alarm.Drift, Limit: 1, Deadband: 0.3, Priority: alarm.Low},
		{Kind: alarm.Disagree, Limit: 2, Deadband: 0.5, OnDelay: 3 * time.Hour, OffDelay: 2 * time.Hour, Priority: alarm.Low},
		{Kind: alarm.LowBattery, Limit: 0.15, Deadband: 0.05, OnDelay: 2 * time.Hour, Priority: alarm.Low},
		{Kind: alarm.CalibrationDue, Priority: alarm.Low},
	} {
		out[r.Kind] = r
	}
	return out
}

func faulty() Config {
	c := config()
	c.Rules = faultRules
	return c
}

func battery(in, sensor string, when time.Time, v float64) room.Reading {
	return room.Reading{Series: room.Series{Room: in, Sensor: sensor, Quantity: unit.Battery}, At: when, Value: v}
}

// every plays half hours with a tick after each: readings of an instant, given
// its hour.
func (p *play) every(from, to float64, readings func(h float64) []room.Reading) {
	for h := from; h <= to; h += 0.5 {
		if rs := readings(h); len(rs) > 0 {
			p.hear(rs...)
		}
		p.tick(h)
	}
}

// say tells a change of a sensor of the loft, and folds again what it asks for.
func (p *play) say(now float64, c sensor.Change) Effects {
	p.t.Helper()
	c.Seq, c.Recorded, c.By = p.e.NextSensorChange(), at(now), "Ada"
	if c.Kind != sensor.Revoked {
		c.Room = "loft"
	}
	if err := p.e.CheckSensor(c); err != nil {
		p.t.Fatal(err)
	}
	fx, err := p.e.ChangeSensor(c)
	if err != nil {
		p.t.Fatal(err)
	}
	p.said = append(p.said, c)
	p.take(fx)
	for _, f := range fx.Refold {
		refold(p.e, f, p.stored, at(now))
	}
	return fx
}

// again is the daemon started anew from what is stored.
func (p *play) again(hours float64) *play {
	c := faulty()
	c.Started, c.Conditions, c.Sensors = at(hours), slices.Clone(p.conditions), p.said
	next := newPlay(p.t, c)
	next.stored, next.said = p.stored, p.said
	for _, name := range roomsOf(p.stored) {
		refold(next.e, Refold{Room: name}, p.stored, at(hours))
	}
	return next
}

func (p *play) subjects() []string {
	var out []string
	for _, n := range p.notices {
		out = append(out, n.Subject)
	}
	return out
}

func (p *play) wantSubjects(want ...string) {
	p.t.Helper()
	if d := cmp.Diff(want, p.subjects()); d != "" {
		p.t.Errorf("subjects (-want +got):\n%s", d)
	}
}

func ofSensor(kind alarm.Kind, sensor string) alarm.Key {
	return alarm.Key{Kind: kind, Room: "loft", Sensor: sensor}
}

func TestStuckSensor(t *testing.T) {
	p := newPlay(t, faulty())
	same := func(h float64) []room.Reading { return []room.Reading{temperature("loft", "a", at(h), 18)} }
	p.every(0, 47, same)
	p.wantSubjects()
	p = p.again(47) // the time so far is not lost
	p.every(47.5, 60, same)
	p.wantSubjects("Loft: sensor a stuck for 2 days 1 h")
	if c := p.state(ofSensor(alarm.Stuck, "a"), alarm.ActiveUnacknowledged); !c.Since.Equal(at(0)) {
		t.Errorf("since %v, want the first reading of the run", c.Since)
	}
	if f := p.e.Snapshot(at(60)).Sensors[0].Faults; len(f) != 1 || f[0].Kind != alarm.Stuck || !f[0].Since.Equal(at(0)) {
		t.Errorf("faults shown: %+v", f)
	}
	// Silence is no recovery.
	p.every(60.5, 80, func(float64) []room.Reading { return nil })
	p.state(ofSensor(alarm.Stuck, "a"), alarm.ActiveUnacknowledged)
	p.hear(temperature("loft", "a", at(80.5), 18.1))
	p.tick(81)
	p.state(ofSensor(alarm.Stuck, "a"), alarm.ReturnedUnack)
	if got := p.subjects(); got[len(got)-1] != "Loft: sensor a moves again" {
		t.Errorf("%q", got)
	}
}

func TestSpikeRaisesItsOwnAlarmAndNoOther(t *testing.T) {
	c := faulty()
	c.Rules = func(string) map[alarm.Kind]alarm.Rule {
		r := faultRules("")
		warm := r[alarm.Warm]
		warm.OnDelay = 0 // the hardest case
		r[alarm.Warm] = warm
		return r
	}
	p := newPlay(t, c)
	ten := func(from float64, values ...float64) {
		for i, v := range values {
			when := at(from).Add(time.Duration(i) * 10 * time.Minute)
			p.hear(temperature("loft", "a", when, v), temperature("loft", "b", when, 18))
			p.take(p.e.Tick(when))
		}
	}
	ten(0, 18, 18.1, 45, 18, 18.2)
	p.wantSubjects("Loft: sensor a jumped by 26.9 K")
	k := p.state(ofSensor(alarm.Spike, "a"), alarm.ActiveUnacknowledged)
	if !k.Since.Equal(at(0).Add(20*time.Minute)) || math.Abs(k.Peak-26.9) > 1e-9 {
		t.Errorf("since %v, %g K", k.Since, k.Peak)
	}
	// It does not vanish: it is in the fold until a person voids it.
	if e := p.e.Exposure("loft", 0, room.AirEa, at(0), at(0.6)); e.Days <= 0 {
		t.Errorf("exposure %+v", e)
	}
	before := p.e.Exposure("loft", 0, room.AirEa, at(0), at(0.6)).Days
	p.say(1, sensor.Change{Kind: sensor.Voided, Sensor: "a", From: at(0.33), To: at(0.34), Note: "a jump"})
	if after := p.e.Exposure("loft", 0, room.AirEa, at(0), at(0.6)).Days; !(after < before) {
		t.Errorf("voided, the jump still counts: %g, before %g", after, before)
	}

	// A room that does get hot is told of at the second reading, from the first.
	p.notices = nil
	ten(2, 18, 45, 46)
	if len(p.notices) != 1 || p.notices[0].Alarm != warmLoft || !p.notices[0].Since.Equal(at(2).Add(10*time.Minute)) {
		t.Errorf("%+v", p.told())
	}
	// So is the last word of a sensor that then falls silent.
	p = newPlay(t, c)
	p.hear(temperature("loft", "a", at(0), 18))
	p.hear(temperature("loft", "a", at(0.2), 60))
	p.tick(0.3)
	p.wantSubjects()
	p.tick(0.75)
	if len(p.notices) != 1 || p.notices[0].Alarm != warmLoft || !p.notices[0].Since.Equal(at(0.2)) {
		t.Errorf("%+v", p.told())
	}
}

func TestSpikeAlarmEndsAfterQuietReadingsOnly(t *testing.T) {
	p := newPlay(t, faulty())
	for i, v := range []float64{18, 30, 18} {
		p.hear(temperature("loft", "a", at(float64(i)/6), v))
	}
	key := ofSensor(alarm.Spike, "a")
	p.state(key, alarm.ActiveUnacknowledged)
	p.every(1, 5, func(h float64) []room.Reading { return []room.Reading{temperature("loft", "a", at(h), 18)} })
	p.every(5.5, 30, func(float64) []room.Reading { return nil }) // silence is no steadiness
	p.state(key, alarm.ActiveUnacknowledged)
	p.every(30.5, 37, func(h float64) []room.Reading { return []room.Reading{temperature("loft", "a", at(h), 18)} })
	p.state(key, alarm.ReturnedUnack)
}

func TestDisagreement(t *testing.T) {
	p := newPlay(t, faulty())
	two := func(a, b float64) func(h float64) []room.Reading {
		return func(h float64) []room.Reading {
			return []room.Reading{temperature("loft", "a", at(h), a+0.01*math.Mod(h, 7)), temperature("loft", "b", at(h), b+0.01*math.Mod(h, 7))}
		}
	}
	key := ofSensor(alarm.Disagree, "b")
	p.every(0, 5, two(14, 15.5))
	p.every(5.5, 7, two(14, 18)) // the sun for an hour
	p.every(7.5, 12, two(14, 15.5))
	p.wantSubjects()
	p.every(12.5, 17, two(14, 16.5))
	p.wantSubjects("Loft: sensor b is 2.5 K off the others") // one alarm for the two
	p.state(key, alarm.ActiveUnacknowledged)
	if v := roomNamed(t, p.e.Snapshot(at(17)), "loft"); v.Disagree != 2.5 {
		t.Errorf("shown to be %g K apart", v.Disagree)
	}
	p = p.again(17)
	// One of them silent: nobody knows, it stands.
	p.every(17.5, 30, func(h float64) []room.Reading { return two(14, 0)(h)[:1] })
	if c := p.state(key, alarm.ActiveUnacknowledged); !c.Unknown {
		t.Errorf("it is not known now: %+v", c)
	}
	p.every(30.5, 35, two(14, 14.5))
	p.state(key, alarm.ReturnedUnack)
}

func TestSwapEndsWhatStandsAgainstTheOldSensor(t *testing.T) {
	p := newPlay(t, faulty())
	p.every(0, 10, func(h float64) []room.Reading {
		return []room.Reading{temperature("loft", "a", at(h), 18+0.01*h), temperature("loft", "b", at(h), 20.5+0.01*h), battery("loft", "b", at(h), 0.1)}
	})
	onlyA := func(h float64) []room.Reading { return []room.Reading{temperature("loft", "a", at(h), 18+0.01*h)} }
	p.every(10.5, 14, onlyA) // b falls silent
	for _, k := range []alarm.Kind{alarm.Disagree, alarm.LowBattery, alarm.Silent} {
		p.state(ofSensor(k, "b"), alarm.ActiveUnacknowledged)
	}
	p.notices = nil
	p.say(14, sensor.Change{Kind: sensor.Swapped, Sensor: "b", From: at(13.9), New: "c"})
	for _, k := range []alarm.Kind{alarm.Disagree, alarm.LowBattery, alarm.Silent} {
		if c := p.state(ofSensor(k, "b"), alarm.Normal); c.Active {
			t.Errorf("%s is still active", k)
		}
	}
	p.wantSubjects() // who replaced it knows
	s := p.e.Snapshot(at(14)).Sensors
	if len(s) != 3 || s[1].State != Retired || s[1].Silent || len(s[1].Faults) != 0 || s[2].Name != "c" || s[2].State != Awaited {
		t.Errorf("sensors: %+v", s)
	}
	// What is in a drawer raises nothing, and the new one has to speak.
	p.every(14.5, 24, func(h float64) []room.Reading {
		return append(onlyA(h), temperature("loft", "b", at(h), 60), battery("loft", "b", at(h), 0))
	})
	p.wantSubjects("Loft: sensor c silent for 1 h 30 min")
	if v := roomNamed(t, p.e.Snapshot(at(24)), "loft").Temperature; v.Value != 18.24 {
		t.Errorf("the loft is shown at %g °C", v.Value)
	}
	if got := p.e.Snapshot(at(24)).Sensors[1]; got.State != Retired || !got.LastSeen.Equal(at(24)) {
		t.Errorf("it is seen to send all the same: %+v", got)
	}
	// Taken back, its silence and its values count again.
	p.say(24, sensor.Change{Kind: sensor.Revoked, Revokes: 1, Note: "the wrong one"})
	if v := roomNamed(t, p.e.Snapshot(at(24)), "loft").Temperature; v.Value != (18.24+60)/2 {
		t.Errorf("taken back, the loft is shown at %g °C", v.Value)
	}

	// Replaced under the same name, what stood against the old device ends.
	p = newPlay(t, faulty())
	p.every(0, 5, func(h float64) []room.Reading { return append(onlyA(h), battery("loft", "a", at(h), 0.1)) })
	p.state(ofSensor(alarm.LowBattery, "a"), alarm.ActiveUnacknowledged)
	p.say(5.2, sensor.Change{Kind: sensor.Swapped, Sensor: "a", From: at(5.1)})
	p.state(ofSensor(alarm.LowBattery, "a"), alarm.Normal)
	if s := p.again(5.5).e.Snapshot(at(5.5)).Sensors; len(s) != 1 || s[0].State != Speaking {
		t.Errorf("sensors: %+v", s)
	}
}

func TestLowBattery(t *testing.T) {
	p := newPlay(t, faulty())
	p.hear(battery("loft", "a", at(0), 0.16))
	p.every(0, 5, func(h float64) []room.Reading { return nil })
	p.hear(battery("loft", "a", at(5.5), 0.12)) // it tells once a day
	p.tick(6)
	p.tick(7.4)
	if p.state(ofSensor(alarm.LowBattery, "a"), alarm.Normal); slices.ContainsFunc(p.subjects(), func(s string) bool { return strings.Contains(s, "battery") }) {
		t.Errorf("before its delay: %q", p.subjects())
	}
	p.tick(8)
	if got := p.subjects(); got[len(got)-1] != "Loft: battery of sensor a low: 12 %" {
		t.Errorf("%q", got)
	}
	p.hear(battery("loft", "a", at(30), 0.17)) // within the deadband
	p.tick(31)
	p.state(ofSensor(alarm.LowBattery, "a"), alarm.ActiveUnacknowledged)
	p.hear(battery("loft", "a", at(50), 0.9))
	p.tick(51)
	p.state(ofSensor(alarm.LowBattery, "a"), alarm.ReturnedUnack)
}

func TestCalibrationDue(t *testing.T) {
	p := newPlay(t, faulty())
	q := unit.Temperature
	moving := func(h float64) []room.Reading {
		return []room.Reading{temperature("loft", "a", at(h), 18+math.Mod(h, 5))}
	}
	p.every(0, 2, moving)
	p.say(2, sensor.Change{Kind: sensor.Calibrated, Sensor: "a", Quantity: &q, From: at(1), Gain: 1, Offset: 0.5, Due: at(20)})
	want := []CalibrationView{{Quantity: q, Gain: 1, Offset: 0.5, Unit: "°C", From: at(1), Due: at(20), By: "Ada"}}
	if d := cmp.Diff(want, p.e.Snapshot(at(2)).Sensors[0].Calibrations); d != "" {
		t.Error(d)
	}
	p.every(2.5, 20, moving)
	p.wantSubjects()
	p.every(20.5, 22, moving)
	p.wantSubjects("Loft: calibration of sensor a is due")
	if v := p.e.Snapshot(at(22)).Sensors[0]; !v.Calibrations[0].Overdue || len(v.Faults) != 1 {
		t.Errorf("%+v", v)
	}
	p.say(22, sensor.Change{Kind: sensor.Calibrated, Sensor: "a", Quantity: &q, From: at(22), Gain: 1, Due: at(9000)})
	p.tick(22)
	p.state(ofSensor(alarm.CalibrationDue, "a"), alarm.ReturnedUnack)
}

func TestDriftEndsWithACalibration(t *testing.T) {
	p := newPlay(t, faulty())
	q := unit.Temperature
	drifting := func(h float64) []room.Reading {
		swing := math.Sin(2 * math.Pi * h / 24)
		return []room.Reading{temperature("loft", "a", at(h), 17+swing), temperature("loft", "b", at(h), 16+swing+0.03*h/24)}
	}
	p.every(0, 24*50, drifting)
	p.wantSubjects("Loft: sensor b drifts: 1.0 K in 90 days")
	p.state(ofSensor(alarm.Drift, "b"), alarm.ActiveUnacknowledged)
	p = p.again(24 * 50)
	p.every(24*50+0.5, 24*51, drifting)
	p.state(ofSensor(alarm.Drift, "b"), alarm.ActiveUnacknowledged)
	p.wantSubjects()
	p.say(24*51, sensor.Change{Kind: sensor.Calibrated, Sensor: "b", Quantity: &q, From: at(24 * 51), Gain: 1, Offset: -1.5})
	p.state(ofSensor(alarm.Drift, "b"), alarm.Normal) // it starts anew
}

func TestCheckSensorKnowsItsSensors(t *testing.T) {
	p := newPlay(t, faulty())
	p.hear(temperature("loft", "loft-1", at(0), 18))
	f := func(in, name, want string) {
		t.Helper()
		err := p.e.CheckSensor(sensor.Change{Kind: sensor.Swapped, Seq: 1, Room: in, Sensor: name, Recorded: at(1), From: at(0.5)})
		if !errors.Is(err, lot.ErrNotFound) || !strings.Contains(err.Error(), want) {
			t.Errorf("%v, want %s", err, want)
		}
	}
	f("lofd", "loft-1", `no room "lofd": did you mean "loft"?`)
	f("loft", "loft-2", `no sensor "loft-2" was heard in room loft: did you mean "loft-1"?`)
	if err := p.e.CheckSensor(sensor.Change{Kind: sensor.Swapped, Seq: 2, Room: "loft", Sensor: "loft-1", Recorded: at(1), From: at(0.5)}); !errors.Is(err, lot.ErrInvalid) {
		t.Errorf("%v", err)
	}
}

// twins are two engines that must come to show the same.
func twins(t *rapid.T, first, second func(c *Config) []room.Reading, end time.Time) {
	show := func(make func(c *Config) []room.Reading) *Snapshot {
		c := quiet(add("L-1", "brown-rice", "pet-2l", "loft", at(-24)))
		c.Rooms = []string{"loft"}
		readings := make(&c)
		e := engineOf(t, c)
		refold(e, Refold{Room: "loft"}, readings, end)
		e.Tick(end)
		s := e.Snapshot(end)
		for i := range s.Sensors { // told by what was sent, and of what was said
			v := &s.Sensors[i]
			v.LastSeen, v.Silent, v.State, v.Calibrations = time.Time{}, false, "", nil
		}
		return s
	}
	if d := cmp.Diff(show(first), show(second), sameBits); d != "" {
		t.Fatalf("(-first +second):\n%.3000s", d)
	}
}

func drawCourse(t *rapid.T) []room.Reading {
	var out []room.Reading
	h := 0.0
	for range rapid.IntRange(2, 60).Draw(t, "readings") {
		h += rapid.SampledFrom([]float64{0.25, 0.5, 1, 7}).Draw(t, "later")
		name := rapid.SampledFrom([]string{"a", "b"}).Draw(t, "sensor")
		out = append(out, temperature("loft", name, at(h), rapid.Float64Range(5, 30).Draw(t, "t")), humidity("loft", name, at(h), rapid.Float64Range(0.3, 0.8).Draw(t, "rh")))
	}
	return out
}

// TestVoidingIsNeverHavingHad: readings that somebody voids count as if they
// had never come.
func TestVoidingIsNeverHavingHad(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		all := drawCourse(t)
		end := all[len(all)-1].At.Add(time.Hour)
		from := rapid.Float64Range(0, end.Sub(at(0)).Hours()).Draw(t, "from")
		c := sensor.Change{Kind: sensor.Voided, Seq: 1, Room: "loft", Sensor: "a", Recorded: end, Note: "invented", From: at(from), To: at(from + rapid.Float64Range(0.5, 30).Draw(t, "for"))}
		void := func(r room.Reading) bool { return r.Sensor == "a" && !r.At.Before(c.From) && r.At.Before(c.To) }
		if !slices.ContainsFunc(all, func(r room.Reading) bool { return r.Sensor == "a" && !void(r) }) {
			return // a sensor all of whose readings are voided is still one that was heard
		}
		twins(t, func(cfg *Config) []room.Reading {
			cfg.Sensors = []sensor.Change{c}
			return all
		}, func(*Config) []room.Reading { return slices.DeleteFunc(slices.Clone(all), void) }, end)
	})
}

// TestCalibratingIsHavingSentCalibrated: a calibration counts as if the sensor
// had sent what it makes of its readings.
func TestCalibratingIsHavingSentCalibrated(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		all := drawCourse(t)
		end := all[len(all)-1].At.Add(time.Hour)
		q := unit.Temperature
		c := sensor.Change{
			Kind: sensor.Calibrated, Seq: 1, Room: "loft", Sensor: "a", Recorded: end, Quantity: &q,
			From: at(rapid.Float64Range(0, end.Sub(at(0)).Hours()).Draw(t, "from")),
			Gain: rapid.Float64Range(0.5, 2).Draw(t, "gain"), Offset: rapid.Float64Range(-20, 20).Draw(t, "offset"),
		}
		twins(t, func(cfg *Config) []room.Reading {
			cfg.Sensors = []sensor.Change{c}
			return all
		}, func(*Config) []room.Reading {
			sent := slices.Clone(all)
			for i, r := range sent {
				if r.Sensor == "a" && r.Quantity == q && !r.At.Before(c.From) {
					sent[i].Value = q.Round(q.Clamp(float64(c.Gain*r.Value) + c.Offset))
				}
			}
			return sent
		}, end)
	})
}
