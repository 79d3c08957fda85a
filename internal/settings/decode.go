package settings

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"
	"unicode"

	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/token"
)

// decoder walks the syntax tree of one file and collects every problem
// instead of stopping at the first.
type decoder struct {
	file     string
	problems Problems
}

// key is one key that a mapping may have.
type key struct {
	name     string
	required bool
	// read takes the value. It is called in the order of the table, not of
	// the file, so that what others refer to can come first.
	read func(ast.Node)
}

// mapping reads a mapping by the table of its keys: unknown, duplicate and
// missing keys and keys without a value are problems. What names the mapping
// in messages.
func (d *decoder) mapping(n ast.Node, what string, keys ...key) {
	if s, ok := n.(*sketch); ok {
		s.sketchKeys(keys)
		return
	}
	m, ok := n.(*ast.MappingNode)
	if !ok {
		d.at(n, "%s must be keys with values, not %s", what, kind(n))
		return
	}
	values := d.entries(m, what, keys)
	for _, k := range keys {
		value, given := values[k.name]
		switch {
		case given && value != nil:
			k.read(value)
		case !given && k.required:
			d.at(m, "%s needs the key %q", what, k.name)
		}
	}
}

// entries maps the known keys of a mapping to their values, nil for a key
// without a usable one.
func (d *decoder) entries(m *ast.MappingNode, what string, keys []key) map[string]ast.Node {
	names := make([]string, len(keys))
	known := make(map[string]bool, len(keys))
	for i, k := range keys {
		names[i], known[k.name] = k.name, true
	}
	values := make(map[string]ast.Node, len(m.Values))
	lines := make(map[string]int, len(m.Values))
	for _, entry := range m.Values {
		name := keyText(entry.Key)
		line, _ := place(entry.Key)
		first, twice := lines[name]
		switch {
		case !known[name]:
			d.at(entry.Key, "unknown key %q in %s%s", name, what, hint(name, names))
		case twice:
			d.at(entry.Key, "key %q stands here a second time, first on line %d: keep one", name, first)
		case isNull(entry.Value):
			lines[name], values[name] = line, nil
			d.at(entry.Key, "key %q has no value: give one, or leave the key out", name)
		default:
			lines[name], values[name] = line, entry.Value
		}
	}
	return values
}

// list reads each item of a list.
func (d *decoder) list(n ast.Node, what string, read func(ast.Node)) {
	if s, ok := n.(*sketch); ok {
		s.sketchItems(read)
		return
	}
	s, ok := n.(*ast.SequenceNode)
	if !ok {
		d.at(n, "%s must be a list, not %s: begin each item with \"- \"", what, kind(n))
		return
	}
	for _, item := range s.Values {
		if isNull(item) {
			d.at(item, "an item of %s is empty: give a value, or remove the item", what)
			continue
		}
		read(item)
	}
}

// text reads a text of one line that is not empty; "" after a problem.
func (d *decoder) text(n ast.Node, what string) string {
	s := d.words(n, what)
	if strings.ContainsFunc(s, unicode.IsControl) {
		d.at(n, "%s holds a line break or a control character: %q", what, s)
		return ""
	}
	return s
}

// prose reads a text that may run over several lines, as one line; "" after a
// problem.
func (d *decoder) prose(n ast.Node, what string) string {
	s := strings.Join(strings.Fields(d.words(n, what)), " ")
	if strings.ContainsFunc(s, unicode.IsControl) {
		d.at(n, "%s holds a control character: %q", what, s)
		return ""
	}
	return s
}

// words is the text of a text node, trimmed.
func (d *decoder) words(n ast.Node, what string) string {
	means(n, object{"type": "string", "pattern": `\S`})
	var s string
	switch x := n.(type) {
	case *ast.StringNode:
		s = x.Value
	case *ast.LiteralNode:
		if x.Value != nil {
			s = x.Value.Value
		}
	default:
		if raw, ok := scalar(n); ok {
			d.at(n, "%s must be text, not %s: put \"%s\" in quotes", what, kind(n), raw)
			return ""
		}
		d.at(n, "%s must be text, not %s", what, kind(n))
		return ""
	}
	s = strings.TrimSpace(s)
	if s == "" {
		d.at(n, "%s is empty", what)
	}
	return s
}

// word reads a short scalar as it is written, so that a unit 1 needs no
// quotes; "" after a problem.
func (d *decoder) word(n ast.Node, what string) string {
	means(n, object{"type": scalars(), "pattern": `\S`})
	raw, ok := scalar(n)
	switch {
	case !ok:
		d.at(n, "%s must be one word, not %s", what, kind(n))
		return ""
	case strings.TrimSpace(raw) == "":
		d.at(n, "%s is empty", what)
		return ""
	}
	return raw
}

// number reads a finite decimal number.
func (d *decoder) number(n ast.Node, what string) (float64, bool) {
	means(n, object{"type": "number"})
	raw, ok := scalar(n)
	if ok && !quoted(n) {
		// The text is read again because YAML would take 010 for eight.
		v, err := strconv.ParseFloat(raw, 64)
		if err == nil && !math.IsInf(v, 0) && !math.IsNaN(v) && decimal(raw) {
			return v, true
		}
	}
	if ok && quoted(n) {
		d.at(n, "%s must be a number, not text: write it without quotes", what)
		return 0, false
	}
	d.at(n, "%s must be a number, not %s", what, shown(n))
	return 0, false
}

// boolean reads true or false.
func (d *decoder) boolean(n ast.Node, what string) bool {
	means(n, object{"type": "boolean"})
	b, ok := n.(*ast.BoolNode)
	if !ok {
		d.at(n, "%s must be true or false, not %s", what, shown(n))
		return false
	}
	return b.Value
}

// duration reads a time span between two bounds: 90s, 15m, 2h, 1h30m, 1d.
func (d *decoder) duration(n ast.Node, what string, low, high time.Duration) (time.Duration, bool) {
	withSpan(n, low, high)
	raw, ok := scalar(n)
	if !ok {
		d.at(n, "%s must be a time span such as 30m, 2h or 1d, not %s", what, kind(n))
		return 0, false
	}
	v, err := parseDuration(raw)
	switch {
	case err != nil:
		d.at(n, "%s: %q is not a time span: write for example 30m, 2h or 1d", what, raw)
		return 0, false
	case v < low || v > high:
		d.at(n, "%s %s is outside %s to %s", what, raw, span(low), span(high))
		return 0, false
	}
	return v, true
}

// parseDuration reads a Go duration or a whole or decimal number of days.
func parseDuration(s string) (time.Duration, error) {
	days, ok := strings.CutSuffix(s, "d")
	if !ok {
		return time.ParseDuration(s)
	}
	v, err := strconv.ParseFloat(days, 64)
	if err != nil || !decimal(days) || math.Abs(v) > 36500 {
		return 0, fmt.Errorf("%q is not a number of days", s)
	}
	return time.Duration(v * float64(24*time.Hour)), nil
}

// span is a duration without the zeros Go prints at its end.
func span(v time.Duration) string {
	switch {
	case v == 0:
		return "0s"
	case v%(24*time.Hour) == 0:
		return fmt.Sprintf("%dd", v/(24*time.Hour))
	case v%time.Hour == 0:
		return fmt.Sprintf("%dh", v/time.Hour)
	case v%time.Minute == 0:
		return fmt.Sprintf("%dm", v/time.Minute)
	}
	return v.String()
}

// amount splits "18 C" or "60%" into number and unit.
func amount(s string) (v float64, unitName string, ok bool) {
	s = strings.TrimSpace(s)
	end := strings.IndexFunc(s, func(r rune) bool { return !strings.ContainsRune("+-.0123456789", r) })
	if end < 0 {
		end = len(s)
	}
	v, err := strconv.ParseFloat(s[:end], 64)
	if err != nil {
		return 0, "", false
	}
	return v, strings.TrimSpace(s[end:]), true
}

// scalar is the text of a scalar as written, without quotes.
func scalar(n ast.Node) (string, bool) {
	switch x := n.(type) {
	case *ast.StringNode:
		return x.Value, true
	case *ast.IntegerNode, *ast.FloatNode, *ast.BoolNode, *ast.InfinityNode, *ast.NanNode:
		return n.GetToken().Value, true
	}
	return "", false
}

// decimal reports a plain decimal number, without the hexadecimal floats and
// underscores that strconv reads as well.
func decimal(s string) bool {
	return s != "" && strings.Trim(s, "+-.0123456789eE") == "" && strings.ContainsAny(s, "0123456789")
}

func quoted(n ast.Node) bool {
	t := n.GetToken()
	return t != nil && (t.Type == token.SingleQuoteType || t.Type == token.DoubleQuoteType)
}

func isNull(n ast.Node) bool {
	_, null := n.(*ast.NullNode)
	return n == nil || null
}

func keyText(n ast.Node) string {
	if s, ok := n.(*ast.StringNode); ok {
		return s.Value
	}
	if t := n.GetToken(); t != nil {
		return t.Value
	}
	return ""
}

// kind names a node's type for people.
func kind(n ast.Node) string {
	switch n.(type) {
	case *ast.MappingNode:
		return "keys with values"
	case *ast.SequenceNode:
		return "a list"
	case *ast.IntegerNode, *ast.FloatNode, *ast.InfinityNode, *ast.NanNode:
		return "a number"
	case *ast.BoolNode:
		return "true or false"
	case *ast.StringNode, *ast.LiteralNode:
		return "text"
	}
	return "nothing"
}

// shown is a scalar as written, or the kind of another node.
func shown(n ast.Node) string {
	if raw, ok := scalar(n); ok {
		return strconv.Quote(raw)
	}
	return kind(n)
}
