// Package reference reads, for tests, the tables under testdata: published
// values, and vectors that other programs made. It is used by tests only.
package reference

import (
	"bytes"
	"encoding/csv"
	"os"
	"path/filepath"
	"strconv"
	"testing"
)

// Row is one line of a table by column name.
type Row map[string]string

// Num is a number of the row.
func (r Row) Num(t testing.TB, column string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(r[column], 64)
	if err != nil {
		t.Fatalf("column %q of %v: %v", column, r, err)
	}
	return v
}

// Published reads a table of testdata/published.
func Published(t testing.TB, name string) []Row {
	t.Helper()
	return read(t, filepath.Join("..", "..", "testdata", "published", name))
}

// OracleDir is where the vectors and the scripts that made them are.
func OracleDir() string { return filepath.Join("..", "..", "testdata", "oracle") }

// Oracle reads a table of testdata/oracle.
func Oracle(t testing.TB, name string) []Row {
	t.Helper()
	return read(t, filepath.Join(OracleDir(), name))
}

func read(t testing.TB, path string) []Row {
	t.Helper()
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return Parse(t, filepath.Base(path), data)
}

// Parse reads a table, which must name its source and its tolerance.
func Parse(t testing.TB, name string, data []byte) []Row {
	t.Helper()
	for _, want := range []string{"\n# Source: ", "\n# Tolerance: "} {
		if !bytes.Contains(data, []byte(want)) {
			t.Fatalf("%s has no line %q", name, want[1:])
		}
	}
	r := csv.NewReader(bytes.NewReader(data))
	r.Comment = '#'
	lines, err := r.ReadAll()
	if err != nil {
		t.Fatalf("cannot read %s: %v", name, err)
	}
	if len(lines) < 2 {
		t.Fatalf("%s holds no values", name)
	}
	var rows []Row
	for _, line := range lines[1:] {
		fields := Row{}
		for i, column := range lines[0] {
			fields[column] = line[i]
		}
		rows = append(rows, fields)
	}
	return rows
}
