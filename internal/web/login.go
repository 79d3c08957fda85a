package web

import (
	"math"
	"mime"
	"net/http"
	"net/netip"
	"net/url"
	"strconv"
	"strings"
	"time"
)

// routeLogin adds the login page and the way out.
func (s *server) routeLogin(mux *http.ServeMux) {
	if s.gate == nil {
		return
	}
	route(mux, "/login", methods{http.MethodGet: s.getLogin, http.MethodPost: s.postLogin})
	route(mux, "/logout", methods{http.MethodPost: s.postLogout})
}

// loginView is the login page.
type loginView struct {
	Name, Next string
	Problem    string
	NoUsers    bool // there are only tokens
}

// maxLogin bounds the body of a login, bytes.
const maxLogin = 8 << 10

// remote is the address a request comes from; the zero one when not known.
func remote(r *http.Request) netip.Addr {
	ap, err := netip.ParseAddrPort(r.RemoteAddr)
	if err != nil {
		return netip.Addr{}
	}
	return ap.Addr()
}

// sendToLogin answers a stranger: a person with the login page, a program with
// what it must send.
func (s *server) sendToLogin(w http.ResponseWriter, r *http.Request) {
	data := strings.HasPrefix(r.URL.Path, "/api/") || r.URL.Path == "/metrics"
	if data || !strings.Contains(r.Header.Get("Accept"), "text/html") {
		w.Header().Set("WWW-Authenticate", `Bearer realm="dryhold"`)
		writeProblem(w, http.StatusUnauthorized, "this dryhold asks who is there: log in at /login, or send a token (`dryhold` commands take it from --token-file or $DRYHOLD_TOKEN_FILE)")
		return
	}
	to := "/login"
	if r.Method == http.MethodGet && r.URL.Path != "/" {
		to += "?next=" + url.QueryEscape(r.URL.RequestURI())
	}
	http.Redirect(w, r, to, http.StatusSeeOther)
}

func (s *server) getLogin(w http.ResponseWriter, r *http.Request) {
	next := within(r.URL.Query().Get("next"))
	if userOf(r) != "" {
		http.Redirect(w, r, next, http.StatusSeeOther)
		return
	}
	s.writeLogin(w, r, http.StatusOK, loginView{Next: next})
}

func (s *server) writeLogin(w http.ResponseWriter, r *http.Request, status int, v loginView) {
	v.NoUsers = len(s.gate.Users) == 0
	s.writePage(w, r, status, page{Name: "login", Head: s.words(r).t("Log in"), Narrow: true, Bare: true}, v)
}

func (s *server) postLogin(w http.ResponseWriter, r *http.Request) {
	form, no := readLogin(w, r)
	if no != nil {
		s.writeLogin(w, r, no.status, loginView{Next: "/", Problem: s.words(r).word(no.detail)})
		return
	}
	name, next := form.Get("name"), within(form.Get("next"))
	from := remote(r)
	ok, wait := s.gate.door.Enter(time.Now(), name, []byte(form.Get("password")), from)
	switch {
	case wait > 0:
		s.gate.Refused("login rate")
		seconds := int(math.Ceil(wait.Seconds()))
		w.Header().Set("Retry-After", strconv.Itoa(seconds))
		s.writeLogin(w, r, http.StatusTooManyRequests, loginView{Name: name, Next: next,
			Problem: s.words(r).t("Too many logins failed. Wait %d s, then try again; nothing was checked now.", seconds)})
		return
	case !ok:
		s.gate.Refused("login")
		// A name that is none may be a password typed into the wrong field.
		shown := "(not a user)"
		if _, known := s.gate.Users[name]; known {
			shown = name
		}
		s.Log.Warn("a login is refused", "user", shown, "from", from.String())
		s.writeLogin(w, r, http.StatusUnauthorized, loginView{Name: name, Next: next, Problem: s.words(r).t("Name or password is wrong.")})
		return
	}
	// A new token, so that one known from before the login opens nothing.
	if err := s.gate.sessions.RenewToken(r.Context()); err != nil {
		s.Log.Error("cannot make a session", "error", err)
		writeProblem(w, http.StatusInternalServerError, "no session could be made: a fault of the machine; its log says more")
		return
	}
	s.gate.sessions.Put(r.Context(), sessionUser, name)
	s.Log.Info("logged in", "user", name, "from", from.String())
	http.Redirect(w, r, next, http.StatusSeeOther)
}

// readLogin reads the form, refusing what is none.
func readLogin(w http.ResponseWriter, r *http.Request) (url.Values, *refusal) {
	if media, _, err := mime.ParseMediaType(r.Header.Get("Content-Type")); err != nil || media != "application/x-www-form-urlencoded" {
		return nil, &refusal{http.StatusUnsupportedMediaType, "send the form as application/x-www-form-urlencoded"}
	}
	r.Body = http.MaxBytesReader(w, r.Body, maxLogin)
	if err := r.ParseForm(); err != nil {
		return nil, unread(err)
	}
	if len(r.PostForm.Get("name")) > maxName {
		return nil, &refusal{http.StatusUnauthorized, "Name or password is wrong."}
	}
	return r.PostForm, nil
}

func (s *server) postLogout(w http.ResponseWriter, r *http.Request) {
	if err := s.gate.sessions.Destroy(r.Context()); err != nil {
		s.Log.Error("cannot end a session", "error", err)
		writeProblem(w, http.StatusInternalServerError, "the session could not be ended: a fault of the machine; its log says more")
		return
	}
	s.Log.Info("logged out", "user", userOf(r))
	http.Redirect(w, r, "/login", http.StatusSeeOther)
}

// within is a path of this site, or "/" for anything else: a link to the login
// page must not lead away from it afterwards.
func within(next string) string {
	odd := func(c rune) bool { return c < ' ' || c == '\\' || c == 0x7f }
	u, err := url.Parse(next)
	if err != nil || u.Scheme != "" || u.Host != "" || u.User != nil || strings.ContainsFunc(next, odd) ||
		!strings.HasPrefix(next, "/") || strings.HasPrefix(next, "//") || u.Path == "/login" || u.Path == "/logout" {
		return "/"
	}
	return next
}
