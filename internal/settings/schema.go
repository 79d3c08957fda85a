package settings

import (
	"encoding/json"
	"fmt"
	"maps"
	"regexp"
	"slices"
	"strings"
	"time"

	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/token"

	"dryhold/config"
	"dryhold/internal/unit"
)

// schemaID names the schema, which grows with each new key.
const schemaID = "urn:dryhold:configuration:1"

// Schema is the JSON Schema (2020-12) of the configuration, by which an editor
// completes and marks. It is what the parser itself says of its keys: the walk of
// Parse is done over a sketch in the place of a file, and each reader notes there
// what it would take. What it cannot say, such as names that refer to others, is
// left to `dryhold check`: no file that Parse takes is refused by it.
func Schema() ([]byte, error) {
	root := &sketch{}
	p := parse{decoder: decoder{file: "schema"}, s: Default()}
	p.top(root)
	schema := root.schema()
	if err := p.explain(schema); err != nil {
		return nil, err
	}
	maps.Copy(schema, object{
		"$schema": "https://json-schema.org/draft/2020-12/schema", "$id": schemaID, "title": "The configuration of dryhold",
		"description": "Every key may be left out. What a schema cannot tell, such as a room that is not listed, `dryhold check --config FILE` does.",
	})
	out, err := json.MarshalIndent(schema, "", " ")
	if err != nil {
		return nil, fmt.Errorf("cannot write the schema of the configuration: %w", err)
	}
	return append(out, '\n'), nil
}

// explain adds what the example says of each key.
func (p *parse) explain(schema object) error {
	d := decoder{file: "the example"}
	root := d.document([]byte(config.Example()))
	if root == nil {
		return fmt.Errorf("cannot read the example configuration: %w", d.problems.sorted())
	}
	comments{strings.Split(config.Example(), "\n"), map[string]bool{}}.explain("", schema, root)
	return nil
}

// object is a JSON object.
type object = map[string]any

// sketch stands in the place of a value while the parser describes itself. It has
// no text and no place; what is asked of it is refused, and that goes unnoticed.
type sketch struct {
	ast.Node // nil
	says     object
	off      bool      // it may be the word off instead
	either   []*sketch // nil, or the two ways in which it may be written
}

// GetToken implements ast.Node: a sketch stands nowhere.
func (*sketch) GetToken() *token.Token { return nil }

// schema is what was noted; empty where nothing was.
func (s *sketch) schema() object {
	out := s.says
	if s.either != nil {
		out = object{"anyOf": []any{s.either[0].schema(), s.either[1].schema()}}
	}
	if s.off {
		return object{"anyOf": append([]any{out}, words("off")...)}
	}
	if out == nil {
		return object{}
	}
	return out
}

// means notes on a sketch what a value must be; of a value it does nothing. What
// is noted later takes the place of what it contradicts.
func means(n ast.Node, says object) {
	s, ok := n.(*sketch)
	if !ok {
		return
	}
	if s.says == nil {
		s.says = object{}
	}
	maps.Copy(s.says, says)
}

// sketchKeys notes the keys of a mapping and, of each, what its reader takes.
func (s *sketch) sketchKeys(keys []key) {
	properties, required := object{}, []string{}
	for _, k := range keys {
		value := &sketch{}
		k.read(value)
		properties[k.name] = value.schema()
		if k.required {
			required = append(required, k.name)
		}
	}
	means(s, object{"type": "object", "additionalProperties": false, "properties": properties})
	if len(required) > 0 {
		means(s, object{"required": required})
	}
}

func (s *sketch) sketchItems(read func(ast.Node)) {
	item := &sketch{}
	read(item)
	means(s, object{"type": "array", "items": item.schema()})
}

// isOff reports a value that is the word off.
func isOff(n ast.Node) bool {
	if s, ok := n.(*sketch); ok {
		s.off = true
	}
	raw, ok := scalar(n)
	return ok && strings.EqualFold(raw, "off")
}

// either reads a value that is a scalar by one reader, and any other by the
// other.
func either(n ast.Node, short, long func(ast.Node)) {
	if s, ok := n.(*sketch); ok {
		s.either = []*sketch{{}, {}}
		short(s.either[0])
		long(s.either[1])
		return
	}
	if _, is := scalar(n); is {
		short(n)
	} else {
		long(n)
	}
}

// oneOrMore reads a list, or a value that stands for a list of itself.
func (d *decoder) oneOrMore(n ast.Node, what string, read func(ast.Node)) {
	if s, ok := n.(*sketch); ok {
		s.either = []*sketch{{}, {}}
		read(s.either[0])
		d.list(s.either[1], what, read)
		return
	}
	if _, several := n.(*ast.SequenceNode); several {
		d.list(n, what, read)
	} else {
		read(n)
	}
}

// The types of a value that is read as it is written, quoted or not.
func scalars() []string { return []string{"string", "number", "boolean"} }

// enum notes the words that a value may be. A word that is a number needs no
// quotes, and is then one in JSON.
func enum(n ast.Node, names ...string) {
	values := []any{}
	for _, name := range names {
		values = append(values, name)
		if decimal(name) {
			values = append(values, json.Number(name))
		}
	}
	means(n, object{"enum": values})
}

// enumOfAll notes the units of every quantity, where the quantity stands beside.
func enumOfAll(n ast.Node, of func(unit.Quantity) []string) {
	var names []string
	for _, q := range unit.Quantities() {
		names = append(names, of(q)...)
	}
	slices.Sort(names)
	means(n, object{"type": scalars()})
	enum(n, slices.Compact(names)...)
}

// words are schemas of words in any case; an editor completes the first.
func words(names ...string) []any {
	values, patterns := []any{}, []string{}
	for _, name := range names {
		values = append(values, name)
		patterns = append(patterns, anyCase(name))
	}
	return []any{object{"enum": values}, object{"type": "string", "pattern": "^(" + strings.Join(patterns, "|") + ")$"}}
}

// anyCase is a pattern of a word in any case: a schema has no flags.
func anyCase(word string) string {
	var b strings.Builder
	for _, r := range word {
		if low, up := strings.ToLower(string(r)), strings.ToUpper(string(r)); low != up {
			fmt.Fprintf(&b, "[%s%s]", low, up)
		} else {
			b.WriteString(regexp.QuoteMeta(string(r)))
		}
	}
	return b.String()
}

// numeral is a decimal number as a pattern.
const numeral = `(\d+\.?\d*|\.\d+)`

// withUnit notes a number with one of some units, as in 18 C; anyway says that
// their case does not count.
func withUnit(n ast.Node, example string, anyway bool, units ...string) {
	slices.Sort(units)
	patterns := make([]string, len(units))
	for i, u := range units {
		patterns[i] = regexp.QuoteMeta(u)
		if anyway {
			patterns[i] = anyCase(u)
		}
	}
	means(n, object{"type": "string", "pattern": `^\s*[-+]?` + numeral + `\s*(` + strings.Join(patterns, "|") + `)\s*$`, "examples": []any{example}})
}

// withSpan notes a time span and, for people, its bounds.
func withSpan(n ast.Node, low, high time.Duration) {
	pattern := `^[-+]?(0|(` + numeral + `(ns|us|µs|μs|ms|s|m|h))+|` + numeral + `([eE][-+]?\d+)?d)$`
	means(n, object{"type": "string", "pattern": pattern, "description": span(low) + " to " + span(high)})
	if low == 0 {
		means(n, object{"type": []string{"string", "integer"}, "minimum": 0, "maximum": 0}) // the bounds count for a bare 0
	}
}

// begins notes the schemes of an address.
func begins(n ast.Node, schemes ...string) {
	for i, s := range schemes {
		schemes[i] = anyCase(s)
	}
	means(n, object{"pattern": `^\s*(` + strings.Join(schemes, "|") + "):"})
}

// integer notes the bounds of a whole number.
func integer(n ast.Node, low, high int) {
	means(n, object{"type": "integer", "minimum": low, "maximum": high})
}

// some notes a list that is not empty.
func some(n ast.Node) { means(n, object{"minItems": 1}) }

// oneKey notes that a mapping has exactly one of some keys.
func oneKey(n ast.Node, names ...string) {
	var one []any
	for _, name := range names {
		one = append(one, object{"required": []string{name}})
	}
	means(n, object{"oneOf": one})
}

// neverBoth notes two keys of which a mapping has one at most.
func neverBoth(n ast.Node, a, b string) {
	means(n, object{"not": object{"required": []string{a, b}}})
}
