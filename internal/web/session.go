package web

import (
	"bytes"
	"context"
	"net/http"
	"reflect"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/alexedwards/scs/v2"

	"dryhold/internal/secret"
)

// Access says who may come in. With it every route asks who is there, but for
// the login page, the static files, and /healthz, which tells strangers only
// whether all is well.
type Access struct {
	// Users log in on the page and may do everything.
	Users map[string]secret.Password
	// Tokens come as "Authorization: Bearer TOKEN" and may do what their scope
	// says.
	Tokens []secret.Token
	// Secure says that the page is served over TLS, so that its cookie is sent
	// over nothing else.
	Secure bool
	// Refused, if set, counts who was not let in: "login", "login rate" or
	// "token".
	Refused func(kind string)
}

// The life of a session (judgement): a page that nobody opens for half a day
// asks again, and so does one that stays open for a week.
const (
	sessionIdle     = 12 * time.Hour
	sessionLifetime = 7 * 24 * time.Hour
	maxSessions     = 1000
	sessionUser     = "user"
)

// gate knows who is there.
type gate struct {
	Access
	door     *secret.Door
	sessions *scs.SessionManager
}

func newGate(a Access) *gate {
	if a.Refused == nil {
		a.Refused = func(string) {}
	}
	name := "dryhold_session"
	if a.Secure {
		// With this prefix browsers take the cookie only over TLS, for the
		// whole of this host and no other (RFC 6265bis, section 4.1.3.2).
		name = "__Host-dryhold_session"
	}
	return &gate{
		Access: a, door: secret.NewDoor(a.Users),
		// Not scs.New, which starts a goroutine that nothing stops.
		sessions: &scs.SessionManager{
			IdleTimeout: sessionIdle, Lifetime: sessionLifetime, HashTokenInStore: true,
			Store: &sessionStore{all: map[string]kept{}}, Codec: scs.GobCodec{},
			Cookie: scs.SessionCookie{Name: name, Path: "/", HttpOnly: true, Secure: a.Secure, SameSite: http.SameSiteLaxMode, Persist: true},
			ErrorFunc: func(w http.ResponseWriter, _ *http.Request, _ error) {
				writeProblem(w, http.StatusInternalServerError, "the session cannot be read: log in again")
			},
		},
	}
}

// visitor is who makes a request.
type visitor struct {
	name  string
	scope secret.Scope
	token bool
}

type visitorKey struct{}

// visitorOf gives who makes a request; known is false for a stranger, and
// where nobody is asked.
func visitorOf(r *http.Request) (v visitor, known bool) {
	v, known = r.Context().Value(visitorKey{}).(visitor)
	return v, known
}

// userOf is the name of who is logged in on the page, or "".
func userOf(r *http.Request) string {
	if v, known := visitorOf(r); known && !v.token {
		return v.name
	}
	return ""
}

// signed is the name under which an edit is recorded. Who is logged in signs
// with that name whatever the form says; a program cannot sign as a person.
func signed(r *http.Request, given string) string {
	v, known := visitorOf(r)
	switch {
	case !known:
		return given
	case !v.token:
		return v.name
	}
	by := "token " + v.name
	if given = strings.TrimSpace(given); given != "" {
		by = strings.ToValidUTF8(given[:min(len(given), maxName-len(by)-3)], "") + " (" + by + ")"
	}
	return by
}

// sign sets the field By of the body of an edit. Every edit goes through it,
// so that a new one cannot forget it.
func sign(r *http.Request, body any) {
	v := reflect.ValueOf(body)
	if v.Kind() != reflect.Pointer || v.Elem().Kind() != reflect.Struct {
		return
	}
	if by := v.Elem().FieldByName("By"); by.IsValid() && by.Kind() == reflect.String && by.CanSet() {
		by.SetString(signed(r, by.String()))
	}
}

// open lists the paths that strangers may see. Those of links ask for the link.
func open(path string) bool {
	return strings.HasPrefix(path, LinkPath) || strings.HasPrefix(path, "/static/") || slices.Contains([]string{"/login", "/healthz", workerPath}, path)
}

// needed is the scope that a request needs: to look, to change, or to have
// the machine work for long.
func needed(r *http.Request) secret.Scope { return neededFor(r.Method, r.URL.Path) }

func neededFor(method, path string) secret.Scope {
	switch {
	case method == http.MethodGet || method == http.MethodHead || path == whatIfPath || path == packingPath:
		return secret.Read
	case path == "/api/v1/refold" || path == logPath:
		return secret.Admin
	}
	return secret.Keep
}

// admit lets through who may come in, and tells the others how they might.
func (s *server) admit(next http.Handler) http.Handler {
	g := s.gate
	if g == nil {
		return next
	}
	pass := func(w http.ResponseWriter, r *http.Request, v visitor) {
		next.ServeHTTP(w, r.WithContext(context.WithValue(r.Context(), visitorKey{}, v)))
	}
	browser := g.sessions.LoadAndSave(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		switch name := g.sessions.GetString(r.Context(), sessionUser); {
		case name != "":
			pass(w, r, visitor{name: name, scope: secret.Admin})
		case open(r.URL.Path):
			next.ServeHTTP(w, r)
		default:
			s.sendToLogin(w, r)
		}
	}))
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		given := r.Header.Get("Authorization")
		if given == "" {
			browser.ServeHTTP(w, r)
			return
		}
		scheme, shown, _ := strings.Cut(given, " ")
		t, ok := secret.FindToken(g.Tokens, strings.TrimSpace(shown))
		switch {
		case !strings.EqualFold(scheme, "Bearer") || !ok:
			g.Refused("token")
			if g.door.Stranger(time.Now(), remote(r)) {
				s.Log.Warn("a request with an unknown token is refused", "from", remote(r).String(), "path", logged(r))
			}
			w.Header().Set("WWW-Authenticate", `Bearer realm="dryhold", error="invalid_token"`)
			writeProblem(w, http.StatusUnauthorized, "this token is not known here: `dryhold token` makes one, http.tokens in the configuration lists its hash")
		case !t.Scope.Covers(needed(r)):
			writeProblem(w, http.StatusForbidden, "token "+t.Name+" has the scope "+string(t.Scope)+" and this needs "+string(needed(r))+": see http.tokens in the configuration")
		default:
			pass(w, r, visitor{name: t.Name, scope: t.Scope, token: true})
		}
	})
}

// sessionStore keeps sessions in memory, a bounded number of them. A restart
// ends them all.
type sessionStore struct {
	mu  sync.Mutex
	all map[string]kept
}

type kept struct {
	data   []byte
	expiry time.Time
	// ended is set on a session that was logged out of: a request that was
	// under way then must not bring it back.
	ended bool
}

// Find implements scs.Store.
func (s *sessionStore) Find(token string) ([]byte, bool, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	k, ok := s.all[token]
	if !ok || k.ended || !time.Now().Before(k.expiry) {
		return nil, false, nil
	}
	return bytes.Clone(k.data), true, nil
}

// Commit implements scs.Store.
func (s *sessionStore) Commit(token string, data []byte, expiry time.Time) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.all[token].ended {
		return nil
	}
	s.set(token, kept{data: bytes.Clone(data), expiry: expiry})
	return nil
}

// Delete implements scs.Store.
func (s *sessionStore) Delete(token string) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if _, known := s.all[token]; known {
		s.set(token, kept{ended: true, expiry: time.Now().Add(time.Hour)}) // longer than any request
	}
	return nil
}

// set makes room first: what is over goes, and then what ends soonest.
func (s *sessionStore) set(token string, k kept) {
	if _, known := s.all[token]; !known && len(s.all) >= maxSessions {
		now, soonest := time.Now(), ""
		for t, old := range s.all {
			if !now.Before(old.expiry) {
				delete(s.all, t)
			} else if soonest == "" || old.expiry.Before(s.all[soonest].expiry) {
				soonest = t
			}
		}
		if len(s.all) >= maxSessions {
			delete(s.all, soonest)
		}
	}
	s.all[token] = k
}
