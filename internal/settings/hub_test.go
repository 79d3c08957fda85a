package settings

import (
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

func TestHub(t *testing.T) {
	f := func(text string, want Hub) {
		t.Helper()
		s, err := Parse("f.yaml", []byte("hub: {"+text+"}"))
		if err != nil {
			t.Error(err)
			return
		}
		if d := cmp.Diff(&want, s.Hub); d != "" {
			t.Errorf("%s (-want +got):\n%s", text, d)
		}
	}
	f("discovery_prefix: homeassistant", Hub{DiscoveryPrefix: "homeassistant", StatusTopic: DefaultHubStatus})
	f("homie: true", Hub{Homie: true, StatusTopic: DefaultHubStatus})
	f("discovery_prefix: hub/a, status_topic: hub/there, homie: true, lots: true", Hub{DiscoveryPrefix: "hub/a", StatusTopic: "hub/there", Homie: true, Lots: true})
	if s, err := Parse("f.yaml", []byte("site: larch-house")); err != nil || s.Hub != nil {
		t.Errorf("announcements nobody asked for: %v, %v", s.Hub, err)
	}
}

func TestHubProblems(t *testing.T) {
	f := func(text, want string) {
		t.Helper()
		_, err := Parse("f.yaml", []byte("hub: {"+text+"}"))
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s\n got %v\nwant %s", text, err, want)
		}
	}
	f("", "hub announces nothing: write discovery_prefix: homeassistant")
	f("lots: true", "f.yaml:1:6: hub announces nothing")
	f("homie: false", "hub announces nothing")
	f("discovery_prefix: 'a/+'", `discovery_prefix "a/+" is not the beginning of topics`)
	f("discovery_prefix: $SYS", "is not the beginning of topics")
	f("discovery_prefix: a/", "is not the beginning of topics")
	f("homie: true, status_topic: 'a/#'", `status_topic "a/#" is not`)
	f("homie: true, prefix: x", `unknown key "prefix" in hub`)
}
