package web

import (
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"time"

	"dryhold/internal/barrier"
	"dryhold/internal/engine"
	"dryhold/internal/health"
	"dryhold/internal/lot"
)

// The bodies of the API. Every number has its unit in its name.
type (
	// HealthAnswer is the body of GET /healthz: status 200 when OK, else 503.
	HealthAnswer struct {
		OK     bool           `json:"ok"`
		Checks []health.Check `json:"checks"`
	}
	// StatusAnswer is the body of GET /api/v1/status.
	StatusAnswer struct {
		Version  string           `json:"version"`
		Snapshot *engine.Snapshot `json:"snapshot"`
		Health   HealthAnswer     `json:"health"`
	}
	// LotsAnswer is the body of GET /api/v1/lots: every lot, finished ones
	// too, in the order of the snapshot.
	LotsAnswer struct {
		Site string           `json:"site"`
		At   time.Time        `json:"at"`
		Lots []engine.LotView `json:"lots"`
	}
	// AddLot is the body of POST /api/v1/lots, answered 201 with a lot.Lot.
	AddLot struct {
		lot.Packing
		By string `json:"by"`
	}
	// MoveLot is the body of POST /api/v1/lots/{id}/move, answered 204.
	MoveLot struct {
		Room string    `json:"room"`
		At   time.Time `json:"at,omitzero"` // now when left out
		By   string    `json:"by"`
	}
	// FinishLot is the body of POST /api/v1/lots/{id}/finish, answered 204.
	FinishLot struct {
		At   time.Time `json:"at,omitzero"` // now when left out
		Note string    `json:"note,omitempty"`
		By   string    `json:"by"`
	}
	// NoteLot is the body of POST /api/v1/lots/{id}/note, answered 204. It
	// has a seal (assumed, verified or failed), a note of at most 500
	// characters, or both.
	NoteLot struct {
		Seal *barrier.Seal `json:"seal,omitempty"`
		Note string        `json:"note,omitempty"`
		At   time.Time     `json:"at,omitzero"` // now when left out
		By   string        `json:"by"`
	}
)

// mostLots is the most lots answered on one page.
const mostLots = 100_000

const notReady = "there is no state yet: dryhold is still reading its store; try again in a moment"

// ready gives the snapshot, or answers 503 and gives nil.
func (s *server) ready(w http.ResponseWriter) *engine.Snapshot {
	snap := s.Snapshot()
	if snap == nil {
		w.Header().Set("Retry-After", "5")
		writeProblem(w, http.StatusServiceUnavailable, notReady)
	}
	return snap
}

func (s *server) healthNow() HealthAnswer {
	checks := slices.Clone(s.Health())
	if s.Snapshot() == nil {
		checks = append(checks, health.Check{
			Code: "state", Title: "A state is published", Text: notReady, Urgent: true,
		})
	}
	if checks == nil {
		checks = []health.Check{}
	}
	return HealthAnswer{OK: !health.Red(checks), Checks: checks}
}

func (s *server) getHealth(w http.ResponseWriter, r *http.Request) {
	answer := s.healthNow()
	status := http.StatusOK
	if !answer.OK {
		status = http.StatusServiceUnavailable
	}
	if _, known := visitorOf(r); !known && s.gate != nil {
		answer.Checks = []health.Check{} // what is wrong is not for strangers
	}
	s.writeJSON(w, r, status, answer)
}

func (s *server) getStatus(w http.ResponseWriter, r *http.Request) {
	if snap := s.ready(w); snap != nil {
		s.writeJSON(w, r, http.StatusOK, StatusAnswer{s.Version, snap, s.healthNow()})
	}
}

func (s *server) getLots(w http.ResponseWriter, r *http.Request) {
	if snap := s.ready(w); snap != nil {
		lots, no := lotsPage(w, r, snap.Lots)
		if no != nil {
			writeProblem(w, no.status, no.detail)
			return
		}
		s.writeJSON(w, r, http.StatusOK, LotsAnswer{snap.Site, snap.At, lots})
	}
}

func (s *server) getLot(w http.ResponseWriter, r *http.Request) {
	snap := s.ready(w)
	if snap == nil {
		return
	}
	id := r.PathValue("id")
	i := slices.IndexFunc(snap.Lots, func(l engine.LotView) bool { return l.ID == id })
	if i < 0 {
		writeProblem(w, http.StatusNotFound, fmt.Sprintf("there is no lot %q: GET /api/v1/lots lists them", id))
		return
	}
	mark, err := lotMark(snap.Lots[i].Lot)
	if err != nil {
		status, detail := s.failure(r, "show the lot", err)
		writeProblem(w, status, detail)
		return
	}
	s.writeMarked(w, r, http.StatusOK, mark, snap.Lots[i])
}

// accepted reads the body of an edit and has it checked; one that is not taken
// is answered.
func accepted(w http.ResponseWriter, r *http.Request, body any, check func() *refusal) bool {
	no := readJSON(w, r, body)
	if no == nil {
		sign(r, body)
		no = check()
	}
	if no != nil {
		writeProblem(w, no.status, no.detail)
	}
	return no == nil
}

func (s *server) postLot(w http.ResponseWriter, r *http.Request) {
	var body AddLot
	if !accepted(w, r, &body, func() *refusal { return personal(body.By, body.Note) }) {
		return
	}
	added, err := s.Actions.AddLot(r.Context(), body.Packing, body.By)
	if err != nil {
		status, detail := s.failure(r, "add the lot", err)
		writeProblem(w, status, detail)
		return
	}
	w.Header().Set("Location", "/api/v1/lots/"+url.PathEscape(added.ID))
	s.writeJSON(w, r, http.StatusCreated, added)
}

func (s *server) postMove(w http.ResponseWriter, r *http.Request) {
	var body MoveLot
	if !accepted(w, r, &body, func() *refusal { return personal(body.By, "") }) {
		return
	}
	s.done(w, r, "move the lot", s.Actions.MoveLot(r.Context(), r.PathValue("id"), body.Room, s.orNow(body.At), body.By))
}

func (s *server) postFinish(w http.ResponseWriter, r *http.Request) {
	var body FinishLot
	if !accepted(w, r, &body, func() *refusal { return personal(body.By, body.Note) }) {
		return
	}
	s.done(w, r, "finish the lot", s.Actions.FinishLot(r.Context(), r.PathValue("id"), s.orNow(body.At), body.Note, body.By))
}

func (s *server) postNote(w http.ResponseWriter, r *http.Request) {
	var body NoteLot
	if !accepted(w, r, &body, func() *refusal { return personal(body.By, body.Note) }) {
		return
	}
	s.done(w, r, "note what was seen of the lot", s.Actions.NoteLot(r.Context(), r.PathValue("id"), body.Seal, body.Note, s.orNow(body.At), body.By))
}

// done answers an edit that has no body to return.
func (s *server) done(w http.ResponseWriter, r *http.Request, doing string, err error) {
	if err != nil {
		status, detail := s.failure(r, doing, err)
		writeProblem(w, status, detail)
		return
	}
	w.WriteHeader(http.StatusNoContent)
}

// orNow is the instant given, in UTC, or now.
func (s *server) orNow(at time.Time) time.Time {
	if at.IsZero() {
		at = s.Now()
	}
	return at.UTC()
}

// Longest name and note taken, bytes. A note is a line or two, kept for
// decades.
const (
	maxName = 100
	maxNote = 2000
)

// personal refuses names and notes too long to keep.
func personal(by, note string) *refusal {
	if len(by) > maxName {
		return &refusal{http.StatusUnprocessableEntity, fmt.Sprintf("by: the name is longer than %d bytes", maxName)}
	}
	if len(note) > maxNote {
		return &refusal{http.StatusUnprocessableEntity, fmt.Sprintf("note: the note is longer than %d bytes", maxNote)}
	}
	return nil
}
