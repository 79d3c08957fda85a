// Licenses prints the licences of all that a program was linked from: Go
// itself, each module the program says it holds, and the files of others among
// our own. It fails where one has none.
//
//	go run ./licenses DIR-OF-THE-MODULE PROGRAM [DIR-WITH-LICENSE...]
package main

import (
	"bytes"
	"debug/buildinfo"
	"encoding/json"
	"fmt"
	"log"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
)

func main() {
	log.SetFlags(0)
	if len(os.Args) < 3 {
		log.Fatal("usage: licenses MODULE-DIR PROGRAM [DIR...]")
	}
	out, err := all(os.Args[1], os.Args[2], os.Args[3:])
	if err != nil {
		log.Fatalf("licenses: %v", err)
	}
	if _, err := os.Stdout.Write(out); err != nil {
		log.Fatal(err)
	}
}

func all(module, program string, more []string) ([]byte, error) {
	info, err := buildinfo.ReadFile(program)
	if err != nil {
		return nil, fmt.Errorf("%s does not say what it was made of: %w", program, err)
	}
	var b bytes.Buffer
	fmt.Fprintf(&b, "dryhold is linked from Go and the modules below, each under its own licence.\n")
	if err := add(&b, "The Go standard library", info.GoVersion, goRoot()); err != nil {
		return nil, err
	}
	for _, dep := range info.Deps {
		if dep.Replace != nil {
			dep = dep.Replace
		}
		dir, err := folder(module, dep.Path, dep.Version)
		if err != nil {
			return nil, err
		}
		if err := add(&b, dep.Path, dep.Version, dir); err != nil {
			return nil, err
		}
	}
	for _, dir := range more {
		if err := add(&b, filepath.Base(dir), "", dir); err != nil {
			return nil, err
		}
	}
	return b.Bytes(), nil
}

// goRoot holds Go's licence; Debian's Go keeps it elsewhere.
func goRoot() string {
	out, err := exec.Command("go", "env", "GOROOT").Output()
	if err != nil {
		return runtime.GOROOT()
	}
	return strings.TrimSpace(string(out))
}

func folder(module, path, version string) (string, error) {
	c := exec.Command("go", "mod", "download", "-json", path+"@"+version)
	c.Dir = module
	out, err := c.Output()
	if err != nil {
		return "", fmt.Errorf("cannot find %s %s: %w", path, version, err)
	}
	var m struct{ Dir string }
	if err := json.Unmarshal(out, &m); err != nil {
		return "", fmt.Errorf("cannot find %s: %w", path, err)
	}
	return m.Dir, nil
}

func add(b *bytes.Buffer, name, version, dir string) error {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return fmt.Errorf("%s: %w", name, err)
	}
	var files []string
	for _, e := range entries {
		upper := strings.ToUpper(e.Name())
		for _, begins := range []string{"LICENSE", "LICENCE", "COPYING", "NOTICE", "UNLICENSE"} {
			if !e.IsDir() && strings.HasPrefix(upper, begins) && !strings.HasSuffix(upper, ".GO") {
				files = append(files, e.Name())
				break
			}
		}
	}
	if len(files) == 0 {
		return fmt.Errorf("%s %s has no licence in %s", name, version, dir)
	}
	slices.Sort(files)
	for _, f := range files {
		text, err := os.ReadFile(filepath.Join(dir, f))
		if err != nil {
			return err
		}
		fmt.Fprintf(b, "\n%s\n%s %s: %s\n%s\n\n%s\n", strings.Repeat("=", 78), name, version, f, strings.Repeat("=", 78), bytes.TrimSpace(text))
	}
	return nil
}
