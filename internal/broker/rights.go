package broker

import (
	"fmt"
	"net/netip"
	"slices"
	"strings"
	"time"

	mqtt "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/packets"

	"dryhold/internal/secret"
)

// User is one client that may come in.
type User struct {
	Name     string
	Password secret.Password
	// Publish and Subscribe are the topic filters that the user may use. Nil
	// stands for the topics that have the user's name as a level: of cellar-1
	// rooms/cellar-1/temperature and sensors/cellar-1. Empty is none.
	Publish, Subscribe []string
}

// Refusal is something that a client was not allowed to do.
type Refusal struct {
	// Topic is the topic or filter; empty when the client was not let in.
	Topic string
	// Why says who, what and how to mend it.
	Why string
}

// rights are what a user may do. The zero value may do nothing.
type rights struct {
	all                bool // every topic that is not closed
	name               string
	publish, subscribe []string
}

func (u User) rights() rights {
	return rights{name: u.Name, publish: u.Publish, subscribe: u.Subscribe}
}

func (r rights) may(own []string, filter string) bool {
	if r.all {
		return true
	}
	if own == nil {
		return r.name != "" && hasLevel(filter, r.name)
	}
	for _, f := range own {
		if covers(f, filter) {
			return true
		}
	}
	return false
}

// hasLevel reports whether every topic of a filter has the name as a level.
func hasLevel(filter, name string) bool {
	for l := range strings.SplitSeq(filter, "/") {
		if l == name {
			return true
		}
	}
	return false
}

// covers reports whether every topic that the filter matches is matched by
// allowed as well (MQTT 3.1.1, section 4.7). A topic is a filter that matches
// itself alone.
func covers(allowed, filter string) bool {
	a, f := strings.Split(allowed, "/"), strings.Split(filter, "/")
	for i, level := range a {
		switch {
		case level == "#":
			return true
		case i >= len(f):
			return false
		case f[i] == "#" || level != "+" && level != f[i]:
			return false
		}
	}
	return len(a) == len(f)
}

// wildcard reports a filter that is no topic.
func wildcard(topic string) bool { return strings.ContainsAny(topic, "+#") }

// unshared is the filter of a shared subscription without its group.
func unshared(filter string) string {
	if len(filter) > 7 && strings.EqualFold(filter[:7], mqtt.SharePrefix+"/") {
		_, rest, _ := strings.Cut(filter[7:], "/")
		return rest
	}
	return filter
}

// intake reports the daemon's own client.
func (g *guard) intake(cl *mqtt.Client) bool {
	return g.cfg.IntakeClientID != "" && cl.ID == g.cfg.IntakeClientID
}

// guest reports the daemon's own client that only looks.
func (g *guard) guest(cl *mqtt.Client) bool {
	return g.cfg.GuestClientID != "" && strings.HasPrefix(cl.ID, g.cfg.GuestClientID+"-")
}

// herald reports the daemon's own client that announces.
func (g *guard) herald(cl *mqtt.Client) bool { return g.cfg.Herald != "" && cl.ID == g.cfg.Herald }

// rightsOf gives the rights of who is in.
func (g *guard) rightsOf(cl *mqtt.Client) rights {
	if g.guest(cl) {
		return rights{publish: []string{}, subscribe: []string{"#"}}
	}
	if g.intake(cl) || g.herald(cl) || g.users == nil {
		return rights{all: true}
	}
	return g.users[string(cl.Properties.Username)]
}

// mayPublish reports whether a client may publish on a topic.
func (g *guard) mayPublish(cl *mqtt.Client, topic string) bool {
	if topic == "" || strings.HasPrefix(topic, "$") || wildcard(topic) {
		return false
	}
	if g.intake(cl) || g.herald(cl) {
		return true
	}
	for _, closed := range g.cfg.Closed {
		if covers(closed, topic) && !slices.Contains(g.cfg.Open, topic) {
			return false
		}
	}
	r := g.rightsOf(cl)
	return r.may(r.publish, topic)
}

// maySubscribe reports whether a client may have what a filter matches, or one
// topic.
func (g *guard) maySubscribe(cl *mqtt.Client, filter string) bool {
	filter = unshared(filter)
	if filter == "" || strings.HasPrefix(filter, "$") {
		return false
	}
	r := g.rightsOf(cl)
	return r.may(r.subscribe, filter)
}

// OnACLCheck answers for subscriptions, and again for each message on its way
// to a subscriber. For publications it leaves the answer to OnPublish, which
// knows the topic behind an alias and can tell the publisher.
func (g *guard) OnACLCheck(cl *mqtt.Client, topic string, write bool) bool {
	return write || g.maySubscribe(cl, topic)
}

// refuse answers a publication that is not allowed. MQTT 5 has a code for it.
// MQTT 3.1.1 has none (section 3.3.5): the server either closes the
// connection, upon which the client would come back with the same message for
// ever, or acknowledges what it does not deliver. So it is acknowledged here,
// counted and told.
func (g *guard) refuse(cl *mqtt.Client, c *conn, pk packets.Packet) (packets.Packet, error) {
	g.tell(pk.TopicName, fmt.Sprintf("%s may not publish here", g.describe(cl)))
	code := packets.CodeSuccess
	if cl.Properties.ProtocolVersion == 5 {
		code = packets.ErrNotAuthorized
	}
	switch {
	case c.qos == 1:
		g.acknowledge(cl, c, ack{c.id, code.Code})
	case c.qos == 2 && code == packets.CodeSuccess:
		return pk, packets.CodeSuccessIgnore // the library goes through the four packets, with nothing behind them
	case c.qos == 2:
		rec := packets.Packet{FixedHeader: packets.FixedHeader{Type: packets.Pubrec}, PacketID: c.id, ReasonCode: code.Code}
		if err := cl.WritePacket(rec); err != nil {
			cl.Stop(err)
		}
	}
	return pk, packets.ErrRejectPacket
}

// tell passes a refusal on.
func (g *guard) tell(topic, why string) {
	if g.cfg.Refused != nil {
		g.cfg.Refused(Refusal{Topic: topic, Why: why})
	}
}

// describe says who a client is, without the name where it is none of the
// configured: what stands there may be a password.
func (g *guard) describe(cl *mqtt.Client) string {
	name := string(cl.Properties.Username)
	if _, known := g.users[name]; known {
		return fmt.Sprintf("user %q", name)
	}
	return fmt.Sprintf("client %q", shortened(cl.ID))
}

// shortened is a name a stranger chose, as long as one can read.
func shortened(s string) string {
	const most = 64
	if len(s) > most {
		s = strings.ToValidUTF8(s[:most], "") + "..."
	}
	return s
}

// OnConnectAuthenticate lets in whom the configuration knows, and nobody under
// the name of another's session.
func (g *guard) OnConnectAuthenticate(cl *mqtt.Client, pk packets.Packet) bool {
	why, tell := g.keepOut(cl, pk)
	if why != "" {
		if tell {
			g.log.Warn("the broker refuses a client", "client", shortened(cl.ID), "from", cl.Net.Remote, "why", why)
		}
		g.tell("", fmt.Sprintf("%s, from %s: %s", g.describe(cl), host(cl.Net.Remote), why))
		return false
	}
	if cl.Properties.Will.Flag != 0 && !g.mayPublish(cl, cl.Properties.Will.TopicName) {
		g.tell(cl.Properties.Will.TopicName, fmt.Sprintf("%s may not have its last will here; it is left out", g.describe(cl)))
		cl.Properties.Will = mqtt.Will{}
	}
	return true
}

// keepOut says why a client is not let in, or "", and whether that is worth a
// line in the log.
func (g *guard) keepOut(cl *mqtt.Client, pk packets.Packet) (why string, tell bool) {
	from := host(cl.Net.Remote)
	if g.cfg.IntakeSecret != "" {
		if g.intake(cl) || g.guest(cl) || g.herald(cl) {
			if same(pk.Connect.Password, []byte(g.cfg.IntakeSecret)) {
				return "", false
			}
			return "its client identifier is dryhold's own: give it another one", g.door.Stranger(time.Now(), from)
		}
		if cl.Net.Listener == innerListener {
			return "this way in is dryhold's own", g.door.Stranger(time.Now(), from)
		}
	}
	if g.users == nil {
		return "", false
	}
	ok, wait := g.door.Enter(time.Now(), string(pk.Connect.Username), pk.Connect.Password, from)
	switch {
	case wait > 0:
		return fmt.Sprintf("too many wrong passwords: it must wait %s", wait.Round(time.Second)), false
	case !ok:
		return "wrong username or password", true
	}
	if old, known := g.server.Clients.Get(cl.ID); known && string(old.Properties.Username) != string(cl.Properties.Username) {
		return "its client identifier belongs to another user: give it another one", true
	}
	return "", false
}

// host is the address of host:port.
func host(remote string) netip.Addr {
	ap, err := netip.ParseAddrPort(remote)
	if err != nil {
		return netip.Addr{}
	}
	return ap.Addr()
}

// mine reports whether the user of a stored session is still there.
func (g *guard) mine(client, user string) bool {
	if g.users == nil || client == g.cfg.IntakeClientID {
		return true
	}
	_, known := g.users[user]
	return known
}

// makeUsers gives the rights and the hashes of all users, nil when nobody is
// asked who it is.
func (cfg Config) makeUsers() (map[string]rights, map[string]secret.Password, error) {
	if cfg.Username == "" && len(cfg.Users) == 0 {
		return nil, nil, nil
	}
	all, hashes := map[string]rights{}, map[string]secret.Password{}
	for _, u := range cfg.Users {
		all[u.Name], hashes[u.Name] = u.rights(), u.Password
	}
	if cfg.Username != "" {
		if _, taken := all[cfg.Username]; taken {
			return nil, nil, fmt.Errorf("the embedded broker has user %q twice, in its list of users and in its file: leave one out", cfg.Username)
		}
		hash, err := secret.HashPassword([]byte(cfg.Password))
		if err != nil {
			return nil, nil, fmt.Errorf("cannot take the embedded broker's password: %w", err)
		}
		all[cfg.Username], hashes[cfg.Username] = rights{all: true}, hash
	}
	return all, hashes, nil
}
