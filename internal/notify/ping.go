package notify

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"time"
)

// Ping asks one address for an answer, by which a service elsewhere knows that
// the daemon lives. Safe for concurrent use.
type Ping struct {
	url    string
	client *http.Client
	hide   redactor
	now    func() time.Time
}

// NewPing checks the address, which is a secret; it does not connect.
func NewPing(address string, now func() time.Time) (*Ping, error) {
	u, err := url.Parse(address)
	if err != nil || u.Scheme != "https" && u.Scheme != "http" || u.Hostname() == "" {
		return nil, errors.New("the file holds no http or https address: write https://host/path on one line")
	}
	return &Ping{url: address, client: plainClient(nil), hide: newRedactor(u.Host, u.RequestURI()), now: now}, nil
}

// Send asks once. Any answer but 2xx is an error, which does not show the
// address.
func (p *Ping) Send(ctx context.Context) error {
	request, err := http.NewRequestWithContext(ctx, http.MethodGet, p.url, nil)
	if err != nil {
		return errors.New("cannot ping: the request cannot be made")
	}
	request.Header.Set("User-Agent", "dryhold")
	response, err := p.client.Do(request)
	if err != nil {
		return fmt.Errorf("cannot ping: %s", p.hide.clean(cause(ctx, withoutURL(err)).Error()))
	}
	defer response.Body.Close()
	if err := judge(response, p.now(), p.hide); err != nil {
		return fmt.Errorf("cannot ping: %w", err)
	}
	return nil
}
