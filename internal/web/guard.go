package web

import (
	"net"
	"net/http"
	"net/netip"
	"slices"
	"strings"
)

// contentSecurity lets a page load its own style sheets, scripts and pictures,
// ask this server, and send its own form, and nothing else: nothing written
// into the page runs, and nothing comes from elsewhere.
const contentSecurity = "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self' data:; connect-src 'self'; manifest-src 'self'; worker-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"

// noStore is for what nobody may keep: errors, what is behind a link or a
// login, and answers to edits. send relaxes it for what has an entity tag.
const noStore = "no-store"

// guard sets the headers of every answer and refuses requests that a foreign
// web page made the browser send.
func (s *server) guard(next http.Handler) http.Handler {
	sameOrigin := http.NewCrossOriginProtection()
	sameOrigin.SetDenyHandler(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		writeProblem(w, http.StatusForbidden, "the request comes from another site's page: use dryhold's own page or the command line")
	}))
	next = sameOrigin.Handler(next)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", contentSecurity)
		h.Set("X-Content-Type-Options", "nosniff")
		// Not no-referrer: with it a browser sends "Origin: null" with the
		// page's own form, which would then be refused as foreign.
		h.Set("Referrer-Policy", "same-origin")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		h.Set("Cache-Control", noStore)
		h.Set("Permissions-Policy", "camera=(), geolocation=(), microphone=(), usb=()")
		if r.TLS != nil && !s.NoHSTS {
			h.Set("Strict-Transport-Security", "max-age=2592000") // 30 days, see RFC 6797
		}
		if !allowedHost(r, s.Hosts) {
			writeProblem(w, http.StatusMisdirectedRequest,
				"this server does not answer to the name in the Host header: use its IP address, or enter the name in the configuration")
			return
		}
		next.ServeHTTP(w, r)
	})
}

// allowedHost keeps DNS rebinding out: a foreign page can point a name it
// owns at this machine, and the browser would then take the two for one site.
// So the name asked for must be one that no stranger can own.
//
// Over loopback these are localhost, the loopback addresses and the
// configured hosts. Over the network also any IP address, any single-label
// name and the names that never resolve on the public internet: .local (RFC
// 6762), .home.arpa (RFC 8375), .localhost (RFC 6761) and .internal (reserved
// by ICANN in 2024, from memory).
func allowedHost(r *http.Request, configured []string) bool {
	host := hostOnly(r.Host)
	if host == "" {
		return false
	}
	if host == "localhost" || slices.ContainsFunc(configured, func(c string) bool { return hostOnly(c) == host }) {
		return true
	}
	addr, err := netip.ParseAddr(host)
	isAddr := err == nil
	if overLoopback(r) {
		return isAddr && addr.Unmap().IsLoopback()
	}
	if isAddr {
		return true
	}
	if !strings.Contains(host, ".") {
		return true
	}
	return slices.ContainsFunc([]string{".local", ".home.arpa", ".localhost", ".internal"}, func(suffix string) bool {
		return strings.HasSuffix(host, suffix)
	})
}

// hostOnly is the host in lower case without port, brackets, or final dot.
func hostOnly(hostport string) string {
	host := hostport
	if h, _, err := net.SplitHostPort(hostport); err == nil {
		host = h
	}
	host = strings.TrimSuffix(strings.TrimPrefix(host, "["), "]")
	return strings.ToLower(strings.TrimSuffix(host, "."))
}

// overLoopback reports whether the request came in on a loopback address.
// When the server did not say, it is taken to have: the stricter rule.
func overLoopback(r *http.Request) bool {
	local, ok := r.Context().Value(http.LocalAddrContextKey).(net.Addr)
	if !ok || local == nil {
		return true
	}
	ap, err := netip.ParseAddrPort(local.String())
	return err != nil || ap.Addr().Unmap().IsLoopback()
}

// methods maps each method of a path to its handler.
type methods map[string]http.HandlerFunc

// route registers the methods of a path, and for every other method an answer
// that says which are allowed.
func route(mux *http.ServeMux, path string, by methods) {
	documentOf(mux).note(path, by)
	var allowed []string
	for method, h := range by {
		mux.HandleFunc(method+" "+path, h)
		allowed = append(allowed, method)
		if method == http.MethodGet {
			allowed = append(allowed, http.MethodHead) // the mux answers HEAD by GET
		}
	}
	refuseOthers(mux, path, allowed)
}

func refuseOthers(mux *http.ServeMux, path string, allowed []string) {
	slices.Sort(allowed)
	allow := strings.Join(allowed, ", ")
	mux.HandleFunc(path, func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Allow", allow)
		writeProblem(w, http.StatusMethodNotAllowed, r.Method+" is not allowed here: use "+allow)
	})
}
