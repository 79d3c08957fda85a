package forecast

import (
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"
	"time"

	"dryhold/internal/climate"
	"dryhold/internal/reference"
	"dryhold/internal/thermal"
	"dryhold/internal/unit"
)

// outdoorHours turns the daily extremes of a city into hours: half cosines
// between the minimum at 06:00 and the maximum at 15:00 (common practice, no
// source). The weather is real, the course within the day is not.
func outdoorHours(t testing.TB, city string) History {
	t.Helper()
	data, err := os.ReadFile(filepath.Join("..", "..", "testdata", "forecast", "seattle-new-york-daily.csv"))
	if err != nil {
		t.Fatal(err)
	}
	rows := reference.Parse(t, "seattle-new-york-daily.csv", data)
	from, err := time.Parse(time.DateOnly, rows[0]["date"])
	if err != nil {
		t.Fatal(err)
	}
	var lows, highs []float64
	for _, r := range rows {
		lows, highs = append(lows, r.Num(t, city+"_min")), append(highs, r.Num(t, city+"_max"))
	}
	h := History{From: from}
	for d := range lows {
		for hour := range 24 {
			at := float64(hour) + 0.5
			a, b, share := 0.0, 0.0, 0.0
			switch {
			case at < 6:
				a, b, share = highs[max(0, d-1)], lows[d], (at+9)/15
			case at < 15:
				a, b, share = lows[d], highs[d], (at-6)/9
			default:
				a, b, share = highs[d], lows[min(len(lows)-1, d+1)], (at-15)/15
			}
			v := a + (b-a)*(1-math.Cos(math.Pi*share))/2
			h.Hours = append(h.Hours, Hour{float32(v), float32(math.NaN())})
		}
	}
	return h
}

// chamber is a simulated room: it follows part of the outdoor air with a lag
// and has a sensor with noise.
type chamber struct {
	base, gain float64
	lag        unit.Hours
	noise      float64
}

// pantry is the simulated room of the tests: half of the air outdoors, 30 h
// late, with a sensor that scatters by 0.05 K.
func pantry() chamber { return chamber{11, 0.5, 30, 0.05} }

func (c chamber) follow(t testing.TB, air History) History {
	t.Helper()
	l, err := thermal.NewLag(c.lag)
	if err != nil {
		t.Fatal(err)
	}
	rng := rand.New(rand.NewPCG(5, 6))
	room := History{From: air.From}
	v := unit.Celsius(c.base + c.gain*float64(air.Hours[0].Temp))
	for i, x := range air.Hours {
		u := unit.Celsius(c.base + c.gain*float64(x.Temp))
		next := u
		if i+1 < len(air.Hours) {
			next = unit.Celsius(c.base + c.gain*float64(air.Hours[i+1].Temp))
		}
		m := float64(v) + c.noise*rng.NormFloat64()
		v = l.Core(v, u, next, 1, 1)
		room.Hours = append(room.Hours, Hour{float32(m), float32(climate.VapourPressure(unit.Celsius(m-4), 0.7))})
	}
	return room
}

// invented is a room of so many years made from noise: seasons, days that
// hang together, a slow departure, a daily wave and humidity.
func invented(seed uint64, days int) (first int, out []Day) {
	rng := rand.New(rand.NewPCG(seed, 77))
	first = 16000
	v, slow := 0.0, 0.25*rng.NormFloat64()
	for d := range days {
		v = 0.85*v + 0.6*rng.NormFloat64()
		slow = math.Exp(-1/365.0)*slow + 0.25*math.Sqrt(2/365.0)*rng.NormFloat64()
		c := season(float64(first + d))
		temp := 17 - 4*c[0] + 0.5*c[3] + v + slow
		out = append(out, Day{
			Temp: temp, Swing: max(0, 1.5-0.5*c[0]+0.3*rng.NormFloat64()),
			Vapour: float64(climate.VapourPressure(unit.Celsius(temp), 0.5)) * math.Exp(0.05*rng.NormFloat64()),
		})
	}
	return first, out
}

// hoursOf spreads days over hours with their swing.
func hoursOf(first int, days []Day) History {
	h := History{From: time.Unix(int64(first)*86400, 0).UTC()}
	for _, d := range days {
		for hour := range 24 {
			t := d.Temp - d.Swing*math.Cos(2*math.Pi*(float64(hour)+0.5-4)/24)
			h.Hours = append(h.Hours, Hour{float32(t), float32(d.Vapour)})
		}
	}
	return h
}

// source is a source of random numbers for tests.
func source() *rand.Rand { return rand.New(rand.NewPCG(1, 2)) }
