package web

import (
	"errors"
	"net/http"
	"sync"

	"dryhold/internal/engine"
)

// pageKey is all that the page of now depends on: the same key, the same page.
type pageKey struct {
	snap    *engine.Snapshot
	second  int64 // ages are shown to the second
	like    preferences
	user    string
	refresh bool
}

// pageCache holds the page of now as long as it is so, for each kind of reader,
// so that many readers cost one rendering of each state. Who comes while it is
// rendered waits for it.
type pageCache struct {
	mu    sync.Mutex
	snap  *engine.Snapshot
	at    int64
	pages map[pageKey]*cachedPage
}

type cachedPage struct {
	once        sync.Once
	body, short []byte // short is compressed
	err         error
}

// errNotRendered stands where rendering ended in a panic.
var errNotRendered = errors.New("the page was not rendered")

// maxCached bounds the kinds of readers of one second, by languages, units,
// colours and users (judgement).
const maxCached = 64

// get is the page of a key, to be rendered by who asks first; not kept where
// there are too many kinds.
func (c *pageCache) get(k pageKey) *cachedPage {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.pages == nil || c.snap != k.snap || c.at != k.second {
		c.snap, c.at, c.pages = k.snap, k.second, map[pageKey]*cachedPage{}
	}
	p := c.pages[k]
	if p == nil {
		p = &cachedPage{}
		if len(c.pages) < maxCached {
			c.pages[k] = p
		}
	}
	return p
}

// getPage answers with the page of now. Only what stands in its key may be on
// it, but for health, which may be a second behind.
func (s *server) getPage(w http.ResponseWriter, r *http.Request) {
	snap := s.Snapshot()
	refresh := r.URL.Query().Get("refresh") != "off"
	if plain := r.URL.RawQuery == "" || r.URL.RawQuery == "refresh=off"; snap == nil || !plain {
		s.writeNow(w, r, snap, refresh)
		return
	}
	p := s.live.now.get(pageKey{snap, s.Now().Unix(), s.preferencesOf(r), userOf(r), refresh})
	p.once.Do(func() {
		p.err = errNotRendered
		pg, v := s.nowPage(r, snap, refresh)
		if p.body, p.err = s.render(r, pg, v); p.err == nil {
			p.short = s.zipped(p.body)
		}
	})
	if p.err != nil {
		s.writeNow(w, r, snap, refresh)
		return
	}
	if !takesGzip(r.Header.Values("Accept-Encoding")) {
		s.send(w, r, http.StatusOK, mediaPage, p.body)
		return
	}
	w.Header().Add("Vary", "Accept-Encoding")
	w.Header().Set("Content-Encoding", "gzip")
	s.send(w, r, http.StatusOK, mediaPage, p.short)
}
