package web

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"net/http"
	"net/url"
	"slices"
	"strings"
)

// keptPages are those that a browser keeps for where the daemon is out of
// reach: the state, the pick list, the lots, and what it shows instead of any
// other.
func keptPages() []string { return []string{"/", "/use-first", "/lots", offlinePath} }

const offlinePath = "/offline"

// routeOffline adds what makes the pages an application that a device keeps.
func (s *server) routeOffline(mux *http.ServeMux) {
	route(mux, workerPath, methods{http.MethodGet: s.getWorker})
	route(mux, offlinePath, methods{http.MethodGet: s.getOffline})
}

// workerPath is at the root, since a worker may serve only what lies below it.
const workerPath = "/worker.js"

// keepable says of the pages that a browser may keep whose they are: none of
// one user may be shown to another. Who logs out leaves nothing behind: the
// worker drops what it kept, and the browser what it holds besides.
func keepable(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		switch read := r.Method == http.MethodGet || r.Method == http.MethodHead; {
		case read && slices.Contains(keptPages(), r.URL.Path):
			w.Header().Set("Dryhold-Keep", url.QueryEscape(userOf(r)))
		case r.Method == http.MethodPost && r.URL.Path == "/logout" && r.TLS != nil: // elsewhere browsers complain of it
			w.Header().Set("Clear-Site-Data", `"cache"`)
		}
		next.ServeHTTP(w, r)
	})
}

// getWorker answers with the script that keeps pages, before which stands what
// it keeps. With another version of any file it is another script, by which
// browsers find out.
func (s *server) getWorker(w http.ResponseWriter, r *http.Request) {
	var files []string
	for _, name := range []string{"style.css", "live.js", "offline.js", "app.webmanifest", "icons/jar.svg"} {
		files = append(files, s.assets.url(name))
	}
	sum := sha256.Sum256([]byte(strings.Join(files, "\n")))
	kit, err := json.Marshal(struct {
		Version string   `json:"version"`
		Files   []string `json:"files"`
		Pages   []string `json:"pages"`
	}{hex.EncodeToString(sum[:6]), files, keptPages()})
	if err != nil {
		panic("BUG: strings have no JSON: " + err.Error())
	}
	w.Header().Set("Cache-Control", "no-cache")
	s.send(w, r, http.StatusOK, typeOf(workerPath), slices.Concat([]byte("\"use strict\";\nconst kit = "), kit, []byte(";\n"), s.assets.files["worker.js"].body))
}

// getOffline is the page for what was not kept.
func (s *server) getOffline(w http.ResponseWriter, r *http.Request) {
	p := s.words(r)
	s.writePage(w, r, http.StatusOK, page{Name: "offline", Head: p.t("Out of reach"), Narrow: true}, []link{
		{p.t("Now"), "/", false}, {p.t("Use first"), "/use-first", false}, {p.t("Lots"), "/lots", false},
	})
}
