package secret

import (
	"encoding/hex"
	"encoding/json"
	"fmt"
	"strings"
	"testing"
)

// cheap is a hash of less cost than is taken, so that tests are quick.
func cheap(password string) Password {
	p := Password{memory: 64, passes: 1, lanes: 1, salt: "saltsaltsaltsalt"}
	p.key = string(p.derive([]byte(password), keyBytes))
	return p
}

// The vector is that of the reference implementation's own test for version
// 0x13 of argon2id: t=2, m=2^16, p=1, password "password", salt "somesalt"
// (github.com/P-H-C/phc-winner-argon2, src/test.c; from memory, and agreed
// with by the library).
func TestPublishedVector(t *testing.T) {
	const phc = "$argon2id$v=19$m=65536,t=2,p=1$c29tZXNhbHQ$CTFhFdXPJO1aFaMaO6Mm5c8y7cJHAph8ArZWb2GRPPc"
	p, err := ParsePassword(phc)
	if err != nil {
		t.Fatal(err)
	}
	if got := hex.EncodeToString([]byte(p.key)); got != "09316115d5cf24ed5a15a31a3ba326e5cf32edc24702987c02b6566f61913cf7" {
		t.Errorf("key %s", got)
	}
	if !p.Matches([]byte("password")) || p.Matches([]byte("Password")) || p.Matches(nil) {
		t.Error("the hash does not tell its password from others")
	}
	if p.PHC() != phc {
		t.Errorf("written again: %s", p.PHC())
	}
}

func TestHashPassword(t *testing.T) {
	a, err := HashPassword([]byte("seven jars of rice"))
	if err != nil {
		t.Fatal(err)
	}
	b, err := HashPassword([]byte("seven jars of rice"))
	if err != nil {
		t.Fatal(err)
	}
	if a.PHC() == b.PHC() {
		t.Error("two hashes of one password are the same: no salt")
	}
	if !strings.HasPrefix(a.PHC(), "$argon2id$v=19$m=19456,t=2,p=1$") || !a.Matches([]byte("seven jars of rice")) || a.Matches([]byte("seven jars of ricE")) {
		t.Errorf("hash %s", a.PHC())
	}
	for _, bad := range [][]byte{nil, make([]byte, MaxPassword+1)} {
		if _, err := HashPassword(bad); err == nil {
			t.Errorf("%d bytes are hashed", len(bad))
		}
	}
	if (Password{}).Matches(nil) || a.Matches(make([]byte, MaxPassword+1)) {
		t.Error("matches what it must not")
	}
}

func TestParsePassword(t *testing.T) {
	const salt, key = "c29tZXNhbHQ", "CTFhFdXPJO1aFaMaO6Mm5c8y7cJHAph8ArZWb2GRPPc"
	f := func(phc string, want error) {
		t.Helper()
		_, err := ParsePassword(phc)
		if err != want {
			t.Errorf("%q: %v, want %v", phc, err, want)
		}
	}
	f("$argon2id$v=19$m=19456,t=2,p=1$"+salt+"$"+key, nil)
	f("", ErrPassword)
	f("hunter2", ErrPassword)
	f("$argon2i$v=19$m=19456,t=2,p=1$"+salt+"$"+key, ErrPassword)
	f("$argon2id$v=16$m=19456,t=2,p=1$"+salt+"$"+key, ErrPassword)
	f("$argon2id$v=19$t=2,m=19456,p=1$"+salt+"$"+key, ErrPassword)
	f("$argon2id$v=19$m=019456,t=2,p=1$"+salt+"$"+key, ErrPassword)
	f("$argon2id$v=19$m=19456,t=2$"+salt+"$"+key, ErrPassword)
	f("$argon2id$v=19$m=19456,t=2,p=1$"+salt+"$"+key+"=", ErrPassword)
	f("$argon2id$v=19$m=19456,t=2,p=1$"+salt+"\n$"+key, ErrPassword)
	f("$argon2id$v=19$m=19456,t=2,p=1$c29t$"+key, ErrPassword)
	f("$argon2id$v=19$m=19456,t=2,p=1$"+salt+"$"+key+"$", ErrPassword)
	f("$argon2id$v=19$m=99999999999,t=2,p=1$"+salt+"$"+key, ErrPassword)
	f("$argon2id$v=19$m=1024,t=2,p=1$"+salt+"$"+key, ErrWeak)
	f("$argon2id$v=19$m=2000000,t=2,p=1$"+salt+"$"+key, ErrWeak)
	f("$argon2id$v=19$m=19456,t=0,p=1$"+salt+"$"+key, ErrWeak)
	f("$argon2id$v=19$m=19456,t=99,p=1$"+salt+"$"+key, ErrWeak)
	f("$argon2id$v=19$m=19456,t=2,p=0$"+salt+"$"+key, ErrWeak)
}

func TestTokens(t *testing.T) {
	token, hash := NewToken()
	other, _ := NewToken()
	if token == other || len(token) != len("dryhold_")+43 {
		t.Errorf("token of %d characters", len(token))
	}
	again, err := ParseToken(hash.Text())
	if err != nil || !again.Same(hash) {
		t.Fatalf("%s read again: %v", hash.Text(), err)
	}
	// SHA-256 of "abc": FIPS 180-4, example in NIST's "SHA256.pdf".
	if got := HashToken("abc").Text(); got != "sha256:ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad" {
		t.Error(got)
	}
	tokens := []Token{{"one", HashToken(other), Read}, {"two", hash, Keep}}
	if got, ok := FindToken(tokens, token); !ok || got.Name != "two" {
		t.Errorf("found %v, %v", got.Name, ok)
	}
	if _, ok := FindToken(tokens, token+"x"); ok {
		t.Error("another token is taken")
	}
	if _, ok := FindToken(nil, ""); ok {
		t.Error("no token is taken for one")
	}
	for _, bad := range []string{"", "sha256:", "sha256:zz", "abc", hash.Text() + "00", strings.ToUpper(hash.Text())} {
		if _, err := ParseToken(bad); err != ErrToken {
			t.Errorf("%q: %v", bad, err)
		}
	}
}

func TestScopes(t *testing.T) {
	f := func(has, need Scope, want bool) {
		t.Helper()
		if has.Covers(need) != want {
			t.Errorf("%s covers %s: %v", has, need, !want)
		}
	}
	f(Read, Read, true)
	f(Read, Keep, false)
	f(Keep, Read, true)
	f(Keep, Admin, false)
	f(Admin, Keep, true)
	f("", Read, false)
	f("root", Read, false)
	f(Admin, "root", false)
}

// Nothing that is printed of a hash shows it.
func TestHidden(t *testing.T) {
	p := cheap("x")
	_, h := NewToken()
	all := struct {
		P Password
		H TokenHash
		T Token
	}{p, h, Token{"n", h, Read}}
	asJSON, err := json.Marshal(all)
	if err != nil {
		t.Fatal(err)
	}
	for _, shown := range []string{fmt.Sprint(all), fmt.Sprintf("%+v", all), fmt.Sprintf("%#v", all), fmt.Sprintf("%v %s %q", p, h, p), string(asJSON), p.LogValue().String(), h.LogValue().String()} {
		for _, piece := range []string{p.key, p.salt, p.PHC()[30:50], h.Text()[10:20]} {
			if strings.Contains(shown, piece) {
				t.Errorf("%s is shown in %s", piece, shown)
			}
		}
	}
}

func FuzzParsePassword(f *testing.F) {
	f.Add("$argon2id$v=19$m=19456,t=2,p=1$c29tZXNhbHQ$CTFhFdXPJO1aFaMaO6Mm5c8y7cJHAph8ArZWb2GRPPc")
	f.Add("$argon2id$v=19$m=,t=,p=$$")
	f.Add("$$$$$")
	f.Fuzz(func(t *testing.T, s string) {
		p, err := ParsePassword(s)
		if err != nil {
			if err != ErrPassword && err != ErrWeak { // the only ones, so that none can show what was read
				t.Errorf("%q: %v", s, err)
			}
			return
		}
		if p.PHC() != s {
			t.Errorf("%q is written again as %q", s, p.PHC())
		}
	})
}
