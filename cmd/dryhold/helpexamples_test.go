package main

import (
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"unicode"

	"github.com/goccy/go-yaml"
	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"dryhold/internal/settings"
)

// book is one file of what is written for people, with its path from the root
// of the repository.
type book struct{ path, text string }

func books(t *testing.T) []book {
	t.Helper()
	files, err := filepath.Glob(filepath.Join("..", "..", "config", "manual", "*.md"))
	if err != nil || len(files) < 10 {
		t.Fatalf("%d topics, %v", len(files), err)
	}
	var all []book
	for _, f := range append(files, filepath.Join("..", "..", "README.md")) {
		text, err := os.ReadFile(f)
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, book{strings.TrimPrefix(f, filepath.Join("..", "..")+string(filepath.Separator)), string(text)})
	}
	return all
}

// block is a fenced block: what it is, its text, and the line it begins in.
type block struct {
	kind, text string
	line       int
}

func blocks(text string) []block {
	var all []block
	in := false
	n := 0
	for line := range strings.Lines(text) {
		n++
		kind, fence := strings.CutPrefix(strings.TrimSpace(line), "```")
		switch {
		case fence && !in:
			all, in = append(all, block{kind: kind, line: n + 1}), true
		case fence:
			in = false
		case in:
			all[len(all)-1].text += line
		}
	}
	return all
}

// Every piece of configuration in README and manual can be used as it stands;
// one that names files which are not there is marked as a fragment, and is read
// as YAML only.
func TestExamplesOfConfiguration(t *testing.T) {
	shipped, err := settings.Catalog()
	if err != nil {
		t.Fatal(err)
	}
	house, err := settings.Parse("house", []byte("rooms: [{name: cellar}, {name: loft}]"))
	if err != nil {
		t.Fatal(err)
	}
	count := 0
	for _, b := range books(t) {
		for _, x := range blocks(b.text) {
			at := fmt.Sprintf("%s:%d", b.path, x.line)
			var err error
			switch x.kind {
			case "yaml":
				_, err = settings.Parse(at, []byte(x.text))
				count++
			case "yaml catalog":
				_, err = settings.Catalog(settings.Source{File: at, Data: []byte(x.text)})
			case "yaml scenario":
				_, _, err = settings.ParseScenario(at, []byte(x.text), shipped)
			case "yaml limits":
				_, err = settings.ParseTrial(at, []byte(x.text), house)
			case "yaml fragment":
				var any map[string]any
				err = yaml.Unmarshal([]byte(x.text), &any)
			case "", "python":
			default:
				t.Errorf("%s: no test knows a block of kind %q", at, x.kind)
			}
			if err != nil {
				t.Errorf("%s: %v", at, err)
			}
		}
	}
	if count < 15 {
		t.Errorf("%d examples of configuration were found", count)
	}
}

// Every command in README and manual is one: it is there, and so are its flags
// and as many arguments as it wants.
func TestExamplesOfCommands(t *testing.T) {
	code := regexp.MustCompile("`((?:\\./)?dryhold [^`]+)`")
	count := 0
	for _, b := range books(t) {
		for _, x := range blocks(b.text) {
			if x.kind != "" {
				continue
			}
			for i, line := range strings.Split(strings.TrimRight(x.text, "\n"), "\n") {
				if words := commandIn(line); words != nil {
					count++
					if err := would(words, true); err != nil {
						t.Errorf("%s:%d: %s: %v", b.path, x.line+i, line, err)
					}
				}
			}
		}
		for _, found := range code.FindAllStringSubmatch(b.text, -1) {
			count++
			if err := would(commandIn(found[1]), false); err != nil {
				t.Errorf("%s: `%s`: %v", b.path, found[1], err)
			}
		}
	}
	if count < 100 {
		t.Errorf("%d commands were found", count)
	}
}

// So is every command in the help of commands. What explains one stands behind
// it there, so that its arguments are not counted.
func TestExamplesOfHelp(t *testing.T) {
	count := 0
	var walk func(c *cobra.Command)
	walk = func(c *cobra.Command) {
		for line := range strings.Lines(strings.ReplaceAll(c.Example, "\\\n", " ")) {
			if words := commandIn(strings.TrimSpace(line)); words != nil {
				count++
				if err := would(words, false); err != nil {
					t.Errorf("%s: %s: %v", c.CommandPath(), strings.TrimSpace(line), err)
				}
			} else {
				t.Errorf("%s: no command in %q", c.CommandPath(), line)
			}
		}
		for _, sub := range c.Commands() {
			walk(sub)
		}
	}
	walk(newRoot())
	if count < 100 {
		t.Errorf("%d examples were found", count)
	}
}

// What the test of examples takes and refuses.
func TestWould(t *testing.T) {
	f := func(line string, whole, good bool) {
		t.Helper()
		if err := would(commandIn(line), whole); (err == nil) != good {
			t.Errorf("%s: %v", line, err)
		}
	}
	f(`./dryhold lots note L-1 --seal verified "the seals hold"   # why`, true, true)
	f(`sudo -u dryhold dryhold doctor`, true, true)
	f(`read -rs P && printf %s "$P" | dryhold password`, true, true)
	f(`go run ./cmd/dryhold demo`, true, true)
	f(`dryhold help sensors`, false, true)
	f(`dryhold COMMAND --help`, false, true)
	f(`dryhold lots note L-1 --seel verified`, true, false)
	f(`dryhold lots nota L-1`, true, false)
	f(`dryhold lots split L-1`, true, false)
	f(`dryhold help sensor`, false, false)
	f(`dryhold nothing`, false, false)
	if commandIn("sudo systemctl reload dryhold") != nil || commandIn("sudo apt install ./build/release/dryhold_*_amd64.deb") != nil {
		t.Error("taken for a command")
	}
}

// commandIn are the words behind dryhold in a line of a shell, without what a
// pipe or a redirection adds; nil for a line that does not run it.
func commandIn(line string) []string {
	words := shellWords(line)
	from := -1
	for i, w := range words {
		begins := i == 0 || words[0] == "sudo" || words[i-1] == "|" || i == 2 && words[0] == "go"
		if begins && (w == "dryhold" || w == "./dryhold" || w == "./cmd/dryhold") && !(i >= 1 && words[i-1] == "-u") {
			if words[0] == "sudo" && i > 1 && words[1] != "-u" {
				return nil // another program, told of dryhold
			}
			from = i + 1
			break
		}
	}
	if from < 0 {
		return nil
	}
	for to := from; to < len(words); to++ {
		if words[to] == "|" || words[to] == ">" || words[to] == "&&" {
			return words[from:to]
		}
	}
	return append([]string{}, words[from:]...)
}

// shellWords splits a line as a shell does, as far as examples go.
func shellWords(line string) []string {
	var words []string
	var word strings.Builder
	var quote rune
	begun := false
	for _, r := range line {
		switch {
		case quote != 0:
			if r == quote {
				quote = 0
			} else {
				word.WriteRune(r)
			}
		case r == '"' || r == '\'':
			quote, begun = r, true
		case r == '#' && !begun:
			return words
		case unicode.IsSpace(r):
			if begun {
				words = append(words, word.String())
			}
			word.Reset()
			begun = false
		default:
			word.WriteRune(r)
			begun = true
		}
	}
	if begun {
		words = append(words, word.String())
	}
	return words
}

// would says why a command line would be refused. One that is whole needs its
// arguments, too.
func would(words []string, whole bool) error {
	root := newRoot()
	root.InitDefaultHelpCmd()
	root.InitDefaultCompletionCmd()
	if len(words) == 0 || words[0] == "COMMAND" {
		return nil
	}
	c, rest, err := root.Find(words)
	if err != nil {
		return err
	}
	c.InitDefaultHelpFlag()
	if err := c.ParseFlags(rest); err != nil && err != pflag.ErrHelp {
		return err
	}
	args := c.Flags().Args()
	if c.Name() == "help" && len(args) == 1 && args[0] != "TOPIC" {
		return named(args[0])
	}
	if whole || c.HasSubCommands() && len(args) > 0 {
		return c.ValidateArgs(args)
	}
	return nil
}

func named(word string) error {
	all, err := topics()
	if err != nil {
		return err
	}
	for _, t := range all {
		if t.name == word {
			return nil
		}
	}
	c, rest, err := newRoot().Find([]string{word})
	if err == nil && len(rest) > 0 {
		err = noHelp(c, []string{word}, all)
	}
	return err
}

// Every link of README and manual leads to a file that is there, and to a
// heading that it has.
func TestLinks(t *testing.T) {
	count := 0
	for _, b := range books(t) {
		eachLink(b.text, func(words, target string) string {
			if strings.Contains(target, "://") {
				return ""
			}
			count++
			file, anchor, _ := strings.Cut(target, "#")
			path := filepath.Join("..", "..", filepath.Dir(b.path), file)
			if file == "" {
				path = filepath.Join("..", "..", b.path)
			}
			info, err := os.Stat(path)
			if err != nil || anchor == "" {
				if err != nil {
					t.Errorf("%s: [%s](%s): %v", b.path, words, target, err)
				}
				return ""
			}
			text, err := os.ReadFile(path)
			if err != nil || info.IsDir() || !strings.Contains(anchors(string(text)), "\n"+anchor+"\n") {
				t.Errorf("%s: [%s](%s): no such heading (%v)", b.path, words, target, err)
			}
			return ""
		})
	}
	if count < 25 {
		t.Errorf("%d links were found", count)
	}
}

// anchors are the names that a page gives its headings, one a line.
func anchors(text string) string {
	var b strings.Builder
	b.WriteString("\n")
	for line := range strings.Lines(text) {
		title, ok := strings.CutPrefix(strings.TrimLeft(line, "#"), " ")
		if !ok || !strings.HasPrefix(line, "#") {
			continue
		}
		for _, r := range strings.ToLower(strings.TrimSpace(title)) {
			switch {
			case unicode.IsLetter(r) || unicode.IsDigit(r) || r == '-' || r == '_':
				b.WriteRune(r)
			case r == ' ':
				b.WriteByte('-')
			}
		}
		b.WriteString("\n")
	}
	return b.String()
}
