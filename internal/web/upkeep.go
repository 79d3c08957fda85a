package web

import (
	"context"
	"net/http"
	"time"
)

// Rebuilder makes everything that follows from the stored facts anew, in the
// place of what there is or beside it.
type Rebuilder interface {
	Replayer
	// Refold rebuilds the state from the store and then puts it in the place
	// of the old one, which stands until then and if it fails or ctx ends. tell
	// is called now and then, never after Refold has returned.
	Refold(ctx context.Context, by string, tell func(Folding)) (Folded, error)
}

type (
	// Refold is the body of POST /api/v1/refold. The answer is a stream of
	// RefoldLine, one JSON object a line (application/x-ndjson).
	Refold struct {
		By string `json:"by"`
	}
	// RefoldLine is one line of the answer: how far it is, or, as the last
	// one, what was done or why it was not.
	RefoldLine struct {
		Progress *Folding `json:"progress,omitempty"`
		Done     *Folded  `json:"done,omitempty"`
		Problem  string   `json:"problem,omitempty"`
	}
	// Folding is how far a rebuild is.
	Folding struct {
		Room     string    `json:"room"`
		Day      time.Time `json:"day"`
		Readings int64     `json:"readings"` // folded so far, of all rooms
		Of       int64     `json:"of_readings"`
	}
	// Folded is what a rebuild did.
	Folded struct {
		Rooms    int     `json:"rooms"` // with readings
		Lots     int     `json:"lots"`
		Readings int64   `json:"readings"`
		Seconds  float64 `json:"seconds"`
		// Same says that the new state is that before to the last bit.
		Same bool `json:"same"`
	}
)

func (s *server) postRefold(w http.ResponseWriter, r *http.Request) {
	var body Refold
	if !accepted(w, r, &body, func() *refusal { return personal(body.By, "") }) {
		return
	}
	out := newStream(w)
	done, err := s.Actions.Refold(r.Context(), body.By, func(f Folding) { out.line(RefoldLine{Progress: &f}) })
	if err == nil {
		out.line(RefoldLine{Done: &done})
		return
	}
	switch status, detail := s.failure(r, "rebuild the state", err); {
	case out.begun:
		out.line(RefoldLine{Problem: detail})
	default:
		out.problem(status, detail)
	}
}
