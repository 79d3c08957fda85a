package web

import (
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"dryhold/internal/audit"
)

// actsOnPage is how many acts one page of the audit shows.
const actsOnPage = 50

type (
	auditView struct {
		Problem    string
		Acts       []auditRow
		People     []string
		Kinds      []choice
		By, Of     string
		From, To   string // as typed
		Filtered   bool
		Shown      string
		Older, New string // links
	}
	auditRow struct {
		Told, At                moment
		By, Of, URL, Kind, What string
		Old, Why                string
	}
)

// getAuditPage shows who did what, the newest first, page by page. Acts are
// counted from the newest, not dated: many may have been told in one instant.
func (s *server) getAuditPage(w http.ResponseWriter, r *http.Request) {
	p, q := s.words(r), r.URL.Query()
	f, v, no := p.auditFilter(q)
	status := http.StatusOK
	if no != nil {
		status, v.Problem = no.status, no.detail
	}
	all, err := s.Actions.Audit(r.Context(), audit.Filter{}, mostActs)
	if err != nil {
		status, v.Problem = s.failure(r, "list what was done", err)
	}
	var wanted []audit.Act
	for _, a := range all {
		if a.By != "" && !slices.Contains(v.People, a.By) && len(v.People) < maxPeople {
			v.People = append(v.People, a.By)
		}
		if no == nil && f.Wants(a) {
			wanted = append(wanted, a)
		}
	}
	slices.Sort(v.People)
	skip, err := strconv.Atoi(q.Get("skip"))
	if err != nil || skip < 0 || skip >= len(wanted) {
		skip = 0
	}
	shown := wanted[skip:min(skip+actsOnPage, len(wanted))]
	for _, a := range shown {
		v.Acts = append(v.Acts, p.act(a))
	}
	at := func(n int) string {
		to := url.Values{}
		for _, name := range []string{"by", "kind", "of", "from", "to"} {
			if text := q.Get(name); text != "" {
				to.Set(name, text)
			}
		}
		if n > 0 {
			to.Set("skip", strconv.Itoa(n))
		}
		return "/audit?" + to.Encode()
	}
	if skip > 0 {
		v.New = at(max(0, skip-actsOnPage))
	}
	if skip+actsOnPage < len(wanted) {
		v.Older = at(skip + actsOnPage)
	}
	if len(shown) > 0 {
		v.Shown = p.t("%s to %s of %s, the newest first", p.grouped(uint64(skip+1)), p.grouped(uint64(skip+len(shown))), p.grouped(uint64(len(wanted))))
	}
	s.writePage(w, r, status, page{Name: "audit page", Head: p.t("Audit"), Here: "/audit", Sub: p.t("Who did what, when it was told, why, and what was there before."),
		Data: []link{{Text: p.t("who did what"), URL: "/api/v1/audit"}}}, v)
}

// maxPeople bounds the names that are offered to choose from.
const maxPeople = 100

// auditFilter reads what is asked for. Dates are days of the site, the last one
// included.
func (p *pageContext) auditFilter(q url.Values) (f audit.Filter, v auditView, no *refusal) {
	v.By, v.Of = strings.TrimSpace(shortText(q.Get("by"), 2*maxName)), strings.TrimSpace(shortText(q.Get("of"), 2*maxName))
	v.From, v.To = shortText(q.Get("from"), maxName), shortText(q.Get("to"), maxName)
	f.By, f.Of, f.Kind = v.By, v.Of, audit.Kind(q.Get("kind"))
	if f.Kind != "" && !slices.Contains(audit.Kinds(), f.Kind) {
		no = &refusal{http.StatusUnprocessableEntity, p.t("There are no acts of the kind %s.", strconv.Quote(shortText(string(f.Kind), 40)))}
	}
	for _, k := range audit.Kinds() {
		v.Kinds = append(v.Kinds, choice{Value: string(k), Text: p.kindOfAct(k), Chosen: k == f.Kind})
	}
	if v.From != "" && no == nil {
		f.Since, no = p.typedTime("from", v.From)
	}
	if v.To != "" && no == nil {
		if f.Before, no = p.typedTime("to", v.To); no == nil && len(v.To) == len(time.DateOnly) {
			f.Before = f.Before.In(p.zone).AddDate(0, 0, 1)
		}
	}
	v.Filtered = f != audit.Filter{}
	return f, v, no
}

func (p *pageContext) kindOfAct(k audit.Kind) string {
	switch k {
	case audit.Lot:
		return p.t("lots")
	case audit.Alarm:
		return p.t("alarms")
	case audit.Sensor:
		return p.t("sensors")
	case audit.Room:
		return p.t("rooms")
	case audit.Readings:
		return p.t("imported readings")
	}
	return string(k)
}

func (p *pageContext) act(a audit.Act) auditRow {
	row := auditRow{Told: p.moment(a.Told), By: a.By, Of: a.Of, Kind: p.kindOfAct(a.Kind), What: p.said(a.What), Old: p.said(a.Old), Why: a.Why}
	if !a.At.Equal(a.Told) {
		row.At = p.moment(a.At)
	}
	if row.By == "" {
		row.By = p.t("not told")
	}
	switch a.Kind {
	case audit.Lot:
		row.URL = "/lots/" + url.PathEscape(a.Of)
	case audit.Alarm:
		row.URL = "/alarms?" + url.Values{"alarm": {a.Of}}.Encode() + "#history"
	case audit.Sensor:
		if room, name, ok := strings.Cut(a.Of, "/"); ok && room != "" && name != "" {
			row.URL = sensorURL(room, name)
		}
	case audit.Room:
		if a.Of != "" {
			row.URL = "/room/" + url.PathEscape(a.Of)
		}
	}
	return row
}
