package web

import (
	"context"
	"fmt"
	"net/http"
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
	limit, q := usualNotices, r.URL.Query()
	f := NoticeFilter{Key: q.Get("key")}
	var err error
	if text := q.Get("undelivered"); text != "" {
		if f.Undelivered, err = strconv.ParseBool(text); err != nil {
			writeProblem(w, http.StatusUnprocessableEntity, fmt.Sprintf("undelivered: %q is neither true nor false", text))
			return
		}
	}
	if text := q.Get("limit"); text != "" {
		if limit, err = strconv.Atoi(text); err != nil || limit < 1 || limit > mostNotices {
			writeProblem(w, http.StatusUnprocessableEntity, fmt.Sprintf("limit: %q is none: write 1 to %d", text, mostNotices))
			return
		}
	}
	rows, err := s.Actions.Notices(r.Context(), f, limit+1)
	if err != nil {
		status, detail := s.failure(r, "list notices", err)
		writeProblem(w, status, detail)
		return
	}
	if f.Key != "" && len(rows) == 0 {
		writeProblem(w, http.StatusNotFound, fmt.Sprintf("there is no notice %q: GET /api/v1/notices lists them; those delivered a year ago are deleted", f.Key))
		return
	}
	s.writeJSON(w, r, http.StatusOK, NoticesAnswer{Notices: append([]NoticeView{}, rows[:min(limit, len(rows))]...), More: len(rows) > limit})
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
