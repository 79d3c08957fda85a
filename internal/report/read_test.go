package report

import (
	"bytes"
	"cmp"
	"compress/zlib"
	"io"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"unicode/utf16"

	"golang.org/x/net/html"
)

// textLines splits text into cells at two or more spaces.
func textLines(s string) [][]string {
	gap := regexp.MustCompile(` {2,}`)
	var out [][]string
	for line := range strings.Lines(s) {
		out = append(out, gap.Split(strings.TrimSpace(line), -1))
	}
	return out
}

// htmlLines are the headings, paragraphs and rows of tables of a page.
func htmlLines(t *testing.T, b []byte) [][]string {
	t.Helper()
	doc, err := html.Parse(bytes.NewReader(b))
	if err != nil {
		t.Fatal(err)
	}
	var words func(n *html.Node) string
	words = func(n *html.Node) string {
		if n.Type == html.TextNode {
			return n.Data
		}
		var b strings.Builder
		for c := range n.ChildNodes() {
			b.WriteString(words(c))
		}
		return b.String()
	}
	var out [][]string
	for n := range doc.Descendants() {
		if n.Type != html.ElementNode {
			continue
		}
		switch n.Data {
		case "h1", "h2", "h3", "p", "li":
			out = append(out, []string{words(n)})
		case "tr":
			var row []string
			for c := range n.ChildNodes() {
				if c.Type == html.ElementNode {
					row = append(row, words(c))
				}
			}
			out = append(out, row)
		}
	}
	return out
}

// placed is a text at its place on a page.
type placed struct {
	page int
	x, y float64
	text string
}

// pdfTexts reads the texts of a document: its streams are inflated, and its
// fonts have the codes of UTF-16.
func pdfTexts(t testing.TB, b []byte) []placed {
	t.Helper()
	var out []placed
	op := regexp.MustCompile(`(?s)^BT ([\d.-]+) ([\d.-]+) Td \(`)
	page := 0
	for _, part := range bytes.Split(b, []byte("stream\n"))[1:] {
		in, err := zlib.NewReader(bytes.NewReader(part))
		if err != nil {
			continue // "endstream" and what is not compressed
		}
		stream, err := io.ReadAll(in)
		if err != nil && !bytes.Contains(stream, []byte("BT ")) {
			continue
		}
		found := false
		for i := 0; i < len(stream); i++ {
			next := bytes.Index(stream[i:], []byte("BT "))
			if next < 0 {
				break
			}
			i += next
			m := op.FindSubmatch(stream[i:min(len(stream), i+60)])
			if m == nil {
				continue
			}
			i += len(m[0])
			var raw []byte
			for ; i < len(stream) && stream[i] != ')'; i++ {
				if stream[i] == '\\' {
					i++
					if stream[i] == 'r' {
						raw = append(raw, '\r')
						continue
					}
				}
				raw = append(raw, stream[i])
			}
			units := make([]uint16, 0, len(raw)/2)
			for j := 0; j+1 < len(raw); j += 2 {
				units = append(units, uint16(raw[j])<<8|uint16(raw[j+1]))
			}
			x, _ := strconv.ParseFloat(string(m[1]), 64)
			y, _ := strconv.ParseFloat(string(m[2]), 64)
			out, found = append(out, placed{page, x, y, string(utf16.Decode(units))}), true
		}
		if found {
			page++
		}
	}
	if len(out) == 0 {
		t.Fatal("no text was found in the PDF")
	}
	return out
}

// pdfLines are the texts of a document by lines, from left to right.
func pdfLines(t testing.TB, b []byte) [][]string {
	t.Helper()
	texts := pdfTexts(t, b)
	slices.SortStableFunc(texts, func(a, b placed) int {
		return cmp.Or(cmp.Compare(a.page, b.page), cmp.Compare(b.y, a.y), cmp.Compare(a.x, b.x))
	})
	var out [][]string
	for i, p := range texts {
		if i == 0 || texts[i-1].page != p.page || texts[i-1].y != p.y {
			out = append(out, nil)
		}
		out[len(out)-1] = append(out[len(out)-1], p.text)
	}
	return out
}
