package thermal

import (
	"strings"
	"testing"

	"dryhold/internal/reference"
)

// fourier lists the columns of transient.csv that hold a Fourier number.
func fourier(t *testing.T, r reference.Row) map[string]float64 {
	t.Helper()
	out := map[string]float64{}
	for column := range r {
		if text, ok := strings.CutPrefix(column, "fo_"); ok {
			out[column] = reference.Row{column: text}.Num(t, column)
		}
	}
	if len(out) != 8 {
		t.Fatalf("%d Fourier numbers, want 8", len(out))
	}
	return out
}

func TestCentreAgainstScipy(t *testing.T) {
	rows := reference.Oracle(t, "transient.csv")
	if len(rows) != 24 {
		t.Fatalf("%d bodies, want 24", len(rows))
	}
	for _, r := range rows {
		s, bi := shapeNamed(t, r["shape"]), r.Num(t, "biot")
		name := r["shape"] + " Bi " + r["biot"]
		near(t, name+" root", root(t, s, bi, 1), r.Num(t, "root"), 1e-9)
		for column, fo := range fourier(t, r) {
			near(t, name+" "+column, centre(t, s, bi, fo), r.Num(t, column), 1e-9)
		}
	}
}

// A body with diffusivity 1 m²/h and length 1 m has the Fourier number for its
// hours, and its film for its Biot number.
func TestBodyAgainstScipy(t *testing.T) {
	for _, r := range reference.Oracle(t, "transient.csv") {
		stuff := Stuff{Conductivity: 1, Density: 1, HeatCapacity: 3600, Film: r.Num(t, "biot")}
		f := func(what string, tolerance float64, b Body, err error, want func(share float64) float64) {
			t.Helper()
			if err != nil {
				t.Fatal(err)
			}
			for column, fo := range fourier(t, r) {
				near(t, r["shape"]+" Bi "+r["biot"]+" "+what+" "+column, b.Left(hours(fo)), want(r.Num(t, column)), tolerance)
			}
		}
		same := func(v float64) float64 { return v }
		switch shapeNamed(t, r["shape"]) {
		case Slab:
			b, err := stuff.Slab(1)
			f("slab", 1e-9, b, err, same)
			b, err = stuff.Block(2, 2, 2) // the product of three
			f("cube", 3e-9, b, err, func(v float64) float64 { return v * v * v })
		case Cylinder:
			b, err := stuff.Can(1, 20) // so long that its ends are hardly felt
			f("can", 5e-8, b, err, same)
		default:
			b, err := stuff.Ball(1)
			f("ball", 1e-9, b, err, same)
		}
	}
}

// The committed table is what its script makes: run again wherever python3
// has scipy.
func TestTransientScriptMakesItsTable(t *testing.T) {
	got, want := reference.Rerun(t, "transient.py"), reference.Oracle(t, "transient.csv")
	if len(got) != len(want) {
		t.Fatalf("the script makes %d rows, the table has %d", len(got), len(want))
	}
	for i, r := range want {
		for column := range r {
			if column == "shape" {
				if got[i][column] != r[column] {
					t.Errorf("row %d: %s is not %s", i, got[i][column], r[column])
				}
				continue
			}
			near(t, r["shape"]+" Bi "+r["biot"]+" "+column, got[i].Num(t, column), r.Num(t, column), 1e-9)
		}
	}
}
