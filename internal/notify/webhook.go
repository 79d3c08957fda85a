package notify

import (
	"bytes"
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"dryhold/internal/alarm"
)

// The headers of a webhook beside Content-Type and Idempotency-Key.
const (
	TimestampHeader = "Dryhold-Timestamp" // of the attempt, seconds since 1970
	SignatureHeader = "Dryhold-Signature" // see Sign
)

// LeastSecret is the shortest secret a webhook is signed with, bytes: 128 bit
// (judgement).
const LeastSecret = 16

// WebhookConfig says where notices are posted.
type WebhookConfig struct {
	Name   string // of the channel
	URL    string // http or https, without user and password; may hold secrets
	Secret string // signs each request; at least LeastSecret bytes
	// Roots are the authorities to trust; nil for those of the system.
	Roots *x509.CertPool
	// Now is the clock of the timestamp and of Retry-After.
	Now func() time.Time
}

// Webhook is a channel that posts each notice as JSON. Whatever number of times
// a notice is posted, its body and its Idempotency-Key are the same. Safe for
// concurrent use.
type Webhook struct {
	config WebhookConfig
	client *http.Client
	at     string // scheme and host: what may be shown of the address
	hide   redactor
}

// NewWebhook checks the configuration; it does not connect. No error shows the
// address beyond its host, or the secret.
func NewWebhook(config WebhookConfig) (*Webhook, error) {
	u, err := url.Parse(config.URL)
	switch {
	case err != nil:
		return nil, fmt.Errorf("cannot set up webhook %s: its url cannot be read: write https://host/path", config.Name)
	case u.Scheme != "https" && u.Scheme != "http" || u.Hostname() == "":
		return nil, fmt.Errorf("cannot set up webhook %s: its url is no http or https address: write https://host/path", config.Name)
	case u.User != nil:
		return nil, fmt.Errorf("cannot set up webhook %s: its url holds a user or password: leave them out, the request is signed", config.Name)
	case len(config.Secret) < LeastSecret:
		return nil, fmt.Errorf("cannot set up webhook %s: its secret has %d bytes, at least %d are needed: make one with `dryhold token --file FILE`", config.Name, len(config.Secret), LeastSecret)
	case config.Now == nil:
		return nil, errors.New("BUG: a webhook without a clock")
	}
	return &Webhook{
		config: config, client: plainClient(config.Roots), at: u.Scheme + "://" + u.Host,
		hide: newRedactor(config.Secret, u.Path, u.RawQuery),
	}, nil
}

// plainClient makes one request at a time, follows no redirect and keeps no
// connection: the next notice may be months away.
func plainClient(roots *x509.CertPool) *http.Client {
	return &http.Client{
		Transport: &http.Transport{
			Proxy: http.ProxyFromEnvironment, DisableKeepAlives: true, ForceAttemptHTTP2: true,
			TLSClientConfig: &tls.Config{MinVersion: tls.VersionTLS12, RootCAs: roots},
		},
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}
}

// Name is that of the configuration.
func (w *Webhook) Name() string { return w.config.Name }

// Sign is the signature of a body posted at an instant: "v1=" and, in
// hexadecimal, the HMAC-SHA256 (RFC 2104) of the timestamp, a dot and the body.
func Sign(secret, timestamp string, body []byte) string {
	mac := hmac.New(sha256.New, []byte(secret))
	mac.Write([]byte(timestamp + "."))
	mac.Write(body)
	return "v1=" + hex.EncodeToString(mac.Sum(nil))
}

// Send posts the notice.
func (w *Webhook) Send(ctx context.Context, n alarm.Notice) error {
	body, err := json.Marshal(n)
	if err != nil {
		return Permanent(fmt.Errorf("cannot write notice %s as JSON: %w", n.Key, err))
	}
	request, err := http.NewRequestWithContext(ctx, http.MethodPost, w.config.URL, bytes.NewReader(body))
	if err != nil {
		return Permanent(w.failure(n, errors.New("the request cannot be made")))
	}
	timestamp := strconv.FormatInt(w.config.Now().Unix(), 10)
	request.Header.Set("Content-Type", "application/json")
	request.Header.Set("User-Agent", "dryhold")
	// With the site: two of them may give messages of one second the same key.
	request.Header.Set("Idempotency-Key", headerText(n.Site+"/"+n.Key))
	request.Header.Set(TimestampHeader, timestamp)
	request.Header.Set(SignatureHeader, Sign(w.config.Secret, timestamp, body))
	response, err := w.client.Do(request)
	if err != nil {
		return w.failure(n, cause(ctx, withoutURL(err)))
	}
	defer response.Body.Close()
	if err := judge(response, w.config.Now(), w.hide); err != nil {
		return w.failure(n, err)
	}
	return nil
}

// failure says what was being done. Of the address it shows the host.
func (w *Webhook) failure(n alarm.Notice, err error) error {
	return fmt.Errorf("cannot post notice %s to %s: %w", n.Key, w.at, err)
}

// headerText is a key as a header can carry it: what is not printable ASCII is
// written as %XX.
func headerText(key string) string {
	var b strings.Builder
	for _, c := range []byte(key) {
		if c > 0x20 && c < 0x7f {
			b.WriteByte(c)
			continue
		}
		fmt.Fprintf(&b, "%%%02X", c)
	}
	return b.String()
}
