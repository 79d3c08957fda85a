package web

import (
	"context"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strings"

	"dryhold/internal/lot"
)

// Condition is the one on which a lot is to be changed: that nothing was done
// to it since it was seen (If-Match; RFC 9110, section 13.1.1). What is asked
// for is a change, POST to a path of its own, whose entity tag is that of the
// lot's record: what stands before the dot in that of GET /api/v1/lots/{id}.
// What follows the dot changes by the hour with what the lot has left, and
// nobody could ever meet it.
type Condition struct {
	Lot  string
	tags []string
}

// errChanged is an edit whose condition does not hold.
var errChanged = errors.New("something was done to the lot since it was seen")

type conditionKey struct{}

// ConditionOf gives the condition of an edit, nil where it has none.
func ConditionOf(ctx context.Context) *Condition {
	c, _ := ctx.Value(conditionKey{}).(*Condition)
	return c
}

// Holds compares the record of the lot with what was seen. Its error is for the
// keeper.
func (c *Condition) Holds(l lot.Lot) error {
	mark, err := lotMark(l)
	if err != nil {
		return err
	}
	for _, t := range c.tags {
		if seen, _, _ := strings.Cut(strings.Trim(t, `"`), "."); t == anyTag || seen == mark {
			return nil
		}
	}
	return fmt.Errorf("%w: look at GET /api/v1/lots/%s again", errChanged, l.ID)
}

// lotMark is a hash of the record of a lot: of what was ever done to it, and of
// nothing that is worked out.
func lotMark(l lot.Lot) (string, error) {
	body, err := json.Marshal(l)
	if err != nil {
		return "", fmt.Errorf("cannot write lot %s as JSON: %w", l.ID, err)
	}
	sum := sha256.Sum256(body)
	return base64.RawURLEncoding.EncodeToString(sum[:9]), nil
}

// conditioned reads the condition of an edit of a lot. A weak tag never
// matches.
func conditioned(r *http.Request, of *operation) *http.Request {
	lines := r.Header.Values("If-Match")
	if of == nil || !of.ofLot() || len(lines) == 0 {
		return r
	}
	id, _, _ := strings.Cut(strings.TrimPrefix(r.URL.Path, "/api/v1/lots/"), "/")
	weak := func(tag string) bool { return strings.HasPrefix(tag, "W/") }
	c := &Condition{Lot: id, tags: slices.DeleteFunc(entityTags(lines), weak)}
	return r.WithContext(context.WithValue(r.Context(), conditionKey{}, c))
}
