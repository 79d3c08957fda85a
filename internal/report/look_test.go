package report

import (
	"os"
	"path/filepath"
	"testing"
)

// TestLook writes every format of the invented review to the folder that
// DRYHOLD_TEST_REPORT names, to be looked at.
func TestLook(t *testing.T) {
	dir := os.Getenv("DRYHOLD_TEST_REPORT")
	if dir == "" {
		dir = t.TempDir()
	}
	for _, f := range Formats() {
		out, err := os.Create(filepath.Join(dir, "review."+string(f)))
		if err != nil {
			t.Fatal(err)
		}
		if err := Write(out, larchHouse(t, 365), f); err != nil {
			t.Error(err)
		}
		if err := out.Close(); err != nil {
			t.Error(err)
		}
	}
}
