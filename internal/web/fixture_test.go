package web

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"sync"
	"testing"
	"time"

	"dryhold/internal/alarm"
	"dryhold/internal/audit"
	"dryhold/internal/barrier"
	"dryhold/internal/engine"
	"dryhold/internal/health"
	"dryhold/internal/lot"
	"dryhold/internal/note"
	"dryhold/internal/sensor"
	"dryhold/internal/unit"
)

// Larch House and all that is stored in it are invented.

func noon() time.Time { return time.Date(2026, 7, 14, 12, 30, 0, 0, time.UTC) }

func ago(d time.Duration) time.Time { return noon().Add(-d) }

func is(v float64, at time.Time) engine.Value { return engine.Value{Known: true, Value: v, At: at} }

// larchHouse is the house in its hot week: the loft too warm, its light
// sensor silent, the cellar well, the pantry just over its limit.
func larchHouse() *engine.Snapshot {
	seen := ago(42 * time.Second)
	return &engine.Snapshot{
		Site: "Larch House", At: ago(3 * time.Second),
		Rooms: []engine.RoomView{{
			Name: "cellar", Temperature: is(14.2, seen), Humidity: is(0.58, seen), Illuminance: is(0, seen), DewPoint: is(6.1, seen),
			WarmLimit: 18, DampLimit: 0.65, BrightLimit: 50, Acceleration: is(0.62, seen), MeanKinetic: is(13.7, seen),
			Coverage24h: 0.99, LotCount: 3, Mould: surfaces(1.3, 1.3, 0, "first growth, seen under a microscope"),
		}, {
			Name: "loft", Temperature: is(33.4, seen), Humidity: is(0.41, seen),
			Illuminance: engine.Value{Value: 120, At: ago(5 * time.Hour)}, DewPoint: is(18.2, seen),
			WarmLimit: 24, DampLimit: 0.6, BrightLimit: 50, Acceleration: is(2.71, seen), MeanKinetic: is(28.9, seen),
			Coverage24h: 0.83, LotCount: 2, Mould: surfaces(0, 0, 80, "no growth"), GrowthNow: "under 0.1 mm a day on a dirty surface",
		}, {
			Name: "north-pantry", Temperature: is(21.04, seen), Humidity: engine.Value{}, Illuminance: is(310, seen),
			WarmLimit: 21, DampLimit: 0.6, BrightLimit: 150, Acceleration: is(1, seen), MeanKinetic: is(20.4, seen),
			Coverage24h: 1, LotCount: 1,
		}},
		Sensors: larchSensors(seen),
		Lots:    larchLots(),
		Alarms:  larchAlarms(),
		Intake: engine.IntakeView{
			Connected: true, Messages: 105_412, Stored: 312_009, Duplicates: 12, LastStored: seen,
			Errors: []engine.TopicErrors{
				{Topic: "home/loft/climate", Cause: "implausible", Count: 3, Last: `temperature 212 °C is outside the plausible range -60 to 100 °C`, At: ago(2 * time.Hour)},
				{Topic: "home/north-pantry/a-very-long-topic-name-that-some-gateway-made-up/0123456789abcdef0123456789abcdef", Cause: "not JSON", Count: 41, Last: `invalid character '<' looking for beginning of value`, At: ago(26 * time.Hour)},
			},
			LastKnown: []engine.LastKnown{{Room: "loft", Sensor: "loft-2", Quantity: unit.Temperature, Value: 30.2}},
		},
	}
}

// larchSensors are well, silent, due for a calibration, awaited and replaced.
func larchSensors(seen time.Time) []engine.SensorView {
	old := ago(5 * time.Hour)
	ice := engine.CalibrationView{Quantity: unit.Temperature, Gain: 1, Offset: -0.4, Unit: "°C", From: ago(300 * time.Hour), Due: noon().AddDate(1, 0, 0), By: "Mara", Note: "ice water (read 0.4 for 0 C)"}
	salt := engine.CalibrationView{Quantity: unit.Humidity, Gain: 1.05, Offset: -0.0375, Unit: "fraction", From: ago(9000 * time.Hour), Due: ago(240 * time.Hour), Overdue: true}
	return []engine.SensorView{
		{Name: "cellar-1", Room: "cellar", LastSeen: seen, StaleSeconds: 1800, State: engine.Speaking, Temperature: is(14.2, seen), Humidity: is(0.58, seen),
			Illuminance: is(0, seen), Battery: is(0.87, seen), Link: is(-71, seen), Calibrations: []engine.CalibrationView{ice, salt}},
		{Name: "loft-1", Room: "loft", LastSeen: seen, StaleSeconds: 1800, State: engine.Speaking, Temperature: is(33.4, seen), Humidity: is(0.41, seen), Battery: is(0.12, seen),
			Faults: []engine.FaultView{{Kind: alarm.LowBattery, Since: ago(70 * time.Hour), Text: "Loft: battery of sensor loft-1 low: 12 %"}}},
		{Name: "loft-light", Room: "loft", LastSeen: old, StaleSeconds: 1800, Silent: true, State: engine.Quiet, Illuminance: engine.Value{Value: 120, At: old},
			Faults: []engine.FaultView{{Kind: alarm.Silent, Since: ago(4 * time.Hour), Text: "Sensor loft-light has sent nothing for 5 h"}}},
		{Name: "loft-2", Room: "loft", StaleSeconds: 1800, State: engine.Awaited},
		{Name: "loft-0", Room: "loft", LastSeen: ago(9000 * time.Hour), StaleSeconds: 1800, State: engine.Retired},
		{Name: "pantry-1", Room: "north-pantry", LastSeen: seen, StaleSeconds: 1800, State: engine.Speaking, Temperature: is(21.04, seen), Illuminance: is(310, seen), Oxygen: is(0.209, seen)},
	}
}

// between is an estimate.
func between(low, likely, high float64) engine.Estimate {
	return engine.Estimate{Low: low, Likely: likely, High: high}
}

// dryRice is what any dry, well packed lot looks like inside.
func dryRice() engine.LotView {
	year := func(y int, m time.Month) time.Time { return time.Date(y, m, 9, 0, 0, 0, 0, time.UTC) }
	return engine.LotView{
		AsOf:     noon().Truncate(time.Hour),
		Present:  engine.PresentView{Temperature: 17, TemperatureKnown: true, Humidity: 0.5, HumidityKnown: true},
		EndEarly: year(2041, 3), End: year(2052, 3), EndLate: year(2060, 3), EndBy: "oxidation",
		PlanEarly: year(2043, 3), EndAtPlan: year(2055, 3), PlanLate: year(2063, 3), PlanBy: "oxidation",
		Moisture: engine.MoistureView{
			WetBasis: between(0.108, 0.115, 0.122), Activity: between(0.38, 0.43, 0.48), Limit: "mould",
			Amber: engine.Passing{Level: 0.6, At: year(2049, 5)}, Red: engine.Passing{Level: 0.65},
		},
		Oxygen: engine.OxygenView{
			Words: "low oxygen", Note: "absorber of 300 cm3 for 194 cm3 enclosed", Fraction: between(2e-5, 3e-5, 0.2089),
			Enclosed: 194.25, Left: 57.6, Spent: engine.Passing{At: year(2027, 6)},
			Rises:       []engine.Passing{{Level: 0.01, At: year(2027, 8)}, {Level: 0.02, At: year(2027, 10)}, {Level: 0.05}},
			SealFailure: between(0.1, 0.25, 0.6),
		},
		Insects: &engine.InsectView{Words: "low-oxygen hold complete 17 days after packing, if the seal held", Hold: 10.7, HeldAfter: 17.4,
			Species: "Plodia interpunctella", Generations: between(0.27, 0.32, 0.37), Ended: true},
		Modes: []engine.ModeView{
			{Name: "oxidation", Consumed: between(0.02, 0.04, 0.07), Exposure: between(260, 271, 285), Water: 1.04, Oxygen: 0.21},
			{Name: "staling", Consumed: between(0.01, 0.03, 0.05), Exposure: between(255, 265, 280), Water: 1.12, Oxygen: 1},
			{Name: "thiamin", Nutrient: true, Consumed: between(0.05, 0.11, 0.19), Exposure: between(240, 251, 262),
				Retention: &engine.Estimate{Low: 0.93, Likely: 0.96, High: 0.98}, Water: 1.2, Oxygen: 1},
		},
	}
}

func larchLots() []engine.LotView {
	packed := func(y int) time.Time { return time.Date(y, 3, 9, 0, 0, 0, 0, time.UTC) }
	stays := func(room string, y int) []lot.Stay { return []lot.Stay{{Room: room, From: packed(y)}} }
	absorber := lot.Treatment{Kind: lot.Absorber, CapacityCM3: 300}

	rice := dryRice()
	rice.Lot = lot.Lot{ID: "white-rice-1", Stays: stays("cellar", 2025), Packing: lot.Packing{Food: "white-rice", Container: "pet-2l",
		Count: 12, NetMassKG: 1.75, PackedAt: packed(2025), Treatment: absorber, Room: "cellar", MoistureWB: 0.115}}
	rice.FoodName, rice.ContainerName, rice.Limiting = "White rice", "PET bottle, 2 L", "oxidation"
	rice.Remaining, rice.LostBeyondPlan = between(0.93, 0.96, 0.98), 0.4

	brown := dryRice()
	leaks := barrier.Failed
	brown.Lot = lot.Lot{ID: "brown-rice-1", Seal: barrier.Failed, Stays: stays("loft", 2025), Packing: lot.Packing{Food: "brown-rice", Container: "pet-1l",
		Count: 6, NetMassKG: 0.85, PackedAt: packed(2025), Treatment: lot.Treatment{Kind: lot.Absorber, CapacityCM3: 50}, Room: "loft", Note: "from the spring fair"},
		Notes: []lot.Note{{At: ago(720 * time.Hour), By: "Mara", Text: "hisses when pressed", Seal: &leaks}}}
	brown.FoodName, brown.ContainerName, brown.Limiting = "Brown rice", "PET bottle, 1 L", "oxidation"
	brown.Remaining, brown.LostBeyondPlan, brown.UnknownDays, brown.EstimatedDays = between(-0.1, 0.08, 0.22), 61.3, 1.5, 4
	brown.EndEarly, brown.End, brown.EndLate = brown.AsOf, packed(2027), packed(2028)
	brown.Moisture.Activity, brown.Moisture.Amber, brown.Moisture.Red = between(0.59, 0.62, 0.66), engine.Passing{Level: 0.6, Past: true}, engine.Passing{Level: 0.65, At: packed(2028)}
	brown.Oxygen = engine.OxygenView{Words: "air", Note: "absorber too small: 50 of 110 cm3, oxygen rests at about 11 %", Fraction: between(0.2, 0.206, 0.209),
		Enclosed: 110, Spent: engine.Passing{Past: true}, Rises: []engine.Passing{{Level: 0.01, Past: true}}, SealFailure: between(1, 1, 1)}
	brown.Insects = &engine.InsectView{Words: "low-oxygen hold 0 % complete", Species: "Sitophilus granarius", Generations: between(1.4, 1.7, 2.2), UnknownDays: 1.5}
	brown.Viable = &engine.Estimate{Low: 0.61, Likely: 0.74, High: 0.82}
	brown.LightDose, brown.Caution = 73_779.6, "Keeps a year at best: the oil in its bran turns rancid."
	brown.Warnings = []string{"Water activity 0.62 is past the amber line of 0.60: mould comes next.", "The seal leaks: repack it or eat it first.",
		"No treatment is complete: insects that came in would have bred 1.7 generations."}

	milk := dryRice()
	milk.Lot = lot.Lot{ID: "milk-powder-1", Seal: barrier.Verified, Stays: stays("loft", 2026), Packing: lot.Packing{Food: "nonfat-dry-milk", Container: "foil-pouch",
		Count: 20, NetMassKG: 0.9, PackedAt: packed(2026), Treatment: absorber, Room: "loft"}}
	milk.FoodName, milk.ContainerName, milk.Limiting, milk.EndBy = "Nonfat dry milk", "Foil pouch", "browning", "lactose crystallises, the powder cakes and browns"
	milk.Remaining, milk.LostBeyondPlan = between(0.7, 0.81, 0.9), -23.8
	milk.EndEarly, milk.End, milk.EndLate = packed(2031), packed(2037), time.Time{}
	milk.Moisture.Activity, milk.Moisture.Amber.Level, milk.Moisture.Red.Level = between(0.2, 0.24, 0.27), 0.3, 0.37
	milk.Oxygen.Fraction, milk.Oxygen.SealFailure, milk.Oxygen.Spent = between(2e-8, 5e-8, 0.012), between(0, 0.02, 0.1), engine.Passing{}

	return []engine.LotView{rice, brown, milk, {
		Lot: lot.Lot{ID: "sugar-1", Stays: stays("cellar", 2024), FinishedAt: ago(900 * time.Hour), Packing: lot.Packing{Food: "sugar", Container: "glass-jar",
			Count: 1, NetMassKG: 1, PackedAt: packed(2024), Room: "cellar"}},
		FoodName: "Sugar", ContainerName: "Glass jar", Remaining: between(1, 1, 1), Limiting: "caking",
	}}
}

// surfaces are the mould indices of a room's surfaces.
func surfaces(wood, peak, unknownHours float64, words string) []engine.MouldView {
	return []engine.MouldView{
		{Surface: "wood shelves", Index: wood, Peak: peak, UnknownHours: unknownHours, Words: words},
		{Surface: "plaster and concrete walls", UnknownHours: unknownHours, Words: "no growth"},
	}
}

func larchAlarms() []engine.AlarmView {
	return []engine.AlarmView{{
		Key: alarm.Key{Kind: alarm.Warm, Room: "loft"}, State: alarm.ActiveUnacknowledged, Priority: alarm.High, Since: ago(31 * time.Hour),
		Value: 33.4, Peak: 36.2, Limit: 24, Text: "The loft is too warm. Move the rice and the milk powder to the cellar, or air the loft at night.",
		Costs: []alarm.LotCost{{Lot: "milk-powder-1", Food: "Nonfat dry milk", Days: 2.3, Week: 11.9}, {Lot: "brown-rice-1", Food: "Brown rice", Days: 3.1, Week: 16}},
	}, {
		Key: alarm.Key{Kind: alarm.Silent, Room: "loft", Sensor: "loft-light"}, State: alarm.ActiveAcknowledged, Priority: alarm.Medium, Since: ago(4 * time.Hour),
		By: "Mara", Text: "loft-light has sent nothing since 9:30. Look at its battery.", Value: 18_000, Peak: 18_000, Limit: 1800,
	}, {
		Key: alarm.Key{Kind: alarm.Bright, Room: "loft"}, State: alarm.ReturnedUnack, Priority: alarm.Low, Since: ago(5 * time.Hour),
		Unknown: true, Value: 120, Peak: 420, Limit: 50, Text: "The loft was bright.",
	}}
}

func larchHealth() []health.Check {
	return []health.Check{
		{Code: "intake", Title: "Readings arrive", OK: true, Text: "the newest 42 s ago", Since: ago(50 * time.Hour), Urgent: true},
		{Code: "store", Title: "The store takes readings", OK: true, Text: "last commit 3 ms", Since: ago(50 * time.Hour), Urgent: true},
		{Code: "mail", Title: "Mail goes out", Text: "the mail server refuses the password: renew the file that holds it", Since: ago(2 * time.Hour)},
	}
}

// keeper records what reaches Actions, and answers with err.
type keeper struct {
	mu    sync.Mutex
	calls []string
	err   error
	// replaying, where it is set, is what a replay waits for.
	replaying chan struct{}
}

func (k *keeper) note(format string, args ...any) error {
	k.mu.Lock()
	defer k.mu.Unlock()
	k.calls = append(k.calls, fmt.Sprintf(format, args...))
	return k.err
}

func (k *keeper) seen() []string {
	k.mu.Lock()
	defer k.mu.Unlock()
	return append([]string(nil), k.calls...)
}

func (k *keeper) AddLot(_ context.Context, p lot.Packing, by string) (lot.Lot, error) {
	err := k.note("add %s %s %d x %g kg in %s by %s", p.Food, p.Container, p.Count, p.NetMassKG, p.Room, by)
	return lot.Lot{ID: p.Food + "-1", Packing: p, Stays: []lot.Stay{{Room: p.Room, From: p.PackedAt}}}, err
}

func (k *keeper) MoveLot(_ context.Context, id, room string, at time.Time, by string) error {
	return k.note("move %s to %s at %s by %s", id, room, at.Format(time.RFC3339), by)
}

func (k *keeper) FinishLot(_ context.Context, id string, at time.Time, note, by string) error {
	return k.note("finish %s at %s by %s: %s", id, at.Format(time.RFC3339), by, note)
}

func (k *keeper) NoteLot(_ context.Context, id string, seal *barrier.Seal, note string, at time.Time, by string) error {
	seen := "nothing"
	if seal != nil {
		seen = seal.String()
	}
	return k.note("note of %s at %s by %s: seal %s, %q", id, at.Format(time.RFC3339), by, seen, note)
}

func (k *keeper) ChangeSensor(_ context.Context, c sensor.Change) (SensorChanged, error) {
	b, err := json.Marshal(c)
	if err != nil {
		return SensorChanged{}, err
	}
	err = k.note("sensor %s", b)
	return SensorChanged{Change: c, Of: c.Room + "/" + c.Sensor, What: audit.Words(c), Refold: []SensorRefold{{Room: c.Room, Since: ago(50 * time.Hour), Days: 3}}}, err
}

func (k *keeper) SensorChanges(context.Context) ([]sensor.Change, error) {
	return larchSensorChanges(), k.note("list changes of sensors")
}

func (k *keeper) TestLot(_ context.Context, id string, r lot.Result, note string, at time.Time, by string) error {
	return k.note("test %s at %s by %s: %s; %s", id, at.Format(time.RFC3339), by, r, note)
}

func (k *keeper) RevokeTest(_ context.Context, id string, number int, note, by string) error {
	return k.note("revoke test %d of %s by %s: %s", number, id, by, note)
}

func (k *keeper) NoteRoom(_ context.Context, c note.Change) (RoomNoted, error) {
	b, err := json.Marshal(c)
	if err != nil {
		return RoomNoted{}, err
	}
	return RoomNoted{Change: c, Of: c, Lots: 2}, k.note("note of a room %s", b)
}

// RoomNotes are invented, as all of Larch House.
func (k *keeper) RoomNotes(context.Context) ([]note.Change, error) {
	return []note.Change{
		{Kind: note.Noted, Seq: 1, Room: "loft", From: ago(300 * time.Hour), To: ago(290 * time.Hour), Text: "compressor failed", By: "Mara", Recorded: ago(280 * time.Hour)},
		{Kind: note.Noted, Seq: 2, Room: "cellar", From: ago(200 * time.Hour), To: ago(190 * time.Hour), Text: "painters were in", By: "Mara", Recorded: ago(180 * time.Hour)},
		{Kind: note.Revoked, Seq: 3, Revokes: 2, Text: "it was the hall", By: "Mara", Recorded: ago(100 * time.Hour)},
	}, k.note("list notes of rooms")
}

func (k *keeper) Audit(_ context.Context, f audit.Filter, limit int) ([]audit.Act, error) {
	return audit.Newest(f, limit, audit.Sensors(larchSensorChanges())), k.note("audit since %s, at most %d", f.Since.Format(time.RFC3339), limit)
}

// larchSensorChanges are what was told of the sensors of the house.
func larchSensorChanges() []sensor.Change {
	q := unit.Temperature
	return []sensor.Change{
		{Kind: sensor.Calibrated, Seq: 1, Room: "cellar", Sensor: "cellar-1", Recorded: ago(300 * time.Hour), By: "Mara", Note: "ice water", Quantity: &q, From: ago(300 * time.Hour), Gain: 1, Offset: -0.4, Due: noon().AddDate(1, 0, 0)},
		{Kind: sensor.Voided, Seq: 2, Room: "loft", Sensor: "loft-1", Recorded: ago(200 * time.Hour), By: "Mara", Note: "stood in the sun", From: ago(230 * time.Hour), To: ago(220 * time.Hour)},
		{Kind: sensor.Revoked, Seq: 3, Recorded: ago(100 * time.Hour), By: "Mara", Note: "it did not", Revokes: 2},
	}
}

func (k *keeper) Operate(_ context.Context, op engine.Operation) error {
	until := ""
	if !op.Until.IsZero() {
		until = " until " + op.Until.Format(time.RFC3339)
	}
	return k.note("%s %s%s by %s: %s", op.Do, op.Key, until, op.By, op.Note)
}

func (k *keeper) AlarmEvents(_ context.Context, from, to time.Time, key string, limit int) ([]alarm.Event, error) {
	events := larchEvents()
	return events[:min(limit, len(events))], k.note("history of %q from %s to %s, at most %d", key, from.Format(time.RFC3339), to.Format(time.RFC3339), limit)
}

func (k *keeper) Link(_ context.Context, token string) (LinkView, error) {
	v := LinkView{Do: alarm.ActAcknowledge, Key: alarm.Key{Kind: alarm.Warm, Room: "loft"}, To: "mara", Until: ago(-100 * time.Hour),
		State: alarm.ActiveUnacknowledged, Text: "Loft too warm: 33.4 °C"}
	switch token {
	case "good":
		return v, nil
	case "shelve":
		v.Do, v.Shelves = alarm.ActShelve, 24*time.Hour
		return v, nil
	case "used":
		return LinkView{}, lot.Invalid("it was done already, by mara")
	}
	return LinkView{}, lot.NotFound("this link is not one of ours")
}

func (k *keeper) FollowLink(_ context.Context, token, by, note string) error {
	return k.note("follow %s by %q: %s", token, by, note)
}

// larchEvents are what the alarms of the house went through, the newest first.
func larchEvents() []alarm.Event {
	warm, light := alarm.Key{Kind: alarm.Warm, Room: "loft"}, alarm.Key{Kind: alarm.Silent, Room: "loft", Sensor: "loft-light"}
	return []alarm.Event{
		{Key: warm, From: alarm.Shelved, To: alarm.ActiveUnacknowledged, At: ago(time.Hour), Value: 33.1, Peak: 36.2, Spell: 2, Do: alarm.ActUnshelve, By: "Mara"},
		{Key: warm, From: alarm.ActiveUnacknowledged, To: alarm.Shelved, At: ago(3 * time.Hour), Value: 34, Peak: 36.2, Spell: 1, Do: alarm.ActShelve, By: "Mara", Note: "compressor failed", Until: ago(-5 * time.Hour)},
		{Key: light, From: alarm.Normal, To: alarm.ActiveUnacknowledged, At: ago(4 * time.Hour), Value: 3600, Peak: 3600, Spell: 1},
		{Key: warm, From: alarm.Normal, To: alarm.ActiveUnacknowledged, At: ago(31 * time.Hour), Value: 26.5, Peak: 26.5, Unknown: true, Spell: 1},
	}
}

// house is a handler over the given snapshot, with the keeper behind it.
func house(t testing.TB, snap *engine.Snapshot, change func(*Config)) (http.Handler, *keeper) {
	t.Helper()
	zone, err := time.LoadLocation("Europe/Zurich")
	if err != nil {
		t.Fatalf("cannot load a zone for the test: %v", err)
	}
	k := &keeper{}
	cfg := Config{
		Snapshot: func() *engine.Snapshot { return snap },
		Health:   larchHealth,
		Actions:  k,
		Zone:     zone,
		Version:  "0.1.0-test",
		Now:      noon,
	}
	if change != nil {
		change(&cfg)
	}
	return New(cfg), k
}
