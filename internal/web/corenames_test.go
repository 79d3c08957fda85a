package web

import (
	"go/ast"
	"go/parser"
	"go/token"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"dryhold/internal/alarm"
	"dryhold/internal/audit"
	"dryhold/internal/barrier"
	"dryhold/internal/lot"
	"dryhold/internal/packing"
	"dryhold/internal/settings"
	"dryhold/internal/unit"
)

// coreNames lists the names that the core gives and the pages translate: what
// they hand to word.
func coreNames(t *testing.T) []string {
	t.Helper()
	var out []string
	add := func(names ...string) { out = append(out, names...) }
	for m := time.January; m <= time.December; m++ {
		add(m.String(), m.String()[:3])
	}
	add(constantsOf(t, "../alarm", "State")...)
	add(constantsOf(t, "../packing", "Verdict", "Salt")...)
	for _, title := range titlesOf(t, "../packing") {
		add(title)
	}
	add(packing.Closures()...)
	add(packing.Contents()...)
	add(string(lot.Absorber), string(lot.FreezeThaw), string(lot.NoTreatment), string(lot.LeakHeld), string(lot.LeakFound),
		string(lot.OpenShelf), string(lot.Boxed), string(lot.DarkRoom))
	add(barrier.Assumed.String(), barrier.Verified.String(), barrier.Failed.String())
	add("low oxygen", "air", "no treatment", "freezing complete, as seen at the core", "freeze-thaw as the keeper says; no freezer was watched, so it counts as not complete")
	for _, q := range lot.RoundQuestions() {
		add(q.Text, q.Found, q.Act)
	}
	for _, q := range unit.Quantities() {
		add(q.String())
	}
	for _, do := range alarm.Acts() {
		add(audit.AlarmWords(do, time.Time{}))
	}
	c, err := settings.Catalog()
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range c.Foods {
		add(f.Name, f.Limit)
		for _, m := range f.Modes {
			add(m.Name)
		}
	}
	for _, x := range c.Containers {
		add(x.Name)
	}
	slices.Sort(out)
	return slices.DeleteFunc(slices.Compact(out), func(s string) bool { return s == "" })
}

// constantsOf lists the values of the constants of some types of a package.
func constantsOf(t *testing.T, dir string, types ...string) []string {
	t.Helper()
	return valuesOf(t, dir, func(name string, v *ast.ValueSpec) bool {
		x, ok := v.Type.(*ast.Ident)
		return ok && slices.Contains(types, x.Name)
	})
}

// titlesOf lists the titles of the sections of an advice.
func titlesOf(t *testing.T, dir string) []string {
	t.Helper()
	return append(valuesOf(t, dir, func(name string, _ *ast.ValueSpec) bool { return strings.HasPrefix(name, "title") }), "Wash", "Sanitise", "Dry")
}

func valuesOf(t *testing.T, dir string, want func(name string, v *ast.ValueSpec) bool) (out []string) {
	t.Helper()
	files, err := filepath.Glob(filepath.Join(dir, "*.go"))
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range files {
		file, err := parser.ParseFile(token.NewFileSet(), name, nil, parser.SkipObjectResolution)
		if err != nil {
			t.Fatal(err)
		}
		ast.Inspect(file, func(n ast.Node) bool {
			v, ok := n.(*ast.ValueSpec)
			for i := 0; ok && i < len(v.Values); i++ {
				if text, plain := literal(v.Values[i], nil); plain && want(v.Names[i].Name, v) {
					out = append(out, text)
				}
			}
			return true
		})
	}
	if len(out) == 0 {
		t.Fatalf("%s has none of the names that are looked for", dir)
	}
	return out
}
