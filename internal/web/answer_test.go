package web

import (
	"bytes"
	"compress/gzip"
	"io"
	"net/http"
	"strconv"
	"testing"
)

// Who shows the entity tag of what he has is not sent it again, and the bare
// body and the compressed one have a tag each (RFC 9110, sections 8.8.3.3,
// 13.1.2 and 15.4.5).
func TestNothingIsSentTwice(t *testing.T) {
	h, _ := house(t, larchHouse(), nil)
	const path = "/api/v1/lots"
	first := ask(t, h, http.MethodGet, path, "")
	tag := first.Header.Get("ETag")
	zipped := ask(t, h, http.MethodGet, path, "", "Accept-Encoding", "gzip").Header.Get("ETag")
	if first.StatusCode != 200 || tag == "" || zipped == "" || tag == zipped {
		t.Fatalf("GET %s: status %d, tags %s and %s, want two", path, first.StatusCode, tag, zipped)
	}
	f := func(same bool, headers ...string) {
		t.Helper()
		for _, method := range []string{http.MethodGet, http.MethodHead} {
			res := ask(t, h, method, path, "", headers...)
			body, err := io.ReadAll(res.Body)
			if err != nil {
				t.Fatal(err)
			}
			want := http.StatusOK
			if same {
				want = http.StatusNotModified
			}
			if res.StatusCode != want || same && len(body) > 0 {
				t.Errorf("%s with %q: status %d with %d bytes, want %d", method, headers, res.StatusCode, len(body), want)
			}
			if res.Header.Get("ETag") == "" || res.Header.Get("Vary") != "Accept-Encoding" || res.Header.Get("Cache-Control") != "private, no-cache" {
				t.Errorf("%s with %q: headers %v", method, headers, res.Header)
			}
		}
	}
	f(true, "If-None-Match", tag)
	f(true, "If-None-Match", "W/"+tag)
	f(true, "If-None-Match", `"other", `+tag)
	f(true, "If-None-Match", `*`)
	f(true, "If-None-Match", zipped, "Accept-Encoding", "gzip")
	f(false, "If-None-Match", zipped)
	f(false, "If-None-Match", tag, "Accept-Encoding", "gzip")
	f(false, "If-None-Match", `"other"`)
	f(false, "If-None-Match", `"other`)
	f(false, "If-None-Match", tag[1:])
	f(false)

	if res := ask(t, h, http.MethodGet, "/api/v1/lots/none-1", ""); res.Header.Get("ETag") != "" {
		t.Error("an error has an entity tag")
	}
	if res := ask(t, h, http.MethodGet, "/login", ""); res.Header.Get("Cache-Control") != "no-store" {
		t.Errorf("the login page may be kept: %q", res.Header.Get("Cache-Control"))
	}
}

func TestCompressed(t *testing.T) {
	h, _ := house(t, larchHouse(), nil)
	plain, err := io.ReadAll(ask(t, h, http.MethodGet, "/api/v1/lots", "").Body)
	if err != nil {
		t.Fatal(err)
	}
	f := func(want bool, accept ...string) {
		t.Helper()
		var headers []string
		for _, a := range accept {
			headers = append(headers, "Accept-Encoding", a)
		}
		res := ask(t, h, http.MethodGet, "/api/v1/lots", "", headers...)
		if got := res.Header.Get("Content-Encoding") == "gzip"; got != want {
			t.Errorf("Accept-Encoding %q: compressed %v, want %v", accept, got, want)
			return
		}
		sent, err := io.ReadAll(res.Body)
		if err != nil {
			t.Fatal(err)
		}
		if n := res.Header.Get("Content-Length"); n != strconv.Itoa(len(sent)) {
			t.Errorf("Accept-Encoding %q: Content-Length %s of %d bytes", accept, n, len(sent))
		}
		if want {
			z, err := gzip.NewReader(bytes.NewReader(sent))
			if err != nil {
				t.Fatal(err)
			}
			if len(sent) > len(plain)/2 {
				t.Errorf("%d bytes compressed to %d", len(plain), len(sent))
			}
			if sent, err = io.ReadAll(z); err != nil {
				t.Fatal(err)
			}
		}
		if string(sent) != string(plain) {
			t.Errorf("Accept-Encoding %q: another body", accept)
		}
	}
	f(false)
	f(false, "")
	f(true, "gzip")
	f(true, "GZIP")
	f(true, "x-gzip")
	f(true, "gzip, deflate, br, zstd")
	f(true, "*")
	f(true, "br;q=1.0, gzip;q=0.8")
	f(true, "identity;q=0.5, gzip")
	f(false, "gzip;q=0")
	f(false, "gzip;q=0, *")
	f(false, "identity, gzip;q=0.5")
	f(false, "gzip;q=2")
	f(false, "gzip;level=9")
	f(false, "deflate")

	if res := ask(t, h, http.MethodGet, "/healthz", "", "Accept-Encoding", "gzip"); res.Header.Get("Content-Encoding") != "" {
		t.Error("a short body is compressed")
	}
}
