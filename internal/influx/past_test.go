package influx

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"github.com/google/go-cmp/cmp"
	"github.com/influxdata/influxdb-client-go/v2/api"

	"dryhold/internal/past"
)

func pastStart() time.Time { return time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC) }

func TestFlux(t *testing.T) {
	f := func(bucket string, p Past, want string) {
		t.Helper()
		if err := p.Check(); err != nil {
			t.Error(err)
		}
		if d := cmp.Diff(want, p.Flux(bucket, pastStart(), pastStart().Add(36*time.Hour+250*time.Millisecond))); d != "" {
			t.Errorf("(-want +got):\n%s", d)
		}
	}
	f("sensors", Past{Measurement: "air", Field: "temperature", Tags: map[string]string{"room": "loft", "device": "a b"}},
		`from(bucket: "sensors")
  |> range(start: 2026-01-01T00:00:00Z, stop: 2026-01-02T12:00:00.25Z)
  |> filter(fn: (r) => r["_measurement"] == "air" and r["_field"] == "temperature" and r["device"] == "a b" and r["room"] == "loft")
  |> drop(columns: ["_start", "_stop"])
`)
	f(`a"b\`, Past{Measurement: "${x}", Field: "é\n$\"", Tags: map[string]string{`")`: "//"}},
		`from(bucket: "a\"b\\")
  |> range(start: 2026-01-01T00:00:00Z, stop: 2026-01-02T12:00:00.25Z)
  |> filter(fn: (r) => r["_measurement"] == "\x24{x}" and r["_field"] == "é\x0a\x24\"" and r["\")"] == "//")
  |> drop(columns: ["_start", "_stop"])
`)
	for _, p := range []Past{{Field: "f"}, {Measurement: "m"}, {Measurement: "\xff", Field: "f"}, {Measurement: "m", Field: "f", Tags: map[string]string{"": "x"}}, {Measurement: "m", Field: strings.Repeat("f", 5000)}} {
		if p.Check() == nil {
			t.Errorf("%+v is taken", p)
		}
	}
}

// unquoted reads a string of Flux from the head of a text by the rules of the
// vendor's scanner and gives it and what follows it:
//
//	escaped_char = "\\" ( "n" | "r" | "t" | "\\" | '"' | "${" )
//	unicode_value = (any - [\\$]) | escaped_char
//	byte_value = "\\x" xdigit{2}
//	dollar_value = "$" ( any - [{"] )
//	string_lit = '"' ( unicode_value | byte_value | dollar_value )* "$"? '"'
func unquoted(t *testing.T, text string) (value, rest string) {
	t.Helper()
	var out []byte
	for i := 1; i < len(text); i++ {
		switch c := text[i]; {
		case c == '"':
			return string(out), text[i+1:]
		case c == '$' && text[i+1] == '{':
			t.Fatalf("%q begins an expression", text)
		case c == '$':
			t.Fatalf("%q: the dollar takes in what is behind it", text)
		case c != '\\':
			out = append(out, c)
		case text[i+1] == 'x':
			var b byte
			if _, err := fmt.Sscanf(text[i+2:i+4], "%02x", &b); err != nil {
				t.Fatal(err)
			}
			out = append(out, b)
			i += 3
		case text[i+1] == '"' || text[i+1] == '\\':
			out = append(out, text[i+1])
			i++
		default:
			t.Fatalf("%q: an escape that is not in the grammar", text)
		}
	}
	t.Fatalf("%q does not end", text)
	return "", ""
}

// FuzzQuote: whatever a text holds, it stays one string, and is the same text
// when it is read.
func FuzzQuote(f *testing.F) {
	for _, s := range []string{"air", `"`, `\`, `\"`, "$", `$"`, `${r}`, `$\"`, "\n", "\x00", "é", `") or true //`} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		if !utf8.ValidString(text) {
			return
		}
		got, rest := unquoted(t, quote(text))
		if got != text || rest != "" {
			t.Errorf("%q is read as %q, and %q is left", text, got, rest)
		}
	})
}

// annotated is an answer as the vendor documents it (Annotated CSV, InfluxDB
// v2): several tables below one head, a second head with other columns.
const annotated = "#group,false,false,false,false,true,true,true\r\n" +
	"#datatype,string,long,dateTime:RFC3339,double,string,string,string\r\n" +
	"#default,_result,,,,,,\r\n" +
	",result,table,_time,_value,_field,_measurement,room\r\n" +
	",,0,2026-01-01T00:00:00Z,15.43,temperature,air,loft\r\n" +
	",,0,2026-01-01T00:01:00.25Z,,temperature,air,loft\r\n" +
	",,0,2026-01-01T00:02:00.0000005Z,-1e-1,temperature,air,loft\r\n" +
	",,1,2026-01-01T00:00:00Z,59.25,temperature,air,\"the \"\"cold\"\" cellar\"\r\n" +
	"\r\n" +
	"#group,false,false,false,false,true,true,true,true\r\n" +
	"#datatype,string,long,dateTime:RFC3339,long,string,string,string,string\r\n" +
	"#default,_result,,,,,,,\r\n" +
	",result,table,_time,_value,_field,_measurement,device,room\r\n" +
	",,2,2026-01-01T00:00:00Z,21,temperature,air,d1,loft\r\n" +
	"\r\n" +
	"#group,false,false,false,false,true,true,true\r\n" +
	"#datatype,string,long,dateTime:RFC3339,string,string,string,string\r\n" +
	"#default,_result,,,,,,\r\n" +
	",result,table,_time,_value,_field,_measurement,room\r\n" +
	",,3,2026-01-01T00:05:00Z,warm,temperature,air,loft\r\n" +
	"\r\n"

// failed is how the vendor tells of a query that failed under way.
const failed = "#datatype,string,string\r\n#group,true,true\r\n#default,,\r\n,error,reference\r\n,memory allocation limit reached,897\r\n"

// pastServer serves an answer.
func pastServer(t *testing.T, answer http.HandlerFunc, change func(*ServerConfig)) *Server {
	t.Helper()
	h := httptest.NewServer(answer)
	t.Cleanup(h.Close)
	cfg := ServerConfig{URL: h.URL, Org: "home", Bucket: "sensors", Timeout: time.Minute, Token: func() (string, error) { return "abc", nil }}
	if change != nil {
		change(&cfg)
	}
	s := NewServer(cfg)
	t.Cleanup(s.Close)
	return s
}

func (s *Server) ask(t *testing.T) ([]past.Series, error) {
	t.Helper()
	return s.Samples(t.Context(), Past{Measurement: "air", Field: "temperature"}, pastStart(), pastStart().Add(time.Hour))
}

func TestPastSamples(t *testing.T) {
	var asked struct{ Query, Type string }
	var proof, org string
	s := pastServer(t, func(w http.ResponseWriter, r *http.Request) {
		body, _ := io.ReadAll(r.Body)
		_ = json.Unmarshal(body, &asked)
		proof, org = r.Header.Get("Authorization"), r.URL.Path+"?"+r.URL.RawQuery
		w.Header().Set("Content-Type", "text/csv; charset=utf-8")
		fmt.Fprint(w, annotated)
	}, nil)
	series, err := s.ask(t)
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, x := range series {
		got = append(got, fmt.Sprintf("%s and %d others", past.Key(x.Labels), x.Other))
		for _, p := range x.Samples {
			got = append(got, fmt.Sprintf("%s %g", p.At.Format("15:04:05.999999999"), p.Value))
		}
	}
	want := []string{
		`{_field="temperature", _measurement="air", room="loft"} and 1 others`, "00:00:00 15.43", "00:01:00.25 NaN", "00:02:00.0000005 -0.1",
		`{_field="temperature", _measurement="air", room="the \"cold\" cellar"} and 0 others`, "00:00:00 59.25",
		`{_field="temperature", _measurement="air", device="d1", room="loft"} and 0 others`, "00:00:00 21",
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("(-want +got):\n%s", d)
	}
	if proof != "Token abc" || org != "/api/v2/query?org=home" || asked.Type != "flux" ||
		asked.Query != (Past{Measurement: "air", Field: "temperature"}).Flux("sensors", pastStart(), pastStart().Add(time.Hour)) {
		t.Errorf("%q, %q, %+v", proof, org, asked)
	}
}

func TestPastTroubles(t *testing.T) {
	patience := time.Minute
	f := func(want string, again, less bool, after time.Duration, answer http.HandlerFunc) {
		t.Helper()
		s := pastServer(t, answer, func(c *ServerConfig) { c.Timeout = patience })
		_, err := s.ask(t)
		var got *past.Trouble
		if !errors.As(err, &got) || !strings.Contains(err.Error(), want) || got.Again != again || got.Less != less || got.After != after {
			t.Errorf("got %+v, %v, want %q, again %t, less %t, after %v", got, err, want, again, less, after)
		}
	}
	status := func(code int, body string, header ...string) http.HandlerFunc {
		return func(w http.ResponseWriter, _ *http.Request) {
			w.Header().Set("Content-Type", "application/json")
			for i := 0; i+1 < len(header); i += 2 {
				w.Header().Set(header[i], header[i+1])
			}
			w.WriteHeader(code)
			fmt.Fprint(w, body)
		}
	}
	f("compilation failed", false, false, 0, status(400, `{"code":"invalid","message":"compilation failed: error"}`))
	f("401, so it does not know the token", false, false, 0, status(401, `{"code":"unauthorized","message":"unauthorized access"}`))
	f("404, so it has no such bucket", false, false, 0, status(404, `{"code":"not found","message":"failed to initialize execute state: could not find bucket \"sensors\""}`))
	f("429", true, false, 3*time.Second, status(429, `{"code":"too many requests","message":"exceeded"}`, "Retry-After", "3"))
	f("503", true, true, 0, status(503, `{}`))
	f("307 and points elsewhere", false, false, 0, status(307, `{}`, "Location", "http://elsewhere.example/"))
	f("memory allocation limit reached,897", true, true, 0, status(200, failed))
	f("memory allocation limit reached,897", true, true, 0, status(200, annotated+failed))
	f("broke off", true, true, 0, status(200, "<html>,x"))
	f("broke off", true, true, 0, status(200, annotated, "Content-Length", fmt.Sprint(len(annotated)+10)))
	f("neither a record", false, false, 0, status(200, strings.Replace(annotated, ",,1,2026", "x,,1,2026", 1)))
	f("without a time", false, false, 0, status(200, strings.ReplaceAll(annotated, "_time", "_tide")))
	patience = 200 * time.Millisecond
	f("exceeded", true, true, 0, func(_ http.ResponseWriter, r *http.Request) {
		_, _ = io.Copy(io.Discard, r.Body) // or its end is not seen
		<-r.Context().Done()
	})
	s := pastServer(t, status(200, ""), func(c *ServerConfig) { c.Token = func() (string, error) { return "", errors.New("no such file") } })
	var got *past.Trouble
	if _, err := s.ask(t); !errors.As(err, &got) || got.Again || !strings.Contains(err.Error(), "no such file") {
		t.Errorf("%v", err)
	}
	if got, err := pastServer(t, status(200, "\r\n"), nil).ask(t); err != nil || len(got) > 0 {
		t.Errorf("of an empty bucket: %v, %v", got, err)
	}
}

// FuzzPastAnswer: no answer makes it panic, and no error is without a reason.
func FuzzPastAnswer(f *testing.F) {
	f.Add(annotated)
	f.Add(failed)
	f.Add("#datatype,string\n,a\nx,b\n,c\n")
	f.Fuzz(func(t *testing.T, text string) {
		got, err := read(api.NewQueryTableResult(io.NopCloser(strings.NewReader(text))))
		if err != nil && (err.Error() == "" || len(got) > 0) {
			t.Fatalf("%v, %v", got, err)
		}
	})
}
