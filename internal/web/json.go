package web

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"mime"
	"net/http"
	"strings"
	"unicode/utf8"
)

// maxBody is the largest request body taken, bytes.
const maxBody = 64 << 10

// Problem is the body of every error answer: problem details of RFC 9457,
// sent as application/problem+json.
type Problem struct {
	Type   string `json:"type"`  // about:blank: the status says it all
	Title  string `json:"title"` // the status in words
	Status int    `json:"status"`
	Detail string `json:"detail"` // what, where, how to mend it
}

func writeProblem(w http.ResponseWriter, status int, detail string) {
	body, err := json.Marshal(Problem{Type: "about:blank", Title: http.StatusText(status), Status: status, Detail: detail})
	if err != nil {
		panic(fmt.Sprintf("BUG: a problem cannot be written as JSON: %v", err)) // strings and a number always can
	}
	w.Header().Set("Content-Type", "application/problem+json")
	w.WriteHeader(status)
	_, _ = w.Write(append(body, '\n'))
}

// writeJSON answers with v. A value that has no JSON, such as a number that
// is none, is a fault of the machine and never half an answer.
func (s *server) writeJSON(w http.ResponseWriter, r *http.Request, status int, v any) {
	s.writeMarked(w, r, status, "", v)
}

// writeMarked is writeJSON with a mark that the entity tag begins with.
func (s *server) writeMarked(w http.ResponseWriter, r *http.Request, status int, mark string, v any) {
	var body bytes.Buffer
	if err := json.NewEncoder(&body).Encode(v); err != nil {
		s.Log.Error("cannot write an answer as JSON", "path", logged(r), "error", err)
		writeProblem(w, http.StatusInternalServerError, "the state cannot be written as JSON: a fault of the machine; its log says more")
		return
	}
	s.sendTagged(w, r, status, mediaJSON, mark, body.Bytes())
}

// refusal is why a request body was not taken.
type refusal struct {
	status int
	detail string
}

// readJSON reads the body of a POST into v: one JSON object of known fields
// in UTF-8, at most maxBody bytes, sent as application/json. A form of a
// foreign page cannot send that content type without asking first.
func readJSON(w http.ResponseWriter, r *http.Request, v any) *refusal {
	return readLong(w, r, v, maxBody)
}

// readLong is readJSON for a body of at most so many bytes.
func readLong(w http.ResponseWriter, r *http.Request, v any, limit int64) *refusal {
	if media, _, err := mime.ParseMediaType(r.Header.Get("Content-Type")); err != nil || media != mediaJSON {
		return &refusal{http.StatusUnsupportedMediaType, "send the body as Content-Type: application/json"}
	}
	body, err := io.ReadAll(http.MaxBytesReader(w, r.Body, limit))
	if err != nil {
		return unread(err)
	}
	if !utf8.Valid(body) {
		return &refusal{http.StatusBadRequest, "the body is not UTF-8"}
	}
	dec := json.NewDecoder(bytes.NewReader(body))
	dec.DisallowUnknownFields()
	if err := dec.Decode(v); err != nil {
		return &refusal{http.StatusBadRequest, "the body is not the JSON expected: " + strings.TrimPrefix(err.Error(), "json: ")}
	}
	if _, err := dec.Token(); !errors.Is(err, io.EOF) {
		return &refusal{http.StatusBadRequest, "the body goes on after its JSON object: send one object"}
	}
	return nil
}

// unread is the refusal of a body that could not be read to its end.
func unread(err error) *refusal {
	var tooLarge *http.MaxBytesError
	if errors.As(err, &tooLarge) {
		return &refusal{http.StatusRequestEntityTooLarge, fmt.Sprintf("the body is larger than %d bytes", tooLarge.Limit)}
	}
	return &refusal{http.StatusBadRequest, "the body could not be read to its end"}
}
