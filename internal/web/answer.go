package web

import (
	"bytes"
	"compress/gzip"
	"crypto/sha256"
	"encoding/base64"
	"io"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"sync"
)

const (
	// worthGzip is the smallest body sent compressed, bytes: a smaller one fits
	// one packet as it is (judgement).
	worthGzip = 1 << 10
	// gzipLevel: at 3 a page costs half the time of the usual 6 and is a tenth
	// larger, and the page is made anew for each request (judgement).
	gzipLevel = 3
)

// send writes a whole body: every answer but a stream goes out here. What was
// asked for with GET gets an entity tag, and is not sent again to who shows
// that tag. A client that went away is no fault of ours.
func (s *server) send(w http.ResponseWriter, r *http.Request, status int, contentType string, body []byte) {
	s.sendTagged(w, r, status, contentType, "", body)
}

// sendTagged is send with a mark that the entity tag begins with: letters and
// digits.
//
// The tag is a strong one (RFC 9110, section 8.8.3): a hash of the body, and
// another for the compressed form of it, since the bytes differ (section
// 8.8.3.3).
func (s *server) sendTagged(w http.ResponseWriter, r *http.Request, status int, contentType, mark string, body []byte) {
	h := w.Header()
	coding := ""
	if len(body) >= worthGzip && compressible(contentType) && h.Get("Content-Encoding") == "" {
		h.Add("Vary", "Accept-Encoding")
		if takesGzip(r.Header.Values("Accept-Encoding")) {
			coding = "gzip"
		}
	}
	if status == http.StatusOK && (r.Method == http.MethodGet || r.Method == http.MethodHead) {
		tag := entityTag(mark, body, coding)
		h.Set("ETag", tag)
		if h.Get("Cache-Control") == noStore && !open(r.URL.Path) {
			h.Set("Cache-Control", "private, no-cache") // kept, and asked for again each time
		}
		if listsTag(r.Header.Values("If-None-Match"), tag) {
			w.WriteHeader(http.StatusNotModified)
			return
		}
	}
	if coding != "" {
		h.Set("Content-Encoding", coding)
		body = s.zipped(body)
	}
	h.Set("Content-Type", contentType)
	h.Set("Content-Length", strconv.Itoa(len(body)))
	w.WriteHeader(status)
	_, _ = w.Write(body)
}

// entityTag is that of a body in a coding, "" for none.
func entityTag(mark string, body []byte, coding string) string {
	sum := sha256.Sum256(body)
	tag := base64.RawURLEncoding.EncodeToString(sum[:12])
	if mark != "" {
		tag = mark + "." + tag
	}
	if coding != "" {
		tag += "." + coding
	}
	return `"` + tag + `"`
}

// listsTag reports whether the lines of If-None-Match name an entity tag, by
// weak comparison (RFC 9110, sections 8.8.3.2 and 13.1.2).
func listsTag(lines []string, tag string) bool {
	return slices.ContainsFunc(entityTags(lines), func(t string) bool { return t == anyTag || strings.TrimPrefix(t, "W/") == tag })
}

// anyTag stands for whatever is there.
const anyTag = "*"

// entityTags are those that the lines of a condition list, or anyTag.
func entityTags(lines []string) (tags []string) {
	for _, line := range lines {
		if strings.TrimSpace(line) == anyTag {
			tags = append(tags, anyTag)
		}
		tags = append(tags, entityTagsOf(line)...)
	}
	return tags
}

// entityTagsOf reads a list of entity tags up to where it is none.
func entityTagsOf(line string) (tags []string) {
	for {
		line = strings.TrimLeft(line, " \t,")
		opaque, weak := strings.CutPrefix(line, "W/")
		if !strings.HasPrefix(opaque, `"`) {
			return tags
		}
		end := strings.IndexByte(opaque[1:], '"')
		if end < 0 {
			return tags
		}
		tag := opaque[:end+2]
		line = opaque[end+2:]
		if weak {
			tag = "W/" + tag
		}
		tags = append(tags, tag)
	}
}

// compressible says of a media type that it is text.
func compressible(contentType string) bool {
	media, _, _ := strings.Cut(contentType, ";")
	media = strings.ToLower(strings.TrimSpace(media))
	switch {
	case strings.HasPrefix(media, "text/"), strings.HasSuffix(media, "+json"), strings.HasSuffix(media, "+xml"):
		return true
	case media == mediaJSON, media == mediaLines, media == "application/javascript":
		return true
	}
	return false
}

// takesGzip says whether the lines of Accept-Encoding take gzip no less than
// the bare body (RFC 9110, section 12.5.3). Who says nothing gets it bare.
func takesGzip(lines []string) bool {
	named := map[string]float64{}
	for _, line := range lines {
		for part := range strings.SplitSeq(line, ",") {
			name, weight, _ := strings.Cut(part, ";")
			if name = strings.ToLower(strings.TrimSpace(name)); name != "" {
				named[name] = quality(weight)
			}
		}
	}
	q, any := named["gzip"]
	if !any {
		q, any = named["x-gzip"]
	}
	if !any {
		q = named["*"]
	}
	return q > 0 && q >= named["identity"]
}

// quality is the weight of a coding: 1 where none is given, 0 where it cannot
// be read.
func quality(parameter string) float64 {
	parameter = strings.TrimSpace(parameter)
	if parameter == "" {
		return 1
	}
	name, value, _ := strings.Cut(parameter, "=")
	if !strings.EqualFold(strings.TrimSpace(name), "q") {
		return 0
	}
	q, err := strconv.ParseFloat(strings.TrimSpace(value), 64)
	if err != nil || !(q >= 0 && q <= 1) {
		return 0
	}
	return q
}

// newZippers makes writers that wait for their next body: each holds some
// hundred kilobytes.
func newZippers() *sync.Pool {
	return &sync.Pool{New: func() any {
		z, err := gzip.NewWriterLevel(io.Discard, gzipLevel)
		if err != nil {
			panic("BUG: " + err.Error()) // the level is one of gzip's
		}
		return z
	}}
}

func (s *server) zipped(body []byte) []byte {
	var out bytes.Buffer
	out.Grow(len(body) / 3)
	z := s.zippers.Get().(*gzip.Writer)
	defer s.zippers.Put(z)
	z.Reset(&out)
	_, err := z.Write(body)
	if err == nil {
		err = z.Close()
	}
	if err != nil {
		panic("BUG: a body cannot be compressed in memory: " + err.Error())
	}
	return out.Bytes()
}
