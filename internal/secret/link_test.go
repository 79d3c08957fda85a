package secret

import (
	"encoding/base64"
	"errors"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"dryhold/internal/alarm"
)

func larchLink() Link {
	return Link{Alarm: alarm.Key{Kind: alarm.Warm, Room: "loft"}, Spell: "3/20260714T110000Z", Do: alarm.ActAcknowledge, To: "mara", Until: noon().AddDate(0, 0, 7)}
}

func TestLink(t *testing.T) {
	key, other := []byte("a key of the house"), []byte("a key of another")
	l := larchLink()
	token := l.Token(key)
	if got, err := ReadLink(key, token); err != nil || got != l {
		t.Errorf("read back %+v, %v", got, err)
	}
	if len(token) > 200 || strings.ContainsAny(token, "/+=?&# ") {
		t.Errorf("not fit for an address: %q", token)
	}
	if _, err := ReadLink(other, token); !errors.Is(err, ErrLink) {
		t.Errorf("with another key: %v", err)
	}
	for _, change := range []func(*Link){
		func(l *Link) { l.Alarm.Room = "cellar" }, func(l *Link) { l.Spell = "4/20260714T110000Z" }, func(l *Link) { l.Do = alarm.ActShelve },
		func(l *Link) { l.To = "ben" }, func(l *Link) { l.Until = l.Until.Add(time.Second) },
	} {
		x := l
		if change(&x); x.Token(key)[:20] == token[:20] {
			t.Errorf("the code does not hold %+v", x)
		}
	}
	if LinkID(token) == LinkID(forBen(l, key)) || strings.Contains(LinkID(token), token[:10]) {
		t.Error("names of links")
	}
}

func forBen(l Link, key []byte) string { l.To = "ben"; return l.Token(key) }

// No link that was tampered with is read, wherever it was touched.
func TestLinkTamperedWith(t *testing.T) {
	key := []byte("a key of the house")
	token := larchLink().Token(key)
	raw, err := base64.RawURLEncoding.DecodeString(token)
	if err != nil {
		t.Fatal(err)
	}
	rapid.Check(t, func(t *rapid.T) {
		bad := slices.Clone(raw)
		bad[rapid.IntRange(0, len(bad)-1).Draw(t, "at")] ^= byte(rapid.IntRange(1, 255).Draw(t, "bits"))
		if _, err := ReadLink(key, base64.RawURLEncoding.EncodeToString(bad)); !errors.Is(err, ErrLink) {
			t.Fatalf("taken: %v", err)
		}
		if _, err := ReadLink(key, token[:rapid.IntRange(0, len(token)-1).Draw(t, "cut")]); !errors.Is(err, ErrLink) {
			t.Fatalf("cut off and taken: %v", err)
		}
		at := rapid.IntRange(0, len(token)).Draw(t, "line ends at")
		end := rapid.SampledFrom([]string{"\n", "\r", "\r\n"}).Draw(t, "end")
		if _, err := ReadLink(key, token[:at]+end+token[at:]); !errors.Is(err, ErrLink) {
			t.Fatalf("broken over two lines and taken: %v", err)
		}
	})
}

func FuzzReadLink(f *testing.F) {
	key := []byte("a key of the house")
	f.Add(larchLink().Token(key))
	f.Add("")
	f.Add("AAAA")
	f.Add(larchLink().Token(key)[:5] + "\n" + larchLink().Token(key)[5:])
	f.Fuzz(func(t *testing.T, token string) {
		if l, err := ReadLink(key, token); err == nil && l.Token(key) != token {
			t.Errorf("%q reads as %+v, whose token is another", token, l)
		}
	})
}
