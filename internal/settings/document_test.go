package settings

import (
	"testing"

	"github.com/goccy/go-yaml/lexer"
	"github.com/goccy/go-yaml/parser"
)

// The parser leaves out, without an error, what follows two document markers.
// The bounds refuse those; whole is the net below them for what the parser
// may drop elsewhere, now or in another version.
func TestWhole(t *testing.T) {
	f := func(src string, want bool) {
		t.Helper()
		tokens := lexer.Tokenize(src)
		file, err := parser.Parse(tokens, 0)
		if err != nil {
			t.Fatal(err)
		}
		if got := whole(file.Docs[0].Body, tokens); got != want {
			t.Errorf("%q: whole %v, want %v", src, got, want)
		}
	}
	f("---\n---\na: 1\n", false)
	f("a: 1\n---\nb: 1\n", false)
	f("- a\n---\n- b\n", false)
	f("", true)
	f("# a: 1\n", true)
	f("a: 1\n", true)
	f("a:\n- b\n- c: d\n  e: [f, {g: h}]\n-\n", true)
	f("a: {b, c: , d: {}}\n", true)
	f("- - a\n  - b\n-   c:\n", true)
	f("[a: b, c]\n", true)
	f("a: |\n  b: c\n  - d\n", true)
}

func TestSpans(t *testing.T) {
	f := func(s string) {
		t.Helper()
		v, err := parseDuration(s)
		if err != nil || span(v) != s {
			t.Errorf("%q reads as %v (%v) and is written %q", s, v, err, span(v))
		}
	}
	for _, s := range []string{"0s", "1m", "90m", "2h", "36h", "1d", "30d", "1.5s", "1m1s"} {
		f(s)
	}
	for _, s := range []string{"", "d", "1", "1 h", "+-1d", "1ed", "0x2d", "nand", "infd", "1e99d", "1_0d", "99999d"} {
		if v, err := parseDuration(s); err == nil {
			t.Errorf("%q reads as %v", s, v)
		}
	}
}
