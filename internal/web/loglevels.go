package web

import (
	"context"
	"net/http"
	"time"
)

// LogKeeper shows and changes, for a time, what goes to the daemon's log.
type LogKeeper interface {
	LogLevels(ctx context.Context) (LogAnswer, error)
	// ChangeLog errors with lot.ErrInvalid.
	ChangeLog(ctx context.Context, c ChangeLog) error
}

const logPath = "/api/v1/log"

type (
	// LogAnswer is the body of GET /api/v1/log.
	LogAnswer struct {
		Parts []LogPart `json:"parts"` // by name
	}
	// LogPart is one part of the daemon and the least level of what it says in
	// the log: debug, info, warn or error.
	LogPart struct {
		Part  string `json:"part"`
		Level string `json:"level"`
		Usual string `json:"usual"` // by command line or configuration
		// Until is when it is as usual again; zero where it is.
		Until time.Time `json:"until,omitzero"`
	}
	// ChangeLog is the body of POST /api/v1/log: 204.
	ChangeLog struct {
		// Levels as on the command line, "intake=debug" or "warn,store=debug";
		// a part that is not named stays as it is unless there is a level of all.
		// Empty ends every change.
		Levels string `json:"levels"`
		// ForSeconds is for how long, at most seven days; 0 is an hour.
		ForSeconds float64 `json:"for_seconds,omitempty"`
		By         string  `json:"by"`
	}
)

func (s *server) routeLog(mux *http.ServeMux) {
	route(mux, logPath, methods{http.MethodGet: s.getLog, http.MethodPost: s.postLog})
}

func (s *server) getLog(w http.ResponseWriter, r *http.Request) {
	levels, err := s.Actions.LogLevels(r.Context())
	if err != nil {
		status, detail := s.failure(r, "look at the levels of the log", err)
		writeProblem(w, status, detail)
		return
	}
	s.writeJSON(w, r, http.StatusOK, levels)
}

func (s *server) postLog(w http.ResponseWriter, r *http.Request) {
	var body ChangeLog
	if !accepted(w, r, &body, func() *refusal { return personal(body.By, body.Levels) }) {
		return
	}
	s.done(w, r, "change the levels of the log", s.Actions.ChangeLog(r.Context(), body))
}
