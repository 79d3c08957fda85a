package notify

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"io"
	"math/big"
	"net"
	"runtime"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/emersion/go-sasl"
	"github.com/emersion/go-smtp"
)

// received is one message as the server took it.
type received struct {
	From string
	To   []string
	User string
	TLS  bool
	Raw  string
}

// office is a real SMTP server. The answer functions are asked for the error
// of a recipient or of a message; nil functions accept.
type office struct {
	mu       sync.Mutex
	messages []received
	rcpt     func(to string) error
	data     func() error
	user     string // wants a login when set; its password is "letmein"
}

func (o *office) taken() []received {
	o.mu.Lock()
	defer o.mu.Unlock()
	return append([]received(nil), o.messages...)
}

func (o *office) answer(rcpt func(string) error, data func() error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	o.rcpt, o.data = rcpt, data
}

type session struct {
	office *office
	conn   *smtp.Conn
	got    received
}

func (s *session) AuthMechanisms() []string {
	if s.office.user == "" {
		return nil
	}
	return []string{sasl.Plain}
}

func (s *session) Auth(string) (sasl.Server, error) {
	return sasl.NewPlainServer(func(_, user, password string) error {
		if user != s.office.user || password != "letmein" {
			return smtp.ErrAuthFailed
		}
		s.got.User = user
		return nil
	}), nil
}

func (s *session) Mail(from string, _ *smtp.MailOptions) error {
	if s.office.user != "" && s.got.User == "" {
		return &smtp.SMTPError{Code: 530, EnhancedCode: smtp.EnhancedCode{5, 7, 0}, Message: "Authentication required"}
	}
	s.got.From = from
	return nil
}

func (s *session) Rcpt(to string, _ *smtp.RcptOptions) error {
	s.office.mu.Lock()
	defer s.office.mu.Unlock()
	if s.office.rcpt != nil {
		if err := s.office.rcpt(to); err != nil {
			return err
		}
	}
	s.got.To = append(s.got.To, to)
	return nil
}

func (s *session) Data(r io.Reader) error {
	raw, err := io.ReadAll(r)
	if err != nil {
		return err
	}
	s.office.mu.Lock()
	defer s.office.mu.Unlock()
	if s.office.data != nil {
		if err := s.office.data(); err != nil {
			return err
		}
	}
	got := s.got
	got.Raw = string(raw)
	_, got.TLS = s.conn.TLSConnectionState()
	s.office.messages = append(s.office.messages, got)
	return nil
}

func (s *session) Reset()        { s.got = received{User: s.got.User} }
func (s *session) Logout() error { return nil }

// open starts the server and gives a configuration that reaches it.
func open(t *testing.T, o *office, mode TLSMode) MailConfig {
	t.Helper()
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	config := MailConfig{
		Host: "127.0.0.1", Port: listener.Addr().(*net.TCPAddr).Port, TLS: mode,
		From: "dryhold <hearth@larch.example>", To: []string{"Ada <ada@larch.example>"},
	}
	server := smtp.NewServer(smtp.BackendFunc(func(c *smtp.Conn) (smtp.Session, error) {
		return &session{office: o, conn: c}, nil
	}))
	server.Domain, server.ErrorLog = "post.larch.example", discard{}
	server.AllowInsecureAuth = mode == NoTLS
	if mode != NoTLS {
		certificate, roots := certify(t)
		server.TLSConfig = &tls.Config{Certificates: []tls.Certificate{certificate}}
		config.TLSConfig = &tls.Config{RootCAs: roots}
	}
	if mode == Implicit {
		listener = tls.NewListener(listener, server.TLSConfig)
	}
	var running sync.WaitGroup
	running.Go(func() { _ = server.Serve(listener) })
	t.Cleanup(func() {
		server.Close()
		running.Wait()
		noMailGoroutines(t)
	})
	return config
}

type discard struct{}

func (discard) Printf(string, ...any) {}
func (discard) Println(...any)        {}

// certify makes a certificate for 127.0.0.1 and the roots that trust it.
func certify(t *testing.T) (tls.Certificate, *x509.CertPool) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	template := &x509.Certificate{
		SerialNumber: big.NewInt(1), IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
	}
	der, err := x509.CreateCertificate(rand.Reader, template, template, &key.PublicKey, key)
	if err != nil {
		t.Fatal(err)
	}
	certificate, err := x509.ParseCertificate(der)
	if err != nil {
		t.Fatal(err)
	}
	roots := x509.NewCertPool()
	roots.AddCert(certificate)
	return tls.Certificate{Certificate: [][]byte{der}, PrivateKey: key}, roots
}

// noMailGoroutines fails when a goroutine of the mail client outlives its use.
func noMailGoroutines(t *testing.T) {
	t.Helper()
	var stacks string
	for range 500 {
		buffer := make([]byte, 1<<20)
		stacks = string(buffer[:runtime.Stack(buffer, true)])
		if !strings.Contains(stacks, "wneessen/go-mail") && !strings.Contains(stacks, "notify.(*Mail)") {
			return
		}
		time.Sleep(10 * time.Millisecond)
	}
	t.Errorf("goroutines left:\n%s", stacks)
}
