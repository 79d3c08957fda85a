// Package demo plays Larch House, an invented household: a seeded year of
// three rooms and a hot week, published by a real MQTT client through the
// real embedded broker into a real daemon. All its data is invented.
package demo

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"time"

	"dryhold/internal/climate"
	"dryhold/internal/lot"
	"dryhold/internal/unit"
)

// The invented calendar: a year from mid July, then one hot week.
const (
	Interval = 10 * time.Minute // between messages of a room
	hotDays  = 7
)

// Start is the first instant of the year, HotStart that of the hot week and
// End its end (UTC).
func Start() time.Time    { return time.Date(2024, time.July, 15, 0, 0, 0, 0, time.UTC) }
func HotStart() time.Time { return time.Date(2025, time.July, 15, 0, 0, 0, 0, time.UTC) }
func End() time.Time      { return HotStart().AddDate(0, 0, hotDays) }

// Rooms of Larch House.
const (
	Cellar = "cellar"
	Pantry = "north-pantry"
	Loft   = "loft"
)

// message is what a sensor of Larch House sends: millis, °C, % RH, lx.
type message struct {
	TS int64   `json:"ts"`
	T  float64 `json:"t"`
	RH float64 `json:"rh"`
	Lx float64 `json:"lx"`
}

// Message is one message of one room.
type Message struct {
	Room    string
	At      time.Time
	Payload []byte
}

// Scenario makes the weather outdoors and in the rooms, step by step. The
// same seed gives the same year.
type Scenario struct {
	rng     *rand.Rand
	at      time.Time
	weather float64 // slow anomaly outdoors, K
	loft    float64 // air temperatures, °C
	pantry  float64
	slow    float64 // outdoor temperature as the cellar walls feel it
}

// NewScenario begins the year.
func NewScenario(seed uint64) *Scenario {
	return &Scenario{rng: rand.New(rand.NewPCG(seed, 0x1a2c4)), at: Start(), loft: 24, pantry: 19.5, slow: 17}
}

// Next gives the messages of the next step, one per room that has a working
// sensor. The numbers are invented: a mild climate, an insulated loft, a
// pantry on the north side, a cellar in the ground.
func (s *Scenario) Next() []Message {
	at := s.at
	s.at = at.Add(Interval)
	outdoor := s.outdoor(at)
	sun := sunshine(at)
	s.loft = relax(s.loft, outdoor+2+6*sun, 5)
	s.pantry = relax(s.pantry, 13.5+0.32*outdoor, 30)
	s.slow = relax(s.slow, outdoor, 30*24)
	cellar := 10.2 + 0.28*s.slow + 0.03*(outdoor-s.slow)

	// Water vapour outdoors sits near the dew point of the night; the cellar's
	// dehumidifier and the house keep the rooms below a ceiling.
	dew := 4 + 6*season(at) + 0.3*s.weather
	vapour := float64(climate.VapourPressure(unit.Celsius(dew), 1))
	rooms := []Message{
		s.message(Cellar, at, cellar, min(58, humid(vapour+60, cellar))+damp(at), lamp(s.rng, at)),
		s.message(Pantry, at, s.pantry, min(59, humid(vapour+120, s.pantry)), 40*sun),
	}
	if !batteryDead(at) {
		rooms = append(rooms, s.message(Loft, at, s.loft, min(64, humid(vapour, s.loft)), 120*sun))
	}
	return rooms
}

func (s *Scenario) outdoor(at time.Time) float64 {
	const hours = 48 // how long weather lasts
	a := math.Exp(-Interval.Hours() / hours)
	s.weather = a*s.weather + math.Sqrt(1-a*a)*2.2*s.rng.NormFloat64()
	hour := float64(at.Hour()) + float64(at.Minute())/60
	daily := (3 + 2*season(at)) * math.Sin(2*math.Pi*(hour-9)/24)
	return 9.5 + 8.5*season(at) + daily + s.weather + heat(at)
}

// season is 1 in mid July and -1 in mid January.
func season(at time.Time) float64 {
	return math.Cos(2 * math.Pi * float64(at.YearDay()-200) / 365.25)
}

// sunshine is 0 at night and up to 1 on a summer noon.
func sunshine(at time.Time) float64 {
	hour := float64(at.Hour()) + float64(at.Minute())/60
	return max(0, math.Sin(math.Pi*(hour-5)/14)) * (0.55 + 0.45*season(at))
}

// heat is the hot week: up to 11 K more, coming and going over a day.
func heat(at time.Time) float64 {
	in, out := at.Sub(HotStart()).Hours()/24, End().Sub(at).Hours()/24
	return 11 * math.Min(1, math.Max(0, math.Min(in, out)))
}

// damp is the wet fortnight of the cellar in November, % RH.
func damp(at time.Time) float64 {
	from := time.Date(2024, time.November, 8, 0, 0, 0, 0, time.UTC)
	in := at.Sub(from).Hours() / 24
	return 20 * math.Min(1, math.Max(0, math.Min(in, 14-in)))
}

// batteryDead is when the loft's sensor is silent: three days in August.
func batteryDead(at time.Time) bool {
	from := time.Date(2024, time.August, 12, 6, 0, 0, 0, time.UTC)
	return !at.Before(from) && at.Before(from.Add(80*time.Hour))
}

// lamp is the light of the cellar: now and then somebody fetches a jar.
func lamp(rng *rand.Rand, at time.Time) float64 {
	if at.Hour() >= 7 && at.Hour() < 21 && rng.Float64() < 0.02 {
		return 110
	}
	return 0
}

// relax moves a temperature towards another with a time constant in hours.
func relax(from, to, hours float64) float64 {
	return from + (to-from)*(1-math.Exp(-Interval.Hours()/hours))
}

// humid is the relative humidity of air with a vapour pressure, %.
func humid(vapour, t float64) float64 {
	return 100 * vapour / float64(climate.VapourPressure(unit.Celsius(t), 1))
}

// message writes what the sensor of a room sends, with its noise and its
// resolution of 0.01.
func (s *Scenario) message(room string, at time.Time, t, rh, lux float64) Message {
	hundredth := func(v float64) float64 { return math.Round(100*v) / 100 }
	m := message{
		TS: at.UnixMilli(), T: hundredth(t + 0.05*s.rng.NormFloat64()),
		RH: hundredth(min(98, max(15, rh+0.4*s.rng.NormFloat64()))), Lx: hundredth(max(0, lux)),
	}
	payload, err := json.Marshal(m)
	if err != nil {
		panic("BUG: demo message: " + err.Error()) // numbers only, all finite
	}
	return Message{room, at, payload}
}

// Lots of Larch House, none with its moisture measured, in the order they are packed: most on the first day,
// the brown rice, which does not keep, in February.
func Lots() []lot.Packing {
	february := time.Date(2025, time.February, 10, 12, 0, 0, 0, time.UTC)
	pack := func(at time.Time, food, container string, count int, kg float64, room string, absorber float64, shading lot.Shading) lot.Packing {
		t := lot.Treatment{Kind: lot.NoTreatment}
		if absorber > 0 {
			t = lot.Treatment{Kind: lot.Absorber, CapacityCM3: absorber}
		}
		return lot.Packing{
			Food: food, Container: container, Count: count, NetMassKG: kg, PackedAt: at, Room: room,
			Treatment: t, Shading: shading, Note: "invented",
		}
	}
	return []lot.Packing{
		pack(Start(), "white-rice", "pet-2l", 12, 1.6, Cellar, 300, lot.DarkRoom),
		pack(Start(), "white-rice", "pet-2l", 12, 1.6, Loft, 300, lot.Boxed),
		pack(Start(), "hard-wheat", "pail-20l-foil", 3, 15, Cellar, 2500, lot.DarkRoom),
		pack(Start(), "dry-beans", "pet-2l", 8, 1.5, Pantry, 300, lot.OpenShelf),
		pack(Start(), "rolled-oats", "can-no10", 6, 1.1, Loft, 500, lot.Boxed),
		pack(Start(), "nonfat-dry-milk", "foil-pouch-4l", 5, 1.8, Loft, 1000, lot.Boxed),
		// Packed with too small an absorber: 100 cm3 of the near 500 enclosed.
		pack(Start(), "pasta", "pet-4l", 4, 2, Pantry, 100, lot.OpenShelf),
		pack(Start(), "sugar", "glass-jar-1l", 6, 0.8, Pantry, 0, lot.OpenShelf),
		pack(february, "brown-rice", "pet-2l", 4, 1.6, Cellar, 0, lot.DarkRoom),
		pack(february, "brown-rice", "pet-2l", 4, 1.6, Loft, 0, lot.Boxed),
	}
}
