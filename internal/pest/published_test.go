package pest

import (
	"bytes"
	"encoding/csv"
	"os"
	"path/filepath"
	"strconv"
	"testing"
)

// row is one line of a published table by column name.
type row map[string]string

// published reads a table of testdata/published, which must name its source
// and its tolerance.
func published(t *testing.T, name string) []row {
	t.Helper()
	data, err := os.ReadFile(filepath.Join("..", "..", "testdata", "published", name))
	if err != nil {
		t.Fatal(err)
	}
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
	var rows []row
	for _, line := range lines[1:] {
		fields := row{}
		for i, column := range lines[0] {
			fields[column] = line[i]
		}
		rows = append(rows, fields)
	}
	return rows
}

// num is a number of the table.
func (r row) num(t *testing.T, column string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(r[column], 64)
	if err != nil {
		t.Fatalf("column %q of %v: %v", column, r, err)
	}
	return v
}
