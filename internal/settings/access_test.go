package settings_test

import (
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"dryhold/internal/secret"
	"dryhold/internal/settings"
)

// Hashes of an invented password and token.
const (
	aHash  = "$argon2id$v=19$m=19456,t=2,p=1$NtW8kcFeBMMWTBxu08BaEQ$to5nqUBxbh8RFr2YNHnnvvwqKj+pq/YbhWP3KbgpsGg"
	aToken = "sha256:f904351a0257467cbd47cc875df4a3dd67224a7fef1eab6a5010f2152f90195d"
)

func password(t testing.TB, phc string) secret.Password {
	t.Helper()
	p, err := secret.ParsePassword(phc)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func token(t testing.TB, text string) secret.TokenHash {
	t.Helper()
	h, err := secret.ParseToken(text)
	if err != nil {
		t.Fatal(err)
	}
	return h
}

// What a listener off loopback needs, what it may do without, and what is
// then told.
func TestOpenListeners(t *testing.T) {
	const (
		user  = `users: [{name: mara, password_hash: "` + aHash + `"}]`
		token = `tokens: [{name: scrape, scope: read, hash: "` + aToken + `"}]`
		tls   = "tls: {cert_file: c, key_file: k}"
		file  = "username_file: u, password_file: p"
	)
	f := func(http, embedded, problem string, warnings ...string) {
		t.Helper()
		src := "http: {" + http + "}\nbroker: {embedded: {" + embedded + "}}\n"
		s, err := settings.Parse("f.yaml", []byte(src))
		if problem != "" {
			if err == nil || !strings.Contains(err.Error(), problem) {
				t.Errorf("%s\nproblem %v\nwant    %s", src, err, problem)
			}
			return
		}
		if err != nil {
			t.Errorf("%s\n%v", src, err)
			return
		}
		got := s.Warnings()
		for i, w := range warnings {
			if i >= len(got) || !strings.Contains(got[i], w) {
				t.Errorf("%s\nwarnings %q, want %q", src, got, warnings)
			}
		}
		if len(got) != len(warnings) {
			t.Errorf("%s\nwarnings %q, want %q", src, got, warnings)
		}
	}
	const here, open = "listen: 127.0.0.1:1", "listen: 0.0.0.0:1"
	f(here, here, "")
	f(here+", "+user, here+", "+user, "")
	f(open, here, "give users or tokens")
	f(open+", "+user, here, "passwords and tokens would cross the network unencrypted")
	f(open+", "+token, here, "passwords and tokens would cross the network unencrypted")
	f(open+", "+tls, here, "give users or tokens")
	f(open+", allow_plain: true", here, "give users or tokens")
	f(open+", "+user+", "+tls, here, "")
	f(open+", "+token+", "+tls, here, "")
	f(open+", "+user+", allow_plain: true", here, "", "unencrypted")
	f(open+", allow_open: true", here, "", "nothing is encrypted")
	f(open+", allow_open: true, "+tls, here, "", "everybody who reaches 0.0.0.0:1")
	f(here+", allow_open: true, allow_plain: true", here+", allow_plain: true", "")
	f(here, open, "give users, or username_file and password_file")
	f(here, open+", "+tls, "give users, or username_file and password_file")
	f(here, open+", "+user, "passwords would cross the network unencrypted")
	f(here, open+", "+file, "passwords would cross the network unencrypted")
	f(here, open+", "+file+", "+tls, "")
	f(here, open+", "+user+", "+tls, "")
	f(here, open+", "+user+", allow_plain: true", "", "broker.embedded: passwords and readings cross")
}

func TestBrokerUsers(t *testing.T) {
	s, err := settings.Parse("f.yaml", []byte(`
broker:
  embedded:
    users:
      - {name: cellar-1, password_hash: "`+aHash+`"}
      - {name: temperature, password_hash: "`+aHash+`", publish: [larch/+/climate, "homie/#"], subscribe: []}
`))
	if err != nil {
		t.Fatal(err)
	}
	h := password(t, aHash)
	want := []settings.BrokerUser{
		{Name: "cellar-1", Password: h},
		{Name: "temperature", Password: h, Publish: []string{"larch/+/climate", "homie/#"}, Subscribe: []string{}},
	}
	if diff := cmp.Diff(want, s.Broker.Embedded.Users); diff != "" {
		t.Error(diff)
	}
}

func TestAccessProblems(t *testing.T) {
	f := func(src string, want ...string) {
		t.Helper()
		_, err := settings.Parse("f.yaml", []byte(src))
		got := ""
		if err != nil {
			got = err.Error()
		}
		for _, w := range want {
			if !strings.Contains(got, w) {
				t.Errorf("%s\ngot  %s\nwant %s", src, got, w)
			}
		}
		for _, planted := range []string{"hunter2", "12345678", aHash, aToken} {
			if strings.Contains(got, planted) {
				t.Errorf("%s\nshows a secret: %s", src, got)
			}
		}
	}
	const users = "http: {users: [{name: mara, password_hash: "
	f(users+"hunter2}]}\n", "password_hash: not a password hash of the form", "`dryhold password`")
	f(users+"12345678}]}\n", "password_hash: not a password hash of the form")
	f(users+"[hunter2]}]}\n", "password_hash: not a password hash of the form")
	f(users+"\"hunter2\\n\"}]}\n", "password_hash: not a password hash of the form")
	f(users+"\"$argon2id$v=19$m=8,t=1,p=1$NtW8kcFeBMMWTBxu08BaEQ$to5nqUBxbh8RFr2YNHnnvvwqKj+pq/YbhWP3KbgpsGg\"}]}\n", "out of bounds")
	f("http: {users: [{name: mara, password: hunter2}]}\n", `unknown key "password"`, `needs the key "password_hash"`)
	f(users+"\""+aHash+"\"}, {name: mara, password_hash: \""+aHash+"\"}]}\n", `user "mara" is listed a second time`)
	f("http: {tokens: [{name: a, scope: read, hash: hunter2}]}\n", "hash: not a token hash", "`dryhold token`")
	f("http: {tokens: [{name: a, scope: keeper, hash: \""+aToken+"\"}]}\n", `unknown scope "keeper": did you mean "keep"?`)
	f("http: {tokens: [{name: a, hash: \""+aToken+"\"}]}\n", `needs the key "scope"`)
	f("http: {tls: {cert_file: c}}\n", `needs the key "key_file"`)
	f("broker: {url: \"mqtt://u:hunter2@h\\n\"}\n", "control character")
	// Not YAML at all, or a kind of it that is not read: a password typed in
	// the place of its hash may begin with any sign.
	for _, odd := range []string{"\"hunter2", "hunter2: x", "*hunter2", "&hunter2 x", "!hunter2 x", "@hunter2", "`hunter2", "%hunter2", "- hunter2", "? hunter2", "'hunter2", "{hunter2", "|hunter2", ">hunter2", "hunter2\tx: y", "hunter2 #"} {
		f("http:\n  users:\n    - name: mara\n      password_hash: "+odd+"\n", "f.yaml")
		f("broker:\n  url: "+odd+"\n", "f.yaml")
	}
	const one = "broker: {embedded: {users: [{password_hash: \"" + aHash + "\", name: "
	f(one+"\"a/b\"}]}}\n", "name")
	f(one+"humidity}]}}\n", `user "humidity" may use topics with its name as a level`, "give publish and subscribe")
	f(one+"rooms}]}}\n", "that is a level of the topic rooms/")
	f(one+"dryhold, publish: []}]}}\n", "dryhold's own topics")
	f(one+"a, publish: [\"x/#/y\"]}]}}\n", `publish: "x/#/y" is no topic filter`)
	f(one+"a, subscribe: [\"x+\"]}]}}\n", `subscribe: "x+" is no topic filter`)
	f(one+"a, subscribe: [\"$SYS/#\"]}]}}\n", "begins with $")
}
