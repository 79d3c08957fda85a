package thermal

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"dryhold/internal/reference"
	"dryhold/internal/unit"
)

func TestResponsePublished(t *testing.T) {
	for _, r := range reference.Published(t, "first-order-room.csv") {
		tau := hours(r.Num(t, "tau_h"))
		for column, period := range map[string]unit.Hours{"daily": 24, "weekly": 24 * 7, "annual": 24 * 365} {
			left := Attenuation(tau, period)
			near(t, r["tau_h"]+" h: "+column, left, r.Num(t, column), halfDigit(r[column]))
			back, err := TimeConstantFromAmplitude(left, period)
			if err != nil {
				t.Fatal(err)
			}
			near(t, r["tau_h"]+" h: back from "+column, float64(back/tau), 1, 1e-9)
		}
		near(t, r["tau_h"]+" h: lag", float64(WaveLag(tau, 24)), r.Num(t, "lag_h"), halfDigit(r["lag_h"]))
	}
	// The lag of the annual wave in days (models section 11).
	for tau, want := range map[unit.Hours]float64{6: 0.25, 24: 1.00, 168: 6.97, 500: 20.0} {
		near(t, "annual lag", float64(WaveLag(tau, year))/24, want, 0.05)
	}
	if !math.IsNaN(Attenuation(-1, 24)) || !math.IsNaN(Attenuation(1, 0)) || !math.IsNaN(float64(WaveLag(1, hours(math.NaN())))) {
		t.Error("nonsense has an attenuation")
	}
}

// weather is an invented trace outdoors: a year of seasons, days and fronts.
func weather(n int, seed uint64) []unit.Celsius {
	rng := rand.New(rand.NewPCG(seed, 1))
	front := 0.0
	out := make([]unit.Celsius, n)
	for i := range out {
		front = 0.98*front + 0.6*rng.NormFloat64()
		h := float64(i)
		out[i] = unit.Celsius(10 - 8*math.Cos(2*math.Pi*h/8760) - 4*math.Cos(2*math.Pi*h/24) + front)
	}
	return out
}

// follow is the recursion of models section 11 with a gain on top.
func follow(out []unit.Celsius, tau, dt, gain float64) []unit.Celsius {
	a := unit.Celsius(1 - math.Exp(-dt/tau))
	in := make([]unit.Celsius, len(out))
	in[0] = out[0]
	for k := 1; k < len(in); k++ {
		in[k] = in[k-1] + a*(out[k]+unit.Celsius(gain)-in[k-1])
	}
	return in
}

func TestIdentifyFindsTheRoom(t *testing.T) {
	f := func(tau, dt, gain float64) {
		t.Helper()
		out := weather(2000, 7)
		in := follow(out, tau, dt, gain)
		r, err := Identify(out, in, hours(dt))
		if err != nil {
			t.Fatal(err)
		}
		near(t, "time constant", float64(r.TimeConstant)/tau, 1, 1e-6)
		near(t, "gain", r.Gain, gain, 1e-6)
		near(t, "R2", r.R2, 1, 1e-9)
		if r.Pairs != 1999 || r.Low > r.TimeConstant || r.High < r.TimeConstant {
			t.Errorf("%+v", r)
		}
		// The held air of the recursion, by the lag itself.
		lag := newLag(t, r.TimeConstant)
		near(t, "predicted", float64(lag.Core(in[99], out[100]+unit.Celsius(r.Gain), out[100]+unit.Celsius(r.Gain), hours(dt), hours(dt))), float64(in[100]), 1e-6)
	}
	f(6, 1, 0)
	f(24, 1, 2)
	f(72, 1, -1.5)
	f(500, 1, 8)
	f(24, 0.25, 0)
	f(240, 6, 3)
}

// With noise and gaps the truth lies about where the answer says, biased
// towards a quicker room; the bias falls as the spacing grows.
func TestIdentifyWithNoiseAndGaps(t *testing.T) {
	const tau = 24.0
	noisy := func(dt int) Response {
		rng := rand.New(rand.NewPCG(3, 9))
		out := weather(24*120, 11)
		in := follow(out, tau, 1, 2)
		var o, x []unit.Celsius
		for k := 0; k+dt <= len(out); k += dt {
			mean := unit.Celsius(0)
			for _, v := range out[max(0, k-dt+1) : k+1] {
				mean += v
			}
			o = append(o, mean/unit.Celsius(len(out[max(0, k-dt+1):k+1])))
			v := in[k] + unit.Celsius(0.1*rng.NormFloat64())
			if k%17 == 3 {
				v = unit.Celsius(math.NaN())
			}
			x = append(x, v)
		}
		r, err := Identify(o, x, hours(float64(dt)))
		if err != nil {
			t.Fatal(err)
		}
		return r
	}
	hourly, coarse := noisy(1), noisy(4)
	if hourly.TimeConstant > tau {
		t.Errorf("noise made the room slower: %+v", hourly)
	}
	near(t, "hourly", float64(hourly.TimeConstant)/tau, 1, 0.15)
	near(t, "every four hours", float64(coarse.TimeConstant)/tau, 1, 0.12)
	near(t, "gain", hourly.Gain, 2, 0.3)
	if hourly.Pairs >= 24*120-1 || hourly.Pairs < 24*90 {
		t.Errorf("%d pairs: gaps were not left out", hourly.Pairs)
	}
}

func TestPredictGoesToTheGain(t *testing.T) {
	r := Response{TimeConstant: 24, Gain: 3}
	near(t, "at rest", float64(r.Predict(13, 10, 10, 5)), 13, 1e-12)
	near(t, "long after", float64(r.Predict(30, 10, 10, 2000)), 13, 1e-9)
	near(t, "one time constant", float64(r.Predict(14, 10, 10, 24)), 13+math.Exp(-1), 1e-12)
}

func TestIdentifyRefusals(t *testing.T) {
	out := weather(200, 1)
	in := follow(out, 24, 1, 0)
	nan := unit.Celsius(math.NaN())
	f := func(what string, out, in []unit.Celsius, dt unit.Hours) {
		t.Helper()
		if _, err := Identify(out, in, dt); err == nil {
			t.Errorf("%s: accepted", what)
		} else if !strings.HasPrefix(err.Error(), "cannot find the response of the room: ") {
			t.Errorf("%s: %v", what, err)
		}
	}
	f("one short", out[1:], in, 1)
	f("no spacing", out, in, 0)
	f("negative spacing", out, in, -1)
	f("no number", out, in, hours(math.NaN()))
	f("too few", out[:48], in[:48], 1)
	f("none", nil, nil, 1)
	gone := make([]unit.Celsius, 200)
	for i := range gone {
		gone[i] = nan
	}
	f("all missing", out, gone, 1)
	endless := append([]unit.Celsius{}, out...)
	endless[50] = unit.Celsius(math.Inf(1))
	f("infinite", endless, in, 1)
	f("room is the air", out, out, 1)
	flat := make([]unit.Celsius, 200)
	f("nothing moves", flat, flat, 1)
	heated := make([]unit.Celsius, 200)
	for i := range heated {
		heated[i] = 20
	}
	f("thermostat", out, heated, 1)
	for _, r := range []float64{0, 1, -0.5, 1.5, math.NaN()} {
		if _, err := TimeConstantFromAmplitude(r, 24); err == nil {
			t.Errorf("amplitude ratio %g was accepted", r)
		}
	}
	for _, p := range []float64{0, -24, math.NaN(), math.Inf(1)} {
		if _, err := TimeConstantFromAmplitude(0.5, hours(p)); err == nil {
			t.Errorf("period %g was accepted", p)
		}
	}
}

func TestIdentifyNeverPanics(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(0, 120).Draw(t, "n")
		value := rapid.OneOf(rapid.Float64(), rapid.Float64Range(-30, 40), rapid.Just(math.NaN()))
		out, in := make([]unit.Celsius, n), make([]unit.Celsius, n)
		for i := range out {
			out[i], in[i] = unit.Celsius(value.Draw(t, "out")), unit.Celsius(value.Draw(t, "in"))
		}
		r, err := Identify(out, in, hours(rapid.Float64Range(0.01, 24).Draw(t, "dt")))
		if err == nil && !(r.TimeConstant > 0 && r.Low > 0 && r.Low <= r.TimeConstant && r.TimeConstant <= r.High) {
			t.Fatalf("%+v", r)
		}
	})
}

func TestGroundPublished(t *testing.T) {
	checked := 0
	for _, r := range reference.Published(t, "ground-wave.csv") {
		d := r.Num(t, "diffusivity_m2_s")
		g := Ground{Mean: 10, Amplitude: 8, Diffusivity: d, Coldest: 20}
		f := func(column string, got float64, err error) {
			t.Helper()
			if err != nil {
				t.Fatal(err)
			}
			if r[column] != "" {
				checked++
				near(t, column, got, r.Num(t, column), halfDigit(r[column]))
			}
		}
		annual, err := DampingDepth(d, year)
		f("annual_m", annual, err)
		daily, err := DampingDepth(d, 24)
		f("daily_m", daily, err)
		f("left_1m", swing(t, g, 1), nil)
		f("left_2m", swing(t, g, 2), nil)
		lag, err := g.WaveLag(2)
		f("lag_2m_d", float64(lag), err)
		short, err := DampingDepth(d, 24*365)
		f("five_percent_m", short*math.Log(20), err)
	}
	if checked != 6 {
		t.Errorf("%d values checked, want 6", checked)
	}
	sand, err := DampingDepth(2e-7, year) // models section 11
	if err != nil {
		t.Fatal(err)
	}
	near(t, "damping depth of sand", sand, 1.4174, 5.001e-5)
}

// swing is the share of the annual amplitude left at a depth, found from the
// temperatures themselves: on two days a quarter of a year apart.
func swing(t *testing.T, g Ground, depth float64) float64 {
	t.Helper()
	at := func(day float64) float64 {
		c, err := g.At(depth, day)
		if err != nil {
			t.Fatal(err)
		}
		return float64(c - g.Mean)
	}
	return math.Hypot(at(50), at(50+365.25/4)) / g.Amplitude
}

func TestGroundIsColdestOnItsColdestDay(t *testing.T) {
	g := Ground{Mean: 10, Amplitude: 8, Diffusivity: 5e-7, Coldest: 20}
	f := func(depth, day, want float64) {
		t.Helper()
		c, err := g.At(depth, day)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "ground", float64(c), want, 1e-9)
	}
	f(0, 20, 2)
	f(0, 20+365.25/2, 18)
	f(0, 20+365.25*3, 2)
	f(100, 20, 10)
	lag, err := g.WaveLag(2)
	if err != nil {
		t.Fatal(err)
	}
	f(2, 20+float64(lag), 10-8*swing(t, g, 2))
}

func TestGroundRefusals(t *testing.T) {
	good := Ground{Mean: 10, Amplitude: 8, Diffusivity: 5e-7, Coldest: 20}
	f := func(g Ground, depth, day float64) {
		t.Helper()
		if _, err := g.At(depth, day); err == nil {
			t.Errorf("%+v at %g m, day %g was accepted", g, depth, day)
		}
	}
	nan := math.NaN()
	f(good, -1, 0)
	f(good, nan, 0)
	f(good, math.Inf(1), 0)
	f(good, 1, nan)
	f(good, 1, math.Inf(-1))
	for _, spoil := range []func(*Ground){
		func(g *Ground) { g.Mean = 400 },
		func(g *Ground) { g.Mean = unit.Celsius(nan) },
		func(g *Ground) { g.Amplitude = -1 },
		func(g *Ground) { g.Diffusivity = 0 },
		func(g *Ground) { g.Diffusivity = 1 },
		func(g *Ground) { g.Coldest = -1 },
		func(g *Ground) { g.Coldest = nan },
	} {
		g := good
		spoil(&g)
		f(g, 1, 0)
	}
	for _, x := range []float64{0, -1, nan, math.Inf(1)} {
		if _, err := DampingDepth(x, 24); err == nil {
			t.Errorf("diffusivity %g was accepted", x)
		}
		if _, err := DampingDepth(1e-7, hours(x)); err == nil {
			t.Errorf("period %g was accepted", x)
		}
	}
	if _, err := good.WaveLag(-1); err == nil {
		t.Error("negative depth was accepted")
	}
	if _, err := (Ground{}).WaveLag(1); err == nil {
		t.Error("ground without diffusivity was accepted")
	}
}

func BenchmarkIdentifyYear(b *testing.B) {
	out := weather(8760, 5)
	in := follow(out, 24, 1, 2)
	for b.Loop() {
		if _, err := Identify(out, in, 1); err != nil {
			b.Fatal(err)
		}
	}
}
