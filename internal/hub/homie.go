package hub

// The Homie convention, version 5 (homieiot.github.io/specification). States of
// the device:
const (
	stateInit  = "init"
	stateReady = "ready"
)

// States that the connection of the device says, see its life cycle in the
// convention: it is not ready before everything was published, and its last
// will must be lost.
const (
	HomieConnected = stateInit
	HomieLeaving   = "disconnected"
	HomieLost      = "lost"
)

type (
	description struct {
		Homie   string          `json:"homie"`
		Version int64           `json:"version"`
		Name    string          `json:"name"`
		Type    string          `json:"type"`
		Nodes   map[string]node `json:"nodes"`
	}
	node struct {
		Name       string              `json:"name"`
		Type       string              `json:"type"`
		Properties map[string]property `json:"properties"`
	}
	property struct {
		Name     string `json:"name"`
		Datatype string `json:"datatype"`
		Format   string `json:"format,omitempty"`
		Unit     string `json:"unit,omitempty"`
	}
)

// nodeOf is the identifier of a thing within the device.
func nodeOf(t thing) string {
	if t.kind == store {
		return string(store)
	}
	return string(t.kind) + "-" + ID(t.name)
}

// homie gives the messages of the device: one node for each thing. A value that
// is not known has no topic, since the convention knows no word for it. As a
// controller may go on showing what was there before, each room says by the
// property measured whether its temperature is known.
func (c Config) homie(things []thing, version int64) []Message {
	d := description{Homie: "5.0", Version: version, Name: "dryhold " + c.Site, Type: "dryhold-store", Nodes: map[string]node{}}
	var values []Message
	for _, t := range things {
		n := node{Name: t.label, Type: "dryhold-" + string(t.kind), Properties: map[string]property{}}
		facts := t.facts
		if t.kind == room {
			facts = append(facts[:len(facts):len(facts)], fact{id: "measured", name: "Temperature is known", is: problem, value: t.facts[0].told() != nil})
		}
		for _, f := range facts {
			p := property{Name: f.name, Datatype: f.is, Format: f.bounds, Unit: f.unit}
			if f.is == integer {
				p.Unit = "#"
			}
			n.Properties[f.id] = p
			values = append(values, Message{Topic: Domain + c.Device() + "/" + nodeOf(t) + "/" + f.id, Payload: f.literal()})
		}
		d.Nodes[nodeOf(t)] = n
	}
	out := append([]Message{{Topic: c.description(), Payload: marshal(d)}}, values...)
	return append(out, Message{Topic: c.HomieState(), Payload: stateReady})
}
