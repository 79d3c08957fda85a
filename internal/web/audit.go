package web

import (
	"context"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"time"

	"dryhold/internal/audit"
)

// Auditor gives what people did.
type Auditor interface {
	// Audit gives it newest first, at most limit of it.
	Audit(ctx context.Context, f audit.Filter, limit int) ([]audit.Act, error)
}

// AuditAnswer is the body of GET /api/v1/audit?since=&before=&by=&kind=&of=&limit=:
// the acts told since an instant and before another (RFC 3339), by one person,
// of one kind, to one thing, the newest first, 200 or as many as limit says.
type AuditAnswer struct {
	Acts []audit.Act `json:"acts"`
	More bool        `json:"more"` // there are older ones beyond the limit
}

// The acts answered when no limit is given, and at most.
const (
	usualActs = 200
	mostActs  = 100_000
)

func (s *server) getAudit(w http.ResponseWriter, r *http.Request) {
	f, limit, no := auditQuery(r.URL.Query())
	if no != nil {
		writeProblem(w, no.status, no.detail)
		return
	}
	c, no := cursorOf(r.URL.Query())
	if no != nil {
		writeProblem(w, no.status, no.detail)
		return
	}
	f.Before = c.before(f.Before)
	all, err := s.Actions.Audit(r.Context(), f, c.wants(limit))
	if err != nil {
		status, detail := s.failure(r, "list what was done", err)
		writeProblem(w, status, detail)
		return
	}
	acts, more := pageOf(w, r, all, c, limit, func(a audit.Act) time.Time { return a.Told })
	s.writeJSON(w, r, http.StatusOK, AuditAnswer{Acts: acts, More: more})
}

// auditQuery reads which acts are asked for, and how many.
func auditQuery(q url.Values) (f audit.Filter, limit int, no *refusal) {
	if f.Since, no = instantOf(q, "since"); no != nil {
		return f, 0, no
	}
	if f.Before, no = instantOf(q, "before"); no != nil {
		return f, 0, no
	}
	if limit, no = limitOf(q, usualActs, mostActs); no != nil {
		return f, 0, no
	}
	f.By, f.Of, f.Kind = q.Get("by"), q.Get("of"), audit.Kind(q.Get("kind"))
	if f.Kind != "" && !slices.Contains(audit.Kinds(), f.Kind) {
		return f, 0, &refusal{http.StatusUnprocessableEntity, fmt.Sprintf("kind: %q is none: write one of %v", f.Kind, audit.Kinds())}
	}
	return f, limit, nil
}

// instantOf reads an instant that is asked for; none is the zero time.
func instantOf(q url.Values, name string) (time.Time, *refusal) {
	text := q.Get(name)
	if text == "" {
		return time.Time{}, nil
	}
	t, err := time.Parse(time.RFC3339, text)
	if err != nil {
		return time.Time{}, &refusal{http.StatusUnprocessableEntity, fmt.Sprintf("%s: %q is not a time: write 2026-07-14T00:00:00Z", name, text)}
	}
	return t, nil
}
