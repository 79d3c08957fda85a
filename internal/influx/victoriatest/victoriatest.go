// Package victoriatest runs a real victoria-metrics for tests, which takes the
// write API of InfluxDB v2, and reads back what it was sent. It is used by tests
// only.
package victoriatest

import (
	"bufio"
	"encoding/json"
	"fmt"
	"net"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"testing"
	"time"
)

// serversEnv is the environment variable that, set to 1, turns a missing server
// into a failure.
const serversEnv = "DRYHOLD_TEST_SERVERS"

// Server is a victoria-metrics of its own on the loopback interface.
type Server struct {
	// URL is its address, http://127.0.0.1:port/.
	URL string

	t            testing.TB
	binary, addr string
	flags        []string
	dir          string
	cmd          *exec.Cmd
	exited       chan struct{}
}

// Start runs a server until the end of the test, with more flags if need be.
// Without the program the test is skipped, or fails if DRYHOLD_TEST_SERVERS is
// 1.
func Start(t testing.TB, flags ...string) *Server {
	t.Helper()
	binary, err := exec.LookPath("victoria-metrics")
	if err != nil {
		if os.Getenv(serversEnv) == "1" {
			t.Fatal("victoria-metrics is missing: install Debian's victoria-metrics")
		}
		t.Skip("victoria-metrics is missing: install Debian's victoria-metrics")
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	addr := l.Addr().String()
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	s := &Server{URL: "http://" + addr + "/", t: t, binary: binary, addr: addr, dir: t.TempDir(), flags: flags}
	t.Cleanup(s.Stop)
	s.Run()
	return s
}

// Dir is where the server keeps its data.
func (s *Server) Dir() string { return s.dir }

// Run starts the server again over the same data and address.
func (s *Server) Run() {
	s.t.Helper()
	s.cmd = exec.Command(s.binary, append([]string{"-httpListenAddr=" + s.addr, "-storageDataPath=" + s.dir, "-retentionPeriod=100y",
		"-memory.allowedBytes=64MB", "-search.latencyOffset=0s", "-loggerLevel=ERROR"}, s.flags...)...)
	if err := s.cmd.Start(); err != nil {
		s.t.Fatal(err)
	}
	s.exited = make(chan struct{})
	go func(cmd *exec.Cmd, exited chan struct{}) {
		defer close(exited)
		_ = cmd.Wait()
	}(s.cmd, s.exited)
	for began := time.Now(); ; time.Sleep(20 * time.Millisecond) {
		if r, err := http.Get(s.URL + "health"); err == nil {
			_ = r.Body.Close()
			if r.StatusCode == http.StatusOK {
				return
			}
		}
		if time.Since(began) > time.Minute {
			s.t.Fatal("victoria-metrics does not answer")
		}
	}
}

// Stop ends the server and leaves its data.
func (s *Server) Stop() {
	if s.cmd == nil {
		return
	}
	_ = s.cmd.Process.Signal(os.Interrupt)
	select {
	case <-s.exited:
	case <-time.After(20 * time.Second):
		_ = s.cmd.Process.Kill()
		<-s.exited
	}
	s.cmd = nil
}

// Series is one series with all it holds. A point that was written twice is
// there twice.
type Series struct {
	Metric     map[string]string `json:"metric"`
	Values     []float64         `json:"values"`
	Timestamps []int64           `json:"timestamps"` // ms
}

// Export reads back every series that a selector matches.
func (s *Server) Export(selector string) (out []Series) {
	s.t.Helper()
	for _, path := range []string{"internal/force_flush", "api/v1/export?match[]=" + url.QueryEscape(selector)} {
		r, err := http.Get(s.URL + path)
		if err != nil {
			s.t.Fatal(err)
		}
		lines := bufio.NewScanner(r.Body)
		lines.Buffer(nil, 1<<28)
		for lines.Scan() {
			var x Series
			if err := json.Unmarshal(lines.Bytes(), &x); err != nil {
				s.t.Fatal(fmt.Errorf("cannot read %q: %w", lines.Text(), err))
			}
			out = append(out, x)
		}
		_ = r.Body.Close()
		if lines.Err() != nil || r.StatusCode >= 300 {
			s.t.Fatalf("cannot read back: %d, %v", r.StatusCode, lines.Err())
		}
	}
	return out
}
