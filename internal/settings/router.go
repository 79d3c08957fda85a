package settings

import (
	"net/url"
	"strings"
	"time"
	"unicode"

	"github.com/goccy/go-yaml/ast"
)

// Router is a server with version 2 of the Alertmanager API, to which the alarms
// that stand are pushed.
type Router struct {
	// URL is https or http, without user and password, with a slash at its end.
	URL string
	// TokenFile names the file with the bearer token, which is a secret; empty
	// where the server wants none.
	TokenFile string
	// CAFile names a PEM file with the authority to trust instead of the
	// system's; empty for the system's. Only with https.
	CAFile string
	// AllowPlain permits http to another machine.
	AllowPlain bool
	// Every is how often all that stands is sent again.
	Every time.Duration
}

// Defaults and bounds of the push (judgement): what a server takes to have ended
// after four turns has then ended for five minutes at most by the default.
const (
	DefaultRouterEvery = time.Minute
	minRouterEvery     = 5 * time.Second
	maxRouterEvery     = time.Hour
)

func (p *parse) router(n ast.Node) {
	x := &Router{Every: DefaultRouterEvery}
	var a serverAddress
	p.mapping(n, "alertmanager",
		key{name: "url", required: true, read: func(n ast.Node) { x.URL = a.read(p, n, "https://hearth.lan:9093") }},
		p.path("token_file", &x.TokenFile),
		key{name: "ca_file", read: func(n ast.Node) { a.authority, x.CAFile = n, p.text(n, "ca_file") }},
		key{name: "allow_plain", read: func(n ast.Node) { x.AllowPlain = p.boolean(n, "allow_plain") }},
		key{name: "every", read: func(n ast.Node) {
			if v, ok := p.duration(n, "every", minRouterEvery, maxRouterEvery); ok {
				x.Every = v
			}
		}},
	)
	p.s.Router = x
	a.check(p, x.AllowPlain, "token and alarms")
}

// serverAddress is the address of a server and the authority that vouches for
// it, as they are written.
type serverAddress struct {
	node, authority ast.Node
	url             string
}

// read reads an address without user, password and query, and gives it a slash
// at its end. No message shows it as written where that may hold a password.
func (a *serverAddress) read(p *parse, n ast.Node, example string) string {
	a.node = n
	remedy := "write for example " + example
	if raw, ok := scalar(n); ok && strings.ContainsFunc(raw, unicode.IsControl) {
		p.at(n, "url holds a line break or a control character: %s", remedy)
		return ""
	}
	raw := p.text(n, "url")
	if raw == "" {
		return ""
	}
	u, err := url.Parse(raw)
	switch {
	case err != nil:
		p.at(n, "url cannot be read: %s", remedy)
	case u.Scheme != "https" && u.Scheme != "http":
		p.at(n, "url does not begin with https:// or http://: %s", remedy)
	case u.Hostname() == "":
		p.at(n, "url has no host: %s", remedy)
	case u.User != nil:
		p.at(n, "url holds a user or password: leave them out, and name the file with the token as token_file")
	case u.RawQuery != "" || u.Fragment != "":
		p.at(n, "url has a part after ? or #: leave it out, the rest has keys of its own")
	case strings.HasSuffix(u.Host, ":") || u.Port() != "" && (!port(u.Port()) || strings.Trim(u.Port(), "0") == ""):
		p.at(n, "url has no port from 1 to 65535: %s", remedy)
	default:
		a.url = u.Scheme + "://" + u.Host + strings.TrimRight(u.EscapedPath(), "/") + "/"
	}
	return a.url
}

// check refuses what would cross the network for everybody to read.
func (a *serverAddress) check(p *parse, allowPlain bool, what string) {
	u, err := url.Parse(a.url)
	switch {
	case a.url == "" || err != nil || u.Scheme == "https":
	case a.authority != nil:
		p.at(a.authority, "ca_file needs an https url, this one is not")
	case !here(u.Hostname()) && !allowPlain:
		p.at(a.node, "%s would cross the network unencrypted to %s: write https://, or, if nobody can listen there, set allow_plain: true", what, u.Host)
	}
}
