package notify

import (
	"bytes"
	"cmp"
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"io"
	"mime"
	"mime/quotedprintable"
	"net"
	netmail "net/mail"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/emersion/go-smtp"
	gocmp "github.com/google/go-cmp/cmp"

	"dryhold/internal/alarm"
)

func channel(t *testing.T, config MailConfig) *Mail {
	t.Helper()
	m, err := NewMail(config)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// soon bounds a send that is expected to end long before.
func soon(t *testing.T) context.Context {
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	t.Cleanup(cancel)
	return ctx
}

func TestMailModes(t *testing.T) {
	f := func(mode TLSMode, user string, secure bool) {
		t.Helper()
		o := &office{user: user}
		config := open(t, o, mode)
		if user != "" {
			config.Username, config.Password = user, "letmein"
		}
		if err := channel(t, config).Send(soon(t), notice(1, alarm.Raised)); err != nil {
			t.Fatalf("%s: %v", mode, err)
		}
		got := o.taken()
		if len(got) != 1 {
			t.Fatalf("%s: %d messages, want 1", mode, len(got))
		}
		got[0].Raw = ""
		want := received{From: "hearth@larch.example", To: []string{"ada@larch.example"}, User: user, TLS: secure}
		if diff := gocmp.Diff(want, got[0]); diff != "" {
			t.Errorf("%s differs (-want +got):\n%s", mode, diff)
		}
	}
	f(NoTLS, "", false)
	f(StartTLS, "", true)
	f(Implicit, "", true)
	f(NoTLS, "hearth", false) // to this machine a password may go in clear
	f(StartTLS, "hearth", true)
	f(Implicit, "hearth", true)
}

func TestMailMessage(t *testing.T) {
	o := &office{}
	m := channel(t, open(t, o, NoTLS))
	raised, returned := notice(7, alarm.Raised), notice(7, alarm.Returned)
	for _, n := range []alarm.Notice{raised, raised, returned} {
		if err := m.Send(soon(t), n); err != nil {
			t.Fatal(err)
		}
	}
	got := o.taken()
	if len(got) != 3 {
		t.Fatalf("%d messages, want 3", len(got))
	}
	if got[0].Raw != got[1].Raw {
		t.Errorf("a repeat differs:\n%s\n%s", got[0].Raw, got[1].Raw)
	}
	id, thread := check(t, got[0].Raw, raised)
	again, same := check(t, got[2].Raw, returned)
	if again == id {
		t.Errorf("two notices share the Message-ID %s", id)
	}
	if thread != same || strings.Count(thread, "@") != 1 {
		t.Errorf("two notices of one spell have the references %q and %q", thread, same)
	}
}

// Notices of one spell of an alarm are one conversation, also where a message
// tells of several alarms; another spell, another alarm and a digest are not.
func TestMailThreads(t *testing.T) {
	o := &office{}
	m := channel(t, open(t, o, NoTLS))
	both, first, later, digest := grouped(), grouped(), grouped(), grouped()
	first.Items = first.Items[:1]
	later.Items = []alarm.Item{later.Items[0]}
	later.Items[0].Since = later.Items[0].Since.Add(48 * time.Hour)
	digest.Items, digest.Alarm, digest.Event = nil, alarm.Key{}, alarm.Digest
	var threads [][]string
	for i, n := range []alarm.Notice{both, first, later, digest} {
		n.Key = fmt.Sprintf("mara/%d", i)
		if err := m.Send(soon(t), n); err != nil {
			t.Fatal(err)
		}
		_, references := check(t, o.taken()[i].Raw, n)
		threads = append(threads, strings.Fields(references))
	}
	if len(threads[0]) != 2 || len(threads[1]) != 1 || len(threads[2]) != 1 || len(threads[3]) != 0 {
		t.Fatalf("references %q", threads)
	}
	if threads[1][0] != threads[0][0] || threads[2][0] == threads[0][0] || threads[0][0] == threads[0][1] {
		t.Errorf("references %q", threads)
	}
}

// Links stand below the body, whole on a line of their own.
func TestMailLinks(t *testing.T) {
	o := &office{}
	m := channel(t, open(t, o, NoTLS))
	n := grouped()
	address := "https://hearth.lan/a/" + strings.Repeat("x", 90)
	n.Links = []alarm.Link{{Text: "Acknowledge warm/loft", URL: address}, {Text: "Shelve warm/loft for a day", URL: address + "y"}}
	if err := m.Send(soon(t), n); err != nil {
		t.Fatal(err)
	}
	want := n
	want.Body = strings.TrimRight(n.Body, "\n") + "\n\nFrom here:\n\nAcknowledge warm/loft:\n" + address + "\n\nShelve warm/loft for a day:\n" + address + "y\n"
	check(t, o.taken()[0].Raw, want)
}

// Several channels use one account, each with its own name and recipients.
func TestMailChannels(t *testing.T) {
	o := &office{user: "hearth"}
	config := open(t, o, StartTLS)
	config.Username, config.Password = "hearth", "letmein"
	var got []string
	for name, to := range map[string]string{"": "ada@larch.example", "neighbour-mail": "bo@larch.example"} {
		config.Name, config.To = name, []string{to}
		m := channel(t, config)
		if want := cmp.Or(name, "mail"); m.Name() != want {
			t.Errorf("the channel is named %q, want %q", m.Name(), want)
		}
		if err := m.Send(soon(t), notice(1, alarm.Raised)); err != nil {
			t.Fatal(err)
		}
	}
	for _, r := range o.taken() {
		got = append(got, r.To...)
	}
	slices.Sort(got)
	if diff := gocmp.Diff([]string{"ada@larch.example", "bo@larch.example"}, got); diff != "" {
		t.Errorf("recipients differ (-want +got):\n%s", diff)
	}
}

// check parses a message back and compares it with the notice; it returns the
// Message-ID and the references.
func check(t *testing.T, raw string, n alarm.Notice) (id, references string) {
	t.Helper()
	message, err := netmail.ReadMessage(strings.NewReader(raw))
	if err != nil {
		t.Fatalf("not a message: %v\n%s", err, raw)
	}
	for _, line := range strings.Split(raw, "\r\n") {
		if len(line) > 998 || strings.ContainsFunc(line, func(c rune) bool { return c > 126 }) {
			t.Errorf("line not fit for any server: %q", line)
		}
	}
	subject, err := new(mime.WordDecoder).DecodeHeader(message.Header.Get("Subject"))
	if err != nil || subject != n.Subject {
		t.Errorf("subject %q (%v), want %q", subject, err, n.Subject)
	}
	if at, err := message.Header.Date(); err != nil || !at.Equal(n.At) {
		t.Errorf("date %v (%v), want %v", at, err, n.At)
	}
	kind, parameters, err := mime.ParseMediaType(message.Header.Get("Content-Type"))
	if err != nil || kind != "text/plain" || !strings.EqualFold(parameters["charset"], "utf-8") {
		t.Errorf("content type %q %v (%v)", kind, parameters, err)
	}
	if encoding := message.Header.Get("Content-Transfer-Encoding"); encoding != "quoted-printable" {
		t.Errorf("encoding %q", encoding)
	}
	body, err := io.ReadAll(quotedprintable.NewReader(message.Body))
	if err != nil {
		t.Fatal(err)
	}
	text := strings.TrimRight(string(bytes.ReplaceAll(body, []byte("\r\n"), []byte("\n"))), "\n")
	if diff := gocmp.Diff(strings.TrimRight(n.Body, "\n"), text); diff != "" {
		t.Errorf("body differs (-want +got):\n%s", diff)
	}
	f := func(header, want string) {
		t.Helper()
		if got := message.Header.Get(header); got != want {
			t.Errorf("%s: %q, want %q", header, got, want)
		}
	}
	f("From", `"dryhold" <hearth@larch.example>`)
	f("To", `"Ada" <ada@larch.example>`)
	f("Auto-Submitted", "auto-generated")
	f("List-Id", "<dryhold.larch.example>")
	f("User-Agent", "")
	f("X-Mailer", "")
	id = message.Header.Get("Message-ID")
	if !strings.HasPrefix(id, "<") || !strings.HasSuffix(id, "@larch.example>") {
		t.Errorf("Message-ID %q", id)
	}
	return id, message.Header.Get("References")
}

func busy() error {
	return &smtp.SMTPError{Code: 451, EnhancedCode: smtp.EnhancedCode{4, 7, 1}, Message: "Try again later"}
}

func gone() error {
	return &smtp.SMTPError{Code: 550, EnhancedCode: smtp.EnhancedCode{5, 1, 1}, Message: "No such mailbox"}
}

func TestMailPassingFailure(t *testing.T) {
	o := &office{}
	m := channel(t, open(t, o, NoTLS))
	n := notice(1, alarm.Raised)
	o.answer(func(string) error { return busy() }, nil)
	if err := m.Send(soon(t), n); err == nil || IsPermanent(err) || !strings.Contains(err.Error(), "451") {
		t.Errorf("got %v, want a passing 451", err)
	}
	o.answer(nil, busy)
	if err := m.Send(soon(t), n); err == nil || IsPermanent(err) || !strings.Contains(err.Error(), "451") {
		t.Errorf("got %v, want a passing 451", err)
	}
	o.answer(nil, nil)
	if err := m.Send(soon(t), n); err != nil || len(o.taken()) != 1 {
		t.Errorf("not taken in the end: %v", err)
	}
	// No server at all.
	config := m.config
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	config.Port = listener.Addr().(*net.TCPAddr).Port
	listener.Close()
	if err := channel(t, config).Send(soon(t), n); err == nil || IsPermanent(err) {
		t.Errorf("got %v, want a passing failure", err)
	}
}

func TestMailRefusal(t *testing.T) {
	o := &office{}
	m := channel(t, open(t, o, NoTLS))
	o.answer(func(string) error { return gone() }, nil)
	if err := m.Send(soon(t), notice(1, alarm.Raised)); !IsPermanent(err) || !strings.Contains(err.Error(), "ada@larch.example") {
		t.Errorf("got %v, want a refusal that names the recipient", err)
	}
	o.answer(nil, func() error { return &smtp.SMTPError{Code: 554, Message: "Not wanted here"} })
	if err := m.Send(soon(t), notice(1, alarm.Raised)); !IsPermanent(err) || !strings.Contains(err.Error(), "Not wanted here") {
		t.Errorf("got %v, want the server's refusal", err)
	}
	if len(m.done) > 0 {
		t.Errorf("%d closed notices kept in memory", len(m.done))
	}
}

// TestMailRecipients: one refused, one busy, one fine; nobody gets it twice.
func TestMailRecipients(t *testing.T) {
	o := &office{}
	config := open(t, o, NoTLS)
	config.To = []string{"gone@larch.example", "busy@larch.example", "fine@larch.example"}
	m := channel(t, config)
	o.answer(func(to string) error {
		switch to {
		case "gone@larch.example":
			return gone()
		case "busy@larch.example":
			return busy()
		}
		return nil
	}, nil)
	err := m.Send(soon(t), notice(1, alarm.Raised))
	if err == nil || IsPermanent(err) || !strings.Contains(err.Error(), "busy@larch.example") || strings.Contains(err.Error(), "to gone@") {
		t.Errorf("got %v, want a passing failure for busy alone", err)
	}
	o.answer(nil, nil)
	if err := m.Send(soon(t), notice(1, alarm.Raised)); !IsPermanent(err) || !strings.Contains(err.Error(), "to gone@larch.example") {
		t.Errorf("got %v, want the refusal of gone", err)
	}
	var got []string
	for _, r := range o.taken() {
		got = append(got, r.To...)
	}
	if diff := gocmp.Diff([]string{"fine@larch.example", "busy@larch.example"}, got); diff != "" {
		t.Errorf("recipients differ (-want +got):\n%s", diff)
	}
}

func TestMailLogin(t *testing.T) {
	f := func(user, password string) {
		t.Helper()
		o := &office{user: "hearth"}
		config := open(t, o, StartTLS)
		config.Username, config.Password = user, password
		err := channel(t, config).Send(soon(t), notice(1, alarm.Raised))
		if err == nil || IsPermanent(err) || len(o.taken()) > 0 {
			t.Errorf("got %v, want a passing failure: the keeper can mend the account", err)
		}
		if err != nil && password != "" && strings.Contains(err.Error(), password) {
			t.Errorf("the password is in the error: %v", err)
		}
	}
	f("hearth", "wrong-password")
	f("", "") // the server answers 530 to the message
}

func TestMailWantsTLS(t *testing.T) {
	// A server without STARTTLS gets nothing, least of all the password.
	o := &office{user: "hearth"}
	config := open(t, o, NoTLS)
	config.TLS, config.Username, config.Password = StartTLS, "hearth", "letmein"
	if err := channel(t, config).Send(soon(t), notice(1, alarm.Raised)); err == nil || len(o.taken()) > 0 {
		t.Errorf("mail went out without TLS (%v)", err)
	}
	// A certificate nobody vouches for is refused in both modes.
	for _, mode := range []TLSMode{StartTLS, Implicit} {
		o := &office{}
		config := open(t, o, mode)
		config.TLSConfig = nil
		err := channel(t, config).Send(soon(t), notice(1, alarm.Raised))
		if !errors.As(err, new(*tls.CertificateVerificationError)) || IsPermanent(err) || len(o.taken()) > 0 {
			t.Errorf("%s: got %v, want a refused certificate", mode, err)
		}
	}
}

// TestMailHangs: a server that accepts connections and then says nothing, at
// once or in the middle, holds a send no longer than its context.
func TestMailHangs(t *testing.T) {
	f := func(config MailConfig) {
		t.Helper()
		ctx, cancel := context.WithTimeout(t.Context(), 200*time.Millisecond)
		defer cancel()
		result := make(chan error, 1)
		go func() { result <- channel(t, config).Send(ctx, notice(1, alarm.Raised)) }()
		select {
		case err := <-result:
			if !errors.Is(err, context.DeadlineExceeded) || IsPermanent(err) {
				t.Errorf("got %v, want the end of the context", err)
			}
		case <-time.After(20 * time.Second): // below phaseTimeout
			t.Fatal("the send outlived its context")
		}
		noMailGoroutines(t)
	}
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer listener.Close()
	for _, mode := range []TLSMode{NoTLS, StartTLS, Implicit} {
		f(MailConfig{
			Host: "127.0.0.1", Port: listener.Addr().(*net.TCPAddr).Port, TLS: mode,
			From: "hearth@larch.example", To: []string{"ada@larch.example"},
		})
	}
	release := make(chan struct{})
	o := &office{}
	o.answer(nil, func() error { <-release; return nil })
	config := open(t, o, NoTLS)
	f(config)
	close(release)
}

func TestNewMailRefuses(t *testing.T) {
	good := MailConfig{Host: "post.larch.example", Port: 587, TLS: StartTLS, From: "a@larch.example", To: []string{"b@larch.example"}}
	f := func(spoil func(*MailConfig), want string) {
		t.Helper()
		config := good
		spoil(&config)
		if _, err := NewMail(config); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("got %v, want %q", err, want)
		}
	}
	f(func(c *MailConfig) { c.Host = "" }, "no host")
	f(func(c *MailConfig) { c.Port = 0 }, "port 0")
	f(func(c *MailConfig) { c.TLS = "ssl" }, `"ssl" is none of`)
	f(func(c *MailConfig) { c.Username = "u" }, "go together")
	f(func(c *MailConfig) { c.To = nil }, "no recipient")
	f(func(c *MailConfig) { c.To = []string{"nobody"} }, `recipient "nobody"`)
	f(func(c *MailConfig) { c.From = "@" }, `sender "@"`)
	if _, err := NewMail(good); err != nil {
		t.Error(err)
	}
}
