package barrier

import (
	"math"
	"testing"

	"dryhold/internal/climate"
	"dryhold/internal/reference"
	"dryhold/internal/sorption"
	"dryhold/internal/unit"
)

// The room of testdata/oracle/ode.py.
func roomTemperature(t, mean, year, day float64) unit.Celsius {
	return unit.Celsius(mean + year*math.Sin(2*math.Pi*(t-110)/365) + day*math.Sin(2*math.Pi*t))
}

func roomHumidity(t float64) unit.RH {
	return unit.RH(0.55 + 0.12*math.Sin(2*math.Pi*(t-200)/365) + 0.04*math.Cos(2*math.Pi*t))
}

// meanRoom is the mean temperature and vapour pressure of a step, which is
// what an hour slot or a day holds: its middle for a step up to an hour.
func meanRoom(middle, days, mean, year, day float64) (unit.Celsius, unit.Pascal) {
	n := math.Ceil(days*24 - 1e-9)
	var c unit.Celsius
	var vapour unit.Pascal
	for i := range int(n) {
		now := middle + days*((float64(i)+0.5)/n-0.5)
		air := roomTemperature(now, mean, year, day)
		c += air / unit.Celsius(n)
		vapour += climate.VapourPressure(air, roomHumidity(now)) / unit.Pascal(n)
	}
	return c, vapour
}

// steps calls step for the middle of every step of hours up to the days of
// each row of a case, then check.
func steps(t *testing.T, table []reference.Row, name string, hours float64, step func(middle, days float64), check func(r reference.Row)) {
	t.Helper()
	now, found := 0.0, false
	for _, r := range table {
		if r["case"] != name {
			continue
		}
		found = true
		for days := r.Num(t, "days"); now < days-1e-9; {
			h := min(hours/24, days-now)
			step(now+h/2, h)
			now += h
		}
		check(r)
	}
	if !found {
		t.Fatalf("no case %s", name)
	}
}

func TestOxygenOracle(t *testing.T) {
	table := reference.Oracle(t, "ode.csv")
	g := Gas{
		Volume:   800,
		Wall:     Wall{Oxygen: 0.8268, OxygenEa: 32.8, Closure: Leak{Oxygen: 0.02}},
		Absorber: NewAbsorber(SelfActivated, 300),
		Uptake:   Uptake{Rate: 0.002, Ea: 50, Mass: 1.66},
	}
	for _, hours := range []float64{1, 0.5} {
		s, now, spent := g.Packed(), 0.0, 0.0
		left := map[string]float64{}
		steps(t, table, "oxygen", hours, func(middle, days float64) {
			before := s
			s, _ = g.Step(s, at(roomTemperature(middle, 18, 7, 1.5)), unit.Days(days))
			now += days
			if before.Left > 0 && s.Left == 0 {
				spent = now
			}
		}, func(r reference.Row) {
			want := r.Num(t, "value")
			near(t, "oxygen after "+r["days"], s.Oxygen, want, 1e-3*want+1e-6)
			left[r["days"]] = s.Left
		})
		for _, r := range table {
			switch want := r.Num(t, "value"); r["case"] {
			case "absorber":
				near(t, "absorber after "+r["days"], left[r["days"]], want, 1e-3*want+1e-3)
			case "oxygen-spent":
				near(t, "absorber spent", spent, r.Num(t, "days"), hours/24+1)
			}
		}
	}
}

func TestWaterOracle(t *testing.T) {
	table := reference.Oracle(t, "ode.csv")
	f := func(name string, hours float64, i sorption.Isotherm, permeance WaterPermeance, dry, start, mean, year, day float64) {
		t.Helper()
		w := Water{Dry: dry / 1000, Isotherm: i, Wall: Wall{Water: permeance * 0.9, Closure: Leak{Water: permeance * 0.1}}}
		if err := w.Check(); err != nil {
			t.Fatal(err)
		}
		m := unit.DryBasis(start)
		steps(t, table, name, hours, func(middle, days float64) {
			c, vapour := meanRoom(middle, days, mean, year, day)
			m, _ = w.Step(m, c, vapour, unit.Days(days))
		}, func(r reference.Row) {
			want := r.Num(t, "value")
			near(t, name+" after "+r["days"], float64(m), want, 1e-3*want)
		})
	}
	wheat := sorption.ChungPfost{A: 529.43, B: 17.609, C: 50.998}
	flour := sorption.GAB{Xm: 0.075, C: 15, K: 0.75}
	beans := sorption.ModifiedHalsey{A: 4.4181, B: -0.011875, C: 1.7571}
	for _, hours := range []float64{1, 0.5} {
		f("water-pet", hours, rice(), 0.03052, 1467, 0.12, 18, 7, 1.5)
		f("water-paper", hours, flour, 4.2, 1100, 0.14, 20, 4, 2)
		f("water-sack", hours, wheat, 20, 8900, 0.10, 16, 12, 3)
		f("water-net", hours, beans, 300, 450, 0.20, 18, 7, 1.5)
	}
	// The daily swing averages out of a bottle, so its day may be one step.
	f("water-pet", 24, rice(), 0.03052, 1467, 0.12, 18, 7, 1.5)
}

// The committed table is what the committed script gives: run where a Python
// with scipy is at hand, and everywhere that promises the tests' servers.
func TestOracleIsReproducible(t *testing.T) {
	fresh, kept := reference.Rerun(t, "ode.py"), reference.Oracle(t, "ode.csv")
	if len(fresh) != len(kept) {
		t.Fatalf("%d rows, the table has %d", len(fresh), len(kept))
	}
	for i, r := range fresh {
		want := kept[i]
		if r["case"] != want["case"] {
			t.Fatalf("row %d is of case %s, in the table of %s", i, r["case"], want["case"])
		}
		// Other versions of scipy may differ in the last digits.
		near(t, r["case"]+" days", r.Num(t, "days"), want.Num(t, "days"), 1e-6*want.Num(t, "days"))
		v := want.Num(t, "value")
		near(t, r["case"]+" after "+r["days"], r.Num(t, "value"), v, 1e-6*math.Abs(v)+1e-9)
	}
}
