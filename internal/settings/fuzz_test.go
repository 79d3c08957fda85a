package settings_test

import (
	"errors"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"dryhold/config"
	"dryhold/internal/alarm"
	"dryhold/internal/dispatch"
	"dryhold/internal/settings"
	"dryhold/internal/wire"
)

// wellFormed checks what holds for every error of this package.
func wellFormed(t rapid.TB, err error, src []byte) {
	t.Helper()
	var problems settings.Problems
	if !errors.As(err, &problems) || len(problems) == 0 {
		t.Fatalf("error %T %v", err, err)
	}
	lines := strings.Count(string(src), "\n") + strings.Count(string(src), "\r") + 2
	for _, p := range problems {
		if p.File == "" || p.Text == "" || (p.Line == 0) != (p.Column == 0) || p.Line < 0 || p.Line > lines {
			t.Fatalf("problem %+v of a file of %d lines", p, lines)
		}
	}
	order := func(a, b settings.Problem) int {
		if a.Line != b.Line {
			return a.Line - b.Line
		}
		return a.Column - b.Column
	}
	if !slices.IsSortedFunc(problems, order) {
		t.Fatalf("problems are not sorted: %v", problems)
	}
}

// checkSettings checks what holds for every configuration that is accepted.
func checkSettings(t rapid.TB, src []byte) {
	t.Helper()
	s, err := settings.Parse("f", src)
	if err != nil {
		wellFormed(t, err, src)
		if s == nil {
			t.Fatal("an error without what could be read")
		}
		return
	}
	if s.Zone == nil || s.Site == "" || s.Stale <= 0 || len(s.Topics) == 0 || s.HTTP.Listen == "" {
		t.Fatalf("accepted %q as %+v", src, s)
	}
	if (s.Broker.Embedded == nil) == (s.Broker.URL == "") || s.Broker.ClientID == "" {
		t.Fatalf("accepted %q with broker %+v", src, s.Broker)
	}
	if _, err := wire.NewMap(s.Topics, s.SensorRooms()); err != nil {
		t.Fatalf("accepted %q, which the topic map refuses: %v", src, err)
	}
	for _, r := range s.Rooms {
		if err := wire.CheckName(r.Name); err != nil {
			t.Fatalf("accepted %q: %v", src, err)
		}
		for kind, rule := range r.Rules {
			if rule.Kind != kind || rule.Deadband < 0 || rule.OnDelay < 0 || rule.OffDelay < 0 {
				t.Fatalf("accepted %q with rule %+v", src, rule)
			}
		}
	}
	if s.Mail != nil && (s.Mail.Host == "" || s.Mail.Port < 1 || len(s.Mail.To) == 0) {
		t.Fatalf("accepted %q with mail %+v", src, s.Mail)
	}
	checkChannels(t, src, s)
	for i, r := range s.People() {
		quiet := func(minute int) bool {
			return slices.ContainsFunc(r.Quiet, func(q dispatch.Span) bool { return (minute >= q.From) != (minute >= q.To) != (q.From > q.To) })
		}
		free := 0
		for minute := range 24 * 60 {
			if !quiet(minute) {
				free++
			}
		}
		if r.Name == "" || len(r.Channels) == 0 || r.Least < alarm.Low || r.Zone == nil || r.AtMost < 1 || !slices.IsSorted(r.Repeat) || free < 60 {
			t.Fatalf("accepted %q with recipient %d %+v", src, i, r)
		}
	}
}

// checkChannels checks what holds for every channel that is accepted.
func checkChannels(t rapid.TB, src []byte, s *settings.Settings) {
	t.Helper()
	names := map[string]bool{"log": true, "mqtt": true}
	for _, c := range s.Notify.Channels {
		kinds := 0
		if w := c.Webhook; w != nil {
			kinds++
			if u, err := url.Parse(w.URL); err != nil || u.User != nil || u.Hostname() == "" || u.Scheme != "https" && u.Scheme != "http" || w.SecretFile == "" {
				t.Fatalf("accepted %q with webhook %+v", src, w)
			}
		}
		if c.Push != nil {
			kinds++
			if c.Push.URLFile == "" || strings.Contains(c.Push.URLFile, "://") {
				t.Fatalf("accepted %q with push %+v", src, c.Push)
			}
		}
		if c.Mail != nil {
			kinds++
			if s.Mail == nil || len(c.Mail.To) == 0 {
				t.Fatalf("accepted %q with mail to %+v", src, c.Mail)
			}
		}
		if kinds != 1 || names[c.Name] || wire.CheckName(c.Name) != nil {
			t.Fatalf("accepted %q with channel %+v", src, c)
		}
		names[c.Name] = true
	}
	if s.Notify.PingEvery < time.Minute {
		t.Fatalf("accepted %q with a ping every %v", src, s.Notify.PingEvery)
	}
}

func checkCatalog(t rapid.TB, src []byte) {
	t.Helper()
	c, err := settings.ParseCatalog(settings.Source{File: "f", Data: src})
	if err != nil {
		wellFormed(t, err, src)
		return
	}
	if err := c.Check(); err != nil {
		t.Fatalf("accepted %q, which the catalog refuses: %v", src, err)
	}
}

func seeds(f *testing.F) {
	f.Add([]byte(config.Example()))
	f.Add([]byte(goodFood + goodContainer))
	for _, s := range []string{
		"", "a: 1", "a:\n - b\n - {c: d}\n", "site: 'x", "site: \"\\u0000\"", "? a\n: b", "a: |\n  b\n", "a: >-\n\n  b\n", "- - - a", "[[[", "{{{",
		"a: &b [*b]", "!!str a", "%TAG ! x\n---\n", "rooms: [{name: a, limits: {warm: 18 C}}]", "\xff", "\ufeffa", "a\r\n\tb", "mail: {host: h, from: a@b, to: [c@d]}",
		"topics: [{topic: \"a/{room}\", number: {quantity: temperature, unit: C}}]", "topics: [{topic: a, senml: {records: [{name: \"{room}:t\", quantity: temperature, unit: K}]}}]",
		"topics: [{topic: h/s/n/+, room: r, homie: {properties: [{name: t, quantity: link, unit: dBm}]}}]", "broker: {url: tcp://h:1}", "foods: []\ncontainers: []\n",
		"notify: {channels: [{name: a, webhook: {url: \"https://h/x\", secret_file: s}}, {name: b, push: {url_file: u}}], ping_url_file: p, ping_every: 1m}",
		"mail: {host: h, from: a@b, to: [c@d]}\nnotify: {channels: [{name: mail, mail: {to: [e@f]}}]}",
		"foods: [{isotherm: {equation: gab, xm: 1, c: , k: 0}, moisture: 1}]", "foods: [{isotherm: none, species: x, modes: [{nutrient: true}]}]",
		"mail: {host: h, from: a@b, to: [c@d]}\nnotify: {recipients: [{name: m, channels: [mail], quiet: [{from: \"22:00\", to: \"07:00\", zone: UTC}], repeat: [4h, 1d], digest: {day: monday, at: 6:30}, drill: 2-29}]}",
		"a: [\n#", "a: {b\n#c", "a: !", "a: ''\n ''", "---\n---\n...\n", "a: b\n  c: d", ": :", "-\n-", "stale: 1h\nstale: 2h\n",
	} {
		f.Add([]byte(s))
	}
}

func FuzzParse(f *testing.F) {
	seeds(f)
	f.Fuzz(func(t *testing.T, src []byte) { checkSettings(t, src) })
}

func FuzzParseCatalog(f *testing.F) {
	seeds(f)
	f.Fuzz(func(t *testing.T, src []byte) { checkCatalog(t, src) })
}

// A file in order with a few characters lost, doubled or exchanged is what a
// keeper's editor makes: it reads, or says where it does not.
func TestDamagedFiles(t *testing.T) {
	sources := []string{config.Example(), goodFood + goodContainer}
	for _, s := range shippedCatalog(t) {
		sources = append(sources, string(s.Data))
	}
	rapid.Check(t, func(t *rapid.T) {
		src := []byte(rapid.SampledFrom(sources).Draw(t, "file"))
		for range rapid.IntRange(1, 4).Draw(t, "edits") {
			i := rapid.IntRange(0, len(src)-1).Draw(t, "at")
			n := min(rapid.IntRange(0, 12).Draw(t, "length"), len(src)-i)
			with := rapid.SampledFrom([]string{"", "", " ", "\n", ":", ": ", "- ", "{", "}", "[", "]", "'", "\"", "#", "\t", "0", "x", "|", ">", "&a", "*", "!", "\xff", "°", string(src[i : i+n])}).Draw(t, "with")
			src = slices.Concat(src[:i], []byte(with), src[i+n:])
		}
		if _, err := settings.Parse("f", src); err != nil {
			wellFormed(t, err, src)
		}
		if c, err := settings.ParseCatalog(settings.Source{File: "f", Data: src}); err != nil {
			wellFormed(t, err, src)
		} else if err := c.Check(); err != nil {
			t.Fatal(err)
		}
	})
}

// Input made to exhaust the reader is refused, with a place and before it
// costs more than a large honest file.
func TestHostileInput(t *testing.T) {
	const n = 1 << 19
	f := func(src, want string) {
		t.Helper()
		_, err := settings.Parse("f", []byte(src))
		if err == nil {
			t.Fatalf("%.20q... is accepted", src)
		}
		wellFormed(t, err, []byte(src))
		if len(err.Error()) > 100*1000 {
			t.Errorf("%.20q...: the error has %d bytes", src, len(err.Error()))
		}
		if !strings.Contains(err.Error(), want) {
			t.Errorf("%.20q...: %.200v, want %q", src, err, want)
		}
		checkCatalog(t, []byte(src))
	}
	f(strings.Repeat("#", 1<<20+1), "f: the file has 1048577 bytes: at most 1048576 are read")
	f(strings.Repeat("[", n), "f:1:40001: the file has more than 40000 words and signs")
	f(strings.Repeat("[", 20_000), "f:1:33: values nest deeper than 32 here")
	f(strings.Repeat("{a: ", 10_000), "f:1:129: values nest deeper than 32 here")
	f(strings.Repeat("- ", 20_000), "f:1:65: values nest deeper than 32 here")
	f(strings.Repeat("? ", 10_000), `f:1:1: "?" keys are not read here`)
	f(strings.Repeat("!a ", 10_000), `f:1:1: "!": tags are not read here`)
	f(strings.Repeat("&a ", 10_000), `f:1:1: "&": anchors`)
	f("a: &a [x,x,x,x,x,x,x,x]\nb: &b [*a,*a,*a,*a,*a,*a]\nc: &c [*b,*b,*b,*b,*b,*b]\n", `f:1:4: "&": anchors`)
	f(strings.Repeat("a:\n", 15_000), `f:101:1: from here on 14900 more problems: mend those above first`)
	f(strings.Repeat("x", n)+": 1\n", "catalog")
	f(strings.Repeat("---\n", 10_000)+"a: 1\n", `f:2:1: "---" begins another document`)
	f("a: "+strings.Repeat("x ", n-10), `f:1:1: unknown key "a" in the configuration`)
	f("a: \""+strings.Repeat("x\n", n-10)+"\"", `f:1:1: unknown key "a" in the configuration`)
	f("a: '"+strings.Repeat("'", n), "f:1:")
	f("a: |\n"+strings.Repeat(" x\n", n/2), `f:1:1: unknown key "a" in the configuration`)
	f("\""+strings.Repeat("\\", n), "f:1:")
	f(strings.Repeat(" ", n)+"x", "f:1:")
}
