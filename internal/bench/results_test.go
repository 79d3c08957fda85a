package bench_test

import (
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"dryhold/internal/bench"
)

func TestParseResults(t *testing.T) {
	f := func(text string, want bench.Results, wrong string) {
		t.Helper()
		got, err := bench.ParseResults(strings.NewReader(text))
		if wrong != "" {
			if err == nil || !strings.Contains(err.Error(), wrong) {
				t.Errorf("error %v, want one with %q", err, wrong)
			}
			return
		}
		if diff := cmp.Diff(want, got); err != nil || diff != "" {
			t.Errorf("error %v, difference %s", err, diff)
		}
	}
	f("", bench.Results{}, "")
	f("PASS\nok dryhold/internal/x 1s\nBenchmarkX\n", bench.Results{}, "")
	f("goos: linux\npkg: dryhold/internal/x\ncpu: A B\nBenchmarkX/a=-1-2  \t 20\t 3.5 ns/op\t 0 B/op\n", bench.Results{CPU: "A B", Lines: []bench.Result{
		{Package: "internal/x", Name: "BenchmarkX/a=-1", Values: map[string]float64{"ns/op": 3.5, "B/op": 0}},
	}}, "")
	f("BenchmarkX 20 3,5 ns/op\n", bench.Results{}, `line 1: BenchmarkX takes "3,5" of ns/op`)
}

func FuzzParseResults(f *testing.F) {
	f.Add("pkg: x\ncpu: y\nBenchmarkX/a-2 1 2 ns/op 3 B/op\n")
	f.Add("BenchmarkX 1 NaN ns/op")
	f.Fuzz(func(t *testing.T, text string) {
		if out, err := bench.ParseResults(strings.NewReader(text)); err == nil {
			bench.Regressions(out, out)
		}
	})
}

func TestRegressions(t *testing.T) {
	f := func(before, after string, worse, better []string) {
		t.Helper()
		of := func(text string) bench.Results {
			out, err := bench.ParseResults(strings.NewReader(text))
			if err != nil {
				t.Fatal(err)
			}
			return out
		}
		w, b := bench.Regressions(of(before), of(after))
		if diff := cmp.Diff([][]string{worse, better}, [][]string{w, b}); diff != "" {
			t.Error(diff)
		}
	}
	const was = "BenchmarkX 1 100000 B/op 100 allocs/op 1000000 instructions/op 5 ns/op\n"
	f(was, was, nil, nil)
	f(was, "BenchmarkX 1 119000 B/op 119 allocs/op 1190000 instructions/op 500 ns/op\n", nil, nil)
	f(was, "BenchmarkX 1 121000 B/op 100 allocs/op 1000000 instructions/op\n",
		[]string{"BenchmarkX: 121000 B/op, the baseline has 100000 (+21 %)"}, nil)
	f(was, "BenchmarkX 1 100000 B/op 121 allocs/op 1210000 instructions/op\n",
		[]string{"BenchmarkX: 121 allocs/op, the baseline has 100 (+21 %)", "BenchmarkX: 1210000 instructions/op, the baseline has 1000000 (+21 %)"}, nil)
	f(was, "BenchmarkX 1 100000 B/op 100 allocs/op 700000 instructions/op\n",
		nil, []string{"BenchmarkX: 700000 instructions/op, the baseline has 1000000 (-30 %)"})
	f(was, "BenchmarkX 1 900000 B/op 100 allocs/op 1000000 instructions/op\nBenchmarkX 1 100000 B/op 100 allocs/op 1000000 instructions/op\n", nil, nil)
	f(was, "BenchmarkX 1 100000 B/op 100 allocs/op\n", []string{"BenchmarkX: no instructions/op measured, the baseline has 1000000"}, nil)
	f(was, "BenchmarkY 1 1 B/op\n", []string{
		"BenchmarkX: no B/op measured, the baseline has 100000", "BenchmarkX: no allocs/op measured, the baseline has 100",
		"BenchmarkX: no instructions/op measured, the baseline has 1000000", "BenchmarkY: not in the baseline",
	}, nil)
	f("BenchmarkX 1 0 allocs/op\n", "BenchmarkX 1 5 allocs/op\n", nil, nil)
	f("BenchmarkX 1 0 allocs/op\n", "BenchmarkX 1 6 allocs/op\n", []string{"BenchmarkX: 6 allocs/op, the baseline has 0 (+Inf %)"}, nil)
}
