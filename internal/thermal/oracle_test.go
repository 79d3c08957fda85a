package thermal

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

var oracleDir = filepath.Join("..", "..", "testdata", "oracle")

// fourier lists the columns of transient.csv that hold a Fourier number.
func fourier(t *testing.T, r row) map[string]float64 {
	t.Helper()
	out := map[string]float64{}
	for column := range r {
		if text, ok := strings.CutPrefix(column, "fo_"); ok {
			out[column] = row{column: text}.num(t, column)
		}
	}
	if len(out) != 8 {
		t.Fatalf("%d Fourier numbers, want 8", len(out))
	}
	return out
}

func TestCentreAgainstScipy(t *testing.T) {
	rows := table(t, filepath.Join(oracleDir, "transient.csv"))
	if len(rows) != 24 {
		t.Fatalf("%d bodies, want 24", len(rows))
	}
	for _, r := range rows {
		s, bi := shapeNamed(t, r["shape"]), r.num(t, "biot")
		name := r["shape"] + " Bi " + r["biot"]
		near(t, name+" root", root(t, s, bi, 1), r.num(t, "root"), 1e-9)
		for column, fo := range fourier(t, r) {
			near(t, name+" "+column, centre(t, s, bi, fo), r.num(t, column), 1e-9)
		}
	}
}

// A body with diffusivity 1 m²/h and length 1 m has the Fourier number for its
// hours, and its film for its Biot number.
func TestBodyAgainstScipy(t *testing.T) {
	for _, r := range table(t, filepath.Join(oracleDir, "transient.csv")) {
		stuff := Stuff{Conductivity: 1, Density: 1, HeatCapacity: 3600, Film: r.num(t, "biot")}
		f := func(what string, tolerance float64, b Body, err error, want func(share float64) float64) {
			t.Helper()
			if err != nil {
				t.Fatal(err)
			}
			for column, fo := range fourier(t, r) {
				near(t, r["shape"]+" Bi "+r["biot"]+" "+what+" "+column, b.Left(hours(fo)), want(r.num(t, column)), tolerance)
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
	python := scipy(t)
	cmd := exec.Command(python, "transient.py")
	cmd.Dir = oracleDir
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("cannot run transient.py: %v", err)
	}
	path := filepath.Join(t.TempDir(), "transient.csv")
	if err := os.WriteFile(path, out, 0o600); err != nil {
		t.Fatal(err)
	}
	got, want := table(t, path), table(t, filepath.Join(oracleDir, "transient.csv"))
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
			near(t, r["shape"]+" Bi "+r["biot"]+" "+column, got[i].num(t, column), r.num(t, column), 1e-9)
		}
	}
}

// scipy finds a python3 that has it, Debian's own first.
func scipy(t *testing.T) string {
	t.Helper()
	for _, python := range []string{"/usr/bin/python3", "python3"} {
		if exec.Command(python, "-c", "import scipy.integrate").Run() == nil {
			return python
		}
	}
	const why = "no python3 with scipy here (Debian package python3-scipy)"
	if os.Getenv("DRYHOLD_TEST_SERVERS") == "1" {
		t.Fatal(why)
	}
	t.Skip(why)
	return ""
}
