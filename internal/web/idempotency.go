package web

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"strings"
	"sync/atomic"
)

// An edit that names itself by an Idempotency-Key
// (draft-ietf-httpapi-idempotency-key-header) is done once, however often it is
// sent. Its answer is put together by the writer and stored in the transaction
// of the edit, so that there is no instant at which the edit is done and its
// answer is not known. Refusals are not kept: nothing was done, and the same
// may be right when it is asked again.

// maxKey is the longest Idempotency-Key taken, bytes.
const maxKey = 255

// Answerer remembers what edits that name themselves were answered.
type Answerer interface {
	// Answered finds the answer to the edit of a Receipt with that ID.
	Answered(ctx context.Context, id string) (a Answer, found bool, err error)
}

// Answer is what an edit was answered.
type Answer struct {
	Digest   string // of what was asked
	Status   int
	Location string // of what it made, or ""
	Body     []byte // JSON, or nothing
}

// Receipt goes with an edit that names itself, in the context of its request.
type Receipt struct {
	ID     string // of who asks and of the name
	Digest string // of what is asked
	of     *operation
	kept   atomic.Pointer[Answer]
}

type receiptKey struct{}

// ReceiptOf gives the receipt of an edit, nil for one without a name.
func ReceiptOf(ctx context.Context) *Receipt {
	c, _ := ctx.Value(receiptKey{}).(*Receipt)
	return c
}

// Answer puts the answer together from what the edit comes to: a Go value as
// the operation answers it, or nil. It is to be stored with the edit.
func (c *Receipt) Answer(result any) (Answer, error) {
	a := Answer{Digest: c.Digest, Status: c.of.success()}
	if result == nil || c.of.answer == nil {
		return a, nil
	}
	var body bytes.Buffer
	if err := json.NewEncoder(&body).Encode(result); err != nil {
		return a, fmt.Errorf("cannot write the answer as JSON: %w", err)
	}
	a.Body = body.Bytes()
	if c.of.located != nil {
		a.Location = c.of.located(result)
	}
	return a, nil
}

// Done says that the edit was done before, with this answer: the same request
// has overtaken itself.
func (c *Receipt) Done(a Answer) { c.kept.Store(&a) }

// once has edits that name themselves done once.
func (s *server) once(mux *http.ServeMux, next http.Handler) http.Handler {
	edits := map[string]*operation{}
	for _, o := range operations() {
		if o.edits() {
			edits[o.pattern()] = &o
		}
	}
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		_, pattern := mux.Handler(r)
		of, named := edits[pattern], r.Header.Values("Idempotency-Key")
		r = conditioned(r, of)
		if of == nil || len(named) == 0 {
			next.ServeHTTP(w, r)
			return
		}
		c, no := receipt(w, r, of, named)
		if no != nil {
			writeProblem(w, no.status, no.detail)
			return
		}
		s.answerOnce(w, r, next, c)
	})
}

// receipt reads the name of an edit and takes the digest of what is asked.
func receipt(w http.ResponseWriter, r *http.Request, of *operation, named []string) (*Receipt, *refusal) {
	key := strings.TrimSpace(named[0])
	if quoted, is := strings.CutPrefix(key, `"`); is { // as RFC 8941 writes a string
		key = strings.TrimSuffix(quoted, `"`)
	}
	odd := func(c rune) bool { return c <= ' ' || c >= 0x7f || c == '"' || c == '\\' }
	if len(named) > 1 || key == "" || len(key) > maxKey || strings.ContainsFunc(key, odd) {
		return nil, &refusal{http.StatusBadRequest, fmt.Sprintf("Idempotency-Key: give one name of 1 to %d letters, digits or marks, such as a random UUID", maxKey)}
	}
	body, err := io.ReadAll(http.MaxBytesReader(w, r.Body, maxImport))
	if err != nil {
		return nil, unread(err)
	}
	r.Body = io.NopCloser(bytes.NewReader(body))
	who := ""
	if v, known := visitorOf(r); known {
		who = fmt.Sprintf("%v %s", v.token, v.name)
	}
	sum := func(parts ...string) string {
		h := sha256.New()
		for _, p := range parts {
			_, _ = fmt.Fprintf(h, "%d %s\n", len(p), p)
		}
		return hex.EncodeToString(h.Sum(nil))
	}
	return &Receipt{ID: sum(who, key), Digest: sum(r.Method, r.URL.RequestURI(), string(body)), of: of}, nil
}

// answerOnce answers from what is kept, or has the edit done.
func (s *server) answerOnce(w http.ResponseWriter, r *http.Request, next http.Handler, c *Receipt) {
	if _, busy := s.busy.LoadOrStore(c.ID, true); busy {
		w.Header().Set("Retry-After", "1")
		writeProblem(w, http.StatusConflict, "Idempotency-Key: the request of this name is still being done: ask again in a moment")
		return
	}
	defer s.busy.Delete(c.ID)
	kept, found, err := s.Actions.Answered(r.Context(), c.ID)
	if err != nil {
		status, detail := s.failure(r, "look whether it was done already", err)
		writeProblem(w, status, detail)
		return
	}
	if found {
		s.replay(w, r, c, kept)
		return
	}
	held := &heldAnswer{ResponseWriter: w, status: http.StatusOK}
	next.ServeHTTP(held, r.WithContext(context.WithValue(r.Context(), receiptKey{}, c)))
	if a := c.kept.Load(); a != nil { // it was done while this waited
		w.Header().Del("Retry-After")
		s.replay(w, r, c, *a)
		return
	}
	w.WriteHeader(held.status)
	_, _ = w.Write(held.body.Bytes())
}

// replay answers as the first time, or refuses the name of another request.
func (s *server) replay(w http.ResponseWriter, r *http.Request, c *Receipt, a Answer) {
	if a.Digest != c.Digest {
		writeProblem(w, http.StatusUnprocessableEntity, "Idempotency-Key: another request had this name within the last two days: give each its own")
		return
	}
	h := w.Header()
	for _, of := range []string{"Content-Type", "Content-Length", "Content-Encoding"} {
		h.Del(of) // another answer, held back
	}
	if a.Location != "" {
		h.Set("Location", a.Location)
	}
	if len(a.Body) == 0 {
		w.WriteHeader(a.Status)
		return
	}
	s.send(w, r, a.Status, mediaJSON, a.Body)
}

// heldAnswer keeps an answer back until it is known to be the right one.
type heldAnswer struct {
	http.ResponseWriter
	status int
	body   bytes.Buffer
}

func (h *heldAnswer) WriteHeader(status int)            { h.status = status }
func (h *heldAnswer) Write(b []byte) (n int, err error) { return h.body.Write(b) }

// Unwrap lets a handler lift the limits of time.
func (h *heldAnswer) Unwrap() http.ResponseWriter { return h.ResponseWriter }
