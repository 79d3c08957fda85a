package promql

import (
	"encoding/pem"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
	"time"

	"crypto/x509"

	"github.com/google/go-cmp/cmp"

	"dryhold/internal/past"
)

const loft = `room_temp_celsius{room="loft"}`

func start() time.Time { return time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC) }

// matrix is an answer as the API documents it.
func matrix(results string) string {
	return `{"status":"success","data":{"resultType":"matrix","result":[` + results + `]}}`
}

// fake serves answers of a status and a body, and gives what asks it.
func fake(t *testing.T, answer http.HandlerFunc, change func(*Config)) *Server {
	t.Helper()
	h := httptest.NewServer(answer)
	t.Cleanup(h.Close)
	cfg := Config{URL: h.URL, Selector: loft, Timeout: 10 * time.Second}
	if change != nil {
		change(&cfg)
	}
	s, err := New(cfg)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	return s
}

func TestAsksForRawSamples(t *testing.T) {
	var form url.Values
	s := fake(t, func(w http.ResponseWriter, r *http.Request) {
		_ = r.ParseForm()
		form = r.Form
		fmt.Fprint(w, matrix(`{"metric":{"__name__":"room_temp_celsius","room":"loft"},"values":[[1767225599.999,"1"],[1767225600,"2"],[1767225600.001,"NaN"],[1767229199.999,"4e-1"],[1767229200,"5"]],
			"histograms":[[1767225601,{"count":"1","sum":"1"}]]},{"metric":{"room":"loft","__name__":"other"},"values":[[1767229200,"5"]]}`))
	}, nil)
	got, err := s.Samples(t.Context(), start(), start().Add(time.Hour))
	if err != nil || len(got) != 1 || got[0].Other != 1 || len(got[0].Samples) != 3 {
		t.Fatalf("%+v, %v", got, err)
	}
	var text []string
	for _, x := range got[0].Samples {
		text = append(text, fmt.Sprintf("%s %g", x.At.Format("15:04:05.000"), x.Value))
	}
	if d := cmp.Diff([]string{"00:00:00.000 2", "00:00:00.001 NaN", "00:59:59.999 0.4"}, text); d != "" {
		t.Error(d)
	}
	if d := cmp.Diff(map[string]string{"__name__": "room_temp_celsius", "room": "loft"}, got[0].Labels); d != "" {
		t.Error(d)
	}
	want := url.Values{"query": {loft + "[3600001ms]"}, "time": {"1767229200"}, "deny_partial_response": {"1"}, "partial_response": {"false"}}
	if d := cmp.Diff(want, form); d != "" {
		t.Errorf("asked (-want +got):\n%s", d)
	}
}

// What each answer means: whether it is worth asking again, or for less.
func TestTroubles(t *testing.T) {
	patience := time.Minute
	f := func(want string, again, less bool, after time.Duration, answer http.HandlerFunc) {
		t.Helper()
		s := fake(t, answer, func(c *Config) { c.Timeout = patience })
		_, err := s.Samples(t.Context(), start(), start().Add(time.Hour))
		var got *past.Trouble
		if !errors.As(err, &got) || !strings.Contains(err.Error(), want) || got.Again != again || got.Less != less || got.After != after {
			t.Errorf("got %+v, %v, want %q, again %t, less %t, after %v", got, err, want, again, less, after)
		}
	}
	status := func(code int, body string, header ...string) http.HandlerFunc {
		return func(w http.ResponseWriter, _ *http.Request) {
			for i := 0; i+1 < len(header); i += 2 {
				w.Header().Set(header[i], header[i+1])
			}
			w.WriteHeader(code)
			fmt.Fprint(w, body)
		}
	}
	f("bad_data: parse error", false, false, 0, status(400, `{"status":"error","errorType":"bad_data","error":"parse error"}`))
	f("too many samples", false, true, 0, status(422, `{"status":"error","errorType":"execution","error":"query processing would load too many samples into memory in query execution"}`))
	f("401, so it does not know who asks", false, false, 0, status(401, "no"))
	f("403, so", false, false, 0, status(403, "no"))
	f("404, so the query API", false, false, 0, status(404, "no such page"))
	f("429", true, false, 7*time.Second, status(429, "slow down", "Retry-After", "7"))
	f("413", false, true, 0, status(413, ""))
	f("503: busy", true, true, 2*time.Second, status(503, "busy", "Retry-After", "2"))
	f("418", false, false, 0, status(418, ""))
	f("302 and points to http://elsewhere.example/api/v1/query, which is not followed", false, false, 0, status(302, "", "Location", "http://elsewhere.example/api/v1/query?token=x"))
	f("is that address a server", true, false, 0, status(200, "<html>"))
	f("is that address a server", true, false, 0, status(200, matrix(`{"metric":{},"values":[[1,"warm"]]}`)))
	f("no samples", false, false, 0, status(200, `{"status":"success","data":{"resultType":"vector","result":[]}}`))
	f("EOF", true, false, 0, func(w http.ResponseWriter, _ *http.Request) { // cut off
		w.Header().Set("Content-Length", "1000")
		fmt.Fprint(w, matrix("")[:20])
	})
	f("EOF", true, false, 0, func(http.ResponseWriter, *http.Request) { panic(http.ErrAbortHandler) })
	f("larger than what is read at once", false, true, 0, func(w http.ResponseWriter, _ *http.Request) {
		blank := []byte(strings.Repeat(" ", 1<<20))
		for range maxAnswer>>20 + 1 {
			_, _ = w.Write(blank)
		}
	})
	patience = 200 * time.Millisecond
	f("exceeded", true, true, 0, func(_ http.ResponseWriter, r *http.Request) {
		_, _ = io.Copy(io.Discard, r.Body) // or its end is not seen
		<-r.Context().Done()
	})
}

// What proves who asks reaches the server that was named, and no other.
func TestProves(t *testing.T) {
	var asked, leaked string
	other := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		leaked = r.Header.Get("Authorization") + " " + r.URL.Path
	}))
	t.Cleanup(other.Close)
	answer := func(w http.ResponseWriter, r *http.Request) {
		asked = r.Header.Get("Authorization")
		w.Header().Set("Location", other.URL)
		w.WriteHeader(http.StatusTemporaryRedirect)
	}
	f := func(want string, change func(*Config)) {
		t.Helper()
		_, err := fake(t, answer, change).Samples(t.Context(), start(), start().Add(time.Hour))
		if asked != want || leaked != "" || err == nil || !strings.Contains(err.Error(), "not followed") {
			t.Errorf("asked with %q, want %q; leaked %q; %v", asked, want, leaked, err)
		}
	}
	f("", nil)
	f("Bearer abc", func(c *Config) { c.Token = func() (string, error) { return "abc", nil } })
	f("Basic bWFyYTp4eXo=", func(c *Config) { c.User, c.Password = "mara", func() (string, error) { return "xyz", nil } })
	_, err := fake(t, answer, func(c *Config) { c.Token = func() (string, error) { return "", errors.New("no such file") } }).Samples(t.Context(), start(), start().Add(time.Hour))
	var trouble *past.Trouble
	if !errors.As(err, &trouble) || trouble.Again || !strings.Contains(err.Error(), "no such file") {
		t.Errorf("%v", err)
	}
}

func TestTrust(t *testing.T) {
	h := httptest.NewTLSServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { fmt.Fprint(w, matrix("")) }))
	t.Cleanup(h.Close)
	h.Config.ErrorLog = nil
	roots := x509.NewCertPool()
	roots.AppendCertsFromPEM(pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: h.Certificate().Raw}))
	for _, trusted := range []bool{true, false} {
		cfg := Config{URL: h.URL, Selector: "up"}
		if trusted {
			cfg.Roots = roots
		}
		s, err := New(cfg)
		if err != nil {
			t.Fatal(err)
		}
		_, err = s.Samples(t.Context(), start(), start().Add(time.Hour))
		var trouble *past.Trouble
		if errors.As(err, &trouble); (err == nil) != trusted || trouble != nil && trouble.Again {
			t.Errorf("trusted %t: %v", trusted, err)
		}
		s.Close()
	}
}

func TestWarningsAreKeptOnce(t *testing.T) {
	s := fake(t, func(w http.ResponseWriter, _ *http.Request) {
		fmt.Fprint(w, `{"status":"success","data":{"resultType":"matrix","result":[]},"warnings":["remote storage is away"]}`)
	}, nil)
	for range 2 {
		if _, err := s.Samples(t.Context(), start(), start().Add(time.Hour)); err != nil {
			t.Fatal(err)
		}
	}
	if d := cmp.Diff([]string{"remote storage is away"}, s.Warnings()); d != "" {
		t.Error(d)
	}
}

func TestCheckSelector(t *testing.T) {
	f := func(text, want string) {
		t.Helper()
		err := CheckSelector(text)
		if want == "" && err != nil || want != "" && (err == nil || !strings.Contains(err.Error(), want)) {
			t.Errorf("%q: %v, want %q", text, err, want)
		}
	}
	f(`up`, "")
	f(` room:temp_celsius{room="loft", job=~"a|b"} `, "")
	f(`{__name__="x",room='}'}`, "")
	f("{a=`\\`}", "")
	f(`x{a="\"}[1m]"}`, "")
	f(``, "it is empty")
	f(`sum(x)`, "it is no selector")
	f(`x * 2`, "it is no selector")
	f(`x[5m]`, "it is no selector")
	f(`x offset 5m`, "it is no selector")
	f(`x{} offset 5m`, "it is no selector")
	f(`x{} or y{}`, "it is no selector")
	f(`x{} # y`, "it is no selector")
	f(`x # {}`, "it is no selector")
	f(`5`, "begins with a digit")
	f(`x{a="}`, "is not closed")
	f(`x{a="b"`, "the brace is not closed")
	f(`x{a="b\`, "is not closed")
	f("x{a=\"b\n\"}", "a line ends")
	f(`x{a="b" #} [5m]`, `there is a "#"`)
	f(`x{{}}`, `there is a "{"`)
	f(strings.Repeat("x", 5000), "4096 are taken")
}

func FuzzCheckSelector(f *testing.F) {
	for _, s := range []string{`x{a="b"}`, "{a=`}`}", `x{a='\'}'}`, "x{", "\xff{}", `x{a="\`} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		if CheckSelector(text) != nil {
			return
		}
		// Nothing of it stands behind its brace, nor before its name.
		text = strings.TrimSpace(text)
		if strings.Contains(text, "{") && !strings.HasSuffix(text, "}") || strings.ContainsAny(strings.SplitN(text, "{", 2)[0], "()[]+*#\"'`") {
			t.Errorf("%q is taken", text)
		}
	})
}

// FuzzAnswer: no answer makes it panic, and what is read lies in the range.
func FuzzAnswer(f *testing.F) {
	f.Add(matrix(`{"metric":{"room":"loft"},"values":[[1767225600.25,"20"],[1767225601,"-1e3"]]}`))
	f.Add(matrix(`null,{"metric":{},"values":null,"histograms":[[1,{"count":"1"}]]}`))
	f.Add(`{"status":"success","data":{"resultType":"vector","result":[{"metric":{},"value":[1,"2"]}]}}`)
	f.Add(`{"status":"error"}`)
	var body string
	h := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { fmt.Fprint(w, body) }))
	f.Cleanup(h.Close)
	s, err := New(Config{URL: h.URL, Selector: loft})
	if err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, text string) {
		body = text
		got, err := s.Samples(t.Context(), start(), start().Add(time.Hour))
		var trouble *past.Trouble
		if err != nil && !errors.As(err, &trouble) {
			t.Fatal(err)
		}
		for _, x := range got {
			for _, p := range x.Samples {
				if p.At.Before(start()) || !p.At.Before(start().Add(time.Hour)) {
					t.Fatalf("%+v", p)
				}
			}
		}
	})
}
