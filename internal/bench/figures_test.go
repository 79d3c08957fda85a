package bench_test

import (
	"bytes"
	"encoding/json"
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"dryhold/internal/bench"
)

// record names a file with what go test -bench printed.
var (
	record  = flag.String("record", "", "a file with what go test -bench printed, to be put into the figures")
	machine = flag.String("machine", "", "the name of the machine among the figures, for -record")
)

const (
	begin = "<!-- figures: made by go test ./internal/bench -run TestFigures -update -->\n"
	end   = "<!-- end of figures -->\n"
)

func figures(t *testing.T) bench.Figures {
	t.Helper()
	data, err := os.ReadFile(inTestdata("figures.json"))
	if err != nil {
		t.Fatal(err)
	}
	f, err := bench.ReadFigures(data)
	if err != nil {
		t.Fatal(err)
	}
	return f
}

// TestFigures holds the table of DEVELOPERS.md against testdata/figures.json.
func TestFigures(t *testing.T) {
	if *record != "" {
		recordFigures(t)
	}
	f := figures(t)
	file := filepath.Join("..", "..", "DEVELOPERS.md")
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	before, rest, ok := strings.Cut(string(text), begin)
	table, after, ok2 := strings.Cut(rest, end)
	if !ok || !ok2 {
		t.Fatalf("DEVELOPERS.md has no lines %q and %q", begin, end)
	}
	if *update {
		if err := os.WriteFile(file, []byte(before+begin+"\n"+f.Table()+"\n"+end+after), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	if diff := cmp.Diff("\n"+f.Table()+"\n", table); diff != "" {
		t.Errorf("DEVELOPERS.md says something else than testdata/figures.json; go test ./internal/bench -run TestFigures -update mends it:\n%s", diff)
	}
}

// recordFigures puts benchmarks into the file.
func recordFigures(t *testing.T) {
	t.Helper()
	printed, err := os.ReadFile(*record)
	if err != nil {
		t.Fatal(err)
	}
	f := figures(t)
	if f.Machines[*machine] == "" {
		t.Fatalf("-machine %q: give one of the machines in testdata/figures.json, or add this one", *machine)
	}
	if n := f.Record(results(t, printed), *machine, time.Now().UTC().Format(time.DateOnly)); n == 0 {
		t.Fatalf("no figure names a benchmark of %s", *record)
	}
	var out bytes.Buffer
	e := json.NewEncoder(&out)
	e.SetEscapeHTML(false)
	e.SetIndent("", "  ")
	if err := e.Encode(f); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(inTestdata("figures.json"), out.Bytes(), 0o644); err != nil {
		t.Fatal(err)
	}
}

// Every bar of the design has a figure or a test, and the file knows which it
// misses.
func TestEveryBarHasAFigure(t *testing.T) {
	have := map[string]bool{}
	for _, f := range figures(t).Figures {
		if have[f.Name] {
			t.Errorf("two figures are named %s", f.Name)
		}
		have[f.Name] = true
		for _, v := range f.Values {
			if v.AtMost != nil && v.AtLeast != nil {
				t.Errorf("%s has a bar on both sides", f.Name)
			}
			if v.Benchmark != "" && len(strings.Fields(v.Benchmark)) != 3 {
				t.Errorf("%s: benchmark %q is not package, name and unit", f.Name, v.Benchmark)
			}
		}
	}
	for _, name := range []string{"intake", "kernel", "rebuild", "reading", "disk", "start", "rest", "review", "kills", "accuracy"} {
		if !have[name] {
			t.Errorf("the bar %q of the design has no figure", name)
		}
	}
}

func TestReadFigures(t *testing.T) {
	f := func(text, wrong string) {
		t.Helper()
		_, err := bench.ReadFigures([]byte(text))
		if err == nil || !strings.Contains(err.Error(), wrong) {
			t.Errorf("error %v, want one with %q", err, wrong)
		}
	}
	f(`{`, "cannot read the figures")
	f(`{"figure": []}`, "unknown field")
	f(`{"figures": [{"name": "x", "what": "x", "date": "2026-01-01"}]}`, `figure 1 ("x"): name, what, command and date`)
	f(`{"figures": [{"name": "x", "what": "x", "command": "x", "date": "2026-01-01", "machine": "m"}]}`, `machine "m" is not among`)
	f(`{"machines": {"m": "one"}, "figures": [{"name": "x", "what": "x", "command": "x", "date": "2026-01-01", "machine": "m"}]}`, "must have a value, or say why")
}

func TestTableAndRecord(t *testing.T) {
	two, ten := 2.0, 10000.0
	f := bench.Figures{Machines: map[string]string{"m": "one of two cores"}, Figures: []bench.Figure{{
		Name: "x", What: "what", Command: "-bench 'X|Y' ./x", Beside: "beside", Machine: "m", Date: "2026-01-02",
		Values: []bench.Value{
			{Value: 1.5, Unit: "ns", Of: "each", AtMost: &two, Benchmark: "internal/x BenchmarkX/1 ns/op", Scale: 0.001},
			{Value: 12345.5, Unit: "messages/s", AtLeast: &ten},
			{Value: -1234567, Unit: "B"},
		},
	}}}
	const head = "| what | figure | bar | yardstick beside it | measured |\n|---|---|---|---|---|\n"
	const foot = "\nMachines: m, one of two cores.\n"
	want := head + "| what (`-bench 'X\\|Y' ./x`) | each: 1.5 ns; 12,345.5 messages/s; -1,234,567 B | at most 2 ns; at least 10,000 messages/s | beside | 2026-01-02, m |\n" + foot
	if diff := cmp.Diff(want, f.Table()); diff != "" {
		t.Error(diff)
	}
	r, err := bench.ParseResults(strings.NewReader("pkg: dryhold/internal/x\nBenchmarkX/1-2 1 2345.67 ns/op\nBenchmarkX/1-2 1 2399 ns/op\nBenchmarkZ 1 2 ns/op\n"))
	if err != nil {
		t.Fatal(err)
	}
	if n := f.Record(r, "m", "2026-03-04"); n != 1 || f.Figures[0].Date != "2026-03-04" || f.Figures[0].Values[0].Value != 2.35 {
		t.Errorf("%d recorded: %+v", n, f.Figures[0])
	}
	if v := f.Figures[0].Values[0]; v.Met() || !strings.Contains(f.Table(), "at most 2 ns: **missed**") {
		t.Errorf("%+v is said to be met: %s", v, f.Table())
	}
}
