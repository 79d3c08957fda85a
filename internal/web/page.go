package web

import (
	"bytes"
	_ "embed" // the page and its style sheet are files
	"html/template"
	"net/http"
)

//go:embed page.html
var pageHTML string

//go:embed style.css
var styleCSS string

// parsePages reads the embedded templates.
func parsePages() *template.Template {
	return template.Must(template.New("dryhold").Parse(pageHTML))
}

func (s *server) getPage(w http.ResponseWriter, r *http.Request) {
	snap := s.Snapshot()
	status := http.StatusOK
	if snap == nil {
		status = http.StatusServiceUnavailable
		w.Header().Set("Retry-After", "5")
	}
	s.writePage(w, r, status, "page", struct {
		pageView
		User string // who is logged in
	}{s.view(snap, r.URL.Query().Get("refresh") != "off"), userOf(r)})
}

func (s *server) getStyle(w http.ResponseWriter, _ *http.Request) {
	send(w, http.StatusOK, "text/css; charset=utf-8", []byte(styleCSS))
}

// writePage renders the whole page before the first byte is sent, so that a
// fault in it is never half a page.
func (s *server) writePage(w http.ResponseWriter, r *http.Request, status int, name string, v any) {
	var body bytes.Buffer
	if err := s.page.ExecuteTemplate(&body, name, v); err != nil {
		s.Log.Error("cannot render a page", "path", logged(r), "error", err)
		writeProblem(w, http.StatusInternalServerError, "the page cannot be rendered: a fault of the machine; its log says more")
		return
	}
	send(w, status, "text/html; charset=utf-8", body.Bytes())
}
