package settings

import (
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

func TestInflux(t *testing.T) {
	f := func(text string, want Influx) {
		t.Helper()
		s, err := Parse("f.yaml", []byte("influx: {"+text+"}"))
		if err != nil {
			t.Error(err)
			return
		}
		if d := cmp.Diff(&want, s.Influx); d != "" {
			t.Errorf("%s (-want +got):\n%s", text, d)
		}
	}
	f("url: https://hearth.lan:8086, org: larch, bucket: dryhold",
		Influx{URL: "https://hearth.lan:8086/", Org: "larch", Bucket: "dryhold", Keep: DefaultInfluxKeep, Rate: DefaultInfluxRate})
	f("url: http://127.0.0.1:8428/influx/, org: o, bucket: b, token_file: secrets/t, keep: 30d, rate: 500",
		Influx{URL: "http://127.0.0.1:8428/influx/", Org: "o", Bucket: "b", TokenFile: "secrets/t", Keep: 30 * 24 * time.Hour, Rate: 500})
	f("url: http://hearth.lan, org: o, bucket: b, allow_plain: true",
		Influx{URL: "http://hearth.lan/", Org: "o", Bucket: "b", AllowPlain: true, Keep: DefaultInfluxKeep, Rate: DefaultInfluxRate})
	if s, err := Parse("f.yaml", []byte("site: larch-house")); err != nil || s.Influx != nil {
		t.Errorf("an export nobody asked for: %v, %v", s.Influx, err)
	}
}

func TestInfluxProblems(t *testing.T) {
	f := func(text, want string) {
		t.Helper()
		_, err := Parse("f.yaml", []byte("influx: {"+text+"}"))
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s\n got %v\nwant %s", text, err, want)
		}
		if err != nil && strings.Contains(err.Error(), "planted") {
			t.Errorf("%s: the message shows a secret: %v", text, err)
		}
	}
	rest := ", org: o, bucket: b"
	f("org: o, bucket: b", "url")
	f("url: https://h", "org")
	f("url: ftp://h"+rest, "f.yaml:1:15: url does not begin with https:// or http://")
	f("url: https://"+rest, "url has no host")
	f("url: 'https://mara:planted@h'"+rest, "url holds a user or password")
	f("url: 'https://h/?token=planted'"+rest, "url has a part after ?")
	f("url: https://h:0"+rest, "url has no port from 1 to 65535")
	f("url: http://hearth.lan:8086"+rest, "f.yaml:1:15: token and readings would cross the network unencrypted to hearth.lan:8086")
	f("url: http://127.0.0.1, ca_file: x"+rest, "ca_file needs an https url")
	f("url: https://h, token: planted"+rest, `unknown key "token" in influx`)
	f("url: https://h, keep: 1h"+rest, "keep 1h is outside 1d to")
	f("url: https://h, rate: 0.5"+rest, "rate 0.5 is not a whole number of points a second")
	f("url: https://h, bukket: x"+rest, "bukket")
}
