// Package hub says what a home-automation hub is told over MQTT: rooms, the
// store and its lots, by the discovery convention that most hubs read and as a
// device of the Homie convention, version 5. It turns a snapshot into retained
// messages and the difference between two of them into what is to be published;
// it publishes nothing itself.
//
// The state of each thing is one JSON message, which discovery points into by
// value_template; Homie has a topic for each value. What is not known is null and
// not available there, and an empty topic here, never the last number. The state
// also lapses at the hub (expire_after) where it is not sent again, and nothing of
// it counts there while the daemon's own status is offline.
package hub

import (
	"cmp"
	"encoding/json"
	"fmt"
	"hash/fnv"
	"slices"
	"strings"
	"time"

	"dryhold/internal/engine"
)

// Times of announcements (judgement).
const (
	// Expires is after how long without a message a hub takes a state for
	// unavailable, whatever the status says.
	Expires = 10 * time.Minute
	// Refresh is how often states are sent that have not changed: three chances
	// before they lapse.
	Refresh = 3 * time.Minute
)

// mostLots bounds the lots that are announced one by one (judgement): hubs are
// made for hundreds of devices.
const mostLots = 500

// Domain begins the topics of the Homie convention; version 5 stands behind it.
const Domain = "homie/5/"

// Config says what is announced and where.
type Config struct {
	// Prefix begins the topics of discovery, homeassistant by default of the
	// convention; empty announces nothing by it.
	Prefix string
	// Homie announces a device of that convention.
	Homie bool
	// Lots announces each lot by itself, at most mostLots of them.
	Lots bool
	// Site names the household; all identifiers are made from it.
	Site string
	// Root begins the topics of states; no other daemon may have the same.
	Root string
	// Status is the topic on which the daemon says, by last will too, whether it
	// is there: online or offline.
	Status string
	// Version is that of the program.
	Version string
	// Page is the address of the page, scheme, host and port; empty for none.
	Page string
}

// Message is one retained message. An empty payload takes the topic away.
type Message struct {
	Topic   string
	Payload string
	// State marks what lapses at the hub, and so is sent again every Refresh.
	State bool
}

// Known is what the broker is known to keep, by topic.
type Known map[string]string

// Unsure stands in Known for a topic whose payload is not known, as of one that
// was published before a restart. It differs from every payload.
const Unsure = "\x00"

// Published notes that the broker has taken a message.
func (k Known) Published(m Message) {
	if m.Payload == "" {
		delete(k, m.Topic)
		return
	}
	k[m.Topic] = m.Payload
}

// Forget makes a message be published again at the next Steps, if it is still
// wanted then.
func (k Known) Forget(topic string) {
	if _, known := k[topic]; known {
		k[topic] = Unsure
	}
}

// Messages gives what is to stand at the broker for a snapshot, in the order in
// which it is published: states before what points to them, and the state of
// the Homie device last. Version numbers the description of that device and must
// rise whenever the description changes.
func (c Config) Messages(s *engine.Snapshot, version int64) []Message {
	if c.Prefix == "" && !c.Homie {
		return nil
	}
	things := c.things(s)
	var out []Message
	if c.Prefix != "" {
		for _, t := range things {
			out = append(out, Message{Topic: c.stateTopic(t), Payload: t.state(), State: true})
		}
		for _, t := range things {
			out = append(out, Message{Topic: c.Prefix + "/device/" + c.unique(t) + "/config", Payload: c.announcement(t)})
		}
	}
	if c.Homie {
		out = append(out, c.homie(things, version)...)
	}
	return out
}

// Device is the identifier of the Homie device.
func (c Config) Device() string { return "dryhold-" + ID(c.Site) }

// HomieState is the topic on which the Homie device says what it is up to.
func (c Config) HomieState() string { return Domain + c.Device() + "/$state" }

func (c Config) description() string { return Domain + c.Device() + "/$description" }

// Described gives the description of the Homie device among messages, empty
// where there is none.
func (c Config) Described(all []Message) string {
	for _, m := range all {
		if c.Homie && m.Topic == c.description() {
			return m.Payload
		}
	}
	return ""
}

// Own reports a topic on which what is announced stands: it must never be read as
// a sensor's. Sensors may be below the same root.
func (c Config) Own(topic string) bool {
	if c.Homie && strings.HasPrefix(topic, Domain+c.Device()+"/") {
		return true
	}
	rest, below := strings.CutPrefix(topic, c.Root+"/")
	if c.Prefix == "" || !below {
		return false
	}
	kinds, name, deeper := strings.Cut(rest, "/")
	if !deeper {
		return kinds == string(store)
	}
	return (kinds == plural(room) || kinds == plural(stock)) && !strings.Contains(name, "/")
}

// plural is the level of a topic below which things of a kind stand.
func plural(k kind) string { return string(k) + "s" }

// unique identifies a thing among all devices of a hub, and begins the unique
// identifiers of its values. Parts hold no underscore, so that no two are equal.
func (c Config) unique(t thing) string {
	id := "dryhold_" + ID(c.Site)
	if t.kind != store {
		id += "_" + string(t.kind) + "_" + ID(t.name)
	}
	return id
}

// stateTopic is where the state of a thing stands.
func (c Config) stateTopic(t thing) string {
	if t.kind == store {
		return c.Root + "/store"
	}
	level := t.name
	if level == "" || strings.ContainsFunc(level, func(r rune) bool { return !strings.ContainsRune(safe, r) }) {
		level = ID(t.name)
	}
	return c.Root + "/" + plural(t.kind) + "/" + level
}

// safe is what the level of a topic may hold and be read by everybody.
const safe = "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789_.-"

// ID makes an identifier of a name: of a-z, 0-9 and hyphens, not at either end,
// which is what both conventions allow. A name that is one already stays as it
// is; of any other the rest is left out and a hash of the name stands behind, so
// that two names do not become one.
func ID(name string) string {
	letter := func(b byte) bool { return 'a' <= b && b <= 'z' || '0' <= b && b <= '9' }
	var b strings.Builder
	for _, r := range []byte(strings.ToLower(name)) {
		switch {
		case letter(r):
			b.WriteByte(r)
		case b.Len() > 0 && !strings.HasSuffix(b.String(), "-"):
			b.WriteByte('-')
		}
	}
	id := strings.Trim(b.String(), "-")
	if id == name && id != "" {
		return id
	}
	hash := fnv.New32a()
	_, _ = hash.Write([]byte(name))
	return strings.TrimPrefix(fmt.Sprintf("%s-%08x", id, hash.Sum32()), "-")
}

// Steps gives what is to be published, in order, so that the broker comes to
// hold what is wanted and nothing of what it was known to hold besides. A Homie
// device whose description changes says init before and ready behind, as its
// convention asks for; one that is taken away loses its state first.
func Steps(known Known, want []Message) []Message {
	wanted := make(map[string]bool, len(want))
	changed := func(m Message) bool {
		was, any := known[m.Topic]
		return !any && m.Payload != "" || any && was != m.Payload
	}
	describes, ready := false, -1
	for i, m := range want {
		wanted[m.Topic] = true
		describes = describes || strings.HasSuffix(m.Topic, "/$description") && changed(m)
		if strings.HasSuffix(m.Topic, "/$state") {
			ready = i
		}
	}
	var first, last []Message
	for topic := range known {
		switch {
		case wanted[topic]:
		case strings.HasSuffix(topic, "/$state"), strings.HasSuffix(topic, "/config"):
			first = append(first, Message{Topic: topic})
		default:
			last = append(last, Message{Topic: topic})
		}
	}
	byTopic := func(a, b Message) int { return cmp.Compare(a.Topic, b.Topic) }
	slices.SortFunc(first, byTopic)
	slices.SortFunc(last, byTopic)
	out := first
	if describes {
		out = append(out, Message{Topic: want[ready].Topic, Payload: stateInit})
	}
	for i, m := range want {
		if i != ready && changed(m) {
			out = append(out, m)
		}
	}
	out = append(out, last...)
	if ready >= 0 && (describes || changed(want[ready])) {
		out = append(out, want[ready])
	}
	return out
}

// marshal writes what holds nothing that JSON cannot hold.
func marshal(v any) string {
	var b strings.Builder
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false) // texts of a hub, not of a page
	if err := e.Encode(v); err != nil {
		return "" // no value of ours fails; an empty topic says that nothing is known
	}
	return strings.TrimSuffix(b.String(), "\n")
}
