package web

import (
	"cmp"
	"flag"
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"maps"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"text/template/parse"

	"github.com/leonelquinteros/gotext"
)

var updateLanguages = flag.Bool("languages", false, "write the keys of the pages into the catalogs of the languages, those that are new without a translation")

// A key is an English text of the pages.
type key struct {
	text, many string // many is its plural, where it has one
	name       bool   // of the catalog or the core
	format     bool   // values come with it
	at         string // where it was found first
}

// keys collects what the pages say.
type keys struct {
	t   *testing.T
	all map[string]key
}

func (k *keys) add(found key) {
	k.t.Helper()
	old, known := k.all[found.text]
	switch {
	case found.text == "":
		k.t.Errorf("%s: an empty text", found.at)
	case known && old.many != "" && found.many != "" && old.many != found.many:
		k.t.Errorf("%s: %q has the plural %q there and %q at %s", found.at, found.text, found.many, old.many, old.at)
	case known:
		old.many, old.name, old.format = cmp.Or(old.many, found.many), old.name && found.name, old.format || found.format
		k.all[found.text] = old
	default:
		k.all[found.text] = found
	}
}

// allKeys collects the texts of the templates, of the code beside them, and
// the names that the core has.
func allKeys(t *testing.T) map[string]key {
	t.Helper()
	k := &keys{t, map[string]key{}}
	pages, err := filepath.Glob("pages/*.html")
	if err != nil || len(pages) == 0 {
		t.Fatalf("no pages: %v", err)
	}
	for _, page := range pages {
		k.template(page)
	}
	sources, err := filepath.Glob("*.go")
	if err != nil {
		t.Fatal(err)
	}
	k.code(slices.DeleteFunc(sources, func(name string) bool { return strings.HasSuffix(name, "_test.go") }))
	for _, name := range coreNames(t) {
		k.add(key{text: name, name: true, at: "the core"})
	}
	return k.all
}

func (k *keys) template(page string) {
	text, err := os.ReadFile(page)
	if err != nil {
		k.t.Fatal(err)
	}
	tree := parse.New(page)
	tree.Mode = parse.SkipFuncCheck
	set := map[string]*parse.Tree{}
	if _, err := tree.Parse(string(text), "{{", "}}", set); err != nil {
		k.t.Fatal(err)
	}
	for _, name := range slices.Sorted(maps.Keys(set)) {
		k.node(page, set[name].Root)
	}
}

// node looks through a template for calls of t and tn.
func (k *keys) node(page string, n parse.Node) {
	each := func(nodes ...parse.Node) {
		for _, x := range nodes {
			k.node(page, x)
		}
	}
	branch := func(b parse.BranchNode) {
		each(b.Pipe, b.List)
		if b.ElseList != nil {
			each(b.ElseList)
		}
	}
	switch x := n.(type) {
	case *parse.ListNode:
		each(x.Nodes...)
	case *parse.ActionNode:
		each(x.Pipe)
	case *parse.IfNode:
		branch(x.BranchNode)
	case *parse.RangeNode:
		branch(x.BranchNode)
	case *parse.WithNode:
		branch(x.BranchNode)
	case *parse.TemplateNode:
		if x.Pipe != nil {
			each(x.Pipe)
		}
	case *parse.PipeNode:
		for _, c := range x.Cmds {
			k.command(page, c)
		}
	}
}

func (k *keys) command(page string, c *parse.CommandNode) {
	for _, a := range c.Args {
		k.node(page, a)
	}
	f, ok := c.Args[0].(*parse.IdentifierNode)
	if !ok || f.Ident != "t" && f.Ident != "tn" {
		return
	}
	texts := 1
	if f.Ident == "tn" {
		texts = 2
	}
	at := page + ": " + c.String()
	var said [2]string
	for i := range texts {
		s, ok := (*parse.StringNode)(nil), len(c.Args) > i+1
		if ok {
			s, ok = c.Args[i+1].(*parse.StringNode)
		}
		if !ok {
			k.t.Errorf("%s: its text must stand there as it is, to be found for translation", at)
			return
		}
		said[i] = s.Text
	}
	k.add(key{text: said[0], many: said[1], format: texts == 2 || len(c.Args) > 2, at: at})
}

// code looks through Go for calls of the methods that say something: t and T,
// tn and N, word, and date with its layout.
func (k *keys) code(files []string) {
	set := token.NewFileSet()
	constants := map[string]string{}
	var trees []*ast.File
	for _, name := range files {
		f, err := parser.ParseFile(set, name, nil, parser.SkipObjectResolution)
		if err != nil {
			k.t.Fatal(err)
		}
		trees = append(trees, f)
		ast.Inspect(f, func(n ast.Node) bool {
			if v, ok := n.(*ast.ValueSpec); ok && len(v.Values) == len(v.Names) {
				for i := range v.Names {
					if text, ok := literal(v.Values[i], nil); ok {
						constants[v.Names[i].Name] = text
					}
				}
			}
			return true
		})
	}
	for _, f := range trees {
		ast.Inspect(f, func(n ast.Node) bool {
			if c, ok := n.(*ast.CallExpr); ok {
				k.call(set.Position(c.Pos()).String(), c, constants)
			}
			return true
		})
	}
}

func (k *keys) call(at string, c *ast.CallExpr, constants map[string]string) {
	f, ok := c.Fun.(*ast.SelectorExpr)
	if !ok {
		return
	}
	from, texts := 0, 1
	switch f.Sel.Name {
	case "t", "T", "word", "Word":
	case "tn", "N":
		texts = 2
	case "date":
		from = 1
	default:
		return
	}
	if len(c.Args) < from+texts {
		return
	}
	var said [2]string
	for i := range texts {
		// What only passes a text on has a name for it.
		if x, ok := c.Args[from+i].(*ast.Ident); ok && slices.Contains([]string{"english", "one", "many"}, x.Name) {
			return
		}
		if said[i], ok = literal(c.Args[from+i], constants); !ok {
			if f.Sel.Name != "word" && f.Sel.Name != "Word" && f.Sel.Name != "date" {
				k.t.Errorf("%s: the text of %s must stand there as it is, to be found for translation", at, f.Sel.Name)
			}
			return
		}
	}
	k.add(key{text: said[0], many: said[1], name: f.Sel.Name == "word" || f.Sel.Name == "date", format: texts == 2 || len(c.Args) > from+1, at: at})
}

// literal is the text of an expression that is one.
func literal(e ast.Expr, constants map[string]string) (string, bool) {
	switch x := e.(type) {
	case *ast.BasicLit:
		text, err := strconv.Unquote(x.Value)
		return text, err == nil && x.Kind == token.STRING
	case *ast.BinaryExpr:
		a, ok := literal(x.X, constants)
		b, also := literal(x.Y, constants)
		return a + b, ok && also && x.Op == token.ADD
	case *ast.Ident:
		text, ok := constants[x.Name]
		return text, ok
	}
	return "", false
}

// A translation is one entry of a catalog.
type translation struct {
	text, many string
	forms      []string // what it is there
}

// readCatalog reads a catalog with its head, up to the first entry.
func readCatalog(t *testing.T, tag string) (head string, entries map[string]translation) {
	t.Helper()
	text, err := os.ReadFile("languages/" + tag + ".po")
	if err != nil {
		t.Fatal(err)
	}
	head, _, _ = strings.Cut(string(text), "\n\n")
	po := gotext.NewPo()
	po.Parse(text)
	entries = map[string]translation{}
	for id, x := range po.GetDomain().GetTranslations() {
		if id == "" {
			continue
		}
		e := translation{text: id, many: x.PluralID}
		for i := range len(x.Trs) {
			e.forms = append(e.forms, x.Trs[i])
		}
		entries[id] = e
	}
	return head, entries
}

// writeCatalog writes the keys with the translations that there are, those of
// names behind the others.
func writeCatalog(t *testing.T, tag string, all map[string]key) {
	t.Helper()
	head, old := readCatalog(t, tag)
	quoted := func(s string) string {
		return `"` + strings.NewReplacer(`\`, `\\`, `"`, `\"`, "\n", `\n`).Replace(s) + `"`
	}
	form := func(e translation, i int) string {
		if i < len(e.forms) {
			return quoted(e.forms[i])
		}
		return `""`
	}
	var b strings.Builder
	b.WriteString(head + "\n")
	sorted := slices.SortedFunc(maps.Values(all), func(a, b key) int {
		order := func(k key) int {
			if k.name {
				return 1
			}
			return 0
		}
		return cmp.Or(cmp.Compare(order(a), order(b)), cmp.Compare(a.text, b.text))
	})
	for i, k := range sorted {
		if k.name && (i == 0 || !sorted[i-1].name) {
			b.WriteString("\n# Names of the catalog and of the core, which are no formats.\n")
		}
		fmt.Fprintf(&b, "\nmsgid %s\n", quoted(k.text))
		if k.many == "" {
			fmt.Fprintf(&b, "msgstr %s\n", form(old[k.text], 0))
			continue
		}
		fmt.Fprintf(&b, "msgid_plural %s\nmsgstr[0] %s\nmsgstr[1] %s\n", quoted(k.many), form(old[k.text], 0), form(old[k.text], 1))
	}
	if err := os.WriteFile("languages/"+tag+".po", []byte(b.String()), 0o644); err != nil { //nolint:gosec // a source file
		t.Fatal(err)
	}
}

var verb = regexp.MustCompile(`%(?:\[(\d+)\])?[-+# 0]*\d*(?:\.\d+)?([a-zA-Z%])`)

// verbs are those of a format by the number of their value.
func verbs(format string) map[int]string {
	out, next := map[int]string{}, 1
	for _, m := range verb.FindAllStringSubmatch(format, -1) {
		if m[2] == "%" {
			continue
		}
		if m[1] != "" {
			next, _ = strconv.Atoi(m[1])
		}
		out[next] = m[2]
		next++
	}
	return out
}

// Every text of the pages is there in every language, with the same values.
func TestLanguagesAreComplete(t *testing.T) {
	all := allKeys(t)
	for _, tag := range languageTags()[1:] {
		if *updateLanguages {
			writeCatalog(t, tag, all)
		}
		_, entries := readCatalog(t, tag)
		for _, id := range slices.Sorted(maps.Keys(all)) {
			k, e := all[id], entries[id]
			want := 1
			if k.many != "" {
				want = 2
			}
			switch {
			case e.text == "" || len(e.forms) < want || slices.Contains(e.forms[:want], ""):
				t.Errorf("%s lacks %q (%s); go test -run TestLanguagesAreComplete -languages puts it there to be translated", tag, id, k.at)
			case e.many != k.many:
				t.Errorf("%s: %q has the plural %q, the pages have %q", tag, id, e.many, k.many)
			}
			for i, form := range e.forms {
				if english := []string{k.text, cmp.Or(k.many, k.text)}[min(i, 1)]; k.format && !maps.Equal(verbs(english), verbs(form)) && form != "" {
					t.Errorf("%s: %q has other values than %q", tag, form, english)
				}
			}
		}
		for id := range entries {
			if _, wanted := all[id]; !wanted {
				t.Errorf("%s has %q, which no page says", tag, id)
			}
		}
	}
}

// The check of the values finds what it is for.
func TestVerbs(t *testing.T) {
	same := func(a, b string, want bool) {
		t.Helper()
		if got := maps.Equal(verbs(a), verbs(b)); got != want {
			t.Errorf("%q and %q: %v", a, b, got)
		}
	}
	same("%s of %d", "%[2]d von %[1]s", true)
	same("%s of %d", "%s von %d", true)
	same("%s of %d", "%d von %s", false)
	same("%d lots in %s", "in %[2]s: %[1]d Posten", true)
	same("%.1f %%", "%.1f %%", true)
	same("%d lots", "Posten", false)
}
