package notify

import (
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"
)

const (
	// quoted bounds what is shown of an answer, in characters; readMost what is
	// read of it, in bytes.
	quoted   = 200
	readMost = 4 << 10
	// longestWait bounds what a receiver may ask for by Retry-After.
	longestWait = 24 * time.Hour
)

// laterError is a failure with the instant at which to try again.
type laterError struct {
	error
	at time.Time
}

func (e laterError) Unwrap() error { return e.error }

// later gives the instant that an error asks to be tried again at.
func later(err error) (at time.Time, asked bool) {
	var l laterError
	asked = errors.As(err, &l)
	return l.at, asked
}

// judge turns the answer of an HTTP receiver into an error, nil when it took
// what it was given. RFC 9110, section 15: 4xx say that the same request will
// fail again, but for 408 and, of RFC 8470 and RFC 6585, 425 and 429; 429 and
// 503 may say when to come again.
func judge(response *http.Response, now time.Time, hide redactor) error {
	status := response.StatusCode
	if status >= 200 && status <= 299 {
		_, _ = io.CopyN(io.Discard, response.Body, readMost) // so that a sender still writing is not cut off
		return nil
	}
	err := fmt.Errorf("it answers %s", statusText(status))
	if said := excerpt(response.Body, hide); said != "" {
		err = fmt.Errorf("%w: %q", err, said)
	}
	switch {
	case status >= 300 && status <= 399:
		return Permanent(fmt.Errorf("%w; a redirect is not followed, since a notice would go where nobody configured it: give the final address", err))
	case status == http.StatusTooManyRequests || status == http.StatusServiceUnavailable:
		if at, ok := retryTime(response.Header.Get("Retry-After"), now); ok {
			return laterError{err, at}
		}
		return err
	case status >= 400 && status <= 499 && !slices.Contains([]int{http.StatusRequestTimeout, http.StatusTooEarly}, status):
		return Permanent(err)
	}
	return err
}

func statusText(status int) string {
	return strings.TrimSpace(strconv.Itoa(status) + " " + http.StatusText(status))
}

// retryTime reads Retry-After (RFC 9110, section 10.2.3): seconds or a date.
// One that lies behind or cannot be read counts for nothing; one too far ahead
// is cut to a day.
func retryTime(text string, now time.Time) (at time.Time, ok bool) {
	text = strings.TrimSpace(text)
	if text != "" && strings.Trim(text, "0123456789") == "" {
		seconds, err := strconv.ParseInt(text, 10, 64)
		if err != nil || seconds > int64(longestWait/time.Second) {
			seconds = int64(longestWait / time.Second)
		}
		at = now.Add(time.Duration(seconds) * time.Second)
	} else if date, err := http.ParseTime(text); err == nil {
		at = date
	}
	if !at.After(now) {
		return time.Time{}, false
	}
	if last := now.Add(longestWait); at.After(last) {
		at = last
	}
	return at, true
}

// excerpt is the beginning of an answer on one line, without secrets.
func excerpt(body io.Reader, hide redactor) string {
	raw, _ := io.ReadAll(io.LimitReader(body, readMost)) // what came is better than nothing
	text := strings.Map(func(r rune) rune {
		if unicode.IsControl(r) || r == utf8.RuneError {
			return ' '
		}
		return r
	}, string(raw))
	return cut(hide.clean(strings.Join(strings.Fields(text), " ")), quoted)
}

// cut bounds a text to so many characters.
func cut(text string, most int) string {
	runes := []rune(text)
	if len(runes) <= most {
		return text
	}
	return string(runes[:most-1]) + "…"
}

// withoutURL is the cause of a failed request without its address, which may
// hold secrets.
func withoutURL(err error) error {
	var of *url.Error
	if errors.As(err, &of) {
		return of.Err
	}
	return err
}

// redactor hides secrets in texts of others.
type redactor struct{ secrets []string }

// leastHidden is the length from which a part of a secret is hidden, bytes;
// shorter ones occur by chance everywhere.
const leastHidden = 4

// newRedactor hides the texts given and, of each, the parts between the signs
// of an address, the larger and the smaller ones, as they are and as they are
// without escapes.
func newRedactor(texts ...string) redactor {
	var r redactor
	add := func(s string) {
		if len(s) >= leastHidden && !slices.Contains(r.secrets, s) {
			r.secrets = append(r.secrets, s)
		}
	}
	for _, text := range texts {
		for _, signs := range []string{"", "/@?&#", "/@?&#:=+,; "} {
			for _, part := range strings.FieldsFunc(text, func(c rune) bool { return strings.ContainsRune(signs, c) }) {
				add(part)
				if plain, err := url.QueryUnescape(part); err == nil {
					add(plain)
					add(url.QueryEscape(plain))
					add(url.PathEscape(plain))
				}
			}
		}
	}
	// The longest first, so that none leaves an end of another.
	slices.SortStableFunc(r.secrets, func(a, b string) int { return len(b) - len(a) })
	return r
}

func (r redactor) clean(text string) string {
	for _, s := range r.secrets {
		text = strings.ReplaceAll(text, s, "***")
	}
	return text
}
