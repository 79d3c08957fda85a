package review

import (
	"encoding/csv"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"dryhold/internal/kinetics"
	"dryhold/internal/reference"
	"dryhold/internal/room"
	"dryhold/internal/thermal"
	"dryhold/internal/unit"
)

// seattle is the open hourly temperatures, with the instant of each.
func seattle(t *testing.T) (at []time.Time, temps []unit.Celsius) {
	t.Helper()
	f, err := os.Open(filepath.Join("..", "..", "testdata", "open", "seattle-weather-hourly-normals.csv"))
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = f.Close() }()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	for i, row := range rows[1:] {
		when, err := time.Parse("2006-01-02T15:04:05", row[0])
		if err != nil {
			t.Fatal(err)
		}
		if i > 0 && when.Sub(at[i-1]) != time.Hour {
			t.Fatalf("a gap before %v", when)
		}
		v, err := strconv.ParseFloat(row[2], 64)
		if err != nil {
			t.Fatal(err)
		}
		at, temps = append(at, when), append(temps, unit.Celsius(v))
	}
	return at, temps
}

// printed holds a value against a printed one, to half of its last digit;
// nothing is held where nothing is printed.
func printed(t *testing.T, what string, got float64, want string) {
	t.Helper()
	if want == "" {
		return
	}
	v, err := strconv.ParseFloat(want, 64)
	if err != nil {
		t.Fatal(err)
	}
	_, decimals, _ := strings.Cut(want, ".")
	near(t, what, got, v, 0.5*math.Pow10(-len(decimals))+1e-9)
}

// TestOpenTemperatures: exposure, mean kinetic temperature and first-order lag on
// the open set, by the code that judges the rooms.
func TestOpenTemperatures(t *testing.T) {
	at, all := seattle(t)
	for _, row := range reference.Published(t, "seattle-hourly.csv") {
		what := fmt.Sprint(row["of"], " tau ", row["tau_hours"], " Ea ", row["energy"])
		var temps []unit.Celsius
		for i, v := range all {
			if row["of"] == "year" || row["of"] == at[i].Month().String() {
				temps = append(temps, v)
			}
		}
		if row["tau_hours"] != "" {
			lag, err := thermal.NewLag(unit.Hours(row.Num(t, "tau_hours")))
			if err != nil {
				t.Fatal(err)
			}
			x := temps[0]
			for i, u := range temps {
				x = lag.Core(x, u, u, 1, 1)
				temps[i] = x
			}
		}
		ea := unit.KJPerMol(10000 * kinetics.R)
		if row["energy"] != "" {
			ea = unit.KJPerMol(row.Num(t, "energy"))
		}
		sum, square, low, high := 0.0, 0.0, math.Inf(1), math.Inf(-1)
		for _, v := range temps {
			sum, square = sum+float64(v), square+float64(v)*float64(v)
			low, high = min(low, float64(v)), max(high, float64(v))
		}
		n := float64(len(temps))
		printed(t, what+" hours", n, row["hours"])
		printed(t, what+" mean", sum/n, row["mean"])
		printed(t, what+" min", low, row["min"])
		printed(t, what+" max", high, row["max"])
		printed(t, what+" sd", math.Sqrt(square/n-sum/n*sum/n), row["sd"])
		kinetic, err := kinetics.MeanKinetic(ea, temps, nil)
		if err != nil {
			t.Fatal(err)
		}
		printed(t, what+" mean kinetic", float64(kinetic), row["effective"])
		// Exposure: as many days at 21 °C as the effective temperature says, by
		// Arrhenius and by hand.
		days := make([]unit.Days, len(temps))
		for i := range days {
			days[i] = 1.0 / 24
		}
		exposed, err := kinetics.EquivalentTime(ea, room.Reference, temps, days)
		if err != nil {
			t.Fatal(err)
		}
		near(t, what+" exposure", float64(exposed), n/24*factor(float64(ea), row.Num(t, "effective")), 1e-5*n/24)
	}
}

// TestOpenTemperaturesOfALedger: the ledger of a room draws straight lines
// between its readings, below the curve of the factor by about (a dT)²/12 for a
// step of dT, with a = Ea/R/T²: at 100 kJ/mol and 0.7 K some thousandths of a
// kelvin.
func TestOpenTemperaturesOfALedger(t *testing.T) {
	at, temps := seattle(t)
	fold, err := room.NewFold(room.NewKeys(room.Key{Ea: 50}, room.Key{Ea: 70}, room.Key{Ea: 100}))
	if err != nil {
		t.Fatal(err)
	}
	l := room.NewLedger(fold, func(string) time.Duration { return 2 * time.Hour })
	for i, v := range temps {
		l.Feed(room.Reading{Series: room.Series{Room: "porch", Sensor: "a", Quantity: unit.Temperature}, At: at[i], Value: unit.Temperature.Round(float64(v))})
	}
	end := at[len(at)-1]
	l.Advance(end)
	for _, row := range reference.Published(t, "seattle-hourly.csv") {
		if row["of"] != "year" || row["tau_hours"] != "" {
			continue
		}
		ea := room.AirEa
		if row["energy"] != "" {
			ea = unit.KJPerMol(row.Num(t, "energy"))
		}
		e := l.Between(0, ea, at[0], end)
		got, err := kinetics.EffectiveTemperature(ea, room.Reference, float64(e.Days)/(e.Measured.Hours()/24))
		if err != nil || e.Measured != end.Sub(at[0]) {
			t.Fatal(e, err)
		}
		near(t, fmt.Sprint("effective temperature at ", ea), float64(got), row.Num(t, "effective"), 0.01)
	}
}

// TestOpenTemperaturesAttributed: a lot that stood in that air for the year, in
// a container without lag and with all else as planned, has lost to heat what its
// exposure has beyond plan storage, and to nothing else. By hand, from the
// effective temperature printed for 70 kJ/mol: 8759 hours at 12.5860 °C against
// as many at the plan of 10 °C.
func TestOpenTemperaturesAttributed(t *testing.T) {
	_, temps := seattle(t)
	h := newHouse().by("porch", len(temps), func(i int) room.Slot { return hour(temps[i], 0.5, 0) })
	h.plan["porch"] = 10
	c := plainCatalog()
	c.Foods[0].Modes[0].Ea = exactly(70)
	out := advance(t, reviewer(c, h, noSpells), lotOf("crystals", "bottle", "porch"), after(8759.0/24)).Review(lotOf("crystals", "bottle", "porch"))
	// The life of 1000 days holds at a water activity of 0.5; at 0.4, in a
	// sealed bottle of crystals, it is twice that.
	share := 8759.0 / 24 / 1000 / 2
	near(t, "plain", out.Cost.Plain, share*factor(70, 10), 1e-6)
	near(t, "heat", out.Cost.Lost.Heat, share*(factor(70, 12.5860)-factor(70, 10)), 2e-6)
	near(t, "by all else", out.Cost.Lost.Sum()-out.Cost.Lost.Heat, 0, 1e-12)
	// In days at plan: what the year was hotter than it.
	near(t, "days", out.InDays(out.Cost).Lost.Heat, 8759.0/24*(factor(70, 12.5860)/factor(70, 10)-1), 0.01)
	sum := 0.0
	for _, m := range out.Months {
		sum += m.Cost.Lost.Heat
	}
	near(t, "months", sum, out.Cost.Lost.Heat, 1e-12)
}
