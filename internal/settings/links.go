package settings

import (
	"net/url"
	"strings"

	"github.com/goccy/go-yaml/ast"
)

// publicURL reads the address under which people reach the page, without a
// final slash: the base of the links in notices.
func (p *parse) publicURL(n ast.Node) {
	raw := p.text(n, "public_url")
	begins(n, "http", "https")
	if raw == "" {
		return
	}
	u, err := url.Parse(strings.TrimRight(raw, "/"))
	switch {
	case err != nil || u.Scheme != "http" && u.Scheme != "https" || hostName(u.Host) == "":
		p.at(n, "public_url %q is not an address: write for example http://hearth.lan:8090", raw)
	case u.User != nil:
		p.at(n, "public_url holds a name or password: write the address alone, for example http://hearth.lan:8090")
	case u.Path != "" || u.RawQuery != "" || u.Fragment != "":
		p.at(n, "public_url %q has a path: the page is at the root, so write only scheme, host and port", raw)
	default:
		p.s.HTTP.PublicURL = u.Scheme + "://" + u.Host
	}
}

// PublicHost is the host of PublicURL, as hosts are written; empty without.
func (h HTTP) PublicHost() string {
	u, err := url.Parse(h.PublicURL)
	if err != nil || u.Host == "" {
		return ""
	}
	return hostName(u.Host)
}
