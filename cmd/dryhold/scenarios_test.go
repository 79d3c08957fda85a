package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

func TestCheckScenarios(t *testing.T) {
	hot := "../../config/scenarios/hot-day.yaml"
	shipped, err := filepath.Glob("../../config/scenarios/*.yaml")
	if err != nil || len(shipped) < 3 {
		t.Fatalf("%v scenarios are shipped, want at least 3: %v", shipped, err)
	}
	got, code := call(t, append([]string{"check", "--scenarios"}, shipped...)...)
	if code != 0 || !strings.Contains(got, "pass  "+hot+":") || strings.Contains(got, "FAIL") {
		t.Errorf("exit %d:\n%s", code, got)
	}
	src, err := os.ReadFile(hot)
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	write := func(name, old, new string) string {
		t.Helper()
		text := strings.Replace(string(src), old, new, 1)
		if text == string(src) {
			t.Fatalf("the example has no %q any more", old)
		}
		file := filepath.Join(dir, name)
		if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return file
	}
	missed := write("missed.yaml", "warm/loft, raised: 1}", "warm/loft, raised: 2}")
	got, code = call(t, "check", "--scenarios", missed)
	if code != 1 || !strings.Contains(got, "FAIL  "+missed+":") || !strings.Contains(got, "found 1: Sat 11 Jul") || !strings.Contains(got, "1 of 7 expectations failed") {
		t.Errorf("exit %d:\n%s", code, got)
	}
	wrong := write("wrong.yaml", "length: 4d", "length: four")
	got, code = call(t, "check", "--scenarios", wrong, missed)
	if code != 1 || !strings.Contains(got, wrong+":12:9: length must be a span of time") || strings.Contains(got, "FAIL") {
		t.Errorf("exit %d:\n%s", code, got)
	}
	if got, code = call(t, "check", "--scenarios"); code != 2 || !strings.Contains(got, "wants files") {
		t.Errorf("without a file: exit %d: %s", code, got)
	}
}
