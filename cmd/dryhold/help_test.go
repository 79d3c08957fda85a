package main

import (
	"bytes"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/google/go-cmp/cmp"
)

// said is what a command line prints, and its error.
func said(t *testing.T, args ...string) (string, error) {
	t.Helper()
	var out bytes.Buffer
	root := newRoot()
	root.SetOut(&out)
	root.SetErr(&out)
	root.SetArgs(args)
	err := root.ExecuteContext(t.Context())
	return out.String(), err
}

func TestHelp(t *testing.T) {
	f := func(wants []string, not string, args ...string) {
		t.Helper()
		got, err := said(t, args...)
		if err != nil {
			t.Fatalf("%v: %v", args, err)
		}
		for _, want := range wants {
			if !strings.Contains(got, want) {
				t.Errorf("%v does not say %q:\n%s", args, want, got)
			}
		}
		if not != "" && strings.Contains(got, not) {
			t.Errorf("%v says %q", args, not)
		}
	}
	f([]string{"Available Commands:", "Topics of the manual", "  science     How it judges"}, "", "help")
	f([]string{"Topics of the manual", "  sensors     Sensors and payloads"}, "", "--help")
	f([]string{"dryhold lots add FOOD CONTAINER", "--capacity"}, "Topics of the manual", "help", "lots", "add")
	f([]string{"Usage:\n  dryhold lots [flags]", "split"}, "Topics of the manual", "help", "lots")
	f([]string{"How it judges", "Arrhenius", "Every band is 10 to 90 %"}, "](", "help", "science")
	// Both a topic and a command.
	f([]string{"Sensors and payloads\n====", "SenML", "The command dryhold sensors\n---", "dryhold sensors calibrate"}, "<!--", "help", "sensors")
	f([]string{"ROOM/SENSOR"}, "SenML", "help", "sensors", "calibrate")
}

func TestHelpRefuses(t *testing.T) {
	f := func(want string, args ...string) {
		t.Helper()
		got, err := said(t, append([]string{"help"}, args...)...)
		if err == nil || exitCode(err) != 2 || !strings.Contains(err.Error(), want) || got != "" {
			t.Errorf("help %v: %v\n%s", args, err, got)
		}
	}
	f(`there is no command and no topic "sience": did you mean "science"?`, "sience")
	f(`did you mean "lots"?`, "lotss")
	f(`dryhold lots has no command "spilt": did you mean "split"?`, "lots", "spilt")
	f(`no topic "zzzzzzzzzzzz": it is one of`, "zzzzzzzzzzzz")
	f(`no topic "science"`, "science", "lots")
}

func TestHelpCompletes(t *testing.T) {
	f := func(want []string, args ...string) {
		t.Helper()
		got, err := said(t, append([]string{"__completeNoDesc", "help"}, args...)...)
		if err != nil {
			t.Fatal(err)
		}
		var names []string
		for line := range strings.Lines(got) {
			if strings.HasPrefix(line, ":") {
				break
			}
			names = append(names, strings.TrimSpace(line))
		}
		if d := cmp.Diff(want, names); d != "" {
			t.Errorf("help %v:\n%s", args, d)
		}
	}
	f([]string{"science"}, "sci")
	f([]string{"sensors", "setup", "security"}, "se")
	f([]string{"split"}, "lots", "sp")
	f(nil, "lots", "sci")
	f(nil, "science", "")
}

// Every topic fits a terminal, but for what is an example, and keeps its words.
func TestTopicsAreLaidOut(t *testing.T) {
	all, err := topics()
	if err != nil {
		t.Fatal(err)
	}
	for _, topic := range all {
		shown := topic.shown()
		for line := range strings.Lines(shown) {
			line = strings.TrimRight(line, "\n")
			if utf8.RuneCountInString(line) > helpWidth && !strings.HasPrefix(line, "    ") {
				t.Errorf("%s: too wide: %s", topic.name, line)
			}
			if strings.HasPrefix(line, "|") || strings.HasPrefix(line, "#") || strings.Contains(line, "](") || strings.HasSuffix(line, " ") {
				t.Errorf("%s: not laid out: %q", topic.name, line)
			}
		}
		if topic.title == "" || utf8.RuneCountInString(topic.title) > 64 || strings.HasPrefix(topic.title, "#") {
			t.Errorf("%s is called %q", topic.name, topic.title)
		}
		if !strings.Contains(topic.text, "afety") && !strings.Contains(topic.text, "safe") {
			switch topic.name {
			case "sensors", "operations", "exports", "security": // of machines, not of food
			default:
				t.Errorf("%s does not say that quality is not safety", topic.name)
			}
		}
	}
}

func TestPlain(t *testing.T) {
	f := func(text, want string) {
		t.Helper()
		if d := cmp.Diff(want, topic{title: "T", text: text}.shown()); d != "" {
			t.Error(d)
		}
	}
	f("One.\n\n## Two\n\nThree **four** `a b`.\n", "T\n=\n\nOne.\n\nTwo\n---\n\nThree four `a b`.\n")
	f("<!-- gone -->\n- a\n- b\n\nc\n", "T\n=\n\n  - a\n  - b\n\nc\n")
	f("```yaml\na: [b](c)\n\n  d: **e**\n```\n", "T\n=\n\n    a: [b](c)\n\n      d: **e**\n")
	f("| a | b | c |\n|---|---|---|\n| x | y | |\n| `z` | | w |\n", "T\n=\n\n  - x: b y\n  - `z`: c w\n")
	f("| a | b |\n|---|---|\n| x | y |\n", "T\n=\n\n  - x: y\n")
	f("See [sensors](sensors.md#x), [it](../a.md) and [here](#t).\n", "T\n=\n\nSee sensors (dryhold help sensors), it (config/a.md) and here.\n")
	f("See [testdata/a.md](../../testdata/a.md).\n", "T\n=\n\nSee testdata/a.md.\n")
	f("See [there](https://larch.example/a).\n", "T\n=\n\nSee there (https://larch.example/a).\n")
	f("| K | b |\n|---|---|\n| 5 | y |\n", "T\n=\n\n  - K 5: y\n")
	long := strings.Repeat("word ", 14) + "`not broken up` end"
	f(long+"\n", "T\n=\n\n"+strings.TrimSpace(strings.Repeat("word ", 14))+"\n`not broken up` end\n")
	f("- "+long+"\n", "T\n=\n\n  - "+strings.TrimSpace(strings.Repeat("word ", 14))+"\n    `not broken up` end\n")
}
