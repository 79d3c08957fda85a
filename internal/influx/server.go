package influx

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"net/http"
	"time"

	influxdb2 "github.com/influxdata/influxdb-client-go/v2"
	influxhttp "github.com/influxdata/influxdb-client-go/v2/api/http"
)

// answerTimeout bounds one write.
const answerTimeout = 30 * time.Second

// ServerConfig says where points go, or come from.
type ServerConfig struct {
	URL, Org, Bucket string
	// Token gives the token; it is asked before each write, so that one that is
	// renewed counts. An empty one is none.
	Token func() (string, error)
	Roots *x509.CertPool // nil: those of the system
	// Timeout of one write, or of one answer; zero is half a minute.
	Timeout time.Duration
}

// Server writes to one bucket and reads from it. It is not safe for concurrent use.
type Server struct {
	cfg    ServerConfig
	client influxdb2.Client
	token  string
	http   *http.Client
}

// NewServer makes a server; it asks nothing of it yet.
func NewServer(cfg ServerConfig) *Server {
	if cfg.Timeout == 0 {
		cfg.Timeout = answerTimeout
	}
	transport := http.DefaultTransport.(*http.Transport).Clone()
	transport.TLSClientConfig = &tls.Config{MinVersion: tls.VersionTLS12, RootCAs: cfg.Roots}
	return &Server{cfg: cfg, http: &http.Client{
		Timeout: cfg.Timeout, Transport: transport,
		// The token is for the server named, not for one it names.
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}}
}

// Close lets go of its connections.
func (s *Server) Close() {
	if s.client != nil {
		s.client.Close()
	}
	s.http.CloseIdleConnections()
}

// Write writes lines and returns when they are taken. An error is a
// WriteError.
func (s *Server) Write(ctx context.Context, lines []string) error {
	if err := s.connect(); err != nil {
		return &WriteError{Err: err}
	}
	err := s.client.WriteAPIBlocking(s.cfg.Org, s.cfg.Bucket).WriteRecord(ctx, lines...)
	if err == nil {
		return nil
	}
	out := &WriteError{Err: err}
	var answer *influxhttp.Error
	if errors.As(err, &answer) {
		out.Status, out.RetryAfter = answer.StatusCode, time.Duration(answer.RetryAfter)*time.Second
	}
	return out
}

// Try asks whether the server takes what is written to the bucket with the
// token, and writes nothing: a server looks at token and bucket before it finds
// fault with a write of no points.
func (s *Server) Try(ctx context.Context) error {
	// A comment: with nothing at all the client's own compression races.
	err := s.Write(ctx, []string{"# dryhold asks whether it may write here"})
	var write *WriteError
	if errors.As(err, &write) && write.points() {
		return nil
	}
	return err
}

// connect makes the client, and a new one for a token that is new.
func (s *Server) connect() error {
	token, err := s.cfg.Token()
	if err != nil {
		return fmt.Errorf("cannot use the token: %w", err)
	}
	if s.client != nil && token == s.token {
		return nil
	}
	if s.client != nil {
		s.client.Close()
	}
	options := influxdb2.DefaultOptions().SetHTTPClient(s.http).SetUseGZip(true).SetPrecision(time.Millisecond).SetMaxRetries(0).SetLogLevel(0).SetApplicationName("dryhold")
	s.client, s.token = influxdb2.NewClientWithOptions(s.cfg.URL, token, options), token
	return nil
}

// WriteError is why points were not taken.
type WriteError struct {
	Err        error
	Status     int           // of HTTP; 0 where there was no answer
	RetryAfter time.Duration // as the server asked; 0 where it did not
}

func (e *WriteError) Error() string {
	switch e.Status {
	case 0:
		return e.Err.Error()
	case http.StatusUnauthorized, http.StatusForbidden:
		return fmt.Sprintf("the server answered %d, so it does not know the token, or the token may not write to the bucket: %v", e.Status, e.Err)
	case http.StatusNotFound:
		return fmt.Sprintf("the server answered 404, so it has no such bucket or organisation, or is none that takes this: %v", e.Err)
	}
	return fmt.Sprintf("the server answered %d: %v", e.Status, e.Err)
}

func (e *WriteError) Unwrap() error { return e.Err }

// points reports that the server found fault with what was sent, not with who
// sent it or with itself.
func (e *WriteError) points() bool {
	switch e.Status {
	case http.StatusBadRequest, http.StatusRequestEntityTooLarge, http.StatusUnprocessableEntity:
		return true
	}
	return false
}
