package settings

import (
	"bytes"
	"errors"
	"fmt"
	"strings"
	"unicode/utf8"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/lexer"
	"github.com/goccy/go-yaml/parser"
	"github.com/goccy/go-yaml/token"

	"dryhold/internal/nearest"
)

// Bounds on the input. A configuration is written by hand: what passes them
// by far is a wrong file. The parser recurses for each nested value and for
// each further key of a mapping, and a stack that overflows ends the process
// in a way that no recover contains, so they are checked before it runs.
const (
	maxBytes  = 1 << 20
	maxTokens = 40_000
	maxDepth  = 32
)

// document parses one file to its only value, nil when the file is empty.
// What is wrong is added to the problems; then the value is nil as well.
func (d *decoder) document(src []byte) (root ast.Node) {
	// The parser has panicked on malformed input in the past (its issues 191,
	// 439, 540 and 718) and may again. For the keeper that is a mistake in
	// the file like any other, never the end of the daemon.
	defer func() {
		if r := recover(); r != nil {
			d.add(0, 0, "cannot read the file as YAML: %v", r)
			root = nil
		}
	}()
	src = bytes.TrimPrefix(src, []byte("\ufeff"))
	if len(src) > maxBytes {
		d.add(0, 0, "the file has %d bytes: at most %d are read", len(src), maxBytes)
		return nil
	}
	if !utf8.Valid(src) {
		line, column := invalidUTF8(src)
		d.add(line, column, "the file is not UTF-8 text: save it as UTF-8")
		return nil
	}
	tokens := lexer.Tokenize(string(src))
	if !d.plain(tokens) {
		return nil
	}
	// Duplicate keys are allowed here and refused by the walk, which goes on
	// after them.
	file, err := parser.Parse(tokens, 0, parser.AllowDuplicateMapKey())
	if err != nil {
		d.syntax(err, src)
		return nil
	}
	for _, doc := range file.Docs {
		if root == nil {
			root = doc.Body
		}
	}
	if !whole(root, tokens) {
		d.add(0, 0, "cannot read the whole file as YAML: a part of it would be left out; check its indentation, or write it anew in small steps")
		return nil
	}
	return root
}

// whole reports whether every key and every list item of the file has come
// into the tree. The parser drops what it does not expect in some places
// without an error, and a limit left out would never raise its alarm.
func whole(root ast.Node, tokens token.Tokens) bool {
	keys, items := 0, 0
	for _, t := range tokens {
		switch t.Type {
		case token.MappingValueType:
			keys++
		case token.SequenceEntryType:
			items++
		}
	}
	if root == nil {
		return keys+items == 0
	}
	for _, n := range ast.Filter(ast.SequenceType, root) {
		if s, ok := n.(*ast.SequenceNode); ok && !s.IsFlowStyle {
			items -= len(s.Values)
		}
	}
	return len(ast.Filter(ast.MappingValueType, root)) >= keys && items <= 0
}

// plain reports whether the tokens stay within the bounds and the part of
// YAML that a configuration needs. Anchors, aliases and merges are refused
// because a few lines of them expand without limit; tags and directives
// because they change the meaning of what is written.
func (d *decoder) plain(tokens token.Tokens) bool {
	before := len(d.problems)
	if len(tokens) > maxTokens {
		at := tokens[maxTokens].Position
		d.add(at.Line, at.Column, "the file has more than %d words and signs: at most so many are read", maxTokens)
		return false
	}
	flow, entries, line, content := 0, 0, 0, false
	for _, t := range tokens {
		if t.Position.Line != line {
			entries, line = 0, t.Position.Line
		}
		switch t.Type {
		case token.AnchorType, token.AliasType, token.MergeKeyType:
			d.add(t.Position.Line, t.Position.Column, "%q: anchors, aliases and merges are not read here, write the value out (or in quotes, if it is text)", t.Value)
		case token.TagType:
			// Not as written: it may be a password in the place of its hash.
			d.add(t.Position.Line, t.Position.Column, "\"!\": tags are not read here, leave it out (or put the text in quotes)")
		case token.DirectiveType:
			d.add(t.Position.Line, t.Position.Column, "directives are not read here: leave the line out")
			return false
		case token.MappingKeyType:
			d.add(t.Position.Line, t.Position.Column, "\"?\" keys are not read here: write key: value")
		case token.DocumentHeaderType, token.DocumentEndType:
			// The parser leaves out what follows two of them.
			if content {
				d.add(t.Position.Line, t.Position.Column, "%q begins another document: a file holds one, leave the line out", t.Value)
			}
		case token.SequenceStartType, token.MappingStartType:
			flow++
		case token.SequenceEndType, token.MappingEndType:
			flow--
		case token.SequenceEntryType:
			entries++
		}
		content = content || t.Type != token.CommentType
		if flow > maxDepth || entries > maxDepth {
			d.add(t.Position.Line, t.Position.Column, "values nest deeper than %d here", maxDepth)
			return false
		}
	}
	return len(d.problems) == before
}

// syntax adds the parser's error at its place. The one mistake that the
// parser's words do not explain gets a hint: a named wildcard in a topic looks
// like the start of a mapping where it begins the text or stands in one.
func (d *decoder) syntax(err error, src []byte) {
	var at yaml.Error
	if !errors.As(err, &at) || at.GetToken() == nil || at.GetToken().Position == nil {
		d.add(0, 0, "this is not YAML: %v", err)
		return
	}
	p := at.GetToken().Position
	hint := ""
	lines := bytes.Split(src, []byte("\n"))
	if i := p.Line - 1; i >= 0 && i < len(lines) {
		for _, wildcard := range []string{"{room}", "{sensor}", "{quantity}"} {
			if bytes.Contains(lines[i], []byte(wildcard)) {
				hint = ": put the topic in quotes"
				if bytes.Contains(lines[i], []byte("name:")) {
					hint = ": put the name in quotes"
				}
			}
		}
	}
	// What the parser quotes may be a password in the place of its hash.
	message, _, _ := strings.Cut(at.GetMessage(), ": \"")
	d.add(p.Line, p.Column, "this is not YAML: %s%s", message, hint)
}

// invalidUTF8 is the place of the first byte that is not UTF-8.
func invalidUTF8(src []byte) (line, column int) {
	line, column = 1, 1
	for len(src) > 0 {
		r, size := utf8.DecodeRune(src)
		switch {
		case r == utf8.RuneError && size == 1:
			return line, column
		case r == '\n':
			line, column = line+1, 1
		default:
			column++
		}
		src = src[size:]
	}
	return line, column
}

// place is where a node begins, 0 0 when the parser does not say.
func place(n ast.Node) (line, column int) {
	switch x := n.(type) {
	case nil:
		return 0, 0
	case *ast.MappingNode:
		// The parser's own place of a block mapping is its first colon.
		if !x.IsFlowStyle && len(x.Values) > 0 {
			return place(x.Values[0].Key)
		}
	case *ast.MappingValueNode:
		return place(x.Key)
	}
	t := n.GetToken()
	if t == nil || t.Position == nil {
		return 0, 0
	}
	return t.Position.Line, t.Position.Column
}

// add notes a problem at a place.
func (d *decoder) add(line, column int, format string, args ...any) {
	text := fmt.Sprintf(format, args...)
	if len(text) > maxText {
		// A value may be as long as the file.
		text = strings.ToValidUTF8(text[:maxText/2], "") + " ... " + strings.ToValidUTF8(text[len(text)-maxText/2:], "")
	}
	d.problems = append(d.problems, Problem{File: d.file, Line: line, Column: column, Text: text})
}

// maxText is the longest text of a problem, bytes; the longest of ours with
// names of ordinary length is half of it.
const maxText = 600

// longestName is longer than any valid name.
const longestName = 64

// hint is the nearest valid name, found by the head of a name that is as long
// as no valid one: comparing takes time by the length.
func hint(name string, candidates []string) string {
	if len(name) > longestName {
		name = strings.ToValidUTF8(name[:longestName], "")
	}
	return nearest.Hint(name, candidates)
}

// at notes a problem at a node.
func (d *decoder) at(n ast.Node, format string, args ...any) {
	line, column := place(n)
	d.add(line, column, format, args...)
}
