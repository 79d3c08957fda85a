package unit

import (
	"encoding/json"
	"math"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

func TestPlausible(t *testing.T) {
	f := func(q Quantity, v float64, want string) {
		t.Helper()
		got := ""
		if err := q.Plausible(v); err != nil {
			got = err.Error()
		}
		if got != want {
			t.Errorf("%s %g: got %q, want %q", q, v, got, want)
		}
	}
	f(Temperature, -60, "")
	f(Temperature, 21.5, "")
	f(Temperature, 100, "")
	f(Temperature, -60.001, "temperature -60.001 °C is outside the plausible range -60 to 100 °C")
	f(Temperature, 150, "temperature 150 °C is outside the plausible range -60 to 100 °C")
	f(Humidity, 0, "")
	f(Humidity, 1, "")
	f(Humidity, 55, "humidity 55 is outside the plausible range 0 to 1 (a fraction, not a percentage)") // a percentage unconverted
	f(Humidity, -0.01, "humidity -0.01 is outside the plausible range 0 to 1 (a fraction, not a percentage)")
	f(Illuminance, 0, "")
	f(Illuminance, 200_000, "") // above full sun
	f(Illuminance, 200_001, "illuminance 200001 lx is outside the plausible range 0 to 200000 lx")
	f(Oxygen, 0.209, "")
	f(Oxygen, 20.9, "oxygen 20.9 is outside the plausible range 0 to 1 (a fraction, not a percentage)")
	f(Battery, 1.01, "battery 1.01 is outside the plausible range 0 to 1 (a fraction, not a percentage)")
	f(Link, -87, "")
	f(Link, 87, "link 87 dBm is outside the plausible range -150 to 20 dBm")
	for _, q := range Quantities() {
		for _, v := range []float64{math.NaN(), math.Inf(1), math.Inf(-1)} {
			f(q, v, q.String()+" is not a finite number")
		}
	}
	f(0, 1, "unknown quantity 0")
	f(99, 1, "unknown quantity 99")
}

// span is the plausible range of a quantity.
func span(t interface{ Fatal(...any) }, q Quantity) (low, high float64) {
	s, ok := q.spec()
	if !ok {
		t.Fatal("no quantity", q)
	}
	return s.low, s.high
}

// TestStepsAreIdempotent: a value keeps its bits from the first rounding on,
// however often it is stored and read, and stays plausible.
func TestStepsAreIdempotent(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		q := rapid.SampledFrom(Quantities()).Draw(t, "quantity")
		low, high := span(t, q)
		v := rapid.Float64Range(low, high).Draw(t, "value")
		n := q.Steps(v)
		once := q.FromSteps(n)
		if again := q.FromSteps(q.Steps(once)); math.Float64bits(again) != math.Float64bits(once) || q.Steps(once) != n {
			t.Fatalf("%s %v: %v, then %v", q, v, once, again)
		}
		if q.Round(v) != once {
			t.Fatalf("%s %v: Round gives %v, Steps %v", q, v, q.Round(v), once)
		}
		if err := q.Plausible(once); err != nil {
			t.Fatalf("%v is plausible, rounded it is not: %v", v, err)
		}
		if step := q.FromSteps(1); math.Abs(once-v) > step/2+1e-10 { // 1e-10: the last bits of a large value
			t.Fatalf("%s %v: rounded to %v, more than half of %g away", q, v, once, step)
		}
	})
}

func TestRoundKeepsTheOrder(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		q := rapid.SampledFrom(Quantities()).Draw(t, "quantity")
		low, high := span(t, q)
		a, b := rapid.Float64Range(low, high).Draw(t, "a"), rapid.Float64Range(low, high).Draw(t, "b")
		if a <= b && q.Round(a) > q.Round(b) {
			t.Fatalf("%s: %v <= %v, but rounded %v > %v", q, a, b, q.Round(a), q.Round(b))
		}
	})
}

func TestResolution(t *testing.T) {
	f := func(q Quantity, v float64, steps int64, rounded float64) {
		t.Helper()
		if got := q.Steps(v); got != steps {
			t.Errorf("%s %g: %d steps, want %d", q, v, got, steps)
		}
		if got := q.Round(v); got != rounded {
			t.Errorf("%s %g: rounded %v, want %v", q, v, got, rounded)
		}
	}
	f(Temperature, 21.4996, 21500, 21.5)
	f(Temperature, -0.0004, 0, 0)
	f(Temperature, -60, -60000, -60)
	f(Humidity, 0.555556, 55556, 0.55556)
	f(Illuminance, 0.0005, 1, 0.001)
	f(Oxygen, 0.2094567, 209457, 0.209457)
	f(Battery, 0.87654, 8765, 0.8765)
	f(Link, -87.25, -873, -87.3)
}

func TestUnits(t *testing.T) {
	f := func(q Quantity, name string, v, want float64) {
		t.Helper()
		u, err := Parse(q, name)
		if err != nil {
			t.Error(err)
			return
		}
		if got := u.Canonical(v); math.Abs(got-want) > 1e-12*max(1, math.Abs(want)) || u.Quantity != q || u.Name != name {
			t.Errorf("%g %s of %s: %.17g, want %g", v, name, q, got, want)
		}
	}
	for _, name := range []string{"C", "°C", "degC", "celsius"} {
		f(Temperature, name, 21.5, 21.5)
	}
	for _, name := range []string{"F", "°F", "degF"} {
		f(Temperature, name, 32, 0) // freezing, boiling, and where both scales meet
		f(Temperature, name, 212, 100)
		f(Temperature, name, -40, -40)
		f(Temperature, name, 70, 21.0+1.0/9)
	}
	f(Temperature, "K", 273.15, 0)
	f(Temperature, "K", 294.15, 21)
	for _, q := range []Quantity{Humidity, Oxygen, Battery} {
		f(q, "%", 55, 0.55)
		f(q, "percent", 100, 1)
		f(q, "fraction", 0.55, 0.55)
		f(q, "1", 0.55, 0.55)
	}
	f(Illuminance, "lx", 120, 120)
	f(Illuminance, "lux", 120, 120)
	f(Illuminance, "klx", 1.2, 1200)
	f(Link, "dBm", -70, -70)
}

func TestUnknownUnits(t *testing.T) {
	f := func(q Quantity, name, want string) {
		t.Helper()
		if _, err := Parse(q, name); err == nil || err.Error() != want {
			t.Errorf("got %v, want %s", err, want)
		}
	}
	f(Temperature, "R", `"R" is not a unit of temperature: use one of C, °C, degC, celsius, F, °F, degF, K`)
	f(Temperature, "%", `"%" is not a unit of temperature: use one of C, °C, degC, celsius, F, °F, degF, K`)
	f(Humidity, "C", `"C" is not a unit of humidity: use one of fraction, 1, %, percent`)
	f(Illuminance, "", `"" is not a unit of illuminance: use one of lx, lux, klx`)
	if got := Names(99); got != nil {
		t.Errorf("units of no quantity: %v", got)
	}
}

// TestCanonicalUnitComesFirst: the first spelling of each quantity converts
// nothing, as messages that name a unit rely on.
func TestCanonicalUnitComesFirst(t *testing.T) {
	for _, q := range Quantities() {
		u := known(q)[0]
		for _, v := range []float64{-40, 0, 0.1, 1.0 / 3, 1e6} {
			if got := u.Canonical(v); got != v {
				t.Errorf("%s in %s: %g becomes %g", q, u.Name, v, got)
			}
		}
		if q.Symbol() == "" {
			t.Errorf("%s has no symbol", q)
		}
	}
}

func TestQuantityText(t *testing.T) {
	want := []string{"temperature", "humidity", "illuminance", "oxygen", "battery", "link"}
	if d := cmp.Diff(want, QuantityNames()); d != "" {
		t.Errorf("names (-want +got):\n%s", d)
	}
	for i, q := range Quantities() {
		if int(q) != i+1 {
			t.Errorf("%s has number %d: the numbers are stored and must stay", q, q)
		}
		got, err := ParseQuantity(q.String())
		if err != nil || got != q {
			t.Errorf("%s is read as %s: %v", q, got, err)
		}
	}
	type doc struct {
		Q   Quantity             `json:"q"`
		Map map[Quantity]float64 `json:"map"`
	}
	b, err := json.Marshal(doc{Humidity, map[Quantity]float64{Temperature: 21.5}})
	if err != nil || string(b) != `{"q":"humidity","map":{"temperature":21.5}}` {
		t.Errorf("%s, %v", b, err)
	}
	var back doc
	if err := json.Unmarshal(b, &back); err != nil || back.Q != Humidity || back.Map[Temperature] != 21.5 {
		t.Errorf("%+v, %v", back, err)
	}
	var q Quantity
	const refusal = `unknown quantity "warmth": it is one of temperature, humidity, illuminance, oxygen, battery, link`
	if err := q.UnmarshalText([]byte("warmth")); err == nil || err.Error() != refusal {
		t.Errorf("%v", err)
	}
	if got := Quantity(0).String() + Quantity(99).String(); got != "quantity(0)quantity(99)" {
		t.Error(got)
	}
}

func TestKelvin(t *testing.T) {
	f := func(c Celsius, k Kelvin) {
		t.Helper()
		if got := c.Kelvin(); math.Abs(float64(got-k)) > 1e-12 {
			t.Errorf("%g °C is %.15g K, want %g", float64(c), float64(got), float64(k))
		}
		if got := k.Celsius(); math.Abs(float64(got-c)) > 1e-12 {
			t.Errorf("%g K is %.15g °C, want %g", float64(k), float64(got), float64(c))
		}
	}
	f(0, 273.15) // exact by the definition of the degree Celsius (SI brochure)
	f(-273.15, 0)
	f(21, 294.15)
}
