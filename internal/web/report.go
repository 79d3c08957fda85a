package web

import (
	"fmt"
	"net/http"
	"strconv"
	"time"
)

type (
	// ReportOrder is what a report is asked for: GET
	// /api/v1/report?from=&to=&room=&lot=&format=.
	ReportOrder struct {
		// From and To are the first and the last day, at their beginning in the
		// zone of the site; zero for the twelve months up to today.
		From, To  time.Time
		Room, Lot string
		Format    string // text where it is left out
	}
	// ReportFile is a report as a file.
	ReportFile struct {
		Name, Type string
		Body       []byte
	}
)

func (s *server) getReport(w http.ResponseWriter, r *http.Request) {
	q := r.URL.Query()
	o := ReportOrder{Room: q.Get("room"), Lot: q.Get("lot"), Format: q.Get("format")}
	for _, d := range []struct {
		name string
		to   *time.Time
	}{{"from", &o.From}, {"to", &o.To}} {
		text := q.Get(d.name)
		if text == "" {
			continue
		}
		t, err := time.ParseInLocation(time.DateOnly, text, s.Zone)
		if err != nil {
			writeProblem(w, http.StatusUnprocessableEntity, fmt.Sprintf("%s: %q is not a day: write 2026-01-01", d.name, text))
			return
		}
		*d.to = t
	}
	f, err := s.Actions.Report(r.Context(), o)
	if err != nil {
		status, detail := s.failure(r, "write the report", err)
		writeProblem(w, status, detail)
		return
	}
	// A file to keep, not a page of this site: it carries its own style sheet,
	// which the policy of the pages forbids.
	w.Header().Set("Content-Disposition", "attachment; filename="+strconv.Quote(f.Name))
	s.send(w, r, http.StatusOK, f.Type, f.Body)
}
