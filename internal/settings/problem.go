package settings

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
)

// Problem is one mistake in a file.
type Problem struct {
	File string
	// Line and Column count from 1, columns in characters. Both are 0 for a
	// problem of the file as a whole.
	Line, Column int
	// Text says what is wrong and how to mend it.
	Text string
}

// String is file:line:column: text, the form editors jump to.
func (p Problem) String() string {
	if p.Line == 0 {
		return fmt.Sprintf("%s: %s", p.File, p.Text)
	}
	return fmt.Sprintf("%s:%d:%d: %s", p.File, p.Line, p.Column, p.Text)
}

// Problems are all mistakes found, at least one, sorted by file and place. As
// an error it prints one a line.
type Problems []Problem

// Error implements error.
func (p Problems) Error() string {
	lines := make([]string, len(p))
	for i, problem := range p {
		lines[i] = problem.String()
	}
	return strings.Join(lines, "\n")
}

// maxProblems is how many problems are told. More than a screen or two means
// one mistake that drags others behind it, or a wrong file.
const maxProblems = 100

// sorted returns the first problems in order of file, line, column and text,
// or nil as an error when there is none.
func (p Problems) sorted() error {
	if len(p) == 0 {
		return nil
	}
	slices.SortStableFunc(p, func(a, b Problem) int {
		return cmp.Or(
			strings.Compare(a.File, b.File),
			cmp.Compare(a.Line, b.Line),
			cmp.Compare(a.Column, b.Column),
			strings.Compare(a.Text, b.Text),
		)
	})
	p = slices.Compact(p)
	if more := len(p) - maxProblems; more > 0 {
		next := p[maxProblems]
		next.Text = fmt.Sprintf("from here on %d more problems: mend those above first", more)
		p = append(p[:maxProblems:maxProblems], next)
	}
	return p
}
