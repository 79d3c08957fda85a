package settings_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"go/ast"
	"go/parser"
	gotoken "go/token"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/goccy/go-yaml"
	"github.com/santhosh-tekuri/jsonschema/v6"

	"dryhold/config"
	"dryhold/internal/settings"
)

// schemaText is the schema as the parser says it.
func schemaText(t *testing.T) []byte {
	t.Helper()
	text, err := settings.Schema()
	if err != nil {
		t.Fatal(err)
	}
	return text
}

func compiled(t *testing.T) *jsonschema.Schema {
	t.Helper()
	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(schemaText(t)))
	if err != nil {
		t.Fatal(err)
	}
	c := jsonschema.NewCompiler()
	if err := c.AddResource("dryhold.json", doc); err != nil {
		t.Fatal(err)
	}
	s, err := c.Compile("dryhold.json")
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// fits validates a tree as JSON has it.
func fits(t *testing.T, s *jsonschema.Schema, tree any) error {
	t.Helper()
	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(asJSON(t, tree)))
	if err != nil {
		t.Fatal(err)
	}
	return s.Validate(doc)
}

func asJSON(t *testing.T, tree any) []byte {
	t.Helper()
	var b bytes.Buffer
	enc := json.NewEncoder(&b)
	enc.SetEscapeHTML(false)
	if err := enc.Encode(tree); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// The file that ships is what the parser says of itself today.
func TestSchemaShips(t *testing.T) {
	got, err := os.ReadFile("../../config/schema/dryhold.schema.json")
	if err != nil || !bytes.Equal(got, schemaText(t)) {
		t.Errorf("config/schema/dryhold.schema.json is not that of the parser (%v): write it anew with go run ./cmd/dryhold check --schema > config/schema/dryhold.schema.json", err)
	}
}

// A key whose reader notes nothing would be one of which an editor knows nothing,
// and one at the top that the example leaves out one that nobody explains.
func TestSchemaKnowsEveryKey(t *testing.T) {
	var root map[string]any
	if err := json.Unmarshal(schemaText(t), &root); err != nil {
		t.Fatal(err)
	}
	keys := 0
	var walk func(path string, s map[string]any)
	walk = func(path string, s map[string]any) {
		keys++
		if s["type"] == nil && s["enum"] == nil && s["anyOf"] == nil {
			t.Errorf("%s: nothing is known of its value: let its reader note what it takes, with one of the readers of the decoder or with means", path)
		}
		properties, _ := s["properties"].(map[string]any)
		for name, of := range properties {
			walk(path+"."+name, of.(map[string]any))
		}
		if items, ok := s["items"].(map[string]any); ok {
			walk(path+"[]", items)
		}
		if s["type"] == "object" {
			return // its alternatives are conditions, not values
		}
		alternatives, _ := s["anyOf"].([]any)
		for _, a := range alternatives {
			walk(path, a.(map[string]any))
		}
	}
	walk("", root)
	if keys < 300 {
		t.Errorf("only %d values were walked", keys)
	}
	for name, of := range root["properties"].(map[string]any) {
		if of.(map[string]any)["description"] == nil {
			t.Errorf("the example does not explain the key %s above it", name)
		}
	}
}

// Every configuration that the parser takes, of all that stand in this tree, is
// taken by the schema.
func TestSchemaTakesWhatTheParserTakes(t *testing.T) {
	s := compiled(t)
	taken, mappings := 0, 0
	for at, texts := range configurations(t) {
		for _, text := range texts {
			var tree any
			if _, err := settings.Parse("f", []byte(text)); err != nil || yaml.Unmarshal([]byte(text), &tree) != nil || tree == nil {
				continue
			}
			taken++
			if m, ok := tree.(map[string]any); ok && len(m) > 1 {
				mappings++
			}
			if err := fits(t, s, tree); err != nil {
				t.Errorf("%s: the parser takes\n%s\nand the schema does not: %v", at, text, err)
			}
		}
	}
	if taken < 60 || mappings < 15 {
		t.Errorf("only %d configurations were found, %d with several keys", taken, mappings)
	}
}

// configurations are all texts of the tree that may be one, by their file.
func configurations(t *testing.T) map[string][]string {
	t.Helper()
	out := map[string][]string{}
	block := regexp.MustCompile("(?s)```yaml\n(.*?)```")
	err := filepath.WalkDir("../..", func(path string, entry fs.DirEntry, err error) error {
		if err != nil || entry.IsDir() {
			if entry != nil && strings.HasPrefix(entry.Name(), ".") && len(entry.Name()) > 2 {
				return filepath.SkipDir
			}
			return err
		}
		src := func() []byte {
			b, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			return b
		}
		switch filepath.Ext(path) {
		case ".yaml":
			out[path] = append(out[path], string(src()))
		case ".md":
			for _, m := range block.FindAllSubmatch(src(), -1) {
				out[path] = append(out[path], string(m[1]))
			}
		case ".go":
			out[path] = literals(t, path)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// literals are the texts of a Go file that have a key.
func literals(t *testing.T, path string) (out []string) {
	t.Helper()
	hasKey := regexp.MustCompile(`(?m)^\{?[a-z_]+:`)
	file, err := parser.ParseFile(gotoken.NewFileSet(), path, nil, parser.SkipObjectResolution)
	if err != nil {
		t.Fatal(err)
	}
	ast.Inspect(file, func(n ast.Node) bool {
		if l, ok := n.(*ast.BasicLit); ok && l.Kind == gotoken.STRING {
			if text, err := strconv.Unquote(l.Value); err == nil && hasKey.MatchString(text) {
				out = append(out, text)
			}
		}
		return true
	})
	return out
}

// other is the part of a configuration that the example has commented out.
const other = `
broker:
  embedded:
    listen: 0.0.0.0:8883
    tls: {cert_file: a, key_file: b}
    username_file: a
    password_file: b
    users:
      - {name: cellar-1, password_hash: "$argon2id$v=19$m=19456,t=2,p=1$NtW8kcFeBMMWTBxu08BaEQ$to5nqUBxbh8RFr2YNHnnvvwqKj+pq/YbhWP3KbgpsGg", publish: [larch/loft/#], subscribe: []}
http: {public_url: "http://hearth.lan:8090"}
rooms: [{name: loft, limits: {absorber_small: 90 %, ends_early: 20 %, hold_incomplete: 40d, oxygen_spent: {limit: 3 %}, drift: {limit: 1 K}, moisture_red: {priority: low}}}]
mail: {host: mail.lan, from: a@b.lan, to: [c@d.lan]}
notify:
  recipients:
    - {name: mara, channels: [mail], repeat: off, quiet: [{from: "22:00", to: "07:00"}]}
`

// meaning are the words by which the parser refuses what a schema cannot tell:
// what one value says of another, names that must be of a sort, addresses, and
// amounts, which are text.
func meaning() *regexp.Regexp {
	return regexp.MustCompile(strings.Join([]string{
		"unknown (room|channel)", "is not a time zone", "the (room|topic|name) ", "number needs", "is not host:port", "is not the name or IP",
		"no SenML name has", "and there (is|are) none", "belong to a url", "would cross the network",
	}, "|"))
}

// A configuration with one value changed is taken by both or by neither, but where
// the parser knows more.
func TestSchemaAndParserRefuseTheSame(t *testing.T) {
	s, known := compiled(t), meaning()
	both, parserOnly := 0, 0
	for _, text := range []string{config.Example(), other} {
		var whole map[string]any
		if err := yaml.Unmarshal([]byte(text), &whole); err != nil {
			t.Fatal(err)
		}
		for name, value := range whole {
			tree := part(t, whole, name)
			mutate(value, func(x any) { tree[name] = x }, name, func(path string) {
				_, err := settings.Parse("f", asJSON(t, tree))
				invalid := fits(t, s, tree)
				var problems settings.Problems
				switch {
				case err == nil && invalid != nil:
					t.Errorf("%s: the parser takes it, the schema does not: %v", path, invalid)
				case err != nil && invalid != nil:
					both++
				case errors.As(err, &problems):
					parserOnly++
					if !slices.ContainsFunc(problems, func(p settings.Problem) bool { return known.MatchString(p.Text) }) {
						t.Errorf("%s: the schema takes it, the parser does not: %v", path, err)
					}
				}
			})
		}
	}
	if both < 3000 || parserOnly > both/10 {
		t.Errorf("%d were refused by both, %d by the parser alone", both, parserOnly)
	}
}

// part is a configuration with one key, and those to which it refers.
func part(t *testing.T, whole map[string]any, name string) map[string]any {
	t.Helper()
	tree := map[string]any{name: whole[name]}
	for _, more := range []string{"", "rooms", "sensors", "mail"} {
		if whole[more] != nil {
			tree[more] = whole[more]
		}
		if _, err := settings.Parse("f", asJSON(t, tree)); err == nil {
			return tree
		}
	}
	t.Fatalf("%s is not taken by itself", name)
	return nil
}

// mutate changes each value of a tree in turn, to a value of each sort, and puts
// it back.
func mutate(x any, set func(any), path string, try func(path string)) {
	for _, to := range []any{nil, true, 7, "", "no such word", []any{}, []any{x}, []any{"no such word"}, map[string]any{}, map[string]any{"no_such_key": x}} {
		set(to)
		try(path + " = " + strings.TrimSpace(string(mustJSON(to))))
	}
	set(x)
	switch x := x.(type) {
	case map[string]any:
		for name, value := range x {
			mutate(value, func(to any) { x[name] = to }, path+"."+name, try)
			delete(x, name)
			try(path + " without " + name)
			x[name] = value
		}
		x["no_such_key"] = 1
		try(path + " with no_such_key")
		delete(x, "no_such_key")
	case []any:
		for i, value := range x {
			mutate(value, func(to any) { x[i] = to }, path+"["+strconv.Itoa(i)+"]", try)
		}
	}
}

func mustJSON(x any) []byte {
	b, err := json.Marshal(x)
	if err != nil {
		panic(err)
	}
	return b
}
