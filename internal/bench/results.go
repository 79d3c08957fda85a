package bench

import (
	"bufio"
	"fmt"
	"io"
	"regexp"
	"strconv"
	"strings"
)

// Result is one line of Go's benchmark format: what one benchmark took, by unit.
type Result struct {
	Package, Name string
	Values        map[string]float64
}

// Results are lines of Go's benchmark format with what they say of the machine.
type Results struct {
	CPU   string
	Lines []Result
}

// ParseResults reads what go test -bench prints; lines of another kind are passed
// over. The number of processors behind a name is left out, since the figures
// that are compared do not depend on it. The format:
// https://go.googlesource.com/proposal/+/master/design/14313-benchmark-format.md
func ParseResults(r io.Reader) (out Results, err error) {
	processors := regexp.MustCompile(`-\d+$`)
	pkg := ""
	lines := bufio.NewScanner(r)
	for n := 1; lines.Scan(); n++ {
		text := lines.Text()
		if v, ok := strings.CutPrefix(text, "pkg: "); ok {
			pkg = v
		}
		if v, ok := strings.CutPrefix(text, "cpu: "); ok {
			out.CPU = v
		}
		fields := strings.Fields(text)
		if len(fields) < 4 || len(fields)%2 != 0 || !strings.HasPrefix(fields[0], "Benchmark") {
			continue
		}
		line := Result{Package: strings.TrimPrefix(pkg, "dryhold/"), Name: processors.ReplaceAllString(fields[0], ""), Values: map[string]float64{}}
		for i := 2; i < len(fields); i += 2 {
			v, err := strconv.ParseFloat(fields[i], 64)
			if err != nil {
				return out, fmt.Errorf("line %d: %s takes %q of %s, which is no number", n, line.Name, fields[i], fields[i+1])
			}
			line.Values[fields[i+1]] = v
		}
		out.Lines = append(out.Lines, line)
	}
	if err := lines.Err(); err != nil {
		return out, fmt.Errorf("cannot read benchmarks: %w", err)
	}
	return out, nil
}

// Least gives, by name, the least of each unit over the lines of a benchmark.
func (r Results) Least() map[string]map[string]float64 {
	out := map[string]map[string]float64{}
	for _, line := range r.Lines {
		known := out[line.Name]
		if known == nil {
			known = map[string]float64{}
			out[line.Name] = known
		}
		for unit, v := range line.Values {
			if least, any := known[unit]; !any || v < least {
				known[unit] = v
			}
		}
	}
	return out
}
