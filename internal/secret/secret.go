// Package secret keeps what people and devices prove themselves with: hashes
// of passwords and tokens, and the door that checks them at a bounded rate.
// It holds no plain password or token longer than one check, and nothing in
// it prints one.
package secret

import (
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/base64"
	"encoding/hex"
	"errors"
	"fmt"
	"log/slog"
	"strconv"
	"strings"

	"golang.org/x/crypto/argon2"
)

// The cost of a hash made here: 19 MiB and two passes on one lane, the least
// that OWASP's password storage cheat sheet gives for argon2id (from memory),
// since a small board must bear it for every device that connects.
const (
	memoryKiB = 19 * 1024
	passes    = 2
	lanes     = 1
	saltBytes = 16
	keyBytes  = 32
)

// Bounds on the cost of a hash that is read: below, it protects little; above,
// one login would hold up a small machine (judgement).
const (
	minMemoryKiB = 7 * 1024
	maxMemoryKiB = 256 * 1024
	maxPasses    = 16
	maxLanes     = 8
	maxBytes     = 64 // of salt and key
)

// MaxPassword is the longest password taken, bytes.
const MaxPassword = 1024

// Errors of reading hashes. None of them shows what was read.
var (
	ErrPassword = errors.New("not a password hash of the form $argon2id$v=19$m=...,t=...,p=...$salt$key")
	ErrWeak     = fmt.Errorf("the cost of the password hash is out of bounds: m from %d to %d, t from 1 to %d, p from 1 to %d", minMemoryKiB, maxMemoryKiB, maxPasses, maxLanes)
	ErrToken    = errors.New("not a token hash of the form sha256:HEX")
)

// Password is the hash of one password. The zero value matches nothing.
type Password struct {
	memory    uint32
	passes    uint32
	lanes     uint8
	salt, key string
}

// HashPassword hashes a password with a fresh salt. It takes 1 to MaxPassword
// bytes.
func HashPassword(password []byte) (Password, error) {
	if len(password) == 0 || len(password) > MaxPassword {
		return Password{}, fmt.Errorf("cannot hash a password of %d bytes: it must have 1 to %d", len(password), MaxPassword)
	}
	salt := make([]byte, saltBytes)
	rand.Read(salt) // never fails: it ends the process instead
	p := Password{memory: memoryKiB, passes: passes, lanes: lanes, salt: string(salt)}
	p.key = string(p.derive(password, keyBytes))
	return p, nil
}

// ParsePassword reads a hash in the PHC string format of argon2id.
func ParsePassword(s string) (Password, error) {
	parts := strings.Split(s, "$")
	if len(parts) != 6 || parts[0] != "" || parts[1] != "argon2id" || parts[2] != "v="+strconv.Itoa(argon2.Version) {
		return Password{}, ErrPassword
	}
	var n [3]uint64
	costs := strings.Split(parts[3], ",")
	if len(costs) != len(n) {
		return Password{}, ErrPassword
	}
	for i, name := range []string{"m=", "t=", "p="} {
		digits, ok := strings.CutPrefix(costs[i], name)
		v, err := strconv.ParseUint(digits, 10, 31)
		if !ok || err != nil || strconv.FormatUint(v, 10) != digits {
			return Password{}, ErrPassword
		}
		n[i] = v
	}
	code := base64.RawStdEncoding.Strict()
	salt, err := code.DecodeString(parts[4])
	key, err2 := code.DecodeString(parts[5])
	// The decoder passes over line breaks, which do not belong here.
	if err != nil || err2 != nil || strings.ContainsAny(s, "\r\n") ||
		len(salt) < 8 || len(salt) > maxBytes || len(key) < 16 || len(key) > maxBytes {
		return Password{}, ErrPassword
	}
	if n[0] < minMemoryKiB || n[0] > maxMemoryKiB || n[1] < 1 || n[1] > maxPasses || n[2] < 1 || n[2] > maxLanes {
		return Password{}, ErrWeak
	}
	return Password{memory: uint32(n[0]), passes: uint32(n[1]), lanes: uint8(n[2]), salt: string(salt), key: string(key)}, nil
}

// PHC is the hash as it stands in a configuration.
func (p Password) PHC() string {
	code := base64.RawStdEncoding
	return fmt.Sprintf("$argon2id$v=%d$m=%d,t=%d,p=%d$%s$%s", argon2.Version, p.memory, p.passes, p.lanes,
		code.EncodeToString([]byte(p.salt)), code.EncodeToString([]byte(p.key)))
}

// Matches reports whether the password is the one that was hashed. It does the
// whole work for any password of up to MaxPassword bytes.
func (p Password) Matches(password []byte) bool {
	if p.key == "" || len(password) > MaxPassword {
		return false
	}
	return subtle.ConstantTimeCompare(p.derive(password, uint32(len(p.key))), []byte(p.key)) == 1
}

func (p Password) derive(password []byte, n uint32) []byte {
	return argon2.IDKey(password, []byte(p.salt), p.passes, p.memory, p.lanes, n)
}

// hidden is what is printed in the place of a hash.
const hidden = "(hash)"

// String, GoString, MarshalText and LogValue keep the hash out of logs and
// answers.
func (p Password) String() string { return hidden }

// GoString implements fmt.GoStringer.
func (p Password) GoString() string { return hidden }

// MarshalText implements encoding.TextMarshaler.
func (p Password) MarshalText() ([]byte, error) { return []byte(hidden), nil }

// LogValue implements slog.LogValuer.
func (p Password) LogValue() slog.Value { return slog.StringValue(hidden) }

// Equal reports whether two hashes are the same.
func (p Password) Equal(o Password) bool { return p == o }

// Scope is what a token may do; each includes those before it.
type Scope string

// The scopes.
const (
	Read  Scope = "read"  // look at everything
	Keep  Scope = "keep"  // and change lots, alarms and sensors
	Admin Scope = "admin" // and have the state rebuilt
)

// Scopes lists them from least to most.
func Scopes() []Scope { return []Scope{Read, Keep, Admin} }

// Covers reports whether who has s may do what needs the other.
func (s Scope) Covers(need Scope) bool {
	rank := map[Scope]int{Read: 1, Keep: 2, Admin: 3}
	return rank[need] > 0 && rank[s] >= rank[need]
}

// TokenHash is the SHA-256 of a token. A token is 256 random bits, which
// nobody can guess, so that its hash needs neither salt nor work.
type TokenHash struct{ sum [sha256.Size]byte }

const (
	tokenPrefix     = "dryhold_" // so that scanners for leaked secrets can know one
	tokenHashPrefix = "sha256:"
)

// NewToken makes a token and its hash.
func NewToken() (token string, hash TokenHash) {
	raw := make([]byte, 32)
	rand.Read(raw) // never fails: it ends the process instead
	token = tokenPrefix + base64.RawURLEncoding.EncodeToString(raw)
	return token, HashToken(token)
}

// HashToken hashes a token as a client shows it.
func HashToken(token string) TokenHash { return TokenHash{sha256.Sum256([]byte(token))} }

// ParseToken reads a token hash as it stands in a configuration.
func ParseToken(s string) (TokenHash, error) {
	digits, ok := strings.CutPrefix(s, tokenHashPrefix)
	raw, err := hex.DecodeString(digits)
	if !ok || err != nil || len(raw) != sha256.Size {
		return TokenHash{}, ErrToken
	}
	return TokenHash{[sha256.Size]byte(raw)}, nil
}

// Text is the hash as it stands in a configuration.
func (h TokenHash) Text() string { return tokenHashPrefix + hex.EncodeToString(h.sum[:]) }

// Same compares in constant time.
func (h TokenHash) Same(o TokenHash) bool {
	return subtle.ConstantTimeCompare(h.sum[:], o.sum[:]) == 1
}

// String keeps the hash out of logs and answers.
func (h TokenHash) String() string { return hidden }

// GoString implements fmt.GoStringer.
func (h TokenHash) GoString() string { return hidden }

// MarshalText implements encoding.TextMarshaler.
func (h TokenHash) MarshalText() ([]byte, error) { return []byte(hidden), nil }

// LogValue implements slog.LogValuer.
func (h TokenHash) LogValue() slog.Value { return slog.StringValue(hidden) }

// Equal reports whether two hashes are the same.
func (h TokenHash) Equal(o TokenHash) bool { return h == o }

// Token is one token of a configuration.
type Token struct {
	Name  string
	Hash  TokenHash
	Scope Scope
}

// FindToken gives the token that a client shows. It compares with all of them,
// each in constant time.
func FindToken(tokens []Token, shown string) (Token, bool) {
	h := HashToken(shown)
	var found Token
	ok := false
	for _, t := range tokens {
		if t.Hash.Same(h) {
			found, ok = t, true
		}
	}
	return found, ok
}
