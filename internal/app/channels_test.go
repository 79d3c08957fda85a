package app_test

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"dryhold/internal/alarm"
	"dryhold/internal/room"
	"dryhold/internal/settings"
	"dryhold/internal/store"
	"dryhold/internal/web"
)

// Several channels of mail go through one account, each to its own recipients,
// and a test tries them all.
func TestMailChannelsOfOneAccount(t *testing.T) {
	post := smtpServer(t)
	h := newHouse(t, nil)
	s := h.opts.Settings
	s.Mail = &settings.Mail{Host: "127.0.0.1", Port: post.port, TLS: settings.NoTLS, From: "dryhold@larch-house.lan", To: []string{"mara@larch-house.lan"}}
	s.Notify.Channels = []settings.Channel{{Name: "neighbour-mail", Mail: &settings.MailTo{To: []string{"bo@larch-house.lan"}}}}
	h.start()
	key, err := h.app.TestNotice(t.Context(), web.TestNotice{By: "Mara"})
	if err != nil {
		t.Fatal(err)
	}
	eventually(t, "two mails", func() bool { return post.count() == 2 })
	both := post.mail(0) + post.mail(1)
	for _, want := range []string{"To: <mara@larch-house.lan>", "To: <bo@larch-house.lan>", "Auto-Submitted: auto-generated", "Asked for by Mara"} {
		if !strings.Contains(both, want) {
			t.Errorf("the mails lack %q:\n%s", want, both)
		}
	}
	eventually(t, "both noted", func() bool {
		rows, err := h.app.Notices(t.Context(), web.NoticeFilter{Key: key}, 10)
		return err == nil && len(rows) == 2 && rows[0].State == web.NoticeDelivered && rows[1].State == web.NoticeDelivered &&
			rows[0].Channel != rows[1].Channel && strings.Contains(rows[0].Body, "Asked for by Mara")
	})
}

// What a channel needs and does not get keeps the daemon from starting, with a
// word on how to mend it and none of what is secret.
func TestChannelsWithoutTheirSecrets(t *testing.T) {
	f := func(text string, channel func(file string) settings.Channel, want string) {
		t.Helper()
		file := filepath.Join(t.TempDir(), "file")
		if text != "" {
			if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
				t.Fatal(err)
			}
		}
		h := newHouse(t, nil)
		h.opts.Settings.Notify.Channels = []settings.Channel{channel(file)}
		if err := h.refused(); !strings.Contains(err.Error(), want) || strings.Contains(err.Error(), "planted") {
			t.Errorf("got %v, want %q", err, want)
		}
	}
	hook := func(file string) settings.Channel {
		return settings.Channel{Name: "house", Webhook: &settings.Webhook{URL: "https://larch.example/planted", SecretFile: file}}
	}
	trust := func(file string) settings.Channel {
		c := hook(file)
		c.Webhook.CAFile = file
		return c
	}
	push := func(file string) settings.Channel {
		return settings.Channel{Name: "phone", Push: &settings.Push{URLFile: file}}
	}
	f("", hook, "cannot set up webhook house: cannot read its secret: open ")
	f("planted\n", hook, "cannot set up webhook house: its secret has 7 bytes, at least 16 are needed: make one with `dryhold token --file FILE`")
	f("planted-planted-planted\nplanted\n", hook, "must hold one line and nothing else")
	f("planted-planted-planted\n", trust, "it holds no PEM certificate")
	f("", push, "cannot set up push phone: cannot read its secret: open ")
	f("planted\n", push, "must hold the address of a service on one line")
	f("telegram://planted\n", push, "the address of service telegram is not as that service wants it")
}

// Notices that were delivered more than a year ago are gone after a start.
func TestOldNoticesAreDeleted(t *testing.T) {
	h := newHouse(t, nil)
	db := opened(t, h.opts.DataDir)
	for i, age := range []time.Duration{400 * 24 * time.Hour, 300 * 24 * time.Hour} {
		at := time.Now().Add(-age)
		n := alarm.Notice{Key: fmt.Sprintf("old/%d", i), Event: alarm.Test, At: at, Since: at, Costs: []alarm.LotCost{}, Channels: []string{"log"}}
		err := db.Commit(t.Context(), store.Batch{}, nil, at, func([]room.Reading) (store.Outcome, error) {
			return store.Outcome{Notices: []alarm.Notice{n}}, nil
		})
		if err == nil {
			err = db.Delivered(t.Context(), int64(i+1), at)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
	h.start()
	eventually(t, "the older one gone", func() bool {
		rows, err := h.app.Notices(t.Context(), web.NoticeFilter{}, 10)
		return err == nil && len(rows) == 1 && rows[0].Key == "old/1"
	})
}
