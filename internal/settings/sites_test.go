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
