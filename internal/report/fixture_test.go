package report

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"
)

func berlin(t testing.TB) *time.Location {
	t.Helper()
	zone, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Fatalf("no zone data: %v", err)
	}
	return zone
}

func on(y int, m time.Month, d int) Date { return DateOf(time.Date(y, m, d, 0, 0, 0, 0, time.UTC)) }

// cost is a cost whose parts add up.
func cost(heat, moisture, oxygen, light, kg float64) Cost {
	return Cost{Number(heat), Number(moisture), Number(oxygen), Number(light), Number(heat + moisture + oxygen + light), Number(kg)}
}

// larchHouse is a review of the invented household of the demo, from 1
// November 2025 for so many days, with three rooms. All of its values are
// invented.
func larchHouse(t testing.TB, days int) Report {
	t.Helper()
	r := Report{
		Site: "larch-house", Zone: berlin(t), From: on(2025, 11, 1), Made: time.Date(2026, 11, 2, 7, 30, 0, 0, time.UTC), Version: "0.0-test",
		Notes: []string{"Larch House is invented, and so is every number of this report."},
		Cautions: []string{
			"Botulism: food that is moist (more than about 10 % moisture) and packed without oxygen can turn poisonous with no change of smell, colour or taste.",
			"Throw away food with mould, an off or rancid smell, insects, wet clumps or rodent marks, and food from a leaking or bulging package.",
		},
		Cost: cost(812.4, 96.3, 31.9, 4.8, 3.271),
	}
	start := time.Date(2025, 11, 1, 0, 0, 0, 0, time.UTC)
	r.To = DateOf(start.AddDate(0, 0, days-1))
	r.Rooms = []Room{
		inventedRoom("cellar", start, days, 14, 4, 62, 17, 60),
		inventedRoom("north-pantry", start, days, 17, 5, 52, 20, 60),
		inventedRoom("loft", start, days, 19, 11, 45, 25, 60),
	}
	r.Rooms[0].Excursions = []Excursion{{Kind: "damp", From: time.Date(2025, 11, 9, 14, 0, 0, 0, time.UTC), To: time.Date(2025, 11, 23, 6, 30, 0, 0, time.UTC),
		Peak: 78.42, Unit: "%", Worst: []LotDays{{"L-3", "White rice, milled", 2.31}, {"L-7", "Sugar, white", 1.04}}, Cost: cost(-1.2, 9.25, 0, 0, 0.052), Note: "window left open"}}
	r.Rooms[2].Excursions = []Excursion{
		{Kind: "warm", From: time.Date(2026, 7, 12, 10, 0, 0, 0, time.UTC), To: time.Date(2026, 7, 19, 22, 0, 0, 0, time.UTC),
			Peak: 37.26, Unit: "°C", Worst: []LotDays{{"L-2", "Oats, rolled", 21.44}, {"L-9", "Whole milk powder", 18.6}, {"L-5", "Pasta, dry, without egg", 12.02}}, Cost: cost(148.07, 2.5, 0, 0, 0.61)},
		{Kind: "bright", From: time.Date(2026, 10, 25, 0, 30, 0, 0, time.UTC), Peak: 412.2, Unit: "lx", Cost: cost(0, 0, 0, 3.3, 0.01), Note: "lamp left on"},
	}
	foods := []string{"White rice, milled", "Oats, rolled", "Wheat, hard red", "Beans, pinto", "Pasta, dry, without egg", "Wheat flour, white", "Sugar, white", "Nonfat dry milk", "Whole milk powder", "Lentils", "Cornmeal, degermed", "Salt"}
	for i, food := range foods {
		r.Lots = append(r.Lots, inventedLot(i, food))
	}
	r.Lots[11].End, r.Lots[11].Remaining, r.Lots[11].Lost.Sum = DateBand{}, Band{99, 100, 100}, 0
	byEnd := make([]int, len(r.Lots)) // the order of the low edge of the end; the salt has none
	for i := range byEnd {
		byEnd[i] = i
	}
	slices.SortFunc(byEnd, func(a, b int) int { return r.Lots[a].End.Low.number() - r.Lots[b].End.Low.number() })
	for rank, i := range slices.DeleteFunc(byEnd, func(i int) bool { return r.Lots[i].End.Low.IsZero() }) {
		r.Lots[i].Rank = rank + 1
	}
	r.Plan = Plan{
		Basis:    "At 2.0 kg of grain, 0.5 kg of pulses and 0.3 kg of milk powder a month, for two people.",
		Steps:    []Step{{"L-9", "Whole milk powder", on(2026, 11, 3), on(2027, 2, 14), 1.1, 0}, {"L-2", "Oats, rolled", on(2026, 11, 3), on(2027, 8, 30), 5.25, 1.15}},
		Supplies: []Supply{{"Grain", 48.6, 2, 729}, {"Salt", 2.5, Unknown(), Unknown()}},
		Advice:   []string{"Repack the oats by August 2027, or eat 1.15 kg more of them before."},
	}
	return r
}

func inventedLot(i int, food string) Lot {
	rooms := []string{"cellar", "north-pantry", "loft"}
	heat := 12.37*float64(i%7) - 9.1
	left := 93.4 - 3.7*float64(i%9)
	return Lot{
		ID: fmt.Sprintf("L-%d", i+1), Food: food, Container: "PET bottle, 2 L", Room: rooms[i%3],
		Packed: on(2023+i%3, time.Month(1+i%12), 1+i%28), Mass: Number(1.6 + 0.85*float64(i%11)),
		Remaining: Band{Number(left - 7.2), Number(left), Number(left + 2.9)},
		End:       DateBand{on(2028+i%7, 3, 14), on(2030+i%9, 9, 2), on(2034+i%11, 12, 24)}, EndedBy: []string{"staling", "rancidity", "browning", "damp"}[i%4],
		Spent: Number(411.3 + 37*float64(i)), Lost: cost(heat, 1.24, 0.31, 0.04*float64(i%3), 0.031*float64(i%5)), LostShare: Number(0.63 * float64(i%8)),
		Reason: "its band begins before the others of its food",
	}
}

// inventedRoom has seasons, a hot week, noise, an estimated and an unknown
// stretch.
func inventedRoom(name string, start time.Time, days int, mean, swing, humidity, warm, damp float64) Room {
	rng := rand.New(rand.NewPCG(5, uint64(len(name))))
	r := Room{Name: name, WarmLimit: Number(warm), DampLimit: Number(damp), BrightLimit: 5, Cost: cost(270.81, 32.1, 10.63, 1.6, 1.09)}
	for i := range days {
		at := start.AddDate(0, 0, i)
		season := -math.Cos(2 * math.Pi * float64(at.YearDay()-25) / 365)
		m := mean + swing*season + rng.NormFloat64()*0.8
		h := humidity + 6*season + rng.NormFloat64()*2
		if at.Month() == 7 && at.Day() > 11 && at.Day() < 20 {
			m += swing * 0.6
		}
		if name == "cellar" && at.Month() == 11 && at.Day() > 8 && at.Day() < 24 {
			h += 14
		}
		d := Day{DateOf(at), Climate{Number(m), Number(m - 1 - swing/5), Number(m + 1 + swing/4), Number(h), Number(0.1 + rng.Float64()), Number(math.Pow(2.7, (m-warm)/10)), 100, 0, 0}}
		if name == "loft" && at.Month() == 8 {
			d.Measured, d.Estimated, d.Unmeasured = 0, 100, 0
			if at.Day() > 12 {
				d.Climate = Climate{Unknown(), Unknown(), Unknown(), Unknown(), Unknown(), Unknown(), 0, 0, 100}
			}
		}
		r.Days = append(r.Days, d)
		if first := (Date{at.Year(), at.Month(), 1}); len(r.Months) == 0 || r.Months[len(r.Months)-1].First != first {
			r.Months = append(r.Months, Month{First: first, Climate: d.Climate, Cost: cost(22.6*season, 2.7, 0.9, 0.13, 0.09*season)})
		}
	}
	r.Climate = Climate{Number(mean), Number(mean - swing - 3.04), Number(mean + swing*1.6 + 2), Number(humidity), 214.377, 0.876, 96.44, 2.5, 1.06}
	return r
}
