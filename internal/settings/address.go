package settings

import (
	"net/netip"
	"net/url"
	"strings"
	"unicode"

	"github.com/goccy/go-yaml/ast"
)

// address is that of an HTTP server, and the authority that vouches for it, as
// they are written.
type address struct {
	node, authority ast.Node
	url             *url.URL // nil until it was read, and after a problem
}

// read reads an http or https address without user and password. user ends what
// is said of one that has them, and unfit says what else the server cannot take
// of it, "" if nothing.
func (a *address) read(p *parse, n ast.Node, remedy, user string, unfit func(*url.URL) string) {
	a.node = n
	u, ok := p.url(n, remedy)
	begins(n, "http", "https")
	if !ok {
		return
	}
	switch why := unfit(u); {
	case u.Scheme != "https" && u.Scheme != "http":
		p.at(n, "url does not begin with https:// or http://: %s", remedy)
	case u.Hostname() == "":
		p.at(n, "url has no host: %s", remedy)
	case u.User != nil:
		p.at(n, "url holds a user or password: leave them out, %s", user)
	case why != "":
		p.at(n, "%s", why)
	case portless(u):
		p.at(n, "url has no port from 1 to 65535: %s", remedy)
	default:
		a.url = u
	}
}

// base reads the address of a server below which an API is, and gives it with
// a slash at its end; "" after a problem. rest says where what does not belong
// to it goes.
func (a *address) base(p *parse, n ast.Node, example, rest string) string {
	a.read(p, n, "write for example "+example, "and name the file with the token as token_file", func(u *url.URL) string {
		if u.RawQuery != "" || u.Fragment != "" {
			return "url has a part after ? or #: leave it out, " + rest
		}
		return ""
	})
	if a.url == nil {
		return ""
	}
	return a.url.Scheme + "://" + a.url.Host + strings.TrimRight(a.url.EscapedPath(), "/") + "/"
}

// check refuses what would cross the network for everybody to read.
func (a *address) check(p *parse, allowPlain bool, what string) {
	switch {
	case a.url == nil || a.url.Scheme == "https":
	case a.authority != nil:
		p.at(a.authority, "ca_file needs an https url, this one is not")
	case !here(a.url.Hostname()) && !allowPlain:
		p.at(a.node, "%s would cross the network unencrypted to %s: write https://, or, if nobody can listen there, set allow_plain: true", what, a.url.Host)
	}
}

// url reads any address. No message shows it as written, since it may hold a
// secret.
func (p *parse) url(n ast.Node, remedy string) (u *url.URL, ok bool) {
	// Not by text, which would show it.
	if raw, ok := scalar(n); ok && strings.ContainsFunc(raw, unicode.IsControl) {
		p.at(n, "url holds a line break or a control character: %s", remedy)
		return nil, false
	}
	raw := p.text(n, "url")
	if raw == "" {
		return nil, false
	}
	u, err := url.Parse(raw)
	if err != nil {
		p.at(n, "url cannot be read: %s", remedy)
	}
	return u, err == nil
}

// portless reports an address whose port is none.
func portless(u *url.URL) bool {
	return strings.HasSuffix(u.Host, ":") || u.Port() != "" && (!port(u.Port()) || strings.Trim(u.Port(), "0") == "")
}

// here reports a host that is this machine.
func here(host string) bool {
	address, err := netip.ParseAddr(host)
	return host == "localhost" || err == nil && address.IsLoopback()
}
