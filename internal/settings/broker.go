package settings

import (
	"net/netip"
	"slices"
	"strconv"
	"strings"

	"github.com/goccy/go-yaml/ast"
)

// pair is two keys that only make sense together.
type pair struct {
	first, second string
	a, b          *string
}

// together reports a key whose partner is missing.
func (p *parse) together(n ast.Node, what string, pairs ...pair) {
	other := object{}
	for _, x := range pairs {
		other[x.first], other[x.second] = []string{x.second}, []string{x.first}
		if (*x.a == "") != (*x.b == "") {
			given, missing := x.first, x.second
			if *x.a == "" {
				given, missing = missing, given
			}
			p.at(n, "%s has %s without %s: give both or neither", what, given, missing)
		}
	}
	means(n, object{"dependentRequired": other})
}

// path reads the name of a file.
func (p *parse) path(name string, to *string) key {
	return key{name: name, read: func(n ast.Node) { *to = p.text(n, name) }}
}

func (p *parse) broker(n ast.Node) {
	b := &p.s.Broker
	var embedded, address, share ast.Node
	p.mapping(n, "broker",
		key{name: "embedded", read: func(n ast.Node) { embedded = n; p.embedded(n) }},
		key{name: "url", read: func(n ast.Node) { address = n; b.URL = p.brokerURL(n) }},
		key{name: "client_id", read: func(n ast.Node) { b.ClientID = p.text(n, "client_id") }},
		key{name: "root", read: p.root},
		key{name: "share", read: func(n ast.Node) { share = n; p.share(n) }},
		p.path("username_file", &b.UsernameFile), p.path("password_file", &b.PasswordFile),
		p.path("ca_file", &b.CAFile), p.path("cert_file", &b.CertFile), p.path("key_file", &b.KeyFile),
	)
	p.together(n, "broker", pair{"username_file", "password_file", &b.UsernameFile, &b.PasswordFile},
		pair{"cert_file", "key_file", &b.CertFile, &b.KeyFile})
	neverBoth(n, "embedded", "url")
	secrets := b.CAFile != "" || b.CertFile != "" || b.KeyFile != ""
	switch {
	case embedded != nil && address != nil:
		p.at(address, "broker has both embedded and url: keep the one that is used")
	case address != nil:
		b.Embedded = nil
		if scheme, _, _ := strings.Cut(b.URL, ":"); secrets && unencrypted(strings.ToLower(scheme)) {
			p.at(address, "ca_file, cert_file and key_file need an encrypted url, this one is not: write mqtts://host:8883")
		}
	case secrets || b.UsernameFile != "" || b.PasswordFile != "":
		p.at(n, "credentials directly under broker belong to a url: give one, or put username_file and password_file under embedded")
	}
	if share != nil && address == nil {
		p.at(share, "share is of daemons that read from one broker, which has a url: give that, or leave share out")
	}
}

// urlRemedy ends every message about the broker's address. None of them shows
// the address as written where that may hold a password.
const urlRemedy = "write mqtt://host:1883 or mqtts://host:8883"

// unencrypted reports a scheme without TLS, and encrypted one with it, as
// package intake takes them.
func unencrypted(scheme string) bool { return scheme == "mqtt" || scheme == "tcp" }
func encrypted(scheme string) bool   { return scheme == "mqtts" || scheme == "tls" || scheme == "ssl" }

// brokerURL reads the address of a broker: what package intake takes, and of
// that only ports that exist.
func (p *parse) brokerURL(n ast.Node) string {
	u, ok := p.url(n, urlRemedy)
	begins(n, "mqtt", "mqtts", "tcp", "tls", "ssl")
	if !ok {
		return ""
	}
	raw := p.text(n, "url")
	switch {
	case u.Hostname() == "":
		p.at(n, "url has no scheme or no host: %s", urlRemedy)
	case !unencrypted(u.Scheme) && !encrypted(u.Scheme):
		p.at(n, "url begins with %q, which is not spoken here: %s", u.Scheme, urlRemedy)
	case u.User != nil:
		p.at(n, "url holds credentials: put them in files and name them in username_file and password_file")
	case strings.Trim(u.Path, "/") != "" || u.RawQuery != "":
		p.at(n, "url has more than host and port: leave out what follows them, %s", urlRemedy)
	case portless(u):
		p.at(n, "url %q has no port from 1 to 65535: %s", raw, urlRemedy)
	default:
		return raw
	}
	return ""
}

// host reads a name under which browsers reach the page. It is kept in the
// form in which a browser sends it, without the port, which does not count.
func (p *parse) host(n ast.Node) {
	raw := p.text(n, "a host")
	if raw == "" {
		return
	}
	h := &p.s.HTTP
	name := hostName(raw)
	switch {
	case strings.Contains(raw, "://"):
		p.at(n, "host %q is a URL: write the name alone, for example hearth.lan", raw)
	case name == "":
		p.at(n, "host %q is not the name or IP address of a machine: write for example hearth.lan or 192.168.1.5", raw)
	case slices.Contains(h.Hosts, name):
		p.at(n, "host %q is listed a second time (a port makes no difference): keep one", name)
	default:
		h.Hosts = append(h.Hosts, name)
	}
}

// hostName is the host of a name or IP address with or without port, in lower
// case, or "" when it is none. Letters beyond ASCII must be in the form in
// which they are sent (xn--, RFC 5891).
func hostName(s string) string {
	addr, err := netip.ParseAddr(s)
	for _, withPort := range []string{s, s + ":0"} { // the latter for [::1]
		if err != nil {
			var both netip.AddrPort
			both, err = netip.ParseAddrPort(withPort)
			addr = both.Addr()
		}
	}
	if err == nil {
		// The unspecified address is one to listen on, not one to ask for.
		if addr.Zone() != "" || addr.IsUnspecified() {
			return ""
		}
		return addr.String()
	}
	name, number, withPort := strings.Cut(s, ":")
	name = strings.ToLower(strings.TrimSuffix(name, "."))
	labels := strings.Split(name, ".")
	// A browser takes a name that ends in a number for an IPv4 address (WHATWG
	// URL standard, section 3.5, from memory).
	numeric := strings.Trim(labels[len(labels)-1], "0123456789") == ""
	if withPort && !port(number) || numeric || len(name) > 253 || slices.ContainsFunc(labels, func(l string) bool { return !label(l) }) {
		return ""
	}
	return name
}

// label reports one part of a host name (RFC 1123, section 2.1), and the
// underscore that home networks use besides.
func label(s string) bool {
	ok := func(r rune) bool { return r >= 'a' && r <= 'z' || r >= '0' && r <= '9' || r == '-' || r == '_' }
	return s != "" && len(s) <= 63 && s[0] != '-' && s[len(s)-1] != '-' && !strings.ContainsFunc(s, func(r rune) bool { return !ok(r) })
}

// listen reads host:port.
func (p *parse) listen(n ast.Node, what string) string {
	raw := p.text(n, what)
	means(n, object{"pattern": `:\d+\s*$`, "examples": []any{"127.0.0.1:1883"}})
	if raw == "" {
		return ""
	}
	host, number, ok := hostPort(raw)
	if !ok || !port(number) || strings.ContainsAny(host, " /@") {
		p.at(n, "%s %q is not host:port: write for example 127.0.0.1:1883", what, raw)
		return ""
	}
	return raw
}

// hostPort splits host:port; a host that is an IPv6 address stands in square
// brackets, an empty host means every address of the machine.
func hostPort(s string) (host, port string, ok bool) {
	i := strings.LastIndexByte(s, ':')
	if i < 0 {
		return "", "", false
	}
	host, port = s[:i], s[i+1:]
	if inner, bracket := strings.CutPrefix(host, "["); bracket {
		inner, bracket = strings.CutSuffix(inner, "]")
		return inner, port, bracket
	}
	return host, port, !strings.ContainsAny(host, ":[]")
}

// port reports a TCP port in decimal; 0 lets the system choose one.
func port(s string) bool {
	_, err := strconv.ParseUint(s, 10, 16)
	return err == nil
}

// loopback reports a host:port that only this machine reaches.
func loopback(listen string) bool {
	host, _, ok := hostPort(listen)
	if !ok {
		return false
	}
	if host == "localhost" {
		return true
	}
	address, err := netip.ParseAddr(host)
	return err == nil && address.IsLoopback()
}

func (p *parse) mail(n ast.Node) {
	m := &Mail{TLS: StartTLS}
	p.mapping(n, "mail",
		key{name: "host", required: true, read: func(n ast.Node) { m.Host = p.text(n, "host") }},
		key{name: "tls", read: func(n ast.Node) { p.tlsMode(n, m) }},
		key{name: "port", read: func(n ast.Node) {
			v, ok := p.number(n, "port")
			integer(n, 1, 65535)
			if ok && (v < 1 || v > 65535 || v != float64(int(v))) {
				p.at(n, "port %g is not a whole number from 1 to 65535", v)
			}
			m.Port = int(v)
		}},
		p.path("username_file", &m.UsernameFile), p.path("password_file", &m.PasswordFile),
		key{name: "from", required: true, read: func(n ast.Node) { m.From = p.address(n, "from") }},
		key{name: "to", required: true, read: func(n ast.Node) { m.To = p.mailAddresses(n) }},
	)
	p.together(n, "mail", pair{"username_file", "password_file", &m.UsernameFile, &m.PasswordFile})
	if m.Port == 0 {
		// The ports of RFC 6409, RFC 8314 and RFC 5321.
		m.Port = map[TLSMode]int{StartTLS: 587, Implicit: 465, NoTLS: 25}[m.TLS]
	}
	p.s.Mail = m
}

func (p *parse) tlsMode(n ast.Node, m *Mail) {
	name := p.word(n, "tls")
	var names []string
	for _, mode := range TLSModes() {
		names = append(names, string(mode))
	}
	enum(n, names...)
	if slices.Contains(names, name) {
		m.TLS = TLSMode(name)
	} else if name != "" {
		p.at(n, "unknown tls %q%s", name, hint(name, names))
	}
}

// address reads a bare mail address. It refuses only what no server takes;
// the rest is for the server to say.
func (p *parse) address(n ast.Node, what string) string {
	s := p.text(n, what)
	means(n, object{"pattern": `^\s*[^\s@]+@[^\s@]+\s*$`})
	if s == "" {
		return ""
	}
	local, domain, ok := strings.Cut(s, "@")
	if !ok || local == "" || domain == "" || strings.ContainsAny(s, " <>,;\"") || strings.Contains(domain, "@") {
		p.at(n, "%s: %q is not a bare mail address: write for example pantry@mail.lan", what, s)
		return ""
	}
	return s
}
