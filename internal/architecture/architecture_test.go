// Package architecture holds no code: its test keeps the rings of the house.
// Imports go inwards only, the core touches neither clock nor I/O, each
// third-party module has one owner, every package says what it is for.
package architecture

import (
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// ring says where a package stands and which packages beside it in the same
// ring it may import (core packages may import each other downward).
type ring int

const (
	core    ring = 0 // pure: no I/O, no clock, no goroutines
	codec   ring = 1 // bytes to values
	adapter ring = 2 // one technology each; never import each other
	wiring  ring = 3 // app and what runs it
	program ring = 4 // cmd
	support ring = 5 // used by tests only
)

// rings lists every package. A new package must be entered here: that is the
// moment to say where it belongs.
var rings = map[string]ring{
	"internal/unit": core, "internal/nearest": core, "internal/health": core,
	"internal/climate": core, "internal/kinetics": core, "internal/thermal": core,
	"internal/catalog": core, "internal/room": core, "internal/lot": core,
	"internal/alarm": core, "internal/engine": core, "internal/crash": core,
	"internal/sorption": core, "internal/barrier": core, "internal/course": core,
	"internal/pest": core, "internal/mould": core, "internal/germination": core,
	"internal/sensor": core, "internal/audit": core, "internal/review": core, "internal/forecast": core,
	"internal/dispatch": core, "internal/replay": core, "internal/scenario": core, "internal/packing": core,
	"internal/openfiles": codec,
	"config":             codec,
	"internal/wire":      codec, "internal/settings": codec, "internal/secret": codec, "internal/tabular": codec,
	"internal/past": codec, "internal/hub": codec,
	"internal/store": adapter, "internal/intake": adapter, "internal/broker": adapter,
	"internal/notify": adapter, "internal/metrics": adapter, "internal/web": adapter,
	"internal/note":   core,
	"internal/report": adapter, "internal/influx": adapter, "internal/router": adapter,
	"internal/promql": adapter,
	"internal/app":    wiring, "internal/demo": wiring,
	"internal/servertest": support, "internal/intake/mosquittotest": support, "internal/influx/victoriatest": support, "internal/influx/influxdtest": support, "internal/ecosystem": support,
	"internal/web/openapitest": support, "internal/web/chromiumtest": support, "internal/demo/storytest": support,
	"internal/architecture": support, "internal/bench": support, "internal/grafana": support,
	"internal/reference": support,
	"cmd/dryhold":        program,
}

// downward lists, for packages that share a ring, who may import whom.
var downward = map[string][]string{
	"internal/settings": {"internal/wire", "config", "internal/secret"},
	"internal/tabular":  {"internal/wire", "internal/past"},
	"internal/past":     {"internal/wire"},
	"internal/demo":     {"internal/app"},
}

// pure is what a core package may use of the standard library.
var pure = []string{
	"bytes", "cmp", "encoding/binary", "encoding/json", "errors", "fmt", "hash/fnv", "iter", "maps", "math",
	"math/bits", "math/rand/v2", "slices", "sort", "strconv", "strings", "time", "unicode", "unicode/utf8",
}

// owners names the one package that may import each third-party module. A part
// of a module may have an owner of its own: the longest name that fits counts.
var owners = map[string]string{
	"github.com/grafana/grafana-foundation-sdk/go": "internal/grafana",

	"github.com/agnivade/levenshtein":             "internal/nearest",
	"github.com/eclipse/paho.mqtt.golang":         "internal/intake",
	"github.com/mochi-mqtt/server/v2":             "internal/broker",
	"go.etcd.io/bbolt":                            "internal/broker",
	"modernc.org/sqlite":                          "internal/store",
	"github.com/pressly/goose/v3":                 "internal/store",
	"github.com/klauspost/compress":               "internal/store",
	"github.com/prometheus/client_golang":         "internal/metrics",
	"github.com/prometheus/client_golang/api":     "internal/promql",
	"github.com/prometheus/common":                "internal/metrics", // in tests
	"github.com/prometheus/common/model":          "internal/promql",
	"github.com/influxdata/influxdb-client-go/v2": "internal/influx",
	"github.com/wneessen/go-mail":                 "internal/notify",
	"github.com/cenkalti/backoff/v5":              "internal/notify",
	"github.com/nicholas-fedor/shoutrrr":          "internal/notify",
	"github.com/santhosh-tekuri/jsonschema/v6":    "internal/notify", // in tests
	"github.com/goccy/go-yaml":                    "internal/settings",
	"github.com/tidwall/gjson":                    "internal/wire",
	"golang.org/x/crypto":                         "internal/secret",
	"github.com/alexedwards/scs/v2":               "internal/web",
	"github.com/swaggest/jsonschema-go":           "internal/web",
	"github.com/leonelquinteros/gotext":           "internal/web",
	"golang.org/x/text":                           "internal/web",
	"golang.org/x/time":                           "internal/app",
	"github.com/tsenart/vegeta/v12":               "internal/app", // in tests
	"gonum.org/v1/plot":                           "internal/report",
	"codeberg.org/go-pdf/fpdf":                    "internal/report",
	"codeberg.org/go-fonts/liberation":            "internal/report",
	"golang.org/x/image":                          "internal/report",
	"github.com/boombuler/barcode":                "internal/report",
	"github.com/makiuchi-d/gozxing":               "internal/report", // in tests
	"github.com/spf13/cobra":                      "cmd/dryhold",
	"github.com/adrg/xdg":                         "cmd/dryhold",
	"github.com/coreos/go-systemd/v22":            "cmd/dryhold",
}

// clock lists the calls by which package time reaches outside.
var clock = []string{"Now", "Since", "Until", "After", "AfterFunc", "Sleep", "NewTimer", "NewTicker", "Tick", "LoadLocation", "Local"}

// seeded lists what the core may use of math/rand/v2: sources with a seed.
var seeded = []string{"New", "NewPCG", "Rand"}

const (
	maxFileLines     = 450
	maxFunctionLines = 80
)

type source struct {
	pkg, path string
	file      *ast.File
}

func TestHouse(t *testing.T) {
	fset := token.NewFileSet()
	files := parseTree(t, fset)
	documented := map[string]bool{}
	for _, f := range files {
		documented[f.pkg] = documented[f.pkg] || f.file.Doc.Text() != ""
		r, known := rings[f.pkg]
		if !known {
			t.Errorf("%s: package %s is in no ring: enter it in the table of this test", f.path, f.pkg)
			continue
		}
		for _, imp := range f.file.Imports {
			path, err := strconv.Unquote(imp.Path.Value)
			if err != nil {
				t.Fatal(err)
			}
			if why := forbidden(f.pkg, r, path); why != "" {
				t.Errorf("%s imports %s: %s", f.path, path, why)
			}
		}
		for _, fault := range faults(fset, f, r) {
			t.Error(fault)
		}
	}
	for pkg, ok := range documented {
		if !ok {
			t.Errorf("package %s has no package comment", pkg)
		}
	}
}

// parseTree reads every non-test Go file of the module.
func parseTree(t *testing.T, fset *token.FileSet) []source {
	t.Helper()
	root, err := filepath.Abs("../..")
	if err != nil {
		t.Fatal(err)
	}
	var out []source
	err = filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		rel, err := filepath.Rel(root, path)
		if err != nil {
			return err
		}
		if d.IsDir() {
			if rel != "." && (strings.HasPrefix(d.Name(), ".") || d.Name() == "testdata") {
				return filepath.SkipDir
			}
			return nil
		}
		if !strings.HasSuffix(rel, ".go") || strings.HasSuffix(rel, "_test.go") {
			return nil
		}
		file, err := parser.ParseFile(fset, path, nil, parser.ParseComments)
		if err != nil {
			return err
		}
		out = append(out, source{filepath.ToSlash(filepath.Dir(rel)), filepath.ToSlash(rel), file})
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if len(out) < 10 {
		t.Fatalf("only %d Go files found: the walk is wrong", len(out))
	}
	return out
}

// forbidden says why the import is not allowed, or "".
func forbidden(pkg string, r ring, path string) string {
	if inner, ours := strings.CutPrefix(path, "dryhold/"); ours {
		return forbiddenInside(pkg, r, inner)
	}
	if !strings.Contains(strings.Split(path, "/")[0], ".") {
		if r == core && !slices.Contains(pure, path) {
			return "not on the standard library allow-list of the core"
		}
		return ""
	}
	owned := ""
	for module := range owners {
		if (path == module || strings.HasPrefix(path, module+"/")) && len(module) > len(owned) {
			owned = module
		}
	}
	switch {
	case r == support, owned != "" && owners[owned] == pkg:
		return ""
	case owned == "":
		return "third-party module without an owner: enter it in the table of this test"
	}
	return "module is owned by " + owners[owned]
}

func forbiddenInside(pkg string, r ring, inner string) string {
	to, known := rings[inner]
	switch {
	case !known:
		return "package is in no ring"
	case to == support && r != support:
		return "package is for tests"
	case slices.Contains(downward[pkg], inner), r == core && to == core, r == support:
		return ""
	case to == r:
		return "packages of this ring never import each other"
	case to > r:
		return "imports go inwards only"
	}
	return ""
}

// faults lists what the file does that its ring forbids.
func faults(fset *token.FileSet, f source, r ring) []string {
	var out []string
	fault := func(n ast.Node, format string, args ...any) {
		out = append(out, fmt.Sprintf("%s:%d: %s", f.path, fset.Position(n.Pos()).Line, fmt.Sprintf(format, args...)))
	}
	if n := fset.File(f.file.Pos()).LineCount(); n > maxFileLines {
		fault(f.file, "%d lines: is it still one room? at most %d", n, maxFileLines)
	}
	for _, decl := range f.file.Decls {
		switch d := decl.(type) {
		case *ast.FuncDecl:
			if d.Recv == nil && d.Name.Name == "init" {
				fault(d, "init() does hidden work")
			}
			if n := fset.Position(d.End()).Line - fset.Position(d.Pos()).Line; n > maxFunctionLines {
				fault(d, "function %s has %d lines, at most %d", d.Name.Name, n, maxFunctionLines)
			}
		case *ast.GenDecl:
			if d.Tok == token.VAR && !constant(d) {
				fault(d, "mutable package variable")
			}
		}
	}
	ast.Inspect(f.file, func(n ast.Node) bool {
		switch x := n.(type) {
		case *ast.GoStmt:
			if r == core {
				fault(x, "the core starts no goroutines")
			}
		case *ast.SelectorExpr:
			id, ok := x.X.(*ast.Ident)
			if ok && id.Name == "os" && x.Sel.Name == "Exit" && r != program {
				fault(x, "os.Exit outside cmd")
			}
			if ok && id.Name == "rand" && r == core && !slices.Contains(seeded, x.Sel.Name) {
				fault(x, "rand.%s: the core draws from a source with a seed", x.Sel.Name)
			}
			if ok && id.Name == "time" && r == core && slices.Contains(clock, x.Sel.Name) {
				fault(x, "time.%s: the core takes time as an argument", x.Sel.Name)
			}
		}
		return true
	})
	return out
}

// constant reports a var declaration that is one in name only: sentinel
// errors, interface checks and embedded files.
func constant(d *ast.GenDecl) bool {
	embedded := strings.Contains(d.Doc.Text(), "go:embed") || hasEmbed(d.Doc)
	for _, spec := range d.Specs {
		v, ok := spec.(*ast.ValueSpec)
		if !ok {
			return false
		}
		for i, name := range v.Names {
			sentinel := strings.HasPrefix(strings.ToLower(name.Name), "err") && i < len(v.Values)
			if name.Name != "_" && !sentinel && !embedded && !hasEmbed(v.Doc) {
				return false
			}
		}
	}
	return true
}

func hasEmbed(doc *ast.CommentGroup) bool {
	if doc == nil {
		return false
	}
	return slices.ContainsFunc(doc.List, func(c *ast.Comment) bool { return strings.HasPrefix(c.Text, "//go:embed") })
}
