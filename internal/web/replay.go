package web

import (
	"context"
	"net/http"
	"time"

	"dryhold/internal/lot"
	"dryhold/internal/replay"
)

// Replayer plays the alarms of the past again.
type Replayer interface {
	// ReplayAlarms plays a stretch of stored readings with the limits as they
	// are and, beside them, with others, and tells what would have been raised
	// and told. It changes nothing, and nobody is told. tell is called now and
	// then, never after it has returned.
	ReplayAlarms(ctx context.Context, o ReplayOrder, tell func(Replaying)) (ReplayAnswer, error)
}

type (
	// Replay is the body of POST /api/v1/alarms/replay. The answer is a stream
	// of ReplayLine, one JSON object a line (application/x-ndjson). Days are
	// those of the site, as 2026-07-01; without them it is the last 30 days.
	Replay struct {
		From   string `json:"from,omitempty"`
		To     string `json:"to,omitempty"` // the last day
		File   string `json:"file,omitempty"`
		Limits string `json:"limits,omitempty"` // YAML, as settings.ParseTrial reads it
	}
	// ReplayOrder is what is to be played.
	ReplayOrder struct {
		// From is the start of the first day and To the end of the last; zero
		// where it is not said.
		From, To     time.Time
		File, Limits string
	}
	// ReplayLine is one line of the answer: how far it is, or, as the last one,
	// what came out or why nothing did.
	ReplayLine struct {
		Progress *Replaying    `json:"progress,omitempty"`
		Done     *ReplayAnswer `json:"done,omitempty"`
		Problem  string        `json:"problem,omitempty"`
	}
	// Replaying is how far a replay is.
	Replaying struct {
		Limits string    `json:"limits"`
		Day    time.Time `json:"day"`
		// Folding says that it is still before the stretch.
		Folding bool `json:"folding,omitempty"`
	}
	// ReplayAnswer is what a replay came to.
	ReplayAnswer struct {
		Site string      `json:"site"`
		Zone string      `json:"zone"`
		Runs []ReplayRun `json:"runs"` // with the present limits first
	}
	// ReplayRun is what came out with some limits.
	ReplayRun struct {
		Limits string `json:"limits"` // "present", or the name of the file
		replay.Summary
	}
)

// replayPath is posted, for the text of the limits.
const replayPath = "/api/v1/alarms/replay"

func (s *server) postReplay(w http.ResponseWriter, r *http.Request) {
	var body Replay
	no := readJSON(w, r, &body)
	o := ReplayOrder{File: body.File, Limits: body.Limits}
	if no == nil {
		o.From, o.To, no = s.daysOf(body.From, body.To)
	}
	if no != nil {
		writeProblem(w, no.status, no.detail)
		return
	}
	out := newStream(w)
	done, err := s.Actions.ReplayAlarms(r.Context(), o, func(p Replaying) { out.line(ReplayLine{Progress: &p}) })
	if err == nil {
		out.line(ReplayLine{Done: &done})
		return
	}
	switch status, detail := s.failure(r, "replay the alarms", err); {
	case out.begun:
		out.line(ReplayLine{Problem: detail})
	default:
		out.problem(status, detail)
	}
}

// daysOf reads the first and the last of some days of the site, either of which
// may be left out.
func (s *server) daysOf(first, last string) (from, to time.Time, no *refusal) {
	for _, x := range []struct {
		name, text string
		to         *time.Time
	}{{"from", first, &from}, {"to", last, &to}} {
		if x.text == "" {
			continue
		}
		t, err := time.ParseInLocation(time.DateOnly, x.text, s.Zone)
		if err != nil {
			return from, to, &refusal{http.StatusUnprocessableEntity, x.name + ": " + lot.Invalid("%q is not a day: write it as 2026-07-01", x.text).Error()}
		}
		*x.to = t
	}
	if !to.IsZero() {
		to = to.AddDate(0, 0, 1)
	}
	return from, to, nil
}
