package app_test

import (
	"io"
	"net"
	"sync"
	"testing"

	"github.com/emersion/go-smtp"

	"dryhold/internal/catalog"
	"dryhold/internal/settings"
	"dryhold/internal/unit"
	"dryhold/internal/wire"
)

// mustCatalog is shipped for the daemon that has no test to fail.
func mustCatalog() *catalog.Catalog {
	c, err := settings.Catalog()
	if err != nil {
		panic(err)
	}
	return c
}

// mustTopics reads the payloads of mosquittotest.Payload200.
func mustTopics() []wire.Mapping {
	celsius, err := unit.Parse(unit.Temperature, "C")
	if err != nil {
		panic(err)
	}
	percent, err := unit.Parse(unit.Humidity, "%")
	if err != nil {
		panic(err)
	}
	return []wire.Mapping{{Pattern: "larch/{room}/climate", JSON: &wire.JSON{
		Time: &wire.TimeField{Path: "time", Format: wire.RFC3339},
		Fields: []wire.Field{
			{Path: "temperature", Quantity: unit.Temperature, Unit: celsius, Scale: 1},
			{Path: "humidity", Quantity: unit.Humidity, Unit: percent, Scale: 1},
		},
	}}}
}

// postbox is a real SMTP server that keeps what it is given.
type postbox struct {
	port int

	mu    sync.Mutex
	mails []string
}

func (p *postbox) NewSession(*smtp.Conn) (smtp.Session, error) { return letter{p}, nil }

func (p *postbox) count() int {
	p.mu.Lock()
	defer p.mu.Unlock()
	return len(p.mails)
}

func (p *postbox) mail(i int) string {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.mails[i]
}

type letter struct{ *postbox }

func (letter) Reset()                               {}
func (letter) Logout() error                        { return nil }
func (letter) Mail(string, *smtp.MailOptions) error { return nil }
func (letter) Rcpt(string, *smtp.RcptOptions) error { return nil }
func (l letter) Data(r io.Reader) error {
	b, err := io.ReadAll(r)
	l.mu.Lock()
	defer l.mu.Unlock()
	l.mails = append(l.mails, string(b))
	return err
}

func smtpServer(t *testing.T) *postbox {
	t.Helper()
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	p := &postbox{port: listener.Addr().(*net.TCPAddr).Port}
	server := smtp.NewServer(p)
	server.Domain, server.AllowInsecureAuth = "localhost", true
	go func() { _ = server.Serve(listener) }()
	t.Cleanup(func() { _ = server.Close() })
	return p
}
