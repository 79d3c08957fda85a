package settings

import (
	"fmt"
	"slices"
	"strings"
	"unicode"

	"github.com/goccy/go-yaml/ast"

	"dryhold/internal/secret"
	"dryhold/internal/unit"
	"dryhold/internal/wire"
)

// User is one person who can log in to the page.
type User struct {
	Name     string // see wire.CheckName
	Password secret.Password
}

// BrokerUser is one client of the embedded broker, as a sensor is.
type BrokerUser struct {
	Name     string // see wire.CheckName
	Password secret.Password
	// Publish and Subscribe are the topic filters that the user may use; nil
	// where the configuration does not say, which stands for the topics that
	// have the user's name as a level. An empty list is none.
	Publish, Subscribe []string
}

// ServerTLS names the PEM files with which a listener shows who it is.
type ServerTLS struct {
	CertFile, KeyFile string
}

// HasLogin reports whether the page asks who is there.
func (h HTTP) HasLogin() bool { return len(h.Users) > 0 || len(h.Tokens) > 0 }

// Warnings says what the configuration leaves open to others on the network
// because it was told to. Empty by default.
func (s *Settings) Warnings() []string {
	var out []string
	if h := s.HTTP; !loopback(h.Listen) {
		switch {
		case !h.HasLogin():
			text := fmt.Sprintf("http: everybody who reaches %s sees the household's stores and can change lots and alarms, since allow_open is set and no users are", h.Listen)
			if h.TLS == nil {
				text += "; and nothing is encrypted"
			}
			out = append(out, text)
		case h.TLS == nil:
			out = append(out, fmt.Sprintf("http: passwords, tokens and pages cross the network on %s unencrypted, since allow_plain is set and tls is not", h.Listen))
		}
	}
	if e := s.Broker.Embedded; e != nil && !loopback(e.Listen) && e.TLS == nil {
		out = append(out, fmt.Sprintf("broker.embedded: passwords and readings cross the network on %s unencrypted, since allow_plain is set and tls is not", e.Listen))
	}
	for _, c := range s.Notify.Channels {
		if w := c.Webhook; w != nil && w.AllowPlain && strings.HasPrefix(w.URL, "http://") {
			out = append(out, fmt.Sprintf("notify.channels.%s: notices cross the network unencrypted, since allow_plain is set and its url is not https", c.Name))
		}
	}
	return out
}

func (p *parse) http(n ast.Node) {
	var at ast.Node
	h := &p.s.HTTP
	p.mapping(n, "http",
		key{name: "listen", read: func(n ast.Node) { at, h.Listen = n, p.listen(n, "listen") }},
		key{name: "allow_open", read: func(n ast.Node) { h.AllowOpen = p.boolean(n, "allow_open") }},
		key{name: "allow_plain", read: func(n ast.Node) { h.AllowPlain = p.boolean(n, "allow_plain") }},
		key{name: "hosts", read: func(n ast.Node) { p.list(n, "hosts", p.host) }},
		key{name: "public_url", read: p.publicURL},
		key{name: "users", read: func(n ast.Node) { p.list(n, "users", p.user) }},
		key{name: "tokens", read: func(n ast.Node) { p.list(n, "tokens", p.token) }},
		key{name: "tls", read: func(n ast.Node) {
			h.TLS = p.serverTLS(n, key{name: "hsts", read: func(n ast.Node) { h.NoHSTS = !p.boolean(n, "hsts") }})
		}},
	)
	if at == nil || h.Listen == "" || loopback(h.Listen) {
		return
	}
	switch {
	case !h.HasLogin() && !h.AllowOpen:
		p.at(at, "%q lets others on the network see the pages and change lots: give users or tokens, listen on 127.0.0.1, or, if everybody may, set allow_open: true", h.Listen)
	case h.HasLogin() && h.TLS == nil && !h.AllowPlain:
		p.at(at, "on %q passwords and tokens would cross the network unencrypted: give tls, listen on 127.0.0.1, or, if nobody can listen there, set allow_plain: true", h.Listen)
	}
}

func (p *parse) embedded(n ast.Node) {
	e := p.s.Broker.Embedded
	at := n
	p.mapping(n, "embedded",
		key{name: "listen", read: func(n ast.Node) { at = n; e.Listen = p.listen(n, "listen") }},
		p.path("username_file", &e.UsernameFile), p.path("password_file", &e.PasswordFile),
		key{name: "allow_plain", read: func(n ast.Node) { e.AllowPlain = p.boolean(n, "allow_plain") }},
		key{name: "users", read: func(n ast.Node) { p.list(n, "users", p.brokerUser) }},
		key{name: "tls", read: func(n ast.Node) { e.TLS = p.serverTLS(n) }},
	)
	p.together(n, "embedded", pair{"username_file", "password_file", &e.UsernameFile, &e.PasswordFile})
	if e.Listen == "" || loopback(e.Listen) {
		return
	}
	switch {
	case e.UsernameFile == "" && e.PasswordFile == "" && len(e.Users) == 0:
		p.at(at, "%q lets others on the network publish: give users, or username_file and password_file, or listen on 127.0.0.1", e.Listen)
	case e.TLS == nil && !e.AllowPlain:
		p.at(at, "on %q passwords would cross the network unencrypted: give tls, listen on 127.0.0.1, or, if nobody can listen there, set allow_plain: true", e.Listen)
	}
}

// serverTLS reads the files of a listener.
func (p *parse) serverTLS(n ast.Node, more ...key) *ServerTLS {
	t := &ServerTLS{}
	p.mapping(n, "tls", append([]key{
		{name: "cert_file", required: true, read: func(n ast.Node) { t.CertFile = p.text(n, "cert_file") }},
		{name: "key_file", required: true, read: func(n ast.Node) { t.KeyFile = p.text(n, "key_file") }},
	}, more...)...)
	return t
}

func (p *parse) user(n ast.Node) {
	var u User
	h := &p.s.HTTP
	p.mapping(n, "a user",
		key{name: "name", required: true, read: func(n ast.Node) {
			u.Name = p.name(n, "name")
			if slices.ContainsFunc(h.Users, func(o User) bool { return o.Name == u.Name }) {
				p.at(n, "user %q is listed a second time: keep one", u.Name)
			}
		}},
		p.passwordHash(&u.Password),
	)
	h.Users = append(h.Users, u)
}

// passwordHash reads a hash. No message shows what stands there, which may be
// the password itself.
func (p *parse) passwordHash(to *secret.Password) key {
	return key{name: "password_hash", required: true, read: func(n ast.Node) {
		means(n, object{"type": "string", "pattern": `^\$argon2id\$`})
		raw, _ := scalar(n)
		hash, err := secret.ParsePassword(raw)
		if err != nil {
			p.at(n, "password_hash: %v: make one with `dryhold password`", err)
			return
		}
		*to = hash
	}}
}

func (p *parse) token(n ast.Node) {
	t := secret.Token{Scope: secret.Read}
	h := &p.s.HTTP
	p.mapping(n, "a token",
		key{name: "name", required: true, read: func(n ast.Node) {
			t.Name = p.name(n, "name")
			if slices.ContainsFunc(h.Tokens, func(o secret.Token) bool { return o.Name == t.Name }) {
				p.at(n, "token %q is listed a second time: keep one", t.Name)
			}
		}},
		key{name: "hash", required: true, read: func(n ast.Node) {
			means(n, object{"type": "string", "pattern": "^sha256:[0-9a-fA-F]{64}$"})
			raw, _ := scalar(n)
			hash, err := secret.ParseToken(raw)
			if err != nil {
				p.at(n, "hash: %v: make a token with `dryhold token`", err)
				return
			}
			t.Hash = hash
		}},
		key{name: "scope", required: true, read: func(n ast.Node) {
			name := p.word(n, "scope")
			var names []string
			for _, s := range secret.Scopes() {
				names = append(names, string(s))
			}
			enum(n, names...)
			if t.Scope = secret.Scope(name); name != "" && !slices.Contains(names, name) {
				p.at(n, "unknown scope %q%s: use read, keep or admin", name, hint(name, names))
			}
		}},
	)
	h.Tokens = append(h.Tokens, t)
}

func (p *parse) brokerUser(n ast.Node) {
	var u BrokerUser
	at := n
	e := p.s.Broker.Embedded
	filters := func(name string, to *[]string) key {
		return key{name: name, read: func(n ast.Node) {
			*to = []string{}
			p.list(n, name, func(n ast.Node) {
				if f := p.filter(n, name); f != "" {
					*to = append(*to, f)
				}
			})
		}}
	}
	p.mapping(n, "a user",
		key{name: "name", required: true, read: func(n ast.Node) {
			at, u.Name = n, p.name(n, "name")
			if slices.ContainsFunc(e.Users, func(o BrokerUser) bool { return o.Name == u.Name }) {
				p.at(n, "user %q is listed a second time: keep one", u.Name)
			}
		}},
		p.passwordHash(&u.Password), filters("publish", &u.Publish), filters("subscribe", &u.Subscribe),
	)
	e.Users = append(e.Users, u)
	if u.Publish == nil || u.Subscribe == nil {
		p.byName = append(p.byName, named{at, u.Name})
	}
}

// named is a broker's user whose rights follow from its name.
type named struct {
	at   ast.Node
	name string
}

// filter reads a topic filter (MQTT 3.1.1, section 4.7).
func (p *parse) filter(n ast.Node, what string) string {
	s := p.text(n, what)
	levels := strings.Split(s, "/")
	for i, l := range levels {
		if strings.ContainsAny(l, "+#") && len(l) > 1 || l == "#" && i < len(levels)-1 || len(s) > 1000 || strings.ContainsFunc(l, unicode.IsControl) {
			p.at(n, "%s: %q is no topic filter: + stands for a whole level, # for all that follow, at the end", what, s)
			return ""
		}
	}
	if strings.HasPrefix(s, "$") {
		p.at(n, "%s: %q begins with $: such topics are closed", what, s)
		return ""
	}
	return s
}

// rightsByName refuses, for a user of the broker whose rights follow from its
// name, a name that stands in everybody's topics.
func (p *parse) rightsByName() {
	shared := map[string]string{"dryhold": "dryhold's own topics"}
	for _, q := range unit.Quantities() {
		shared[q.String()] = "the topics of that quantity"
	}
	for _, m := range p.s.Topics {
		for _, l := range strings.Split(m.Pattern, "/") {
			shared[l] = "the topic " + m.Pattern
		}
	}
	for _, u := range p.byName {
		if where, taken := shared[u.name]; taken && wire.CheckName(u.name) == nil {
			p.at(u.at, "user %q may use topics with its name as a level, and that is a level of %s: give publish and subscribe", u.name, where)
		}
	}
}
