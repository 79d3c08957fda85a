package settings_test

import (
	"testing"

	"dryhold/internal/settings"
)

// A site that shares its broker speaks below a root of its own, and nowhere
// else unless it is told to.
func TestRoot(t *testing.T) {
	f := func(text, status, notices string) {
		t.Helper()
		s, err := settings.Parse("f.yaml", []byte(text))
		if err != nil {
			t.Fatal(err)
		}
		if got := s.Broker.Topic("status"); got != status || s.Notify.MQTTTopic != notices {
			t.Errorf("%q: status on %q, notices on %q", text, got, s.Notify.MQTTTopic)
		}
	}
	f("", "dryhold/status", "dryhold/notices")
	f("broker: {root: dryhold/alder-barn}", "dryhold/alder-barn/status", "dryhold/alder-barn/notices")
	f("notify: {mqtt_topic: barn/notices}\nbroker: {root: stores/alder-barn}", "stores/alder-barn/status", "barn/notices")

	b, err := settings.Parse("f.yaml", []byte("broker: {url: 'mqtt://hearth.lan', client_id: recorder-1, share: recorders}"))
	if err != nil || b.Broker.Share != "recorders" || b.Broker.Session() != "recorder-1-in-recorders" {
		t.Errorf("share %q, session %q, %v", b.Broker.Share, b.Broker.Session(), err)
	}
	for text, want := range map[string]string{
		"broker: {share: recorders}":                       "f.yaml:1:17: share is of daemons that read from one broker, which has a url: give that, or leave share out",
		"broker: {url: 'mqtt://hearth.lan', share: 'a/b'}": `f.yaml:1:43: share: name "a/b" holds a character outside A-Z a-z 0-9 _ . -`,
	} {
		if _, err := settings.Parse("f.yaml", []byte(text)); err == nil || err.Error() != want {
			t.Errorf("%s: %v, want %s", text, err, want)
		}
	}

	bad := func(root string) {
		t.Helper()
		_, err := settings.Parse("f.yaml", []byte("broker: {root: "+root+"}"))
		want := `f.yaml:1:16: root ` + root + ` is not the beginning of topics to publish on: write for example dryhold/alder-barn`
		if err == nil || err.Error() != want {
			t.Errorf("%v, want %s", err, want)
		}
	}
	for _, root := range []string{`"#"`, `"dryhold/+"`, `"dryhold/"`, `"/dryhold"`, `"$SYS/x"`, `"{room}"`} {
		bad(root)
	}
	if got := (settings.Broker{}).Topic("status"); got != "dryhold/status" {
		t.Errorf("without a root: %q", got)
	}
}
