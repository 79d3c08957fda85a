package main

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net/http"
	"net/netip"
	"net/url"
	"os"
	"strings"

	"github.com/spf13/cobra"

	"dryhold/internal/secret"
)

func newPassword() *cobra.Command {
	return &cobra.Command{
		Use: "password", Short: "Hash a password for the configuration", Args: noArgs,
		Long: `Read a password from standard input, one line, and print its hash, which goes
into the configuration as password_hash of a user of the page (http.users) or of
the embedded broker (broker.embedded.users). The hash is argon2id with a fresh
salt: that of the same password is another one each time.

At a terminal the password is seen while it is typed; the examples show ways
without.`,
		Example: `  read -rs P && printf %s "$P" | dryhold password
  dryhold password <password.txt`,
		RunE: func(c *cobra.Command, _ []string) error {
			line, err := oneLine(c.InOrStdin())
			if err != nil {
				return fmt.Errorf("cannot read the password: %w", err)
			}
			hash, err := secret.HashPassword([]byte(line))
			if err != nil {
				return usageError{err}
			}
			_, err = fmt.Fprintln(c.OutOrStdout(), hash.PHC())
			return err
		},
	}
}

// oneLine reads to the end and takes off the end of the line. More than one
// line is refused: it is most likely the wrong file.
func oneLine(r io.Reader) (string, error) {
	b, err := io.ReadAll(io.LimitReader(r, 2*secret.MaxPassword))
	if err != nil {
		return "", err
	}
	line := strings.TrimRight(string(b), "\r\n")
	if strings.ContainsAny(line, "\r\n") {
		return "", usageError{errors.New("there is more than one line")}
	}
	return line, nil
}

func newToken() *cobra.Command {
	var file string
	c := &cobra.Command{
		Use: "token", Short: "Make a token for a program, and its hash for the configuration", Args: noArgs,
		Long: `Make a token of 256 random bits. The token goes to the program that will use
dryhold, the hash into the configuration under http.tokens, with a name and a
scope: read looks at everything, keep also changes lots, alarms and sensors,
admin may also have the state rebuilt. dryhold keeps the hash alone: a token
that is lost is replaced by another.

The commands here take a token from the file named by --token-file or
$DRYHOLD_TOKEN_FILE. Prometheus takes one as authorization: {credentials_file}.`,
		Example: `  dryhold token --file ~/.config/dryhold/token    the token into a file of your own, the hash to the screen
  dryhold token`,
		RunE: func(c *cobra.Command, _ []string) error {
			token, hash := secret.NewToken()
			text := fmt.Sprintf("token: %s\n", token)
			if file != "" {
				if err := writeNew(file, token+"\n"); err != nil {
					return fmt.Errorf("cannot write the token: %w", err)
				}
				text = ""
			}
			_, err := fmt.Fprintf(c.OutOrStdout(), "%shash: %s\n", text, hash.Text())
			return err
		},
	}
	c.Flags().StringVar(&file, "file", "", "write the token into this new file, for you alone (0600), and print only the hash")
	return c
}

// writeNew writes a file that must not be there yet, for its owner alone.
func writeNew(name, text string) error {
	f, err := os.OpenFile(name, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return err
	}
	_, err = f.WriteString(text)
	return errors.Join(err, f.Close())
}

// access is how a command comes into the daemon.
type access struct {
	tokenFile, caFile string
}

type accessKey struct{}

// addAccess adds the flags by which a command proves who it is and knows whom
// it talks to. The client finds them in the context of the command.
func addAccess(c *cobra.Command) {
	a := &access{}
	c.PersistentFlags().StringVar(&a.tokenFile, "token-file", os.Getenv("DRYHOLD_TOKEN_FILE"), "file with a token, also from $DRYHOLD_TOKEN_FILE; where the daemon asks who is there")
	c.PersistentFlags().StringVar(&a.caFile, "ca-file", os.Getenv("DRYHOLD_CA_FILE"), "file with the authority (PEM) to trust for https, also from $DRYHOLD_CA_FILE")
	c.PersistentPreRun = func(c *cobra.Command, _ []string) {
		c.SetContext(context.WithValue(c.Context(), accessKey{}, a))
	}
}

// prepare gives the client what it needs for a daemon at an address: the token
// for its requests, and whom to trust.
func (k *client) prepare(ctx context.Context, at *url.URL) (token string, err error) {
	a, _ := ctx.Value(accessKey{}).(*access)
	if a == nil {
		return "", nil
	}
	if a.caFile != "" && at.Scheme == "https" && k.http.Transport == nil {
		pem, err := os.ReadFile(a.caFile)
		if err != nil {
			return "", fmt.Errorf("cannot read --ca-file: %w", err)
		}
		pool := x509.NewCertPool()
		if !pool.AppendCertsFromPEM(pem) {
			return "", usageError{fmt.Errorf("--ca-file %s holds no PEM certificate", a.caFile)}
		}
		transport := http.DefaultTransport.(*http.Transport).Clone()
		transport.TLSClientConfig = &tls.Config{MinVersion: tls.VersionTLS12, RootCAs: pool}
		k.http.Transport = transport
	}
	if a.tokenFile == "" {
		return "", nil
	}
	if at.Scheme != "https" && !thisMachine(at.Hostname()) {
		return "", usageError{fmt.Errorf("the token would cross the network to %s unencrypted: use https, or a tunnel to the daemon's machine", at.Host)}
	}
	return readToken(a.tokenFile)
}

// readToken reads a token from a file that nobody else can read.
func readToken(name string) (string, error) {
	line, err := readSecret("--token-file", "token", name)
	if err == nil && strings.ContainsAny(line, " \t") {
		err = fmt.Errorf("--token-file %s %w", name, errNotAlone{"token"})
	}
	if errors.As(err, new(errNotAlone)) {
		err = fmt.Errorf("%w: `dryhold token --file` writes one", err)
	}
	return line, err
}

// errNotAlone is of a file that holds more than a secret, or nothing.
type errNotAlone struct{ what string }

func (e errNotAlone) Error() string { return "does not hold a " + e.what + " alone" }

// readSecret reads the one line of a file that nobody else can read, which a flag
// names: a token or a password.
func readSecret(flag, what, name string) (string, error) {
	f, err := os.Open(name)
	if err != nil {
		return "", fmt.Errorf("cannot read %s: %w", flag, err)
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return "", fmt.Errorf("cannot read %s: %w", flag, err)
	}
	if forOthers(info.Mode()) {
		return "", fmt.Errorf("%s %s can be read by others: chmod 600 %s", flag, name, shellWord(name))
	}
	line, err := oneLine(f)
	if err != nil || line == "" {
		return "", fmt.Errorf("%s %s %w", flag, name, errNotAlone{what})
	}
	return line, nil
}

// forOthers reports a mode that lets the file's group or others read it.
func forOthers(m fs.FileMode) bool { return m.IsRegular() && m.Perm()&0o077 != 0 }

// thisMachine reports a host that is reached without a network.
func thisMachine(host string) bool {
	addr, err := netip.ParseAddr(host)
	return host == "localhost" || err == nil && addr.IsLoopback()
}
