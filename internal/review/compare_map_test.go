package review

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"dryhold/internal/kinetics"
	"dryhold/internal/room"
	"dryhold/internal/unit"
)

var monday = time.Date(2026, 7, 6, 9, 0, 0, 0, time.UTC)

// stayed makes a stay at a place, there against the room; NaN is not known.
func stayed(hours int, there, in func(h int) float64) (a, b []MeasuredHour) {
	make := func(v float64, at time.Time) MeasuredHour {
		if v != v {
			return MeasuredHour{At: at, Slot: room.Slot{UnknownMS: 3600e3}}
		}
		return MeasuredHour{at, room.Slot{MeasuredMS: 3600e3, TempMean: float32(v)}, kinetics.AccelerationFactor(room.AirEa, unit.Celsius(v), room.Reference) / 24}
	}
	for h := range hours {
		at := monday.Add(time.Duration(h) * time.Hour)
		a, b = append(a, make(there(h), at)), append(b, make(in(h), at))
	}
	return a, b
}

func placed(name string, hours int, there, in func(h int) float64) Place {
	a, b := stayed(hours, there, in)
	pairs, sent, fixed := HoursApart(0, monday, a, b)
	p := Place{Room: "loft", Place: name, From: monday, To: monday.Add(time.Duration(hours) * time.Hour)}
	p.MapPlace(pairs, sent, fixed)
	return p
}

func level(v float64) func(int) float64 { return func(int) float64 { return v } }

// TestPlaceByHand: four days with differences of 1, 2, 3 and 4 K: mean 2.5,
// standard deviation sqrt(5/3), correlation of neighbours 1.25/5, so that the
// interval is 3.182 × 1.290994 / 2 × sqrt(1.25/0.75) either way.
func TestPlaceByHand(t *testing.T) {
	p := placed("top shelf", 96, func(h int) float64 { return 21 + float64(h/24) }, level(20))
	x := p.Temperature
	if x == nil || x.Days != 4 || x.Hours != 96 || math.Abs(x.Mean-2.5) > 1e-6 || math.Abs(x.High-x.Mean-3.182*1.290994/2*math.Sqrt(1.25/0.75)) > 1e-5 || math.Abs(x.Mean-x.Low-(x.High-x.Mean)) > 1e-9 {
		t.Fatalf("%+v", x)
	}
	if p.Humidity != nil {
		t.Errorf("humidity that nobody measured: %+v", p.Humidity)
	}
	// 30 °C against 21 °C ages 2.7436 as fast at 83.144 kJ/mol (models 3.1), as
	// a room 9 K warmer.
	p = placed("by the window", 72, level(30), level(21))
	if p.Ageing == nil || math.Abs(*p.Ageing-2.7436) > 3e-4 || math.Abs(*p.Degrees-9) > 1e-6 {
		t.Errorf("ageing %v, degrees %v", p.Ageing, p.Degrees)
	}
	if limit, ok := p.DegreesOff(21); !ok || math.Abs(float64(limit)-12) > 1e-6 {
		t.Errorf("the limit for the place is %v", limit)
	}
}

func TestPlaceNotKnown(t *testing.T) {
	nan := math.NaN()
	f := func(hours int, there, in func(int) float64, want string) {
		t.Helper()
		if p := placed("top shelf", hours, there, in); p.Not != want || (p.Temperature == nil) != (want != "") || (p.Ageing == nil) != (want != "") {
			t.Errorf("%q, want %q: %+v", p.Not, want, p)
		}
	}
	f(72, level(25), level(20), "")
	f(65, level(25), level(20), TooFewDays) // the third day has 17 hours
	f(66, level(25), level(20), "")
	f(168, level(nan), level(20), NoHours)
	f(168, level(25), level(nan), NoFixed)
	f(168, func(h int) float64 { return []float64{25, nan}[h%2] }, level(20), TooFewDays)
	f(0, level(25), level(20), NoHours)
}

// TestStudent integrates the density of Student's t up to the point of the
// table: 0.975 must lie below it.
func TestStudent(t *testing.T) {
	for freedom := 1; freedom <= 30; freedom++ {
		nu := float64(freedom)
		a, _ := math.Lgamma((nu + 1) / 2)
		b, _ := math.Lgamma(nu / 2)
		scale := math.Exp(a-b) / math.Sqrt(nu*math.Pi)
		const n = 20000
		sum, h := 0.0, student(freedom)/n
		for i := range n {
			x := (float64(i) + 0.5) * h
			sum += h * scale * math.Pow(1+x*x/nu, -(nu+1)/2)
		}
		if math.Abs(0.5+sum-0.975) > 3e-5 {
			t.Errorf("%d degrees of freedom: %g below %g", freedom, 0.5+sum, student(freedom))
		}
	}
	if !math.IsInf(student(0), 1) || student(100) != student(30) {
		t.Error("the ends of the table")
	}
}

// TestIntervalHolds: a place whose difference has a rhythm of the day and hangs
// together over ten hours. 95 % of the intervals should hold the truth; a naive
// one over the hours would hold it in about a third.
func TestIntervalHolds(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 7))
	const weeks, truth, keep = 600, 1.5, 0.905
	held, naive := 0, 0
	for range weeks {
		x, sum, square := rng.NormFloat64()*0.8, 0.0, 0.0
		p := placed("top shelf", 168, func(h int) float64 {
			x = keep*x + math.Sqrt(1-keep*keep)*0.8*rng.NormFloat64()
			d := truth + x + math.Sin(2*math.Pi*float64(h)/24)
			sum, square = sum+d, square+d*d
			return 20 + d
		}, level(20))
		if p.Temperature.Low <= truth && truth <= p.Temperature.High {
			held++
		}
		mean := sum / 168
		if math.Abs(mean-truth) < 1.96*math.Sqrt((square/168-mean*mean)/168) {
			naive++
		}
	}
	if share := float64(held) / weeks; share < 0.93 || share > 0.985 {
		t.Errorf("the interval holds %.1f %%", 100*share)
	}
	if share := float64(naive) / weeks; share > 0.8 {
		t.Errorf("the naive interval holds %.1f %%: this is no test", 100*share)
	}
}

func TestStayFrom(t *testing.T) {
	f := func(days, want int) {
		t.Helper()
		if got := StayFrom(monday, monday.AddDate(0, 0, days)); !got.Equal(monday.AddDate(0, 0, want)) {
			t.Errorf("of %d days those from %v on count", days, got)
		}
	}
	f(7, 0)
	f(60, 0)
	f(400, 340)
}

func TestMapOf(t *testing.T) {
	wobble := func(v float64) func(int) float64 { return func(h int) float64 { return v + 0.2*math.Sin(float64(h)) } }
	humid := func(p Place, v float64) Place {
		p.Humidity = &Offset{Mean: v, Low: v - 0.01, High: v + 0.01}
		return p
	}
	top := humid(placed("top shelf", 168, wobble(24), level(20)), -0.05)
	floor := humid(placed("floor", 168, wobble(18), level(20)), 0.08)
	middle := placed("middle shelf", 168, wobble(20.5), level(20))
	short := placed("by the window", 24, level(40), level(20))
	m := MapOf("loft", []Place{floor, short, top, middle})
	if m.Hottest != "top shelf" || m.Coldest != "floor" || !m.Sure || m.Dampest != "floor" || m.Driest != "top shelf" || !m.SureDamp {
		t.Errorf("%+v", m)
	}
	if m.Places[0].Place != "top shelf" || m.Places[3].Place != "by the window" {
		t.Errorf("order %s ... %s", m.Places[0].Place, m.Places[3].Place)
	}
	if m := MapOf("loft", []Place{top, short}); m.Hottest != "" || m.Sure {
		t.Errorf("of one place: %+v", m)
	}
	near := MapOf("loft", []Place{placed("a", 96, func(h int) float64 { return 20 + float64(h/24) }, level(20)), placed("b", 96, func(h int) float64 { return 20.2 + float64(h/24) }, level(20))})
	if near.Hottest != "b" || near.Sure {
		t.Errorf("places that cannot be told apart: %+v", near)
	}
}
