package reference

import (
	"context"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"
)

// Rerun makes a table of testdata/oracle again by its script. Without a
// python3 that has scipy it skips the test, or fails it where
// DRYHOLD_TEST_SERVERS=1 says that nothing may be skipped.
func Rerun(t testing.TB, script string) []Row {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 5*time.Minute)
	defer cancel()
	return Parse(t, "output of "+script, run(ctx, t, OracleDir(), script))
}

// Figure runs a script of testdata/figures, a yardstick by another program, and
// gives what it prints. It skips or fails as Rerun does.
func Figure(t testing.TB, script string) []byte {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 5*time.Minute)
	defer cancel()
	return run(ctx, t, filepath.Join("..", "..", "testdata", "figures"), script)
}

func run(ctx context.Context, t testing.TB, dir, script string) []byte {
	t.Helper()
	cmd := exec.CommandContext(ctx, scipy(ctx, t), script)
	cmd.Dir, cmd.Stderr = dir, os.Stderr
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("cannot run %s: %v", script, err)
	}
	return out
}

// scipy finds the interpreter: Debian's own, or the one on the path, which
// may be another.
func scipy(ctx context.Context, t testing.TB) string {
	t.Helper()
	for _, python := range []string{"/usr/bin/python3", "python3"} {
		if exec.CommandContext(ctx, python, "-c", "import scipy.integrate").Run() == nil {
			return python
		}
	}
	const why = "no python3 with scipy found (Debian: apt-get install python3-scipy)"
	if os.Getenv("DRYHOLD_TEST_SERVERS") == "1" {
		t.Fatal(why)
	}
	t.Skip(why)
	return ""
}
