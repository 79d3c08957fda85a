package web

import (
	"bytes"
	"embed"
	"html/template"
	"net/http"
	"net/url"
)

//go:embed pages/*.html
var pageFiles embed.FS

// parsePages reads the embedded templates, once for each language.
func parsePages(files *assets, languages map[string]*translator) map[string]*template.Template {
	out := map[string]*template.Template{}
	for tag, tr := range languages {
		funcs := template.FuncMap{"t": tr.T, "tn": tr.N, "word": tr.Of, "asset": files.url}
		out[tag] = template.Must(template.New("dryhold").Funcs(funcs).ParseFS(pageFiles, "pages/*.html"))
	}
	return out
}

// A page is what the layout shows around the content of a page.
type page struct {
	Name    string // of the template of the content
	Head    string // the heading, and the title of the tab
	ID      string // of what the heading names
	At      moment // what the state shown is as of
	Age     string
	Sub     string // a line under the heading
	Sight   *sight // beside it
	Here    string // path of the entry of the navigation that it belongs to
	Narrow  bool   // it is a form or a message
	Bare    bool   // it leads nowhere else: the visitor may be a stranger
	Caution bool   // it ends with the cautions on food
	Reload  bool   // without a script, it reloads itself
	Data    []link // where programs find the same
	Scripts []string
	Styles  []string // beside style.css: those of what others made
}

// link leads somewhere.
type link struct {
	Text, URL string
	Here      bool
}

// layoutView is what the template of the layout shows.
type layoutView struct {
	page
	Title, Lang, Theme, User, Version, Back, Zone string
	Nav                                           []link
	Body                                          template.HTML
}

// navigation lists the pages that the keeper goes to.
func navigation(t *translator, here string) []link {
	nav := []link{
		{t.T("Now"), "/", false},
		{t.T("Lots"), "/lots", false},
		{t.T("Alarms"), "/alarms", false},
		{t.T("Use first"), "/use-first", false},
		{t.T("Review"), "/review", false},
		{t.T("What if?"), "/what-if", false},
		{t.T("Packing"), "/packing", false},
		{t.T("Rounds"), "/rounds", false},
		{t.T("Sensors"), "/sensors", false},
		{t.T("Health"), "/health", false},
		{t.T("Audit"), "/audit", false},
	}
	for i := range nav {
		nav[i].Here = nav[i].URL == here
	}
	return nav
}

// writePage renders the whole page before the first byte is sent, so that a
// fault in it is never half a page.
func (s *server) writePage(w http.ResponseWriter, r *http.Request, status int, pg page, v any) {
	body, err := s.render(r, pg, v)
	if err != nil {
		s.Log.Error("cannot render a page", "path", logged(r), "error", err)
		writeProblem(w, http.StatusInternalServerError, "the page cannot be rendered: a fault of the machine; its log says more")
		return
	}
	s.send(w, r, status, mediaPage, body)
}

func (s *server) render(r *http.Request, pg page, v any) ([]byte, error) {
	like := s.preferencesOf(r)
	templates, tr := s.pages[like.Language], s.languages[like.Language]
	var content, whole bytes.Buffer
	if err := templates.ExecuteTemplate(&content, pg.Name, v); err != nil {
		return nil, err
	}
	lay := layoutView{
		page: pg, Title: s.title(pg) + ": dryhold", Lang: like.Language, Theme: like.Theme, User: userOf(r), Version: s.Version,
		Back: url.QueryEscape(r.URL.RequestURI()), Zone: s.Zone.String(), Body: template.HTML(content.String()), //nolint:gosec // the templates have escaped it
	}
	if !pg.Bare {
		lay.Nav = navigation(tr, pg.Here)
	}
	if err := templates.ExecuteTemplate(&whole, "layout", lay); err != nil {
		return nil, err
	}
	return whole.Bytes(), nil
}

// title is that of the tab: the heading, and the site, since a keeper may have
// those of several open. A stranger is told none.
func (s *server) title(pg page) string {
	snap := s.Snapshot()
	if pg.Bare || snap == nil || snap.Site == pg.Head {
		return pg.Head
	}
	return pg.Head + ", " + snap.Site
}

// writeFailed is a page that says why there is none.
func (s *server) writeFailed(w http.ResponseWriter, r *http.Request, status int, head, detail string) {
	s.writePage(w, r, status, page{Name: "failed", Head: head, Narrow: true}, struct{ Problem, Back string }{detail, "/"})
}
