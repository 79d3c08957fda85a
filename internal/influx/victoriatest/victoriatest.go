// Package victoriatest runs a real victoria-metrics for tests, which takes the
// write API of InfluxDB v2, and reads back what it was sent. It is used by tests
// only.
package victoriatest

import (
	"bufio"
	"encoding/json"
	"fmt"
	"net/http"
	"net/url"
	"testing"

	"dryhold/internal/servertest"
)

// Server is a victoria-metrics of its own on the loopback interface.
type Server struct {
	// URL is its address, http://127.0.0.1:port/.
	URL string

	*servertest.Process // which may be stopped and run again over the same data
	t                   testing.TB
	dir                 string
}

// Start runs a server until the end of the test, with more flags if need be.
// Without the program the test is skipped, or fails if servertest.ServersEnv is
// 1.
func Start(t testing.TB, flags ...string) *Server {
	t.Helper()
	binary, addr := servertest.Program(t, "victoria-metrics", "victoria-metrics"), servertest.FreeAddr(t)
	s := &Server{URL: "http://" + addr + "/", t: t, dir: t.TempDir()}
	s.Process = servertest.Start(t, s.URL+"health", binary, append([]string{"-httpListenAddr=" + addr, "-storageDataPath=" + s.dir, "-retentionPeriod=100y",
		"-memory.allowedBytes=64MB", "-search.latencyOffset=0s", "-loggerLevel=ERROR"}, flags...)...)
	return s
}

// Dir is where the server keeps its data.
func (s *Server) Dir() string { return s.dir }

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
