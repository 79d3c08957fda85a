package web

import (
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"io/fs"
	"net/http"
	"path"
)

//go:embed static
var staticFiles embed.FS

// assets are the files that pages load. Each has its checksum in its address,
// so that a browser keeps it for good and still gets the next one at once. The
// parts of the style sheet, static/style, are one file: style.css.
type assets struct {
	files map[string]asset // by name, "style.css" or "vendor/uplot/uPlot.js"
}

type asset struct {
	body          []byte
	typ, checksum string
}

func readAssets() *assets {
	a := &assets{files: map[string]asset{}}
	sub, err := fs.Sub(staticFiles, "static")
	if err == nil {
		err = fs.WalkDir(sub, ".", func(name string, d fs.DirEntry, err error) error {
			if err != nil || d.IsDir() {
				return err
			}
			body, err := fs.ReadFile(sub, name)
			if path.Dir(name) == "style" {
				name, body = "style.css", append(a.files["style.css"].body, body...)
			}
			sum := sha256.Sum256(body)
			a.files[name] = asset{body, typeOf(name), hex.EncodeToString(sum[:6])}
			return err
		})
	}
	if err != nil {
		panic("BUG: the files of the pages cannot be read: " + err.Error()) // they are part of the program
	}
	return a
}

// typeOf is the media type of a file, the same on every machine.
func typeOf(name string) string {
	switch path.Ext(name) {
	case ".js":
		return "text/javascript; charset=utf-8"
	case ".css":
		return "text/css; charset=utf-8"
	case ".svg":
		return "image/svg+xml"
	case ".webmanifest":
		return "application/manifest+json"
	case ".png":
		return "image/png"
	}
	return "text/plain; charset=utf-8"
}

// url is the address of a file, which must exist.
func (a *assets) url(name string) string {
	f, ok := a.files[name]
	if !ok {
		panic("BUG: a page loads " + name + ", which is not among the static files")
	}
	return "/static/" + f.checksum + "/" + name
}

func (s *server) getStatic(w http.ResponseWriter, r *http.Request) {
	name := r.PathValue("name")
	f, ok := s.assets.files[name]
	if !ok {
		writeProblem(w, http.StatusNotFound, "there is no file at "+r.URL.Path)
		return
	}
	if r.PathValue("checksum") == f.checksum {
		w.Header().Set("Cache-Control", "public, max-age=31536000, immutable")
	} else {
		w.Header().Set("Cache-Control", "no-cache") // of another version of dryhold
	}
	s.send(w, r, http.StatusOK, f.typ, f.body)
}
