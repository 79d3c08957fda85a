package nearest_test

import (
	"slices"
	"strings"
	"testing"
	"unicode/utf8"

	"pgregory.net/rapid"

	"dryhold/internal/nearest"
)

func TestName(t *testing.T) {
	f := func(name string, candidates []string, want string) {
		t.Helper()
		if got := nearest.Name(name, candidates); got != want {
			t.Errorf("Name(%q, %v) = %q, want %q", name, candidates, got, want)
		}
	}
	foods := []string{"white-rice", "brown-rice", "hard-wheat", "soft-wheat", "dry-beans", "salt"}
	f("white-rice", foods, "white-rice")
	f("whit-rice", foods, "white-rice")
	f("White-Rice", foods, "white-rice")
	f("with-rice", foods, "white-rice")
	f("wheat-hard", foods, "")
	f("hard-weat", foods, "hard-wheat")
	f("slat", foods, "salt")
	f("petroleum", foods, "")
	f("", foods, "")
	f("x", nil, "")
	// Equally near: the one that sorts first, whatever the order given.
	f("rat", []string{"cat", "bat"}, "bat")
	f("rat", []string{"bat", "cat"}, "bat")
	// Characters count, not bytes.
	f("äöü", []string{"aou"}, "aou")
}

func TestHint(t *testing.T) {
	f := func(name string, candidates []string, want string) {
		t.Helper()
		if got := nearest.Hint(name, candidates); got != want {
			t.Errorf("Hint(%q, %v) = %q, want %q", name, candidates, got, want)
		}
	}
	f("celar", []string{"loft", "cellar"}, `: did you mean "cellar"?`)
	f("garage", []string{"loft", "cellar"}, ": it is one of loft, cellar")
	f("garage", nil, ": none is known yet")
}

// word draws short names over few letters, so that near ones occur.
func word() *rapid.Generator[string] { return rapid.StringMatching(`[abcä-]{1,8}`) }

func TestNameProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		candidates := rapid.SliceOfN(word(), 1, 8).Draw(t, "candidates")
		name := rapid.OneOf(word(), rapid.String()).Draw(t, "name")
		got := nearest.Name(name, candidates)
		if got != "" && !slices.Contains(candidates, got) {
			t.Fatalf("Name gives %q, which is no candidate", got)
		}
		if slices.Contains(candidates, name) && !strings.EqualFold(got, name) {
			t.Fatalf("Name gives %q although %q is a candidate", got, name)
		}
		reversed := slices.Clone(candidates)
		slices.Reverse(reversed)
		if again := nearest.Name(name, reversed); again != got {
			t.Fatalf("the order of candidates decides: %q or %q", got, again)
		}
		if h := nearest.Hint(name, candidates); !strings.HasPrefix(h, ": ") || !utf8.ValidString(h) {
			t.Fatalf("hint %q", h)
		}
	})
}

// One slip of the pen in a name of four letters or more is found.
func TestOneSlip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		name := rapid.StringMatching(`[a-z]{4,12}`).Draw(t, "name")
		i := rapid.IntRange(0, len(name)-1).Draw(t, "at")
		slip := rapid.SampledFrom([]string{
			name[:i] + name[i+1:], name[:i] + "q" + name[i:], name[:i] + "q" + name[i+1:], strings.ToUpper(name),
		}).Draw(t, "slip")
		if got := nearest.Name(slip, []string{"zz-entirely-unlike-the-others-zz", name}); got != name {
			t.Fatalf("Name(%q) = %q, want %q", slip, got, name)
		}
	})
}
