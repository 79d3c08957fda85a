// Package mosquittotest runs a real mosquitto for tests and floods it with
// messages. It is used by tests only.
package mosquittotest

import (
	"bytes"
	"crypto/tls"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"dryhold/internal/servertest"
)

// Server is a mosquitto of its own: it listens on the loopback interface and
// keeps its sessions in a directory of the test.
type Server struct {
	// URL is its address, mqtt://127.0.0.1:port or mqtts://localhost:port.
	URL string
	// TLS trusts its certificate; nil without TLS.
	TLS *tls.Config

	t      testing.TB
	binary string
	dir    string
	addr   string
	output *servertest.Buffer
	cmd    *exec.Cmd
	exited chan struct{}
}

// Option changes the server's configuration.
type Option func(*options)

type options struct {
	lines          []string
	user, password string
	tls            bool
}

// WithPassword lets only this user in.
func WithPassword(user, password string) Option {
	return func(o *options) { o.user, o.password = user, password }
}

// WithTLS makes the server speak TLS, with a certificate for localhost from
// an authority made for the test.
func WithTLS() Option { return func(o *options) { o.tls = true } }

// WithLine adds a line to the configuration file.
func WithLine(line string) Option { return func(o *options) { o.lines = append(o.lines, line) } }

// Start runs a server until the end of the test. Without the program the test
// is skipped, or fails if servertest.ServersEnv is 1. The server queues without limit. It
// writes its sessions to disk when stopped and at Settle.
func Start(t testing.TB, opts ...Option) *Server {
	t.Helper()
	binary := servertest.Program(t, "mosquitto", "mosquitto")
	var o options
	for _, opt := range opts {
		opt(&o)
	}
	s := &Server{t: t, binary: binary, dir: t.TempDir(), output: &servertest.Buffer{}}
	s.addr = servertest.FreeAddr(t)
	_, port, _ := net.SplitHostPort(s.addr)
	s.URL = "mqtt://" + s.addr
	lines := []string{
		"listener " + port + " 127.0.0.1",
		"persistence true", "persistence_location " + s.dir + "/",
		"autosave_interval 0", // on SIGUSR1 and at the end only: each save writes everything
		"max_queued_messages 0", "log_dest stderr", "log_type error", "log_type warning",
	}
	if os.Getuid() == 0 {
		lines = append(lines, "user root") // else it could not write to the test's directory
	}
	if o.user == "" {
		lines = append(lines, "allow_anonymous true")
	} else {
		lines = append(lines, "allow_anonymous false", "password_file "+s.passwords(o.user, o.password))
	}
	if o.tls {
		cert, key, ca, conf := certificates(t, s.dir)
		lines = append(lines, "certfile "+cert, "keyfile "+key, "cafile "+ca)
		s.URL, s.TLS = "mqtts://localhost:"+port, conf
	}
	lines = append(lines, o.lines...)
	write(t, filepath.Join(s.dir, "mosquitto.conf"), strings.Join(lines, "\n")+"\n")
	s.run()
	t.Cleanup(s.Kill)
	return s
}

func (s *Server) passwords(user, password string) string {
	s.t.Helper()
	path := filepath.Join(s.dir, "passwords")
	write(s.t, path, "")
	if out, err := exec.Command(servertest.Program(s.t, "mosquitto_passwd", "mosquitto"), "-b", path, user, password).CombinedOutput(); err != nil {
		s.t.Fatalf("mosquitto_passwd: %v\n%s", err, out)
	}
	return path
}

// run starts the process and waits until it answers.
func (s *Server) run() {
	s.t.Helper()
	s.cmd = exec.Command(s.binary, "-c", filepath.Join(s.dir, "mosquitto.conf"))
	s.cmd.Stdout, s.cmd.Stderr = s.output, s.output
	if err := s.cmd.Start(); err != nil {
		s.t.Fatalf("cannot start mosquitto: %v", err)
	}
	exited := make(chan struct{})
	s.exited = exited
	go func(cmd *exec.Cmd) {
		_ = cmd.Wait() // killed by signal as a rule
		close(exited)
	}(s.cmd)
	for deadline := time.Now().Add(10 * time.Second); ; {
		conn, err := net.DialTimeout("tcp", s.addr, time.Second)
		if err == nil {
			_ = conn.Close()
			return
		}
		select {
		case <-exited:
			s.t.Fatalf("mosquitto ended at once:\n%s", s.output)
		case <-time.After(10 * time.Millisecond):
		}
		if time.Now().After(deadline) {
			s.t.Fatalf("mosquitto does not answer: %v\n%s", err, s.output)
		}
	}
}

// Kill ends the server as a power cut would (SIGKILL). What it has changed
// since the last Settle is lost.
func (s *Server) Kill() { s.end(syscall.SIGKILL) }

// Stop ends the server in good order.
func (s *Server) Stop() { s.end(syscall.SIGTERM) }

func (s *Server) end(sig syscall.Signal) {
	if s.cmd == nil {
		return
	}
	_ = s.cmd.Process.Signal(sig) // it may have ended
	<-s.exited
	s.cmd = nil
}

// Restart runs an ended server again, on the same address and directory. It
// kills one that still runs.
func (s *Server) Restart() {
	s.t.Helper()
	s.Kill()
	s.run()
}

// Settle makes the server write its sessions to disk now (SIGUSR1) and waits
// until the file no longer changes.
func (s *Server) Settle() {
	s.t.Helper()
	path := filepath.Join(s.dir, "mosquitto.db")
	if err := s.cmd.Process.Signal(syscall.SIGUSR1); err != nil {
		s.t.Fatalf("cannot signal mosquitto: %v", err)
	}
	var last []byte
	for range 500 {
		time.Sleep(20 * time.Millisecond)
		now, err := os.ReadFile(path)
		if err == nil && len(now) > 0 && bytes.Equal(now, last) {
			return
		}
		last = now
	}
	s.t.Fatal("mosquitto does not come to rest")
}

func write(t testing.TB, path, text string) {
	t.Helper()
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(fmt.Errorf("cannot prepare mosquitto: %w", err))
	}
}
