package web

import (
	"context"
	"fmt"
	"net/http"
	"strconv"
	"time"

	"dryhold/internal/audit"
)

// Auditor gives what people did.
type Auditor interface {
	// Audit gives it newest first, at most limit of it.
	Audit(ctx context.Context, f audit.Filter, limit int) ([]audit.Act, error)
}

// AuditAnswer is the body of GET /api/v1/audit?since=&limit=: the acts told
// since an instant (RFC 3339), the newest first, 200 or as many as limit says.
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
	var f audit.Filter
	limit, q := usualActs, r.URL.Query()
	var err error
	if text := q.Get("since"); text != "" {
		if f.Since, err = time.Parse(time.RFC3339, text); err != nil {
			writeProblem(w, http.StatusUnprocessableEntity, fmt.Sprintf("since: %q is not a time: write 2026-07-14T00:00:00Z", text))
			return
		}
	}
	if text := q.Get("limit"); text != "" {
		if limit, err = strconv.Atoi(text); err != nil || limit < 1 || limit > mostActs {
			writeProblem(w, http.StatusUnprocessableEntity, fmt.Sprintf("limit: %q is none: write 1 to %d", text, mostActs))
			return
		}
	}
	acts, err := s.Actions.Audit(r.Context(), f, limit+1)
	if err != nil {
		status, detail := s.failure(r, "list what was done", err)
		writeProblem(w, status, detail)
		return
	}
	answer := AuditAnswer{Acts: acts, More: len(acts) > limit}
	answer.Acts = append([]audit.Act{}, acts[:min(limit, len(acts))]...)
	s.writeJSON(w, r, http.StatusOK, answer)
}
