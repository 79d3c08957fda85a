package lot

import (
	"fmt"
	"slices"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"
)

// Kinds of change about tests. They are stored: never rename.
const (
	Tested   ChangeKind = "tested"       // the keeper tasted, smelled or germinated some of the lot
	Untested ChangeKind = "test-revoked" // takes back the test of the number Revokes
)

// Test is what the keeper found in some of a lot. It is of quality: no taste,
// smell or sprout tells whether food is safe.
type Test struct {
	Number   int       `json:"number"` // 1, 2, ... within the lot, as told
	At       time.Time `json:"at"`     // when it was done
	By       string    `json:"by,omitempty"`
	Result   Result    `json:"result"`
	Note     string    `json:"note,omitempty"`
	Revoked  bool      `json:"revoked,omitempty"`
	Recorded time.Time `json:"recorded"`
}

// Result is what a test found; what was not looked for is at its zero value.
type Result struct {
	// Taste is a score on the nine-point hedonic scale (Peryam and Pilgrim
	// 1957; Food Technology 11:9, from memory): 1 dislike extremely, 5 neither like nor
	// dislike, 9 like extremely; 0 where it was not tasted.
	Taste int `json:"taste,omitempty"`
	// OffSmell says whether it smelled off; nil where nobody smelled at it.
	OffSmell *bool `json:"off_smell,omitempty"`
	// Sprouted of Seeds germinated; Seeds is 0 where none were sown.
	Sprouted int `json:"sprouted,omitempty"`
	Seeds    int `json:"seeds,omitempty"`
}

// mostSeeds is more than anybody counts at home.
const mostSeeds = 10_000

// String is the result in words.
func (r Result) String() string {
	var out []string
	if r.Taste > 0 {
		out = append(out, fmt.Sprintf("taste %d of 9", r.Taste))
	}
	if r.OffSmell != nil {
		out = append(out, map[bool]string{true: "off smell", false: "no off smell"}[*r.OffSmell])
	}
	if r.Seeds > 0 {
		out = append(out, fmt.Sprintf("%d of %d seeds sprouted", r.Sprouted, r.Seeds))
	}
	return strings.Join(out, ", ")
}

func (r Result) check() error {
	switch {
	case r.Taste < 0 || r.Taste > 9:
		return Invalid("taste %d: give 1 (dislike extremely) to 9 (like extremely)", r.Taste)
	case r.Seeds < 0 || r.Seeds > mostSeeds:
		return Invalid("%d seeds: give 1 to %d", r.Seeds, mostSeeds)
	case r.Sprouted < 0 || r.Sprouted > r.Seeds:
		return Invalid("%d of %d seeds sprouted: give how many did and how many were sown", r.Sprouted, r.Seeds)
	case r.Taste == 0 && r.OffSmell == nil && r.Seeds == 0:
		return Invalid("an empty test: give a taste, whether it smells off, or how many seeds sprouted")
	}
	return nil
}

// Tests in force, in the order they were told.
func (l Lot) InForce() []Test {
	return slices.DeleteFunc(slices.Clone(l.Tests), func(t Test) bool { return t.Revoked })
}

// checkTest reports why a test, or its being taken back, cannot be taken. A
// finished lot may have been tested: its last container was opened.
func (l Lot) checkTest(c Change) error {
	if c.Kind == Untested {
		i := slices.IndexFunc(l.Tests, func(t Test) bool { return t.Number == c.Revokes })
		switch {
		case i < 0:
			return NotFound("lot %s has no test %d", l.ID, c.Revokes)
		case l.Tests[i].Revoked:
			return Invalid("test %d of lot %s is taken back already", c.Revokes, l.ID)
		case strings.TrimSpace(c.Note) == "":
			return Invalid("no reason: say why, it is kept with the change")
		}
		return checkLine(c.Note)
	}
	switch {
	case c.Result == nil:
		return Invalid("a test without its result")
	case c.At.Before(l.Packing.PackedAt.Truncate(24 * time.Hour)):
		return Invalid("lot %s was packed at %s: the test at %s is earlier", l.ID, l.Packing.PackedAt.Format(time.RFC3339), c.At.Format(time.RFC3339))
	case c.At.After(c.Recorded.Add(24 * time.Hour)):
		return Invalid("the test at %s is in the future", c.At.Format(time.RFC3339))
	}
	if err := c.Result.check(); err != nil {
		return err
	}
	return checkLine(c.Note)
}

// checkLine refuses what is not one line of plain text.
func checkLine(text string) error {
	switch n := utf8.RuneCountInString(text); {
	case !utf8.ValidString(text):
		return Invalid("the note is not UTF-8: write it as plain text")
	case n > maxNoteLength:
		return Invalid("a note of %d characters: give at most %d", n, maxNoteLength)
	case strings.ContainsFunc(text, func(r rune) bool { return !unicode.IsGraphic(r) }):
		return Invalid("the note has a character that cannot be printed: write one line of plain text")
	}
	return nil
}

// tested is the lot with one more test, or one fewer. What was handed out of
// the lot before stays as it is.
func (l Lot) tested(c Change) Lot {
	l.Tests = slices.Clone(l.Tests)
	if c.Kind == Untested {
		for i := range l.Tests {
			l.Tests[i].Revoked = l.Tests[i].Revoked || l.Tests[i].Number == c.Revokes
		}
		return l
	}
	if c.Result == nil {
		return l
	}
	// A date alone stands for its noon, which may be still to come.
	at := c.At
	if at.After(c.Recorded) {
		at = c.Recorded
	}
	if at.Before(l.Packing.PackedAt) {
		at = l.Packing.PackedAt
	}
	l.Tests = append(l.Tests, Test{Number: len(l.Tests) + 1, At: at, By: c.By, Result: *c.Result, Note: strings.TrimSpace(c.Note), Recorded: c.Recorded})
	return l
}
