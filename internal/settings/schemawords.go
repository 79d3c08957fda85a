package settings

import (
	"regexp"
	"strings"

	"github.com/goccy/go-yaml/ast"
)

// comments are the lines of the commented example, of which each key gets the
// description that stands above it or behind it.
type comments struct {
	lines []string
	// told are the keys that have one, by their path: the first place counts.
	told map[string]bool
}

// explain adds to the schema at a path what is said of the keys of a value of the
// example.
func (c comments) explain(path string, schema object, n ast.Node) {
	for _, s := range alternatives(schema) {
		switch x := n.(type) {
		case *ast.MappingNode:
			properties, ok := s["properties"].(object)
			if !ok {
				continue
			}
			for _, entry := range x.Values {
				name := keyText(entry.Key)
				of, ok := properties[name].(object)
				if !ok {
					continue
				}
				c.above(path, entry, properties)
				c.behind(path+"."+name, entry, of)
				c.explain(path+"."+name, of, entry.Value)
			}
		case *ast.SequenceNode:
			if items, ok := s["items"].(object); ok {
				for _, item := range x.Values {
					c.explain(path+"[]", items, item)
				}
			}
		}
	}
}

// alternatives are a schema and those of which it is one.
func alternatives(schema object) []object {
	out := []object{schema}
	others, _ := schema["anyOf"].([]any)
	for _, a := range others {
		if s, ok := a.(object); ok {
			out = append(out, s)
		}
	}
	return out
}

// above takes the comment that stands above a key. A key of the same mapping that
// is commented out in it ends what is said of that one.
func (c comments) above(path string, entry *ast.MappingValueNode, properties object) {
	name := keyText(entry.Key)
	line, _ := place(entry.Key)
	if !c.begins(line, name) {
		return
	}
	// What is set in further belongs to the line before it.
	set := c.lines[line-1][:strings.Index(c.lines[line-1], name)] + "#"
	first := line - 1
	for first > 0 && strings.HasPrefix(c.lines[first-1], set) {
		first--
	}
	out := regexp.MustCompile(`^ ([a-z_]+): `)
	var block []string
	for _, l := range c.lines[first : line-1] {
		l = strings.TrimPrefix(strings.TrimSpace(l), "#")
		if m := out.FindStringSubmatch(l); m != nil && m[1] != name && properties[m[1]] != nil {
			c.describe(path+"."+m[1], properties[m[1]], paragraph(block))
			block = nil
			continue
		}
		block = append(block, l)
	}
	c.describe(path+"."+name, properties[name], paragraph(block))
}

// begins reports a line that begins with a key. What is said of the first key of
// an item is said of the item.
func (c comments) begins(line int, name string) bool {
	return line >= 1 && line <= len(c.lines) && strings.HasPrefix(strings.TrimLeft(c.lines[line-1], " "), name+":")
}

// behind takes what stands behind a value on its line, and its default.
func (c comments) behind(path string, entry *ast.MappingValueNode, of object) {
	line, _ := place(entry.Key)
	raw, ok := scalar(entry.Value)
	if !ok || isOff(entry.Value) || !c.begins(line, keyText(entry.Key)) {
		return // what the example has off, it says why in its own house
	}
	_, text, ok := strings.Cut(c.lines[line-1], " # ")
	if !ok {
		return
	}
	more, is := strings.CutPrefix(text, "default")
	if is && (more == "" || strings.HasPrefix(more, ";")) {
		of["default"] = typed(entry.Value, raw)
		text = strings.TrimSpace(strings.TrimPrefix(more, ";"))
	}
	c.describe(path, of, text)
}

// typed is a scalar as JSON has it.
func typed(n ast.Node, raw string) any {
	switch x := n.(type) {
	case *ast.BoolNode:
		return x.Value
	case *ast.IntegerNode:
		return x.Value
	case *ast.FloatNode:
		return x.Value
	}
	return raw
}

// paragraph is the first of some lines of a comment, in one line; what is set in
// further is a table or an example.
func paragraph(lines []string) string {
	var out []string
	for _, l := range lines {
		if strings.TrimSpace(l) == "" || strings.HasPrefix(l, "   ") {
			if out != nil && strings.TrimSpace(l) != "" && !strings.HasSuffix(out[len(out)-1], ".") {
				return strings.Join(out, " ") + " ..."
			}
			if out != nil {
				break
			}
			continue
		}
		out = append(out, strings.TrimSpace(l))
	}
	return strings.TrimRight(strings.Join(out, " "), ",")
}

// describe puts words before those that are there.
func (c comments) describe(path string, of any, text string) {
	s, ok := of.(object)
	if !ok || text == "" || c.told[path] {
		return
	}
	c.told[path] = true
	if text = strings.ToUpper(text[:1]) + text[1:]; !strings.HasSuffix(text, ".") {
		text += "."
	}
	if bounds, ok := s["description"].(string); ok {
		text += " " + bounds
	}
	s["description"] = text
}
