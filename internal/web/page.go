package web

import (
	"net/http"

	"dryhold/internal/engine"
)

// writeNow renders the page of now for one reader.
func (s *server) writeNow(w http.ResponseWriter, r *http.Request, snap *engine.Snapshot, refresh bool) {
	status := http.StatusOK
	if snap == nil {
		status = http.StatusServiceUnavailable
		w.Header().Set("Retry-After", "5")
	}
	pg, v := s.nowPage(r, snap, refresh)
	s.writePage(w, r, status, pg, v)
}

func (s *server) nowPage(r *http.Request, snap *engine.Snapshot, refresh bool) (page, pageView) {
	p := s.words(r)
	v := s.view(p, snap)
	pg := page{
		Name: "now", Head: v.Site, Here: "/", Caution: true, Reload: refresh, At: v.At, Age: v.Age, Sight: &v.Healthy, Scripts: []string{"live.js"},
		Data: []link{{p.t("status"), "/api/v1/status", false}, {p.t("events"), "/api/v1/events", false}, {p.t("lots"), "/api/v1/lots", false},
			{p.t("metrics"), "/metrics", false}, {p.t("health"), "/healthz", false}},
	}
	if v.Starting {
		pg.Head, pg.Sub, pg.Sight = p.t("Starting"), p.t("There is no state yet: dryhold is still reading its store."), nil
	}
	return pg, v
}
