package web

import (
	"context"
	"net/http"
	"net/url"
	"strings"
	"time"

	"dryhold/internal/engine"
	"dryhold/internal/lot"
)

// Rounder keeps the inspection rounds through the rooms. Errors are as those of
// Actions.
type Rounder interface {
	Rounds(ctx context.Context) ([]engine.RoundView, error)
	// RoundDone keeps a round, and the state of the seals it tells of: all of
	// it or nothing.
	RoundDone(ctx context.Context, room string, r RoundDone) error
}

type (
	// RoundDone is the body of POST /api/v1/rounds/{room}: 204.
	RoundDone struct {
		Answers []lot.RoundAnswer `json:"answers"`
		// Failed and Holding are lots whose seal was seen to leak or to hold.
		Failed  []string  `json:"failed,omitempty"`
		Holding []string  `json:"holding,omitempty"`
		At      time.Time `json:"at,omitzero"` // now when left out
		Note    string    `json:"note,omitempty"`
		By      string    `json:"by"`
	}
	// RoundsAnswer is the body of GET /api/v1/rounds.
	RoundsAnswer struct {
		Questions []lot.RoundQuestion `json:"questions"`
		Rooms     []engine.RoundView  `json:"rooms"`
	}
)

func (s *server) routeRounds(mux *http.ServeMux) {
	route(mux, "/api/v1/rounds", methods{http.MethodGet: s.getRounds})
	route(mux, "/api/v1/rounds/{room}", methods{http.MethodPost: s.postRound})
	route(mux, "/rounds", methods{http.MethodGet: s.getRoundsPage})
	route(mux, "/rounds/{room}", methods{http.MethodPost: s.postRoundForm})
}

func (s *server) getRounds(w http.ResponseWriter, r *http.Request) {
	rooms, err := s.Actions.Rounds(r.Context())
	if err != nil {
		status, detail := s.failure(r, "list the rounds", err)
		writeProblem(w, status, detail)
		return
	}
	if rooms == nil {
		rooms = []engine.RoundView{}
	}
	s.writeJSON(w, r, http.StatusOK, RoundsAnswer{lot.RoundQuestions(), rooms})
}

func (s *server) postRound(w http.ResponseWriter, r *http.Request) {
	var body RoundDone
	if !accepted(w, r, &body, func() *refusal { return personal(body.By, body.Note) }) {
		return
	}
	body.At = s.orNow(body.At)
	s.done(w, r, "keep the round", s.Actions.RoundDone(r.Context(), r.PathValue("room"), body))
}

// roundView is one room of the page.
type roundView struct {
	Room, Action, Last, Due, Lots string
	State                         *sight
	Found                         []lot.RoundQuestion
}

func (s *server) getRoundsPage(w http.ResponseWriter, r *http.Request) {
	v := struct {
		Problem, User string
		Questions     []lot.RoundQuestion
		Rooms         []roundView
	}{User: userOf(r), Questions: lot.RoundQuestions()}
	rooms, err := s.Actions.Rounds(r.Context())
	status := http.StatusOK
	if err != nil {
		status, v.Problem = s.failure(r, "list the rounds", err)
	}
	p := s.words(r)
	for _, x := range rooms {
		if len(x.Lots) == 0 {
			continue
		}
		row := roundView{Room: x.Room, Action: "/rounds/" + url.PathEscape(x.Room), Lots: strings.Join(x.Lots, ", "), Last: p.t("none yet"), Due: p.dayOf(x.Due)}
		state := okSight(p.t("not due before %s", row.Due))
		if x.Overdue {
			state = overSight(p.t("due since %s", row.Due))
		}
		row.State = &state
		if x.Last != nil {
			row.Last, row.Found = p.dayOf(x.Last.At), x.Last.Found()
			if x.Last.By != "" {
				row.Last += ", " + x.Last.By
			}
		}
		v.Rooms = append(v.Rooms, row)
	}
	s.writePage(w, r, status, page{Name: "rounds", Head: p.t("Inspection rounds"), Here: "/rounds", Sub: p.t("Once a month through every room with food in it."), Caution: true}, v)
}

// postRoundForm keeps a round told on the page, and shows the page again.
func (s *server) postRoundForm(w http.ResponseWriter, r *http.Request) {
	r.Body = http.MaxBytesReader(w, r.Body, maxBody)
	no := (*refusal)(nil)
	if err := r.ParseForm(); err != nil {
		no = unread(err)
	} else {
		body := RoundDone{Note: strings.TrimSpace(r.PostForm.Get("note")), By: signed(r, strings.TrimSpace(r.PostForm.Get("by"))), At: s.orNow(time.Time{})}
		for _, q := range lot.RoundQuestions() {
			if a := r.PostForm.Get(q.ID); a != "" {
				body.Answers = append(body.Answers, lot.RoundAnswer{Question: q.ID, Answer: a})
			}
		}
		parts := func(name string) []string {
			return strings.FieldsFunc(r.PostForm.Get(name), func(c rune) bool { return c == ',' || c == ' ' })
		}
		body.Failed, body.Holding = parts("failed"), parts("holding")
		if no = personal(body.By, body.Note); no == nil {
			if err := s.Actions.RoundDone(r.Context(), r.PathValue("room"), body); err != nil {
				status, detail := s.failure(r, "keep the round", err)
				no = &refusal{status, detail}
			}
		}
	}
	if no != nil {
		s.writeFailed(w, r, no.status, s.words(r).t("The round is not kept"), no.detail)
		return
	}
	http.Redirect(w, r, "/rounds", http.StatusSeeOther)
}
