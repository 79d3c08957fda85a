package settings

import (
	"net/url"
	"slices"
	"strings"
	"time"

	"github.com/goccy/go-yaml/ast"
)

// Channel is one way to people. Exactly one of Webhook, Push and Mail is set.
type Channel struct {
	// Name is that by which recipients refer to it, see wire.CheckName; the
	// outbox keeps notices under it.
	Name    string
	Webhook *Webhook
	Push    *Push
	Mail    *MailTo
}

// Webhook is an address to which each notice is posted as JSON.
type Webhook struct {
	// URL is https or http, without user and password. It may hold a secret:
	// show no more of it than its host.
	URL string
	// SecretFile names the file with the secret that signs each notice.
	SecretFile string
	// CAFile names a PEM file with the authority to trust instead of the
	// system's; empty for the system's. Only with https.
	CAFile string
	// AllowPlain permits http to another machine.
	AllowPlain bool
}

// Push is an address of the push library.
type Push struct {
	// URLFile names the file with the address, which is a secret.
	URLFile string
}

// MailTo are further recipients of mail through the account of Settings.Mail.
type MailTo struct {
	To []string // bare mail addresses, at least one
}

// DefaultPingEvery is how often the ping goes out.
const DefaultPingEvery = time.Hour

// Bounds of the ping (judgement).
const (
	minPing = time.Minute
	maxPing = 7 * 24 * time.Hour
)

// reserved names a channel that is always there and not for people.
func reserved(name string) bool { return name == "log" || name == "mqtt" }

// channel reads one way to people.
func (p *parse) channel(n ast.Node) {
	var c Channel
	var kinds []string
	kind := func(name string, read func(ast.Node)) key {
		return key{name: name, read: func(n ast.Node) {
			kinds = append(kinds, name)
			read(n)
		}}
	}
	p.mapping(n, "a channel",
		key{name: "name", required: true, read: func(n ast.Node) { c.Name = p.channelName(n) }},
		kind("webhook", func(n ast.Node) { c.Webhook = p.webhook(n) }),
		kind("push", func(n ast.Node) { c.Push = p.push(n) }),
		kind("mail", func(n ast.Node) { c.Mail = p.mailTo(n) }),
	)
	oneKey(n, "webhook", "push", "mail")
	switch {
	case len(kinds) == 0:
		p.at(n, "a channel needs one of webhook, push and mail")
	case len(kinds) > 1:
		p.at(n, "a channel is one way: it has %s; make a channel of each", strings.Join(kinds, " and "))
	case c.Name == "mail" && c.Mail == nil:
		p.at(n, "the channel \"mail\" is that of the mail account: give this one another name")
	case c.Name != "":
		p.s.Notify.Channels = append(p.s.Notify.Channels, c)
	}
}

func (p *parse) channelName(n ast.Node) string {
	name := p.name(n, "channel name")
	switch {
	case reserved(name):
		p.at(n, "channel %q is there already, for machines: give this one another name", name)
	case slices.ContainsFunc(p.s.Notify.Channels, func(c Channel) bool { return c.Name == name }):
		p.at(n, "channel %q is listed a second time: keep one", name)
	default:
		return name
	}
	return ""
}

func (p *parse) webhook(n ast.Node) *Webhook {
	w := &Webhook{}
	var a address
	unfit := func(u *url.URL) string {
		if u.Fragment != "" {
			return "url has a part after #, which is never sent: leave it out"
		}
		return ""
	}
	p.mapping(n, "webhook",
		key{name: "url", required: true, read: func(n ast.Node) {
			a.read(p, n, "write https://host/path", "each notice is signed with the secret of secret_file", unfit)
		}},
		key{name: "secret_file", required: true, read: func(n ast.Node) { w.SecretFile = p.text(n, "secret_file") }},
		key{name: "ca_file", read: func(n ast.Node) { a.authority, w.CAFile = n, p.text(n, "ca_file") }},
		key{name: "allow_plain", read: func(n ast.Node) { w.AllowPlain = p.boolean(n, "allow_plain") }},
	)
	if a.url != nil {
		w.URL = a.url.String()
	}
	a.check(p, w.AllowPlain, "notices")
	return w
}

func (p *parse) push(n ast.Node) *Push {
	c := &Push{}
	p.mapping(n, "push", key{name: "url_file", required: true, read: func(n ast.Node) {
		// An address written here by mistake must not be shown.
		if raw, ok := scalar(n); ok && strings.Contains(raw, "://") {
			p.at(n, "url_file is the name of a file; the address holds secrets: write it to a file that only dryhold may read (chmod 600)")
			return
		}
		c.URLFile = p.text(n, "url_file")
	}})
	return c
}

func (p *parse) mailTo(n ast.Node) *MailTo {
	c := &MailTo{}
	p.mapping(n, "mail", key{name: "to", required: true, read: func(n ast.Node) { c.To = p.mailAddresses(n) }})
	if p.s.Mail == nil {
		p.at(n, "this channel goes through the mail account, and there is none: set the key \"mail\" beside \"notify\"")
	}
	return c
}

// mailAddresses reads a list of at least one.
func (p *parse) mailAddresses(n ast.Node) (to []string) {
	p.list(n, "to", func(n ast.Node) { to = append(to, p.address(n, "to")) })
	some(n)
	if s, ok := n.(*ast.SequenceNode); ok && len(s.Values) == 0 {
		p.at(n, "to is empty: give at least one address")
	}
	return to
}

// ping gives the keys of the heartbeat.
func (p *parse) ping() []key {
	s := &p.s.Notify
	file := key{name: "ping_url_file", read: func(n ast.Node) {
		if raw, ok := scalar(n); ok && strings.Contains(raw, "://") {
			p.at(n, "ping_url_file is the name of a file; who knows the address can fake the ping: write it to a file that only dryhold may read (chmod 600)")
			return
		}
		s.PingURLFile = p.text(n, "ping_url_file")
	}}
	every := key{name: "ping_every", read: func(n ast.Node) {
		if v, ok := p.duration(n, "ping_every", minPing, maxPing); ok {
			s.PingEvery = v
		}
		if s.PingURLFile == "" {
			p.at(n, "ping_every says how often ping_url_file is asked, and there is none: give it, or leave this out")
		}
	}}
	return []key{file, every}
}
