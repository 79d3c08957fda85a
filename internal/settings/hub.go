package settings

import (
	"strings"

	"github.com/goccy/go-yaml/ast"

	"dryhold/internal/wire"
)

// Hub says how rooms, lots and alarms are announced to home-automation hubs over
// MQTT.
type Hub struct {
	// DiscoveryPrefix begins the topics of the discovery convention; empty where
	// nothing is announced by it.
	DiscoveryPrefix string
	// StatusTopic is where the hub says online when it has started.
	StatusTopic string
	// Homie announces a device of the Homie convention, version 5.
	Homie bool
	// Lots announces each lot by itself.
	Lots bool
}

// The defaults of the discovery convention.
const (
	DefaultDiscoveryPrefix = "homeassistant"
	DefaultHubStatus       = "homeassistant/status"
)

func (p *parse) hub(n ast.Node) {
	h := &Hub{StatusTopic: DefaultHubStatus}
	before := len(p.problems)
	topic := func(n ast.Node, name string, to *string) {
		text := p.text(n, name)
		if text != "" && !publishable(text) {
			p.at(n, "%s %q is not the beginning of topics to publish on: write for example homeassistant", name, text)
			return
		}
		*to = text
	}
	p.mapping(n, "hub",
		key{name: "discovery_prefix", read: func(n ast.Node) { topic(n, "discovery_prefix", &h.DiscoveryPrefix) }},
		key{name: "status_topic", read: func(n ast.Node) { topic(n, "status_topic", &h.StatusTopic) }},
		key{name: "homie", read: func(n ast.Node) { h.Homie = p.boolean(n, "homie") }},
		key{name: "lots", read: func(n ast.Node) { h.Lots = p.boolean(n, "lots") }},
	)
	means(n, object{"anyOf": []any{
		object{"required": []string{"discovery_prefix"}},
		object{"required": []string{"homie"}, "properties": object{"homie": object{"const": true}}},
	}})
	if len(p.problems) == before && h.DiscoveryPrefix == "" && !h.Homie {
		p.at(n, "hub announces nothing: write discovery_prefix: homeassistant, or homie: true, or leave hub out")
	}
	p.s.Hub = h
}

// publishable reports a text that topics to publish on may begin with.
func publishable(text string) bool {
	return !strings.ContainsAny(text, "+#{}") && !strings.HasPrefix(text, "$") && !strings.HasPrefix(text, "/") && !strings.HasSuffix(text, "/") && wire.CheckPattern(text) == nil
}
