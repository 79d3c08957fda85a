package web

import (
	"encoding/base64"
	"encoding/json"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"time"

	"dryhold/internal/engine"
)

// cursor is where a page of a list begins. Who asks takes it from Link and
// sends it back as it is (RFC 8288). Lists that begin with the newest are read
// as they were when their first page was, so that what comes meanwhile moves
// nothing from one page to another.
type cursor struct {
	Newest time.Time `json:"t,omitzero"`  // of the first page
	Skip   int       `json:"n,omitempty"` // that were on the pages before
	After  string    `json:"a,omitempty"` // the lot that was the last on the page before
}

// mostSkipped bounds how far back pages go: more than a house does in a life.
const mostSkipped = 10_000_000

func (c cursor) String() string {
	body, err := json.Marshal(c)
	if err != nil {
		panic("BUG: a cursor has no JSON: " + err.Error())
	}
	return base64.RawURLEncoding.EncodeToString(body)
}

// cursorOf reads where a page is to begin; the zero cursor is the first.
func cursorOf(q url.Values) (c cursor, no *refusal) {
	text := q.Get("cursor")
	if text == "" {
		return c, nil
	}
	body, err := base64.RawURLEncoding.DecodeString(text)
	if err == nil {
		err = json.Unmarshal(body, &c)
	}
	if err != nil || c.Skip < 0 || c.Skip > mostSkipped {
		return c, &refusal{http.StatusUnprocessableEntity, "cursor: it is none: take it from the Link of the page before"}
	}
	return c, nil
}

// limitOf reads how many are asked for, or gives what is usual.
func limitOf(q url.Values, usual, most int) (int, *refusal) {
	text := q.Get("limit")
	if text == "" {
		return usual, nil
	}
	n, err := strconv.Atoi(text)
	if err != nil || n < 1 || n > most {
		return 0, &refusal{http.StatusUnprocessableEntity, fmt.Sprintf("limit: %q is none: write 1 to %d", text, most)}
	}
	return n, nil
}

// wants is how many of a list are to be read for a page, one more than it has.
func (c cursor) wants(limit int) int { return c.Skip + limit + 1 }

// before is the instant before which they happened; the zero instant is no
// bound. Instants are kept by the millisecond.
func (c cursor) before(asked time.Time) time.Time {
	if end := c.Newest.Truncate(time.Millisecond).Add(time.Millisecond); !c.Newest.IsZero() && (asked.IsZero() || end.Before(asked)) {
		return end
	}
	return asked
}

// pageOf cuts a page out of a list that was read from its newest on, and names
// the next one in Link.
func pageOf[T any](w http.ResponseWriter, r *http.Request, list []T, c cursor, limit int, at func(T) time.Time) (page []T, more bool) {
	if c.Newest.IsZero() && len(list) > 0 {
		c.Newest = at(list[0])
	}
	page = append([]T{}, list[min(c.Skip, len(list)):]...)
	if len(page) <= limit {
		return page, false
	}
	linkNext(w, r, cursor{Newest: c.Newest, Skip: c.Skip + limit})
	return page[:limit], true
}

func linkNext(w http.ResponseWriter, r *http.Request, c cursor) {
	q := r.URL.Query()
	q.Set("cursor", c.String())
	w.Header().Add("Link", "<"+r.URL.Path+"?"+q.Encode()+`>; rel="next"`)
}

// lotsPage cuts a page out of the lots, which stand in the order they were
// registered.
func lotsPage(w http.ResponseWriter, r *http.Request, lots []engine.LotView) ([]engine.LotView, *refusal) {
	q := r.URL.Query()
	limit, no := limitOf(q, len(lots), mostLots)
	if no != nil {
		return nil, no
	}
	c, no := cursorOf(q)
	if no != nil {
		return nil, no
	}
	if c.After != "" {
		i := slices.IndexFunc(lots, func(l engine.LotView) bool { return l.ID == c.After })
		if i < 0 {
			return nil, &refusal{http.StatusUnprocessableEntity, fmt.Sprintf("cursor: lot %s, at which the page before ended, was taken back: begin again", c.After)}
		}
		lots = lots[i+1:]
	}
	if len(lots) > limit {
		lots = lots[:limit]
		linkNext(w, r, cursor{After: lots[limit-1].ID})
	}
	return append([]engine.LotView{}, lots...), nil
}
