package app

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"strings"

	"dryhold/internal/hub"
	"dryhold/internal/intake"
	"dryhold/internal/settings"
	"dryhold/internal/wire"
)

// discoveryPrefix begins the topics on which gateways announce to hubs what they
// have.
func (a *App) discoveryPrefix() string {
	if h := a.opts.Settings.Hub; h != nil {
		return cmp.Or(h.DiscoveryPrefix, settings.DefaultDiscoveryPrefix)
	}
	return settings.DefaultDiscoveryPrefix
}

// announce keeps what a message announces to hubs, and reports whether it is such
// a message. The caller holds the lock.
func (l *looking) announce(d intake.Delivery) bool {
	if wire.DiscoveryComponent(d.Topic, l.prefix) == "" {
		return false
	}
	a, is := wire.ReadDiscovery(d.Topic, l.prefix, d.Payload)
	_, known := l.announced[d.Topic]
	switch {
	case !is:
		delete(l.announced, d.Topic)
	case known || len(l.announced) < lookDevices && len(d.Topic) <= lookTopic:
		l.announced[d.Topic] = a
	}
	return true
}

// announcedOn is what was announced of a topic. The caller holds the lock.
func (l *looking) announcedOn(topic string) (out []wire.Announced) {
	for _, from := range slices.Sorted(maps.Keys(l.announced)) {
		if l.announced[from].Origin == hub.Origin {
			continue // rooms, not sensors
		}
		for _, v := range l.announced[from].Values {
			if v.Topic == topic && (v.Quantity != 0 || v.Why != "") {
				out = append(out, v)
			}
		}
	}
	return out
}

// about gives what is known of a topic: what was seen of it, and what was
// announced. A topic of announcements stands for the first topic that it
// announces a value on; without any, the answer says why in discovery.
func (l *looking) about(topic string) (t topicSeen, announced []wire.Announced, found bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if a, is := l.announced[topic]; is {
		at := slices.IndexFunc(a.Values, wire.Announced.Readable)
		if at < 0 || a.Origin == hub.Origin {
			t = topicSeen{topic: topic, discovery: whyNothing(a)}
			if seen := l.topics[topic]; seen != nil {
				t.payload, t.size = slices.Clone(seen.payload), seen.size
			}
			return t, nil, true
		}
		topic = a.Values[at].Topic
	}
	announced = l.announcedOn(topic)
	if seen := l.topics[topic]; seen != nil {
		t = *seen
		t.payload = slices.Clone(seen.payload)
		return t, announced, true
	}
	return topicSeen{topic: topic}, announced, len(announced) > 0
}

// whyNothing says why nothing can be proposed of an announcement.
func whyNothing(a wire.Announcement) string {
	if a.Origin == hub.Origin {
		return "dryhold itself announces this to hubs: it is no sensor"
	}
	for _, v := range a.Values {
		if v.Why != "" {
			return fmt.Sprintf("%q is announced, and cannot be read: %s", v.Name, v.Why)
		}
	}
	return cmp.Or(a.Note, "nothing that is announced here is of use to dryhold")
}

// saysOf says what is announced of a topic, and what a topic of announcements
// says.
func (l *looking) saysOf(topic string) (announced, says string) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if a, is := l.announced[topic]; is {
		says = "a gateway announces to hubs what it has"
		var of []string
		for _, v := range a.Values {
			if v.Readable() && a.Origin != hub.Origin {
				of = append(of, quantityIn(v)+" on "+shortTopic(v.Topic))
			}
		}
		if len(of) == 0 {
			return "", says + ": " + whyNothing(a)
		}
		return "announces " + few(of), says
	}
	var of []string
	for _, v := range l.announcedOn(topic) {
		if v.Readable() {
			of = append(of, quantityIn(v))
		}
	}
	if len(of) == 0 {
		return "", ""
	}
	return "announced to hubs: " + few(of), ""
}

func quantityIn(v wire.Announced) string {
	if v.Unit == "" {
		return v.Quantity.String()
	}
	return v.Quantity.String() + " in " + v.Unit
}

// few names the first of many.
func few(of []string) string {
	const most = 6
	if more := len(of) - most; more > 0 {
		return strings.Join(of[:most], ", ") + fmt.Sprintf(" and %d more", more)
	}
	return strings.Join(of, ", ")
}

// shortTopic is a topic as it can be shown in a line.
func shortTopic(s string) string {
	const most = 100
	if len(s) > most {
		return strings.ToValidUTF8(s[:most], "") + "…"
	}
	return s
}
