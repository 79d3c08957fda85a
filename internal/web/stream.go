package web

import (
	"encoding/json"
	"net/http"
	"time"
)

// lineTimeout bounds how long a line of a stream may take to be sent.
const lineTimeout = time.Minute

// stream answers with one JSON object a line, for as long as it takes.
type stream struct {
	w     http.ResponseWriter
	conn  *http.ResponseController
	begun bool
}

// newStream lifts the server's limit on reading the request, which would end
// what takes long. A writer without limits has none to lift.
func newStream(w http.ResponseWriter) *stream {
	s := &stream{w: w, conn: http.NewResponseController(w)}
	_ = s.conn.SetReadDeadline(time.Time{})
	return s
}

// line sends one line. A client that went away ends the context of the request,
// and with it what is being done.
func (s *stream) line(v any) {
	if !s.begun {
		s.begun = true
		s.w.Header().Set("Content-Type", mediaLines)
	}
	_ = s.conn.SetWriteDeadline(time.Now().Add(lineTimeout))
	_ = json.NewEncoder(s.w).Encode(v)
	_ = s.conn.Flush()
}

// problem answers that it was not done, where no line was sent.
func (s *stream) problem(status int, detail string) {
	_ = s.conn.SetWriteDeadline(time.Now().Add(lineTimeout))
	writeProblem(s.w, status, detail)
}
