package main

import (
	"bytes"
	"context"
	"crypto/rand"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"os"
	"os/user"
	"strconv"
	"strings"
	"syscall"
	"time"

	"github.com/spf13/cobra"

	"dryhold/internal/web"
)

// client talks to the running daemon.
type client struct {
	url  string
	http *http.Client
}

// addURL adds the flag that says where the daemon is.
func addURL(c *cobra.Command, to *string) {
	usual := os.Getenv("DRYHOLD_URL")
	if usual == "" {
		usual = "http://127.0.0.1:8090"
	}
	c.PersistentFlags().StringVar(to, "url", usual, "address of the daemon's page, also from $DRYHOLD_URL")
	addAccess(c)
}

func newClient(at string) client {
	return client{strings.TrimRight(at, "/"), &http.Client{Timeout: 30 * time.Second}}
}

// do sends a request and decodes the answer into out, unless that is nil. A
// problem becomes an error with the daemon's own words.
func (k client) do(ctx context.Context, method, path string, in, out any) error {
	return k.send(ctx, method, path, in, func(answer io.Reader) error {
		if out == nil {
			return nil
		}
		if err := json.NewDecoder(answer).Decode(out); err != nil {
			return fmt.Errorf("cannot read the daemon's answer at %s: %w", k.url, err)
		}
		return nil
	})
}

// send is do for an answer that is read in another way.
func (k client) send(ctx context.Context, method, path string, in any, read func(answer io.Reader) error) error {
	u, err := url.Parse(k.url)
	if err != nil || u.Host == "" || u.User != nil || u.Scheme != "http" && u.Scheme != "https" {
		shown := " " + strconv.Quote(k.url)
		if strings.Contains(k.url, "@") {
			shown = "" // there may be a password in it
		}
		return usageError{fmt.Errorf("--url%s is not an address: write for example http://127.0.0.1:8090", shown)}
	}
	token, err := k.prepare(ctx, u)
	if err != nil {
		return err
	}
	var body []byte
	if in != nil {
		if body, err = json.Marshal(in); err != nil {
			return fmt.Errorf("cannot write the request: %w", err)
		}
	}
	resp, err := k.ask(ctx, method, path, token, body)
	if err != nil {
		return fmt.Errorf("cannot reach the daemon at %s: start it with `dryhold run`, or say with --url where it is: %w", k.url, err)
	}
	defer resp.Body.Close()
	if resp.StatusCode >= 400 {
		return problem(resp)
	}
	return read(resp.Body)
}

// A request whose answer was lost is sent so often in all, with a pause between.
const (
	tries      = 3
	triesPause = time.Second
)

// ask sends a request. What changes something has a name of its own
// (Idempotency-Key): the daemon does it once, however often it hears of it, so
// that it can be sent again where the answer was lost on the way.
func (k client) ask(ctx context.Context, method, path, token string, body []byte) (*http.Response, error) {
	name, lost := rand.Text(), false
	for try := 1; ; try++ {
		req, err := http.NewRequestWithContext(ctx, method, k.url+path, bytes.NewReader(body))
		if err != nil {
			return nil, fmt.Errorf("cannot write the request: %w", err)
		}
		req.Header.Set("Content-Type", "application/json")
		if method != http.MethodGet {
			req.Header.Set("Idempotency-Key", `"`+name+`"`)
		}
		if token != "" {
			req.Header.Set("Authorization", "Bearer "+token)
		}
		resp, err := k.http.Do(req)
		// A daemon that went away behind a request may still be starting.
		lost = errors.Is(err, io.EOF) || errors.Is(err, syscall.ECONNRESET) || lost && errors.Is(err, syscall.ECONNREFUSED)
		busy := err == nil && resp.StatusCode == http.StatusConflict && resp.Header.Get("Retry-After") != ""
		if try == tries || !lost && !busy {
			return resp, err
		}
		if busy {
			_ = resp.Body.Close()
		}
		select {
		case <-ctx.Done():
			return nil, ctx.Err()
		case <-time.After(triesPause):
		}
	}
}

// follow asks for what takes long, tells how far it is, and waits for its end. The
// answer is a stream of lines, as web.RefoldLine and web.ReplayLine are.
func follow[Progress, Done any](ctx context.Context, k client, path string, order any, tell func(Progress)) (done Done, err error) {
	k.http = &http.Client{} // without a limit of time
	err = k.send(ctx, http.MethodPost, path, order, func(answer io.Reader) error {
		lines := json.NewDecoder(answer)
		for {
			var l struct {
				Progress *Progress `json:"progress"`
				Done     *Done     `json:"done"`
				Problem  string    `json:"problem"`
			}
			switch err := lines.Decode(&l); {
			case err != nil:
				return fmt.Errorf("the daemon at %s broke off its answer; see whether it runs, and its log: %w", k.url, err)
			case l.Problem != "":
				return errors.New(l.Problem)
			case l.Progress != nil:
				tell(*l.Progress)
			case l.Done != nil:
				done = *l.Done
				return nil
			}
		}
	})
	return done, err
}

// refusal is an answer that is none, with its status.
type refusal struct {
	status int
	detail string
}

func (r refusal) Error() string { return r.detail }

func problem(resp *http.Response) error {
	var p web.Problem
	if err := json.NewDecoder(io.LimitReader(resp.Body, 1<<20)).Decode(&p); err != nil || p.Detail == "" {
		return fmt.Errorf("the daemon answers %s: is that address a dryhold?", resp.Status)
	}
	return refusal{resp.StatusCode, p.Detail}
}

// printJSON writes v for programs.
func printJSON(w io.Writer, v any) error {
	enc := json.NewEncoder(w)
	enc.SetIndent("", "  ")
	return enc.Encode(v)
}

// who is the name recorded with an edit.
func who(given string) string {
	if given != "" {
		return given
	}
	if u, err := user.Current(); err == nil {
		return u.Username
	}
	return "unknown"
}
