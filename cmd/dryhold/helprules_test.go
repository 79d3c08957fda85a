package main

import (
	"flag"
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"
	"unicode"
	"unicode/utf8"

	"github.com/google/go-cmp/cmp"

	"dryhold/internal/alarm"
	"dryhold/internal/settings"
)

var updateManual = flag.Bool("update", false, "write the parts of the manual that are made from elsewhere")

// made holds that what stands between two comments of a topic is text, or puts
// it there.
func made(t *testing.T, topic, name, text string) {
	t.Helper()
	file := filepath.Join("..", "..", "config", "manual", topic+".md")
	src, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	head, rest, begun := strings.Cut(string(src), "<!-- "+name+": ")
	words, rest, closed := strings.Cut(rest, "-->\n")
	_, tail, ended := strings.Cut(rest, "<!-- end of "+name+" -->")
	if !begun || !closed || !ended {
		t.Fatalf("%s has no place for %s", file, name)
	}
	want := head + "<!-- " + name + ": " + words + "-->\n\n" + text + "\n<!-- end of " + name + " -->" + tail
	if want == string(src) {
		return
	}
	if *updateManual {
		if err := os.WriteFile(file, []byte(want), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	t.Errorf("%s is behind: go test ./cmd/dryhold -run %s -update\n%s", file, t.Name(), cmp.Diff(string(src), want))
}

// TestDefaultRules makes the table of default rules from the rules, and their
// reasons from the comments beside them.
func TestDefaultRules(t *testing.T) {
	var b strings.Builder
	b.WriteString("| alarm | of | limit | deadband | raised after | over after | priority | window |\n|---|---|---|---|---|---|---|---|\n")
	rules := append(settings.DefaultRules(), settings.SiteRules()...)
	for _, r := range rules {
		fmt.Fprintf(&b, "| %s | %s | %s | %s | %s | %s | %s | %s |\n", r.Kind, scopeOf(r.Kind),
			limitOf(r), deadbandOf(r), asWritten(r.OnDelay), asWritten(r.OffDelay), r.Priority, windowOf(r))
	}
	b.WriteString("\nThe reasons:\n\n")
	why := reasons(t)
	for _, r := range rules {
		if why[r.Kind] == "" {
			t.Errorf("%s has no reason: write one beside its rule in internal/settings", r.Kind)
		}
		fmt.Fprintf(&b, "- **%s**: %s\n", r.Kind, why[r.Kind])
	}
	made(t, "alarms", "rules", b.String())
}

// TestValidationSummary takes the summary of the validation into the manual.
func TestValidationSummary(t *testing.T) {
	src, err := os.ReadFile(filepath.Join("..", "..", "testdata", "validation.md"))
	if err != nil {
		t.Fatal(err)
	}
	_, rest, found := strings.Cut(string(src), "\n## Summary\n")
	summary, _, closed := strings.Cut(rest, "\n## ")
	if !found || !closed {
		t.Fatal("testdata/validation.md has no summary")
	}
	// Items of one line, as the manual has them.
	made(t, "science", "validation", strings.ReplaceAll(strings.TrimSpace(summary), "\n  ", " ")+"\n")
}

func scopeOf(k alarm.Kind) string {
	return map[alarm.Scope]string{alarm.OfRoom: "room", alarm.OfSensor: "sensor", alarm.OfLot: "lot", alarm.OfSite: "site"}[k.Scope()]
}

// limitOf writes a limit as a configuration does.
func limitOf(r alarm.Rule) string {
	switch r.Kind {
	case alarm.Warm, alarm.Hot:
		return figure(r.Limit) + " C"
	case alarm.Condensing, alarm.Spike, alarm.Drift, alarm.Disagree:
		return figure(r.Limit) + " K"
	case alarm.Bright:
		return figure(r.Limit) + " lx"
	case alarm.Ageing:
		return figure(r.Limit) + " d a day"
	case alarm.Silent, alarm.Stuck, alarm.HoursOver, alarm.RoundDue, alarm.HoldIncomplete, alarm.Clock, alarm.Export, alarm.Delivery:
		return asWritten(time.Duration(r.Limit) * time.Second)
	case alarm.MoistureAmber, alarm.MoistureRed:
		return "line of the food"
	case alarm.HoldComplete:
		return ""
	case alarm.CalibrationDue:
		return "its date"
	case alarm.Disk:
		return figure(r.Limit/1e6) + " MB"
	}
	return figure(r.Limit*100) + " %"
}

func deadbandOf(r alarm.Rule) string {
	switch {
	case r.Deadband == 0:
		return ""
	case r.Kind == alarm.Warm || r.Kind == alarm.Hot:
		return figure(r.Deadband) + " K"
	case r.Kind == alarm.MoistureAmber || r.Kind == alarm.MoistureRed:
		return figure(r.Deadband)
	}
	band := r
	band.Limit = r.Deadband
	return limitOf(band)
}

func windowOf(r alarm.Rule) string {
	if r.Over != 0 {
		return asWritten(r.Window) + ", over " + figure(r.Over) + " C"
	}
	return asWritten(r.Window)
}

func figure(v float64) string { return strconv.FormatFloat(v, 'g', 6, 64) }

// asWritten writes a span of time as a configuration does; none is empty.
func asWritten(d time.Duration) string {
	switch {
	case d == 0:
		return ""
	case d > 24*time.Hour && d%(24*time.Hour) == 0:
		return fmt.Sprintf("%dd", d/(24*time.Hour))
	case d%time.Hour == 0:
		return fmt.Sprintf("%dh", d/time.Hour)
	}
	return fmt.Sprintf("%dm", d/time.Minute)
}

// reasons are the comments within the literals of the rules.
func reasons(t *testing.T) map[alarm.Kind]string {
	t.Helper()
	names := map[string]alarm.Kind{}
	files, err := filepath.Glob("../../internal/alarm/*.go")
	if err != nil {
		t.Fatal(err)
	}
	for _, file := range files {
		ast.Inspect(parsed(t, file), func(n ast.Node) bool {
			if v, ok := n.(*ast.ValueSpec); ok && len(v.Values) == 1 {
				if text, ok := v.Values[0].(*ast.BasicLit); ok && text.Kind == token.STRING {
					if s, err := strconv.Unquote(text.Value); err == nil {
						names[v.Names[0].Name] = alarm.Kind(s)
					}
				}
			}
			return true
		})
	}
	why := map[alarm.Kind]string{}
	for _, file := range []string{"../../internal/settings/rules.go", "../../internal/settings/faultlimits.go"} {
		f := parsed(t, file)
		ast.Inspect(f, func(n ast.Node) bool {
			lit, ok := n.(*ast.CompositeLit)
			if !ok || len(lit.Elts) == 0 {
				return true
			}
			pair, ok := lit.Elts[0].(*ast.KeyValueExpr)
			if !ok || fmt.Sprint(pair.Key) != "Kind" {
				return true
			}
			kind, ok := pair.Value.(*ast.SelectorExpr)
			if !ok {
				return true
			}
			for _, c := range f.Comments {
				if c.Pos() > lit.Lbrace && c.End() < lit.Rbrace {
					why[names[kind.Sel.Name]] = sentence(c.Text())
				}
			}
			return true
		})
	}
	return why
}

// sentence is a comment without the name of the alarm that it begins with.
func sentence(comment string) string {
	text := strings.Join(strings.Fields(comment), " ")
	if name, rest, ok := strings.Cut(text, ": "); ok && strings.Count(name, " ") < 3 {
		text = rest
	}
	first, size := utf8.DecodeRuneInString(text)
	return string(unicode.ToUpper(first)) + text[size:]
}

func parsed(t *testing.T, file string) *ast.File {
	t.Helper()
	f, err := parser.ParseFile(token.NewFileSet(), file, nil, parser.ParseComments)
	if err != nil {
		t.Fatal(err)
	}
	return f
}
