package secret

import (
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"time"

	"dryhold/internal/alarm"
)

// Link is what one link in a notice lets whoever has it do, once.
type Link struct {
	Alarm alarm.Key
	Spell string // the only spell of the alarm it is for, see alarm.Condition.SpellKey
	Do    string // one of alarm.Acts
	To    string // whom it was sent to
	Until time.Time
}

// ErrLink is what is no link of ours, or one that was tampered with.
var ErrLink = errors.New("this link is not one of ours, or is not whole: take it from the message as it stands there")

// macBytes of the code are shown: a half of it, which is the least that RFC
// 2104 section 5 takes.
const macBytes = sha256.Size / 2

// maxLink bounds a token, bytes.
const maxLink = 2000

// Token is the link as it stands in an address: what it lets do, which anyone
// may read, and a code that only the key makes.
func (l Link) Token(key []byte) string {
	text, err := json.Marshal([]string{l.Alarm.String(), l.Spell, l.Do, l.To, l.Until.UTC().Format(time.RFC3339)})
	if err != nil {
		panic(fmt.Sprintf("BUG: a link cannot be written as JSON: %v", err)) // strings always can
	}
	return base64.RawURLEncoding.EncodeToString(append(linkMAC(key, text), text...))
}

// linkMAC is for links alone, whatever else the key may be used for.
func linkMAC(key, text []byte) []byte {
	mac := hmac.New(sha256.New, key)
	mac.Write([]byte("dryhold link 1\x00"))
	mac.Write(text)
	return mac.Sum(nil)[:macBytes]
}

// ReadLink reads a token that Token made with the same key; the error is
// ErrLink. Whether its time is over, the caller says.
func ReadLink(key []byte, token string) (Link, error) {
	// base64 passes over ends of lines: one link would have many tokens, each
	// with a LinkID of its own, and so could be used more than once.
	if len(token) > maxLink || strings.ContainsAny(token, "\r\n") {
		return Link{}, ErrLink
	}
	raw, err := base64.RawURLEncoding.Strict().DecodeString(token)
	if err != nil || len(raw) < macBytes || !hmac.Equal(raw[:macBytes], linkMAC(key, raw[macBytes:])) {
		return Link{}, ErrLink
	}
	var parts []string
	if err := json.Unmarshal(raw[macBytes:], &parts); err != nil || len(parts) != 5 {
		return Link{}, ErrLink
	}
	l := Link{Spell: parts[1], Do: parts[2], To: parts[3]}
	if l.Alarm, err = alarm.ParseKey(parts[0]); err != nil {
		return Link{}, ErrLink
	}
	if l.Until, err = time.Parse(time.RFC3339, parts[4]); err != nil {
		return Link{}, ErrLink
	}
	return l, nil
}

// LinkID names a token where it is kept, without giving it away.
func LinkID(token string) string {
	sum := sha256.Sum256([]byte(strings.TrimSpace(token)))
	return "link/" + hex.EncodeToString(sum[:])
}
