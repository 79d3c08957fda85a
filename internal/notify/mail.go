package notify

import (
	"cmp"
	"context"
	"crypto/sha256"
	"crypto/tls"
	"encoding/hex"
	"errors"
	"fmt"
	"net"
	netmail "net/mail"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/wneessen/go-mail"

	"dryhold/internal/alarm"
)

// TLSMode is how the connection to the mail server is secured.
type TLSMode string

// Modes of securing mail.
const (
	StartTLS TLSMode = "starttls" // plain connection, upgraded or given up
	Implicit TLSMode = "implicit" // TLS from the first byte
	NoTLS    TLSMode = "none"     // plain text; a password then goes to this machine only, or hashed
)

// MailConfig is the account that sends notices, and whom this channel sends
// them to.
type MailConfig struct {
	Name string // of the channel; "mail" when empty
	Host string
	Port int // 1 to 65535
	TLS  TLSMode
	// TLSConfig holds the roots to trust; nil for those of the system. Its
	// server name is set to Host when empty.
	TLSConfig *tls.Config
	// Username and Password log in to the server; both empty for none.
	Username, Password string
	From               string   // address, with or without a name
	To                 []string // at least one
}

// Mail is a channel by mail. Each recipient gets a message of their own, so
// that a refused address does not keep the notice from the others. Safe for
// concurrent use.
type Mail struct {
	config MailConfig
	from   *netmail.Address
	to     []*netmail.Address

	mu sync.Mutex
	// done holds, for a notice that is under way, what became of each
	// recipient: nil for taken, else the refusal. A retry leaves them alone.
	done map[string]map[string]error
}

// phaseTimeout bounds each wait for the mail server, beside the context.
const phaseTimeout = 30 * time.Second

// NewMail checks the configuration; it does not connect.
func NewMail(config MailConfig) (*Mail, error) {
	m := &Mail{config: config, done: make(map[string]map[string]error)}
	switch {
	case config.Host == "":
		return nil, errors.New("cannot set up mail: no host is given")
	case config.Port < 1 || config.Port > 65535:
		return nil, fmt.Errorf("cannot set up mail: port %d is not within 1 to 65535", config.Port)
	case config.TLS != StartTLS && config.TLS != Implicit && config.TLS != NoTLS:
		return nil, fmt.Errorf("cannot set up mail: TLS mode %q is none of starttls, implicit, none", config.TLS)
	case (config.Username == "") != (config.Password == ""):
		return nil, errors.New("cannot set up mail: username and password go together: give both or neither")
	case len(config.To) == 0:
		return nil, errors.New("cannot set up mail: no recipient is given")
	}
	var err error
	if m.from, err = netmail.ParseAddress(config.From); err != nil {
		return nil, fmt.Errorf("cannot set up mail: sender %q: %w", config.From, err)
	}
	for _, to := range config.To {
		address, err := netmail.ParseAddress(to)
		if err != nil {
			return nil, fmt.Errorf("cannot set up mail: recipient %q: %w", to, err)
		}
		m.to = append(m.to, address)
	}
	return m, nil
}

// Name is that of the configuration.
func (m *Mail) Name() string { return cmp.Or(m.config.Name, "mail") }

// Send gives the notice to the mail server for every recipient that has not
// got it by an earlier try. The error is permanent when all that is left are
// refusals (5xx) of the message or of recipients. A refused login is not:
// the notices must still go out once the keeper has mended the password.
func (m *Mail) Send(ctx context.Context, n alarm.Notice) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	done := m.done[n.Key]
	if done == nil {
		done = make(map[string]error)
		m.done[n.Key] = done
	}
	var messages []*mail.Msg
	var owners []string
	for _, to := range m.to {
		if _, ok := done[to.Address]; !ok {
			messages, owners = append(messages, m.message(n, to)), append(owners, to.Address)
		}
	}
	err := m.transmit(ctx, messages)
	var open []string
	for i, message := range messages {
		switch refusal := refused(message); {
		case message.IsDelivered():
			done[owners[i]] = nil
		case refusal != nil:
			done[owners[i]] = refusal
		default:
			open = append(open, owners[i])
		}
	}
	if len(open) > 0 {
		return fmt.Errorf("cannot mail notice %s to %s by %s: %w", n.Key, strings.Join(open, ", "), m.server(), cause(ctx, err))
	}
	delete(m.done, n.Key)
	var refusals []error
	for _, to := range m.to {
		if refusal := done[to.Address]; refusal != nil {
			refusals = append(refusals, fmt.Errorf("%s refuses notice %s to %s: %w", m.server(), n.Key, to.Address, refusal))
		}
	}
	return Permanent(errors.Join(refusals...))
}

// cause prefers the end of the context to the closed connection it led to.
func cause(ctx context.Context, err error) error {
	if ctx.Err() != nil {
		return context.Cause(ctx)
	}
	if err == nil {
		return errors.New("the server did not say that it took the message")
	}
	return err
}

// refused is the server's 5xx answer to the message, if it gave one. Answers
// that ask for a login or stronger encryption (RFC 4954) speak of the
// account, not of the message.
func refused(message *mail.Msg) error {
	var answer *mail.SendError
	if !errors.As(message.SendError(), &answer) {
		return nil
	}
	code := answer.ErrorCode()
	if code < 500 || code > 599 || slices.Contains([]int{530, 534, 535, 538}, code) {
		return nil
	}
	return answer
}

func (m *Mail) server() string {
	return net.JoinHostPort(m.config.Host, strconv.Itoa(m.config.Port))
}

// transmit sends the messages over one connection. What became of each is in
// the message; the error tells of the connection or of the last answer.
func (m *Mail) transmit(ctx context.Context, messages []*mail.Msg) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	client, err := m.client(func(dialing context.Context, network, address string) (net.Conn, error) {
		return m.dial(ctx, dialing, network, address)
	})
	if err != nil {
		return err
	}
	session, err := client.DialToSMTPClientWithContext(ctx)
	if err != nil {
		return err
	}
	err = client.SendWithSMTPClient(session, messages...)
	// A farewell that fails changes nothing: the answers are in by now.
	_ = client.CloseWithSMTPClient(session)
	return err
}

// dial connects, with TLS from the first byte when that is the mode. The
// connection closes when whole ends, at any point of the exchange: the library
// heeds a context only while it connects.
func (m *Mail) dial(whole, dialing context.Context, network, address string) (net.Conn, error) {
	raw, err := new(net.Dialer).DialContext(dialing, network, address)
	if err != nil {
		return nil, err
	}
	context.AfterFunc(whole, func() { raw.Close() })
	if m.config.TLS != Implicit {
		return raw, nil
	}
	secure := tls.Client(raw, m.tlsConfig())
	if err := secure.HandshakeContext(dialing); err != nil {
		return nil, err
	}
	return secure, nil
}

func (m *Mail) tlsConfig() *tls.Config {
	config := m.config.TLSConfig.Clone()
	if config == nil {
		config = &tls.Config{MinVersion: tls.VersionTLS12}
	}
	if config.ServerName == "" {
		config.ServerName = m.config.Host
	}
	return config
}

func (m *Mail) client(dial mail.DialContextFunc) (*mail.Client, error) {
	options := []mail.Option{
		mail.WithPort(m.config.Port), mail.WithTimeout(phaseTimeout),
		mail.WithTLSConfig(m.tlsConfig()), mail.WithDialContextFunc(dial),
	}
	if m.config.TLS == StartTLS {
		options = append(options, mail.WithTLSPolicy(mail.TLSMandatory))
	} else { // implicit TLS is the dialler's work
		options = append(options, mail.WithTLSPolicy(mail.NoTLS))
	}
	if m.config.Username != "" {
		// The strongest the server offers. The library sends a password in
		// clear over TLS or to this machine only.
		options = append(options, mail.WithUsername(m.config.Username), mail.WithPassword(m.config.Password),
			mail.WithOpportunisticSMTPAuth(mail.SMTPAuthSCRAMSHA256, mail.SMTPAuthSCRAMSHA1,
				mail.SMTPAuthCramMD5, mail.SMTPAuthPlain, mail.SMTPAuthLogin))
	}
	client, err := mail.NewClient(m.config.Host, options...)
	if err != nil {
		return nil, fmt.Errorf("cannot set up mail by %s: %w", m.server(), err)
	}
	return client, nil
}

// message is the notice as one recipient gets it, the same at every try.
func (m *Mail) message(n alarm.Notice, to *netmail.Address) *mail.Msg {
	message := mail.NewMsg(mail.WithNoDefaultUserAgent(), mail.WithCharset(mail.CharsetUTF8))
	message.FromMailAddress(m.from)
	message.ToMailAddress(to)
	message.Subject(n.Subject)
	message.SetDateWithValue(n.At)
	message.SetMessageIDWithValue(m.messageID(n.Site, n.Key))
	message.SetGenHeader("Auto-Submitted", "auto-generated")    // RFC 3834
	message.SetGenHeader("List-Id", "<dryhold."+m.domain()+">") // RFC 2919, to sort by
	if threads := m.threads(n); len(threads) > 0 {
		message.SetGenHeader(mail.HeaderReferences, strings.Join(threads, " "))
	}
	message.SetBodyString(mail.TypeTextPlain, n.Body+linkText(n.Links))
	return message
}

// mostThreads bounds the references of one message.
const mostThreads = 10

// threads names, for each alarm of the notice, the conversation that all
// notices of its present spell belong to: mail programs show them together. It
// begins with no message, since whichever comes first may be of several alarms.
func (m *Mail) threads(n alarm.Notice) []string {
	items := n.Items
	if len(items) == 0 && n.Alarm != (alarm.Key{}) {
		items = []alarm.Item{{Key: n.Alarm, Since: n.Since}}
	}
	var out []string
	for _, i := range items[:min(mostThreads, len(items))] {
		of := i.Key.String() + " since " + i.Since.UTC().Format(time.RFC3339)
		if id := "<" + m.messageID(n.Site, of) + ">"; !slices.Contains(out, id) {
			out = append(out, id)
		}
	}
	return out
}

// linkText lists links below the body.
func linkText(links []alarm.Link) string {
	if len(links) == 0 {
		return ""
	}
	text := "\nFrom here:\n"
	for _, l := range links {
		text += "\n" + l.Text + ":\n" + l.URL + "\n"
	}
	return text
}

// messageID follows from the notice alone, so that a repeat carries the same.
func (m *Mail) messageID(site, key string) string {
	sum := sha256.Sum256([]byte(site + "\x00" + key))
	return hex.EncodeToString(sum[:16]) + "@" + m.domain()
}

// domain is that of the sender.
func (m *Mail) domain() string {
	_, domain, _ := strings.Cut(m.from.Address, "@")
	return domain
}
