package web

import (
	"context"
	"fmt"
	"net/http"
	"sync"
	"testing"
	"time"

	"dryhold/internal/alarm"
	"dryhold/internal/barrier"
	"dryhold/internal/engine"
	"dryhold/internal/health"
	"dryhold/internal/lot"
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
			Coverage24h: 0.99, LotCount: 3,
		}, {
			Name: "loft", Temperature: is(33.4, seen), Humidity: is(0.41, seen),
			Illuminance: engine.Value{Value: 120, At: ago(5 * time.Hour)}, DewPoint: is(18.2, seen),
			WarmLimit: 24, DampLimit: 0.6, BrightLimit: 50, Acceleration: is(2.71, seen), MeanKinetic: is(28.9, seen),
			Coverage24h: 0.83, LotCount: 2,
		}, {
			Name: "north-pantry", Temperature: is(21.04, seen), Humidity: engine.Value{}, Illuminance: is(310, seen),
			WarmLimit: 21, DampLimit: 0.6, BrightLimit: 150, Acceleration: is(1, seen), MeanKinetic: is(20.4, seen),
			Coverage24h: 1, LotCount: 1,
		}},
		Sensors: []engine.SensorView{
			{Name: "cellar-1", Room: "cellar", LastSeen: seen, StaleSeconds: 1800},
			{Name: "loft-1", Room: "loft", LastSeen: seen, StaleSeconds: 1800},
			{Name: "loft-light", Room: "loft", LastSeen: ago(5 * time.Hour), StaleSeconds: 1800, Silent: true},
			{Name: "pantry-1", Room: "north-pantry", LastSeen: seen, StaleSeconds: 1800},
		},
		Lots:   larchLots(),
		Alarms: larchAlarms(),
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

func larchLots() []engine.LotView {
	packed := func(y int) time.Time { return time.Date(y, 3, 9, 0, 0, 0, 0, time.UTC) }
	stays := func(room string, y int) []lot.Stay { return []lot.Stay{{Room: room, From: packed(y)}} }
	absorber := lot.Treatment{Kind: lot.Absorber, CapacityCM3: 300}
	return []engine.LotView{{
		Lot: lot.Lot{ID: "white-rice-1", Stays: stays("cellar", 2025), Packing: lot.Packing{Food: "white-rice", Container: "pet-2l",
			Count: 12, NetMassKG: 1.75, PackedAt: packed(2025), Treatment: absorber, Room: "cellar"}},
		FoodName: "White rice", ContainerName: "PET bottle, 2 L", Remaining: engine.Estimate{Low: 0.93, Likely: 0.96, High: 0.98},
		Limiting: "oxidation", EndAtPlan: packed(2052), LostBeyondPlan: 0.4, Oxygen: engine.OxygenView{Words: "low oxygen", Note: "absorber of 300 cm³ against a need of 190 cm³"},
	}, {
		Lot: lot.Lot{ID: "brown-rice-1", Stays: stays("loft", 2025), Packing: lot.Packing{Food: "brown-rice", Container: "pet-1l",
			Count: 6, NetMassKG: 0.85, PackedAt: packed(2025), Treatment: lot.Treatment{Kind: lot.Absorber, CapacityCM3: 50}, Room: "loft", Note: "from the spring fair"}},
		FoodName: "Brown rice", ContainerName: "PET bottle, 1 L", Remaining: engine.Estimate{Low: -0.1, Likely: 0.08, High: 0.22},
		Limiting: "oxidation", EndAtPlan: packed(2027), LostBeyondPlan: 61.3, UnknownDays: 1.5, EstimatedDays: 4,
		Oxygen: engine.OxygenView{Words: "air", Note: "absorber of 50 cm³ against a need of 110 cm³"}, Caution: "Keeps a year at best: the oil in its bran turns rancid.",
	}, {
		Lot: lot.Lot{ID: "milk-powder-1", Stays: stays("loft", 2026), Packing: lot.Packing{Food: "nonfat-dry-milk", Container: "foil-pouch",
			Count: 20, NetMassKG: 0.9, PackedAt: packed(2026), Treatment: absorber, Room: "loft"}},
		FoodName: "Nonfat dry milk", ContainerName: "Foil pouch", Remaining: engine.Estimate{Low: 0.7, Likely: 0.81, High: 0.9},
		Limiting: "browning", EndAtPlan: packed(2037), LostBeyondPlan: 23.8, Oxygen: engine.OxygenView{Words: "low oxygen"},
	}, {
		Lot: lot.Lot{ID: "sugar-1", Stays: stays("cellar", 2024), FinishedAt: ago(900 * time.Hour), Packing: lot.Packing{Food: "sugar", Container: "glass-jar",
			Count: 1, NetMassKG: 1, PackedAt: packed(2024), Room: "cellar"}},
		FoodName: "Sugar", ContainerName: "Glass jar", Remaining: engine.Estimate{Low: 1, Likely: 1, High: 1}, Limiting: "caking",
	}}
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

func (k *keeper) Acknowledge(_ context.Context, key alarm.Key, by, note string) error {
	return k.note("acknowledge %s by %s: %s", key, by, note)
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
