package settings_test

import (
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"dryhold/internal/settings"
)

func TestChannels(t *testing.T) {
	f := func(src string, want settings.Notify) {
		t.Helper()
		s, err := settings.Parse("f.yaml", []byte(src))
		if err != nil {
			t.Fatalf("%s\n%v", src, err)
		}
		want.MQTTTopic = "dryhold/notices"
		if want.PingEvery == 0 {
			want.PingEvery = time.Hour
		}
		if diff := cmp.Diff(want, s.Notify); diff != "" {
			t.Errorf("%s\ndiffers (-want +got):\n%s", src, diff)
		}
	}
	hook := func(name, url string, plain bool) settings.Notify {
		return settings.Notify{Channels: []settings.Channel{{Name: name, Webhook: &settings.Webhook{URL: url, SecretFile: "s", AllowPlain: plain}}}}
	}
	f("notify: {channels: []}", settings.Notify{})
	f("notify: {channels: [{name: house, webhook: {url: \"https://automation.lan/a?b=c\", secret_file: s}}]}", hook("house", "https://automation.lan/a?b=c", false))
	f("notify: {channels: [{name: h, webhook: {url: \"http://127.0.0.1:8123/a\", secret_file: s}}]}", hook("h", "http://127.0.0.1:8123/a", false))
	f("notify: {channels: [{name: h, webhook: {url: \"http://localhost/a\", secret_file: s}}]}", hook("h", "http://localhost/a", false))
	f("notify: {channels: [{name: h, webhook: {url: \"http://[::1]/a\", secret_file: s}}]}", hook("h", "http://[::1]/a", false))
	f("notify: {channels: [{name: h, webhook: {url: \"http://automation.lan/a\", secret_file: s, allow_plain: true}}]}", hook("h", "http://automation.lan/a", true))
	f(account+"notify: {channels: [{name: mail, mail: {to: [e@f]}}, {name: bo, mail: {to: [g@h, i@j]}}, {name: phone, push: {url_file: secrets/push}}]}",
		settings.Notify{Channels: []settings.Channel{
			{Name: "mail", Mail: &settings.MailTo{To: []string{"e@f"}}}, {Name: "bo", Mail: &settings.MailTo{To: []string{"g@h", "i@j"}}},
			{Name: "phone", Push: &settings.Push{URLFile: "secrets/push"}},
		}})
	f("notify: {ping_every: 15m, ping_url_file: p}", settings.Notify{PingURLFile: "p", PingEvery: 15 * time.Minute})
}

func TestChannelProblems(t *testing.T) {
	f := func(src string, want ...string) {
		t.Helper()
		_, err := settings.Parse("f.yaml", []byte(src))
		wantProblems(t, src, err, want)
		if err != nil && strings.Contains(err.Error(), "planted") {
			t.Errorf("%s\nshows a secret: %v", src, err)
		}
	}
	list := func(channel string) string { return "notify: {channels: [" + channel + "]}" }
	hook := func(url, more string) string {
		return list("{name: h, webhook: {url: \"" + url + "\", secret_file: s" + more + "}}")
	}
	f("notify: {channels: {name: h}}", `f.yaml:1:20: channels must be a list, not keys with values: begin each item with "- "`)
	f(list("{name: h}"), "f.yaml:1:21: a channel needs one of webhook, push and mail")
	f(list("{name: h, push: {url_file: u}, webhook: {url: \"https://h/\", secret_file: s}}"),
		"f.yaml:1:21: a channel is one way: it has webhook and push; make a channel of each")
	f(list("{push: {url_file: u}}"), `f.yaml:1:21: a channel needs the key "name"`)
	f(list("{name: a b, push: {url_file: u}}"), `f.yaml:1:28: channel name: name "a b" holds a character outside A-Z a-z 0-9 _ . -`)
	f(list("{name: log, push: {url_file: u}}"), `f.yaml:1:28: channel "log" is there already, for machines: give this one another name`)
	f(list("{name: mqtt, push: {url_file: u}}"), `f.yaml:1:28: channel "mqtt" is there already, for machines: give this one another name`)
	f(list("{name: mail, push: {url_file: u}}"), `f.yaml:1:21: the channel "mail" is that of the mail account: give this one another name`)
	f(list("{name: a, push: {url_file: u}}, {name: a, push: {url_file: u}}"), `f.yaml:1:60: channel "a" is listed a second time: keep one`)
	f(list("{name: a, pusch: {url_file: u}}"), "f.yaml:1:21: a channel needs one of webhook, push and mail", `f.yaml:1:31: unknown key "pusch" in a channel: did you mean "push"?`)

	f(hook("http://automation.lan/planted", ""),
		"f.yaml:1:46: notices would cross the network unencrypted to automation.lan: write https://, or, if nobody can listen there, set allow_plain: true")
	f(hook("http://10.0.0.2:8123/planted", ""),
		"f.yaml:1:46: notices would cross the network unencrypted to 10.0.0.2:8123: write https://, or, if nobody can listen there, set allow_plain: true")
	f(hook("http://127.0.0.1/", ", ca_file: c"), "f.yaml:1:92: ca_file needs an https url, this one is not")
	f(hook("ftp://h/planted", ""), "f.yaml:1:46: url does not begin with https:// or http://: write https://host/path")
	f(hook("planted", ""), "f.yaml:1:46: url does not begin with https:// or http://: write https://host/path")
	f(hook("https:///planted", ""), "f.yaml:1:46: url has no host: write https://host/path")
	f(hook("https://h/%zz-planted", ""), "f.yaml:1:46: url cannot be read: write https://host/path")
	f(hook("https://h/\\nplanted", ""), "f.yaml:1:46: url holds a line break or a control character: write https://host/path")
	f(hook("https://planted:planted@h/", ""), "f.yaml:1:46: url holds a user or password: leave them out, each notice is signed with the secret of secret_file")
	f(hook("https://h/#planted", ""), "f.yaml:1:46: url has a part after #, which is never sent: leave it out")
	f(hook("https://h:0/planted", ""), "f.yaml:1:46: url has no port from 1 to 65535: write https://host/path")
	f(hook("https://h:/planted", ""), "f.yaml:1:46: url has no port from 1 to 65535: write https://host/path")
	f(list("{name: h, webhook: {url: \"https://h/\"}}"), `f.yaml:1:40: webhook needs the key "secret_file"`)
	f(list("{name: h, push: {url_file: \"ntfy://planted\"}}"),
		"f.yaml:1:48: url_file is the name of a file; the address holds secrets: write it to a file that only dryhold may read (chmod 600)")
	f(list("{name: h, mail: {to: [e@f]}}"), `f.yaml:1:37: this channel goes through the mail account, and there is none: set the key "mail" beside "notify"`)
	f(account+list("{name: h, mail: {to: []}}"), "f.yaml:2:42: to is empty: give at least one address")
	f(account+list("{name: h, mail: {to: [nobody]}}"), `f.yaml:2:43: to: "nobody" is not a bare mail address: write for example pantry@mail.lan`)

	f("notify: {ping_every: 30s, ping_url_file: p}", "f.yaml:1:22: ping_every 30s is outside 1m to 7d")
	f("notify: {ping_every: 1h}", "f.yaml:1:22: ping_every says how often ping_url_file is asked, and there is none: give it, or leave this out")
	f("notify: {ping_url_file: \"https://planted/x\"}",
		"f.yaml:1:25: ping_url_file is the name of a file; who knows the address can fake the ping: write it to a file that only dryhold may read (chmod 600)")
}

func TestPlainWebhookIsWarnedOf(t *testing.T) {
	s, err := settings.Parse("f", []byte("notify: {channels: [{name: h, webhook: {url: \"http://automation.lan/planted\", secret_file: s, allow_plain: true}}]}"))
	if err != nil {
		t.Fatal(err)
	}
	got := strings.Join(s.Warnings(), "\n")
	if !strings.Contains(got, "notify.channels.h: notices cross the network unencrypted") || strings.Contains(got, "planted") {
		t.Errorf("warnings: %q", got)
	}
}
