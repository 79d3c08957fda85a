package web

import (
	"context"
	"fmt"
	"net/http"
	"strconv"
	"time"

	"dryhold/internal/lot"
)

// LotTester keeps what the keeper found in some of a lot.
type LotTester interface {
	TestLot(ctx context.Context, id string, r lot.Result, note string, at time.Time, by string) error
	// RevokeTest takes back the test of that number of the lot.
	RevokeTest(ctx context.Context, id string, number int, note, by string) error
}

type (
	// TestLot is the body of POST /api/v1/lots/{id}/test: 204. What was not
	// looked for is left out.
	TestLot struct {
		lot.Result
		At   time.Time `json:"at,omitzero"` // now when left out
		Note string    `json:"note,omitempty"`
		By   string    `json:"by"`
	}
	// RevokeTest is the body of POST /api/v1/lots/{id}/tests/{number}/revoke: 204.
	RevokeTest struct {
		Note string `json:"note"` // the reason
		By   string `json:"by"`
	}
)

func (s *server) routeTests(mux *http.ServeMux) {
	route(mux, "/api/v1/lots/{id}/test", methods{http.MethodPost: s.postTest})
	route(mux, "/api/v1/lots/{id}/tests/{number}/revoke", methods{http.MethodPost: s.postRevokeTest})
	route(mux, "/lots/{id}/tests/{number}/revoke", methods{http.MethodPost: s.postRevokeForm})
}

func (s *server) postTest(w http.ResponseWriter, r *http.Request) {
	var body TestLot
	if !accepted(w, r, &body, func() *refusal { return personal(body.By, body.Note) }) {
		return
	}
	s.done(w, r, "keep the test of the lot", s.Actions.TestLot(r.Context(), r.PathValue("id"), body.Result, body.Note, s.orNow(body.At), body.By))
}

func (s *server) postRevokeTest(w http.ResponseWriter, r *http.Request) {
	var body RevokeTest
	if !accepted(w, r, &body, func() *refusal { return personal(body.By, body.Note) }) {
		return
	}
	n, err := strconv.Atoi(r.PathValue("number"))
	if err != nil || n < 1 {
		writeProblem(w, http.StatusNotFound, fmt.Sprintf("%q is no number of a test: GET /api/v1/lots/%s lists them", r.PathValue("number"), r.PathValue("id")))
		return
	}
	s.done(w, r, "take back the test", s.Actions.RevokeTest(r.Context(), r.PathValue("id"), n, body.Note, body.By))
}
