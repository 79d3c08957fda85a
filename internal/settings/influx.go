package settings

import (
	"time"

	"github.com/goccy/go-yaml/ast"
)

// Influx is a server with the write API of InfluxDB v2, to which everything is
// exported.
type Influx struct {
	// URL is https or http, without user and password.
	URL string
	// Org and Bucket are where points go.
	Org, Bucket string
	// TokenFile names the file with the token, which is a secret; empty where
	// the server wants none.
	TokenFile string
	// CAFile names a PEM file with the authority to trust instead of the
	// system's; empty for the system's. Only with https.
	CAFile string
	// AllowPlain permits http to another machine.
	AllowPlain bool
	// Keep is how long what the server did not take is kept for it.
	Keep time.Duration
	// Rate is how many points a second are sent at most.
	Rate int
}

// Defaults and bounds of the export (judgement): a year covers a server that
// was given up and put up again, 10,000 points a second catch up with a month
// of a household within seconds and load no small board.
const (
	DefaultInfluxKeep = 366 * 24 * time.Hour
	DefaultInfluxRate = 10_000
	minInfluxKeep     = 24 * time.Hour
	maxInfluxKeep     = 36500 * 24 * time.Hour
	maxInfluxRate     = 1_000_000
)

func (p *parse) influx(n ast.Node) {
	x := &Influx{Keep: DefaultInfluxKeep, Rate: DefaultInfluxRate}
	var a address
	p.mapping(n, "influx",
		key{name: "url", required: true, read: func(n ast.Node) {
			x.URL = a.base(p, n, "https://hearth.lan:8086", "org and bucket have keys of their own")
		}},
		key{name: "org", required: true, read: func(n ast.Node) { x.Org = p.text(n, "org") }},
		key{name: "bucket", required: true, read: func(n ast.Node) { x.Bucket = p.text(n, "bucket") }},
		p.path("token_file", &x.TokenFile),
		key{name: "ca_file", read: func(n ast.Node) { a.authority, x.CAFile = n, p.text(n, "ca_file") }},
		key{name: "allow_plain", read: func(n ast.Node) { x.AllowPlain = p.boolean(n, "allow_plain") }},
		key{name: "keep", read: func(n ast.Node) {
			if v, ok := p.duration(n, "keep", minInfluxKeep, maxInfluxKeep); ok {
				x.Keep = v
			}
		}},
		key{name: "rate", read: func(n ast.Node) {
			v, ok := p.number(n, "rate")
			integer(n, 1, maxInfluxRate)
			if ok && (v < 1 || v > maxInfluxRate || v != float64(int(v))) {
				p.at(n, "rate %g is not a whole number of points a second from 1 to %d", v, maxInfluxRate)
				return
			}
			x.Rate = int(v)
		}},
	)
	p.s.Influx = x
	a.check(p, x.AllowPlain, "token and readings")
}
