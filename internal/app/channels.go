package app

import (
	"fmt"
	"os"
	"slices"
	"strings"

	"dryhold/internal/notify"
	"dryhold/internal/settings"
)

// ways makes the channels to people. No error shows what is in a file.
func (a *App) ways() ([]notify.Channel, error) {
	var out []notify.Channel
	for _, c := range a.people() {
		way, err := a.way(c)
		if err != nil {
			return nil, err
		}
		out = append(out, way)
	}
	return out, nil
}

// people lists the channels to people: that of the mail account, where it has no
// name of its own, and those configured.
func (a *App) people() []settings.Channel {
	s := a.opts.Settings
	own := slices.ContainsFunc(s.Notify.Channels, func(c settings.Channel) bool { return c.Name == "mail" })
	if s.Mail == nil || own {
		return s.Notify.Channels
	}
	return append([]settings.Channel{{Name: "mail", Mail: &settings.MailTo{To: s.Mail.To}}}, s.Notify.Channels...)
}

func (a *App) way(c settings.Channel) (notify.Channel, error) {
	switch {
	case c.Webhook != nil:
		secret, err := oneLine(c.Webhook.SecretFile)
		if err != nil {
			return nil, fmt.Errorf("cannot set up webhook %s: %w", c.Name, err)
		}
		roots, err := authorities(c.Webhook.CAFile)
		if err != nil {
			return nil, fmt.Errorf("cannot set up webhook %s: %w", c.Name, err)
		}
		return notify.NewWebhook(notify.WebhookConfig{Name: c.Name, URL: c.Webhook.URL, Secret: secret, Roots: roots, Now: a.now})
	case c.Push != nil:
		address, err := oneLine(c.Push.URLFile)
		if err != nil {
			return nil, fmt.Errorf("cannot set up push %s: %w", c.Name, err)
		}
		return notify.NewPush(c.Name, address)
	}
	return mailChannel(a.opts.Settings.Mail, c.Name, c.Mail.To)
}

func mailChannel(m *settings.Mail, name string, to []string) (notify.Channel, error) {
	user, password, err := credentials(m.UsernameFile, m.PasswordFile)
	if err != nil {
		return nil, err
	}
	return notify.NewMail(notify.MailConfig{
		Name: name, Host: m.Host, Port: m.Port, TLS: notify.TLSMode(m.TLS), Username: user, Password: password, From: m.From, To: to,
	})
}

// oneLine reads a secret. A line end at the end of the file does not belong to
// it.
func oneLine(file string) (string, error) {
	b, err := os.ReadFile(file)
	if err != nil {
		return "", fmt.Errorf("cannot read its secret: %w", err)
	}
	text := strings.TrimSpace(string(b))
	if text == "" || strings.ContainsAny(text, "\r\n") {
		return "", fmt.Errorf("%s must hold one line and nothing else", file)
	}
	return text, nil
}

// tokenOf gives what reads a token from its file at each use, so that a new one
// wants no restart; "" where there is no file. It is read here once, so that a
// file that is not there is found at the start.
func tokenOf(file string) (token func() (string, error), err error) {
	token = func() (string, error) {
		if file == "" {
			return "", nil
		}
		return oneLine(file)
	}
	_, err = token()
	return token, err
}
