package bench_test

import (
	"bytes"
	"context"
	"flag"
	"fmt"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"dryhold/internal/bench"
)

// update, given on the command line, writes what a test compares with.
var update = flag.Bool("update", false, "write the baseline, or the table of figures, instead of comparing with it")

// runEnv, set to 1, has TestBaseline measure; .ci/benchmarks sets it.
const runEnv = "DRYHOLD_TEST_BENCHMARKS"

func inTestdata(name string) string { return filepath.Join("..", "..", "testdata", name) }

// TestBaseline holds BenchmarkWork against testdata/benchmarks.txt: allocations,
// bytes allocated, and the instructions that valgrind counts. It writes what it
// measured to build/benchmarks.txt, for benchstat.
func TestBaseline(t *testing.T) {
	if os.Getenv(runEnv) != "1" {
		t.Skipf("measures for a minute or two: set %s=1, or run .ci/benchmarks", runEnv)
	}
	valgrind, err := exec.LookPath("valgrind")
	if err != nil {
		t.Fatal("valgrind, which counts instructions, is missing: install Debian's valgrind")
	}
	text := measured(t, valgrind)
	file := inTestdata("benchmarks.txt")
	if *update {
		if err := os.WriteFile(file, text, 0o644); err != nil {
			t.Fatal(err)
		}
	} else if err := os.MkdirAll(inTestdata("../build"), 0o755); err != nil {
		t.Fatal(err)
	} else if err := os.WriteFile(inTestdata("../build/benchmarks.txt"), text, 0o644); err != nil {
		t.Fatal(err)
	}
	f, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	worse, better := bench.Regressions(results(t, f), results(t, text))
	for _, line := range worse {
		t.Error(line)
	}
	for _, line := range better {
		t.Log("better:", line)
	}
	if len(worse) > 0 {
		t.Log("if that is as it must be, make the baseline again: bash .ci/benchmarks -update")
	} else if len(better) > 0 {
		t.Log("make the baseline again, so that this stays: bash .ci/benchmarks -update")
	}
}

func results(t *testing.T, text []byte) bench.Results {
	t.Helper()
	out, err := bench.ParseResults(bytes.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	if len(out.Lines) == 0 {
		t.Fatalf("no benchmark in %.500s", text)
	}
	return out
}

// measured is the benchmark format of all of BenchmarkWork: what it allocates,
// by a usual run, and what it executes, each portion by itself under valgrind.
func measured(t *testing.T, valgrind string) []byte {
	t.Helper()
	plain := results(t, again(t, nil, "^BenchmarkWork$", "20x", "-test.count=3"))
	least := plain.Least()
	names := slices.Sorted(maps.Keys(least))
	counts := make([]float64, len(names))
	var wait sync.WaitGroup
	for worker := range 2 { // a count does not depend on what runs beside it
		wait.Go(func() {
			for i := worker; i < len(names); i += 2 {
				if !syncs(names[i]) {
					counts[i] = instructions(t, valgrind, names[i])
				}
			}
		})
	}
	wait.Wait()
	var out bytes.Buffer
	out.WriteString("# Least of three runs, and by valgrind --tool=cachegrind; made by: bash .ci/benchmarks -update\npkg: dryhold/internal/bench\n")
	for i, name := range names {
		fmt.Fprintf(&out, "%s 1 %.0f B/op %.0f allocs/op", name, least[name]["B/op"], least[name]["allocs/op"])
		if !syncs(name) {
			fmt.Fprintf(&out, " %.0f instructions/op", counts[i])
		}
		out.WriteByte('\n')
	}
	return out.Bytes()
}

// syncs reports what waits for the disk: Go's scheduler looks for other work
// meanwhile, so that the instructions depend on how long that takes, by a fifth on
// a busy disk.
func syncs(name string) bool {
	return name == "BenchmarkWork/commit-20-messages" || name == "BenchmarkWork/reading-10-lots"
}

// instructions is what one round of a benchmark executes: the difference between
// two runs that differ in their rounds, so that start and preparation drop out.
func instructions(t *testing.T, valgrind, name string) float64 {
	const few = 1
	more := few + 3
	switch name { // what is so little that start and end of a process would be seen in it
	case "BenchmarkWork/decode-message":
		more = few + 1000
	case "BenchmarkWork/kernel-day-8-energies", "BenchmarkWork/course-of-room":
		more = few + 50
	}
	pattern := "^" + strings.ReplaceAll(name, "/", "$/^") + "$"
	count := func(rounds int) float64 {
		out := again(t, []string{valgrind, "--tool=cachegrind", "--cache-sim=no", "--cachegrind-out-file=/dev/null"}, pattern, strconv.Itoa(rounds)+"x")
		m := regexp.MustCompile(`I\s+refs:\s+([0-9,]+)`).FindSubmatch(out)
		if m == nil {
			t.Errorf("valgrind counts nothing: %.2000s", out)
			return 0
		}
		n, err := strconv.ParseFloat(strings.ReplaceAll(string(m[1]), ",", ""), 64)
		if err != nil {
			t.Error(err)
		}
		return n
	}
	return (count(more) - count(few)) / float64(more-few)
}

// again runs benchmarks in a process of their own, by one processor and without a
// garbage collector, which would both add what changes from run to run.
func again(t *testing.T, before []string, pattern, rounds string, args ...string) []byte {
	ctx, cancel := context.WithTimeout(t.Context(), 10*time.Minute)
	defer cancel()
	line := slices.Concat(before, []string{os.Args[0], "-test.run=^$", "-test.bench=" + pattern, "-test.benchmem", "-test.benchtime=" + rounds}, args)
	cmd := exec.CommandContext(ctx, line[0], line[1:]...)
	cmd.Env = append(os.Environ(), "GOMAXPROCS=1", "GOGC=off", runEnv+"=")
	out, err := cmd.CombinedOutput()
	if err != nil {
		t.Errorf("%v: %v\n%s", line, err, out)
	}
	return out
}
