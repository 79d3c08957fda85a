package web

import (
	"context"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
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
	refuse := func(format string, args ...any) *refusal {
		return &refusal{http.StatusUnprocessableEntity, fmt.Sprintf(format, args...)}
	}
	for name, to := range map[string]*time.Time{"since": &f.Since, "before": &f.Before} {
		text := q.Get(name)
		if text == "" {
			continue
		}
		var err error
		if *to, err = time.Parse(time.RFC3339, text); err != nil {
			return f, 0, refuse("%s: %q is not a time: write 2026-07-14T00:00:00Z", name, text)
		}
	}
	limit = usualActs
	if text := q.Get("limit"); text != "" {
		var err error
		if limit, err = strconv.Atoi(text); err != nil || limit < 1 || limit > mostActs {
			return f, 0, refuse("limit: %q is none: write 1 to %d", text, mostActs)
		}
	}
	f.By, f.Of, f.Kind = q.Get("by"), q.Get("of"), audit.Kind(q.Get("kind"))
	if f.Kind != "" && !slices.Contains(audit.Kinds(), f.Kind) {
		return f, 0, refuse("kind: %q is none: write one of %v", q.Get("kind"), audit.Kinds())
	}
	return f, limit, nil
}
