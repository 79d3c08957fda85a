package app_test

import (
	"strings"
	"testing"

	"dryhold/internal/app"
	"dryhold/internal/health"
	"dryhold/internal/settings"
)

// An app that was not started logs in to the mail server without sending, sends a
// test when told to, and keeps nothing.
func TestMailOfAnAppNotStarted(t *testing.T) {
	post := smtpServer(t)
	s := settings.Default()
	s.Site = "larch-house"
	s.Mail = &settings.Mail{Host: "127.0.0.1", Port: post.port, TLS: settings.NoTLS, From: "dryhold@larch-house.example", To: []string{"mara@larch-house.example"}}
	s.Broker.Embedded.Listen, s.HTTP.Listen = "127.0.0.1:0", "127.0.0.1:0"
	a, err := app.New(app.Options{Settings: s, Catalog: mustCatalog(), DataDir: t.TempDir()})
	if err != nil {
		t.Fatal(err)
	}
	tried := false
	for _, f := range a.Probe(t.Context(), false) {
		if f.Area == "people" {
			tried = tried || f.State == health.Good && strings.Contains(f.Found, "logged in")
		}
	}
	if !tried || post.count() > 0 {
		t.Errorf("tried %t, with %d letters", tried, post.count())
	}
	if err := a.SendTest(t.Context(), "mara"); err != nil {
		t.Fatal(err)
	}
	if post.count() != 1 || !strings.Contains(post.mail(0), "Test: a notice of dryhold reaches you") {
		t.Errorf("%d letters", post.count())
	}
	s.Mail.Port = 1
	if err := a.SendTest(t.Context(), "mara"); err == nil || !strings.Contains(err.Error(), "by mail") {
		t.Errorf("a server that is not there: %v", err)
	}
}
