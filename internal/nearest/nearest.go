// Package nearest finds the name a person most likely meant, for error
// messages that say how to mend a misspelling.
package nearest

import (
	"fmt"
	"slices"
	"strings"

	"github.com/agnivade/levenshtein"
)

// Name returns the candidate with the smallest edit distance to name, or ""
// when none is near enough to be a slip of the pen. Ties go to the candidate
// that sorts first.
func Name(name string, candidates []string) string {
	best, bestDistance := "", 0
	for _, c := range slices.Sorted(slices.Values(candidates)) {
		d := levenshtein.ComputeDistance(strings.ToLower(name), strings.ToLower(c))
		if best == "" || d < bestDistance {
			best, bestDistance = c, d
		}
	}
	if bestDistance > max(2, len(name)/2) {
		return ""
	}
	return best
}

// Hint is the end of an error message about an unknown name: the nearest
// valid one, or all of them when none is near.
func Hint(name string, candidates []string) string {
	if n := Name(name, candidates); n != "" {
		return fmt.Sprintf(": did you mean %q?", n)
	}
	if len(candidates) == 0 {
		return ": none is known yet"
	}
	return ": it is one of " + strings.Join(candidates, ", ")
}
