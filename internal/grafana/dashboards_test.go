package grafana

import (
	"flag"
	"os"
	"path/filepath"
	"testing"

	"github.com/google/go-cmp/cmp"
)

var update = flag.Bool("update", false, "write the dashboards anew")

// where the dashboards stand.
const where = "../../dashboards"

// The files are what the code makes, and there are no others.
func TestDashboards(t *testing.T) {
	made, err := Dashboards()
	if err != nil {
		t.Fatal(err)
	}
	known := map[string]bool{}
	for _, f := range made {
		path := filepath.Join(where, f.Path)
		known[path] = true
		if *update {
			if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
				t.Fatal(err)
			}
			if err := os.WriteFile(path, f.JSON, 0o644); err != nil {
				t.Fatal(err)
			}
		}
		got, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		if d := cmp.Diff(string(got), string(f.JSON)); d != "" {
			t.Errorf("%s differs from the code, run with -update (-file +code):\n%s", f.Path, d)
		}
	}
	for _, dir := range []source{prometheusSource, influxSource} {
		there, err := filepath.Glob(filepath.Join(where, string(dir), "*"))
		if err != nil {
			t.Fatal(err)
		}
		for _, path := range there {
			if !known[path] {
				t.Errorf("%s is not made by the code: delete it", path)
			}
		}
	}
	if len(made) != 10 {
		t.Errorf("%d dashboards", len(made))
	}
}
