package settings

import (
	"time"

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
	var a address
	p.mapping(n, "alertmanager",
		key{name: "url", required: true, read: func(n ast.Node) { x.URL = a.base(p, n, "https://hearth.lan:9093", "the API is found below it") }},
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
