package web

import (
	"context"
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"time"

	"dryhold/internal/alarm"
)

// Noticer gives the log of deliveries, and tries the ways to people.
type Noticer interface {
	// Notices gives the log, the newest first, at most limit rows of it.
	Notices(ctx context.Context, f NoticeFilter, limit int) ([]NoticeView, error)
	// TestNotice queues a notice that says it is a test, durably. It gives its
	// key, by which the log tells what becomes of it.
	TestNotice(ctx context.Context, t TestNotice) (key string, err error)
	// Drilled takes the acknowledgement of the yearly drill by a recipient.
	Drilled(ctx context.Context, name string) error
}

// NoticeFilter says which notices are wanted.
type NoticeFilter struct {
	Key         string // of the notice; empty for all
	Undelivered bool   // only those that wait or were refused
}

// States of a notice on one channel.
const (
	NoticeDelivered = "delivered"
	NoticeRefused   = "refused" // for good
	NoticeWaiting   = "waiting" // not tried yet, or to be tried again
)

// The bodies of the API of notices.
type (
	// NoticesAnswer is the body of GET /api/v1/notices?undelivered=&key=&limit=,
	// the newest first.
	NoticesAnswer struct {
		Notices []NoticeView `json:"notices"`
		More    bool         `json:"more"` // there are older ones beyond the limit
	}
	// NoticeView is one notice on one channel. It has no links: who may read
	// the log may not act by them.
	NoticeView struct {
		Key       string            `json:"key"`
		Channel   string            `json:"channel"`
		To        string            `json:"to,omitempty"` // empty: for machines, or a test of channels
		Event     alarm.NoticeEvent `json:"event"`
		Subject   string            `json:"subject"`
		Body      string            `json:"body,omitempty"` // only where one key is asked for
		State     string            `json:"state"`
		Queued    time.Time         `json:"queued"`
		Delivered time.Time         `json:"delivered,omitzero"`
		Refused   time.Time         `json:"refused,omitzero"`
		Due       time.Time         `json:"due,omitzero"` // of one that waits: when it is tried, or tried again
		Attempts  int               `json:"attempts"`     // the one that delivered it counts
		Cause     string            `json:"cause,omitempty"`
	}
	// TestNotice is the body of POST /api/v1/notices/test, answered 202 with
	// TestQueued. It goes to the channel, or on every channel of the recipient,
	// or without both on every way to people.
	TestNotice struct {
		Channel string `json:"channel,omitempty"`
		To      string `json:"to,omitempty"`
		By      string `json:"by"`
	}
	// TestQueued is the answer to TestNotice.
	TestQueued struct {
		Key string `json:"key"`
	}
	// DrillDone is the body of POST /api/v1/notices/drill, answered 204.
	DrillDone struct {
		To string `json:"to"`
		By string `json:"by"`
	}
)

// The notices answered when no limit is given, and at most.
const (
	usualNotices = 100
	mostNotices  = 10_000
)

func (s *server) routeNotices(mux *http.ServeMux) {
	route(mux, "/api/v1/notices", methods{http.MethodGet: s.getNotices})
	route(mux, "/api/v1/notices/test", methods{http.MethodPost: s.postTestNotice})
	route(mux, "/api/v1/notices/drill", methods{http.MethodPost: s.postDrill})
	s.routeNoticePages(mux)
}

func (s *server) getNotices(w http.ResponseWriter, r *http.Request) {
	q := r.URL.Query()
	f := NoticeFilter{Key: q.Get("key")}
	limit, no := limitOf(q, usualNotices, mostNotices)
	var c cursor
	if no == nil {
		c, no = cursorOf(q)
	}
	if text := q.Get("undelivered"); no == nil && text != "" {
		var err error
		if f.Undelivered, err = strconv.ParseBool(text); err != nil {
			no = &refusal{http.StatusUnprocessableEntity, fmt.Sprintf("undelivered: %q is neither true nor false", text)}
		}
	}
	if no != nil {
		writeProblem(w, no.status, no.detail)
		return
	}
	rows, err := s.noticesFrom(r, f, c, c.wants(limit))
	if err != nil {
		status, detail := s.failure(r, "list notices", err)
		writeProblem(w, status, detail)
		return
	}
	if f.Key != "" && len(rows) == 0 {
		writeProblem(w, http.StatusNotFound, fmt.Sprintf("there is no notice %q: GET /api/v1/notices lists them; those delivered a year ago are deleted", f.Key))
		return
	}
	page, more := pageOf(w, r, rows, c, limit, func(n NoticeView) time.Time { return n.Queued })
	s.writeJSON(w, r, http.StatusOK, NoticesAnswer{Notices: page, More: more})
}

// noticesFrom reads so many notices of the list as it was when its first page
// was read.
func (s *server) noticesFrom(r *http.Request, f NoticeFilter, c cursor, n int) ([]NoticeView, error) {
	for ask := n; ; ask *= 2 {
		rows, err := s.Actions.Notices(r.Context(), f, ask)
		if err != nil {
			return nil, err
		}
		read := len(rows)
		if end := c.before(time.Time{}); !end.IsZero() {
			rows = slices.DeleteFunc(rows, func(v NoticeView) bool { return !v.Queued.Before(end) })
		}
		if len(rows) >= n || read < ask {
			return rows[:min(n, len(rows))], nil
		}
	}
}

func (s *server) postTestNotice(w http.ResponseWriter, r *http.Request) {
	var body TestNotice
	if !accepted(w, r, &body, func() *refusal {
		if body.Channel != "" && body.To != "" {
			return &refusal{http.StatusUnprocessableEntity, "give channel or to, not both"}
		}
		return personal(body.By, body.Channel+body.To)
	}) {
		return
	}
	key, err := s.Actions.TestNotice(r.Context(), body)
	if err != nil {
		status, detail := s.failure(r, "queue the test notice", err)
		writeProblem(w, status, detail)
		return
	}
	s.writeJSON(w, r, http.StatusAccepted, TestQueued{key})
}

func (s *server) postDrill(w http.ResponseWriter, r *http.Request) {
	var body DrillDone
	if !accepted(w, r, &body, func() *refusal { return personal(body.By, body.To) }) {
		return
	}
	s.done(w, r, "acknowledge the drill", s.Actions.Drilled(r.Context(), body.To))
}
