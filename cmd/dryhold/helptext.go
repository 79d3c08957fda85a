package main

import (
	"path"
	"regexp"
	"strings"
	"unicode/utf8"
)

// helpWidth is that of a terminal as it opens, less a margin.
const helpWidth = 78

// shown is a topic as a terminal shows it.
func (t topic) shown() string {
	return heading(t.title, "=") + plain(t.without("dryhold help %s"))
}

// without is the text of a topic without tables and links. Page says where
// another topic is read, %s being its name; files are named from the root of the
// repository.
func (t topic) without(page string) string {
	return eachLink(plainTables(t.text), func(words, target string) string {
		if name, ok := topicOf(target); ok {
			return words + " (" + strings.ReplaceAll(page, "%s", name) + ")"
		}
		if !strings.Contains(target, "://") {
			target = path.Join("config/manual", target)
		}
		if strings.Contains(target, "#") || target == words {
			return words
		}
		return words + " (" + target + ")"
	})
}

// topicOf is the topic that a link of the manual leads to.
func topicOf(target string) (string, bool) {
	file, _, _ := strings.Cut(target, "#")
	name, ok := strings.CutSuffix(file, ".md")
	return name, ok && !strings.Contains(name, "/")
}

func heading(title, line string) string {
	return title + "\n" + strings.Repeat(line, utf8.RuneCountInString(title)) + "\n"
}

// plain lays out the little markdown the manual uses: headings, paragraphs and
// items of one line each, fenced blocks, which stay as they are, and comments,
// which go.
func plain(text string) string {
	var b strings.Builder
	fenced, list := false, false
	for line := range strings.Lines(text) {
		line = strings.TrimRight(line, "\n")
		mark := strings.TrimLeft(line, "#")
		item, isItem := strings.CutPrefix(line, "- ")
		switch {
		case strings.HasPrefix(line, "```"):
			if fenced = !fenced; fenced {
				b.WriteString("\n")
			}
		case fenced:
			b.WriteString(strings.TrimRight("    "+line, " ") + "\n")
		case line == "" || strings.HasPrefix(line, "<!--"):
			list = list && line == ""
		case strings.HasPrefix(line, "#"):
			b.WriteString("\n" + heading(bare(strings.TrimSpace(mark)), "-"))
		case isItem:
			if !list {
				b.WriteString("\n")
			}
			list = true
			b.WriteString(wrapped(bare(item), "  - ", "    "))
		default:
			list = false
			b.WriteString("\n" + wrapped(bare(line), "", ""))
		}
	}
	return b.String()
}

// bare is a line without the marks of emphasis; those of code stay, for they say
// where a command begins and ends.
func bare(line string) string { return strings.ReplaceAll(line, "**", "") }

// wrapped breaks a line between words, and not within a short piece of code.
func wrapped(line, first, next string) string {
	const hard = "\u00a0"
	pieces := strings.Split(line, "`")
	for i := 1; i < len(pieces); i += 2 {
		if len(pieces[i]) < helpWidth/2 {
			pieces[i] = strings.ReplaceAll(pieces[i], " ", hard)
		}
	}
	var b strings.Builder
	at := first
	width := utf8.RuneCountInString(at)
	b.WriteString(at)
	empty := true
	for _, word := range strings.FieldsFunc(strings.Join(pieces, "`"), func(r rune) bool { return r == ' ' }) {
		n := utf8.RuneCountInString(word)
		if !empty && width+1+n > helpWidth {
			b.WriteString("\n" + next)
			width, empty = utf8.RuneCountInString(next), true
		}
		if !empty {
			b.WriteString(" ")
			width++
		}
		b.WriteString(word)
		width, empty = width+n, false
	}
	return strings.ReplaceAll(b.String(), hard, " ") + "\n"
}

// plainTables makes of each row of a table an item: the first cell, then the
// others with their headings. A terminal and a manual page are too narrow for
// tables of sentences.
func plainTables(text string) string {
	var b strings.Builder
	var head []string
	fenced := false
	for line := range strings.Lines(text) {
		if strings.HasPrefix(line, "```") {
			fenced = !fenced
		}
		if fenced || !strings.HasPrefix(line, "|") {
			head = nil
			b.WriteString(line)
			continue
		}
		cells := strings.Split(strings.Trim(strings.TrimSpace(line), "|"), "|")
		for i := range cells {
			cells[i] = strings.TrimSpace(cells[i])
		}
		switch {
		case head == nil:
			head = cells
		case strings.Trim(strings.Join(cells, ""), "-:") == "":
		default:
			b.WriteString(row(head, cells))
		}
	}
	return b.String()
}

func row(head, cells []string) string {
	var parts []string
	for i, cell := range cells[1:] {
		switch {
		case cell == "":
		case len(cells) == 2: // the one other column speaks for itself
			parts = append(parts, cell)
		case i+1 < len(head):
			parts = append(parts, head[i+1]+" "+cell)
		}
	}
	name := strings.Trim(cells[0], "*")
	if name != "" && name[0] >= '0' && name[0] <= '9' {
		name = head[0] + " " + name // a bare number says nothing
	}
	if !strings.Contains(name, "`") {
		name = "**" + name + "**"
	}
	if len(parts) == 0 {
		return "- " + name + "\n"
	}
	return "- " + name + ": " + strings.Join(parts, "; ") + "\n"
}

// eachLink replaces the links outside of fenced blocks.
func eachLink(text string, to func(words, target string) string) string {
	link := regexp.MustCompile(`\[([^\]\[]+)\]\(([^)\s]+)\)`)
	var b strings.Builder
	fenced := false
	for line := range strings.Lines(text) {
		if strings.HasPrefix(line, "```") {
			fenced = !fenced
		}
		if !fenced {
			line = link.ReplaceAllStringFunc(line, func(found string) string {
				parts := link.FindStringSubmatch(found)
				return to(parts[1], parts[2])
			})
		}
		b.WriteString(line)
	}
	return b.String()
}
