// Package influxdtest runs a real InfluxDB for tests, to which Flux can be put.
// It is used by tests only.
//
// It is version 1.8, which takes the write and query API of version 2 and can be
// built by Go alone (.ci/influxd does). Its Flux is v0.65 of 2020: what it answers
// a newer one should, but that is not the same as having tried.
package influxdtest

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"dryhold/internal/servertest"
)

// binaryEnv is the environment variable that names the program. Where it is set
// a program that does not run is a failure.
const binaryEnv = "DRYHOLD_INFLUXD"

// Bucket is the one that there is.
const Bucket = "dryhold"

// Server is an InfluxDB of its own on the loopback interface.
type Server struct {
	// URL is its address, http://127.0.0.1:port/.
	URL string
}

// Row is one row of an answer, by the names of its columns; an empty text is
// null.
type Row map[string]string

// Start runs a server until the end of the test. Without the program the test is
// skipped.
func Start(t testing.TB) *Server {
	t.Helper()
	binary := os.Getenv(binaryEnv)
	if binary == "" {
		var err error
		if binary, err = exec.LookPath("influxd"); err != nil {
			t.Skip("influxd is missing: build it with .ci/influxd DIR and set " + binaryEnv + "=DIR/influxd")
		}
	}
	web, other, dir := servertest.FreeAddr(t), servertest.FreeAddr(t), t.TempDir()
	config := fmt.Sprintf("reporting-disabled = true\nbind-address = %q\n[meta]\ndir = %q\n[data]\ndir = %q\nwal-dir = %q\nquery-log-enabled = false\n[http]\nbind-address = %q\nflux-enabled = true\nlog-enabled = false\n[monitor]\nstore-enabled = false\n",
		other, filepath.Join(dir, "meta"), filepath.Join(dir, "data"), filepath.Join(dir, "wal"), web)
	file := filepath.Join(dir, "influxdb.conf")
	if err := os.WriteFile(file, []byte(config), 0o600); err != nil {
		t.Fatal(err)
	}
	servertest.Start(t, "http://"+web+"/ping?verbose=true", binary, "-config", file)
	s := &Server{URL: "http://" + web + "/"}
	if err := s.post("query?q="+url.QueryEscape("CREATE DATABASE "+Bucket), "", ""); err != nil {
		t.Fatal(err)
	}
	return s
}

func (s *Server) post(path, kind, body string) error {
	r, err := http.Post(s.URL+path, kind, strings.NewReader(body))
	if err != nil {
		return err
	}
	defer r.Body.Close()
	if r.StatusCode >= 300 {
		text, _ := io.ReadAll(r.Body)
		return fmt.Errorf("status %d: %s", r.StatusCode, text)
	}
	return nil
}

// Write stores points in line protocol, with times in milliseconds.
func (s *Server) Write(lines []string) error {
	const batch = 5000
	for len(lines) > 0 {
		n := min(batch, len(lines))
		if err := s.post("api/v2/write?org=larch-house&precision=ms&bucket="+Bucket, "text/plain", strings.Join(lines[:n], "\n")); err != nil {
			return fmt.Errorf("cannot write %d points: %w", n, err)
		}
		lines = lines[n:]
	}
	return nil
}

// Query runs Flux and gives the rows of all tables of its answer.
func (s *Server) Query(flux string) ([]Row, error) {
	r, err := http.Post(s.URL+"api/v2/query?org=larch-house", "application/vnd.flux", strings.NewReader(flux))
	if err != nil {
		return nil, err
	}
	defer r.Body.Close()
	text, err := io.ReadAll(r.Body)
	if err != nil {
		return nil, err
	}
	if r.StatusCode >= 300 {
		return nil, fmt.Errorf("status %d: %s", r.StatusCode, text)
	}
	return rows(string(text))
}

// rows reads annotated CSV: tables parted by empty lines, each with a header.
func rows(text string) (out []Row, err error) {
	for _, table := range strings.Split(strings.ReplaceAll(text, "\r\n", "\n"), "\n\n") {
		c := csv.NewReader(strings.NewReader(table))
		c.FieldsPerRecord, c.Comment = -1, '#'
		all, err := c.ReadAll()
		if err != nil {
			return nil, fmt.Errorf("cannot read %q: %w", table, err)
		}
		for i, record := range all {
			row := Row{}
			for j, v := range record {
				if name := all[0][j]; name != "" {
					row[name] = v
				}
			}
			if message, broken := row["error"]; broken && i > 0 {
				return nil, errors.New(message)
			}
			if i > 0 {
				out = append(out, row)
			}
		}
	}
	return out, nil
}
