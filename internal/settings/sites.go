package settings

import (
	"cmp"

	"github.com/goccy/go-yaml/ast"

	"dryhold/internal/wire"
)

// DefaultRoot begins the topics on which dryhold itself speaks. Where several
// daemons share a broker each needs one of its own.
const DefaultRoot = "dryhold"

// Topic is a topic of dryhold's own: below Root, or the default of it.
func (b Broker) Topic(name string) string { return cmp.Or(b.Root, DefaultRoot) + "/" + name }

// Session is the client identifier under which the broker keeps the session of
// the readings. In a group it is another one: in a session that it had before,
// the daemon would get what is dealt to it and everything besides.
func (b Broker) Session() string {
	if b.Share == "" {
		return b.ClientID
	}
	return b.ClientID + "-in-" + b.Share
}

// share reads the name of a group.
func (p *parse) share(n ast.Node) {
	name := p.word(n, "share")
	if name == "" {
		return
	}
	if err := wire.CheckName(name); err != nil {
		p.at(n, "share: %v", err)
		return
	}
	p.s.Broker.Share = name
}

// root reads what dryhold's own topics begin with. Notices go below it where
// they have no topic of their own, which is read later.
func (p *parse) root(n ast.Node) {
	root := p.text(n, "root")
	switch {
	case root == "":
		return
	case !publishable(root):
		p.at(n, "root %q is not the beginning of topics to publish on: write for example dryhold/alder-barn", root)
		return
	}
	p.s.Broker.Root = root
	p.s.Notify.MQTTTopic = p.s.Broker.Topic("notices")
}
