package broker

import (
	"bytes"
	"crypto/tls"
	"io"
	"log/slog"
	"net"
	"net/url"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/mochi-mqtt/server/v2/packets"
	"pgregory.net/rapid"

	"dryhold/internal/intake/mosquittotest"
	"dryhold/internal/secret"
	"dryhold/internal/servertest"
)

func TestCovers(t *testing.T) {
	f := func(allowed, filter string, want bool) {
		t.Helper()
		if covers(allowed, filter) != want {
			t.Errorf("%q covers %q: %v", allowed, filter, !want)
		}
	}
	f("a/b", "a/b", true)
	f("a/b", "a", false)
	f("a/b", "a/b/c", false)
	f("a/b", "a/+", false)
	f("a/b", "a/#", false)
	f("a/+", "a/b", true)
	f("a/+", "a/+", true)
	f("a/+", "a/#", false)
	f("a/+", "a", false)
	f("a/+", "a/", true)
	f("a/+", "a/b/c", false)
	f("+/b", "a/b", true)
	f("+/b", "+/b", true)
	f("+/b", "#", false)
	f("a/#", "a", true) // MQTT 3.1.1, section 4.7.1.2
	f("a/#", "a/b/c", true)
	f("a/#", "a/+/c", true)
	f("a/#", "a/#", true)
	f("a/#", "#", false)
	f("a/#", "b", false)
	f("a/#", "+/b", false)
	f("#", "#", true)
	f("#", "", true)
	f("", "", true)
	f("", "a", false)
	f("/", "/", true)
	f("A/b", "a/b", false)
}

// What a filter covers is exactly what its topics say: for every topic that
// the second matches, the first matches too.
func TestCoversIsInclusion(t *testing.T) {
	levels := []string{"a", "b", "+"}
	draw := func(t *rapid.T, name string) string {
		n := rapid.IntRange(1, 3).Draw(t, name)
		var out []string
		for range n {
			out = append(out, rapid.SampledFrom(levels).Draw(t, name))
		}
		if rapid.Bool().Draw(t, name) {
			out = append(out, "#")
		}
		return strings.Join(out, "/")
	}
	var topics []string
	for _, a := range []string{"a", "b", "x"} {
		topics = append(topics, a)
		for _, b := range []string{"a", "b", "x"} {
			topics = append(topics, a+"/"+b)
			for _, c := range []string{"a", "b", "x"} {
				topics = append(topics, a+"/"+b+"/"+c, a+"/"+b+"/"+c+"/x", a+"/"+b+"/"+c+"/x/x")
			}
		}
	}
	rapid.Check(t, func(t *rapid.T) {
		allowed, filter := draw(t, "allowed"), draw(t, "filter")
		included := true
		for _, topic := range topics {
			if covers(filter, topic) && !covers(allowed, topic) {
				included = false
			}
		}
		if got := covers(allowed, filter); got != included {
			t.Fatalf("%q covers %q: %v, by its topics %v", allowed, filter, got, included)
		}
	})
}

func FuzzRights(f *testing.F) {
	f.Add("cellar-1", "sensors/cellar-1/state", "a/+/#")
	f.Add("", "$share/g/#", "#")
	f.Add("x", "$SYS/#", "+/+")
	f.Add("x", "$SHARE/x", "")
	f.Fuzz(func(t *testing.T, name, topic, filter string) {
		r := rights{name: name}
		if r.may(nil, topic) != (name != "" && slices.Contains(strings.Split(topic, "/"), name)) {
			t.Errorf("by name %q: %q", name, topic)
		}
		if r.may([]string{}, topic) {
			t.Error("who may nothing may something")
		}
		if covers(filter, topic) && !covers("#", topic) {
			t.Errorf("%q covers %q and # does not", filter, topic)
		}
		if inner := unshared("$share/group/" + filter); inner != filter {
			t.Errorf("%q without its group is %q", filter, inner)
		}
	})
}

// told collects what was refused.
type told struct {
	mu  sync.Mutex
	all []Refusal
}

func (x *told) add(r Refusal) {
	x.mu.Lock()
	defer x.mu.Unlock()
	x.all = append(x.all, r)
}

func (x *told) count(topic, why string) (n int) {
	x.mu.Lock()
	defer x.mu.Unlock()
	for _, r := range x.all {
		if r.Topic == topic && strings.Contains(r.Why, why) {
			n++
		}
	}
	return n
}

// hashed makes users; each one's password is its name backwards.
func hashed(t *testing.T, users ...User) []User {
	t.Helper()
	for i := range users {
		var err error
		if users[i].Password, err = secret.HashPassword([]byte(backwards(users[i].Name))); err != nil {
			t.Fatal(err)
		}
	}
	return users
}

func backwards(s string) string {
	b := []byte(s)
	slices.Reverse(b)
	return string(b)
}

// options are those of a plain client of MQTT 3.1.1.
func options(addr, id, user, password string) *mqtt.ClientOptions {
	return mqtt.NewClientOptions().AddBroker(addr).SetClientID(id).SetUsername(user).SetPassword(password).
		SetProtocolVersion(4).SetCleanSession(false).SetAutoReconnect(false).SetConnectTimeout(20 * time.Second)
}

func enter(t *testing.T, o *mqtt.ClientOptions) mqtt.Client {
	t.Helper()
	c := mqtt.NewClient(o)
	await(t, c.Connect())
	t.Cleanup(func() { c.Disconnect(100) })
	return c
}

func keptOut(t *testing.T, o *mqtt.ClientOptions) {
	t.Helper()
	c := mqtt.NewClient(o)
	token := c.Connect()
	if !token.WaitTimeout(30 * time.Second) {
		t.Fatal("no answer")
	}
	if token.Error() == nil {
		c.Disconnect(0)
		t.Errorf("%s came in as %q", o.Username, o.ClientID)
	}
}

// The whole of the rules on one broker that speaks TLS.
func TestRights(t *testing.T) {
	dir := t.TempDir()
	cert, key, _, trust := mosquittotest.Certificates(t, dir)
	pair, err := tls.LoadX509KeyPair(cert, key)
	if err != nil {
		t.Fatal(err)
	}
	trust.ServerName = "localhost"
	var refused told
	cfg := Config{
		TLS: &tls.Config{MinVersion: tls.VersionTLS12, Certificates: []tls.Certificate{pair}}, IntakeSecret: "inner secret", Herald: "herald",
		Username: "home", Password: "of the home", Closed: []string{"dryhold/#"}, Refused: refused.add,
		Users: hashed(t, User{Name: "cellar-1"}, User{Name: "loft-1"},
			User{Name: "gateway", Publish: []string{"gw/+/state"}, Subscribe: []string{"cmd/#"}}, User{Name: "mute", Publish: []string{}, Subscribe: []string{}}),
	}
	b := begin(t, cfg)
	inner := enter(t, options("tcp://"+b.IntakeAddr(), "intake", "whoever", "inner secret"))
	var mu sync.Mutex
	var came []string
	await(t, inner.Subscribe("#", 1, func(_ mqtt.Client, m mqtt.Message) {
		mu.Lock()
		defer mu.Unlock()
		came = append(came, m.Topic())
	}))
	addr := "ssl://" + b.Addr()
	as := func(user string) *mqtt.ClientOptions {
		return options(addr, "client of "+user, user, backwards(user)).SetTLSConfig(trust)
	}

	// Who comes in.
	keptOut(t, as("cellar-1").SetPassword("wrong"))
	keptOut(t, as("nobody"))
	keptOut(t, as("").SetPassword(""))
	keptOut(t, options("tcp://"+b.Addr(), "x", "cellar-1", backwards("cellar-1")))       // without TLS
	keptOut(t, options("tcp://"+b.IntakeAddr(), "x", "cellar-1", backwards("cellar-1"))) // by the intake's way
	keptOut(t, as("cellar-1").SetClientID("intake"))                                     // in its session
	keptOut(t, as("home").SetPassword("of the home").SetClientID("intake"))
	keptOut(t, options("tcp://"+b.IntakeAddr(), "intake", "home", "of the home"))
	keptOut(t, as("home").SetPassword("of the home").SetClientID("herald"))
	if refused.count("", "client identifier is dryhold's own") != 4 || refused.count("", "wrong username or password") < 3 {
		t.Errorf("told: %+v", refused.all)
	}

	// Who publishes what. Nothing that is refused leaves its publisher waiting.
	publish := func(c mqtt.Client, topic string, qos byte, ok bool) {
		t.Helper()
		before := refused.count(topic, "may not publish here")
		await(t, c.Publish(topic, qos, true, "21.5"))
		if qos > 0 && ok != (refused.count(topic, "may not publish here") == before) {
			t.Errorf("%s: want it taken: %v; told %d before", topic, ok, before)
		}
	}
	cellar, loft, gateway, mute := enter(t, as("cellar-1")), enter(t, as("loft-1")), enter(t, as("gateway")), enter(t, as("mute"))
	home := enter(t, as("home").SetPassword("of the home"))
	publish(cellar, "sensors/cellar-1/state", 1, true)
	publish(cellar, "rooms/cellar-1", 2, true)
	publish(cellar, "sensors/loft-1/state", 0, false)
	publish(cellar, "sensors/loft-1/state", 1, false)
	publish(cellar, "sensors/loft-1/state", 2, false)
	publish(cellar, "sensors/cellar-10/state", 1, false)
	publish(loft, "rooms/cellar-1", 1, false)
	publish(gateway, "gw/7/state", 1, true)
	publish(gateway, "gw/gateway", 1, false)
	publish(mute, "mute", 1, false)
	publish(home, "anything/at/all", 1, true)
	publish(home, "dryhold/status", 1, false)
	publish(home, "dryhold", 1, false)
	publish(home, "$other/x", 1, false)
	await(t, home.Publish("$SYS/broker/clients", 1, true, "x"))
	if refused.count("$/SYS/broker/clients", "") != 1 {
		t.Errorf("told: %+v", refused.all)
	}
	publish(inner, "dryhold/status", 1, true)
	herald := enter(t, options("tcp://"+b.IntakeAddr(), "herald", "whoever", "inner secret"))
	publish(herald, "dryhold/rooms/cellar", 1, true)
	publish(herald, "homie/5/dryhold-larch-house/$state", 1, true)

	// Who hears what.
	subscribe := func(c mqtt.Client, filter string, want byte) {
		t.Helper()
		token := c.Subscribe(filter, 1, nil).(*mqtt.SubscribeToken)
		if !token.WaitTimeout(30 * time.Second) {
			t.Fatal("no answer")
		}
		result := token.Result() // under the filter without its group
		if len(result) != 1 {
			t.Fatalf("%s: %v", filter, result)
		}
		for _, got := range result {
			if got != want {
				t.Errorf("%s: granted %#x, want %#x", filter, got, want)
			}
		}
	}
	const no = 0x80 // MQTT 3.1.1, section 3.9.3
	subscribe(cellar, "sensors/cellar-1/#", 1)
	subscribe(cellar, "#", no)
	subscribe(cellar, "sensors/+/state", no)
	subscribe(cellar, "sensors/loft-1/state", no)
	subscribe(cellar, "$share/g/sensors/loft-1/state", no)
	subscribe(cellar, "$share/cellar-1/#", no)
	subscribe(cellar, "$SYS/#", no)
	subscribe(home, "$SYS/#", no)
	subscribe(home, "#", 1)
	subscribe(herald, "homeassistant/status", 1)
	subscribe(gateway, "cmd/7", 1)
	subscribe(gateway, "gw/7/state", no)
	subscribe(mute, "mute", no)
	if refused.count("sensors/+/state", "user \"cellar-1\" may not subscribe") != 1 {
		t.Errorf("told: %+v", refused.all)
	}

	// A session belongs to its user.
	keptOut(t, as("loft-1").SetClientID("client of cellar-1"))
	cellar.Disconnect(100)
	keptOut(t, as("loft-1").SetClientID("client of cellar-1"))
	cellar = enter(t, as("cellar-1"))

	// A last will obeys the same rules, retained or not.
	for topic, ok := range map[string]bool{"sensors/cellar-1/lost": true, "sensors/loft-1/lost": false, "dryhold/status/lost": false, "$SYS/lost": false} {
		o := as("cellar-1").SetClientID("of "+topic).SetWill(topic, "lost", 1, true)
		var raw net.Conn
		o.SetCustomOpenConnectionFn(func(_ *url.URL, _ mqtt.ClientOptions) (net.Conn, error) {
			var err error
			raw, err = tls.Dial("tcp", b.Addr(), trust)
			return raw, err
		})
		enter(t, o)
		if err := raw.Close(); err != nil {
			t.Fatal(err)
		}
		if told := refused.count(topic, "last will") == 0; told != ok {
			t.Errorf("will on %s: %+v", topic, refused.all)
		}
	}
	publish(cellar, "sensors/cellar-1/end", 1, true)
	want := []string{"sensors/cellar-1/state", "rooms/cellar-1", "gw/7/state", "anything/at/all", "dryhold/status", "dryhold/rooms/cellar", "homie/5/dryhold-larch-house/$state", "sensors/cellar-1/lost", "sensors/cellar-1/end"}
	seen := func() []string {
		mu.Lock()
		defer mu.Unlock()
		return slices.Clone(came)
	}
	eventually(t, "all that was allowed", func() bool {
		return !slices.ContainsFunc(want, func(w string) bool { return !slices.Contains(seen(), w) })
	})
	for _, topic := range seen() {
		if !slices.Contains(want, topic) {
			t.Errorf("%s came through", topic)
		}
	}
	for _, r := range refused.all {
		if strings.Contains(r.Why, "of the home") || strings.Contains(r.Why, backwards("cellar-1")) {
			t.Errorf("a password is told: %s", r.Why)
		}
	}
}

// A user that was taken out of the configuration leaves no session behind for
// whoever comes next under its client identifier.
func TestSessionOfUserThatIsGone(t *testing.T) {
	dir := t.TempDir()
	begun := func(users ...User) *Broker {
		return begin(t, Config{Dir: dir, IntakeSecret: "s", Users: hashed(t, users...)})
	}
	b := begun(User{Name: "old"}, User{Name: "home", Publish: []string{"#"}})
	old := enter(t, options("tcp://"+b.Addr(), "shelf", "old", backwards("old")))
	await(t, old.Subscribe("x/old", 1, nil))
	old.Disconnect(100)
	home := enter(t, options("tcp://"+b.Addr(), "home", "home", backwards("home")))
	await(t, home.Publish("x/old", 1, false, "for old alone"))
	end(t, b)

	b = begun(User{Name: "new"})
	heard := make(chan string, 10)
	o := options("tcp://"+b.Addr(), "shelf", "new", backwards("new"))
	o.SetDefaultPublishHandler(func(_ mqtt.Client, m mqtt.Message) { heard <- string(m.Payload()) })
	c := enter(t, o)
	await(t, c.Subscribe("new", 1, nil))
	await(t, c.Publish("new", 1, false, "my own"))
	select {
	case got := <-heard:
		if got != "my own" {
			t.Errorf("came into the session of another: %q", got)
		}
	case <-time.After(60 * time.Second):
		t.Fatal("nothing comes")
	}
}

// Guessing is slowed down.
func TestGuessing(t *testing.T) {
	var refused told
	b := begin(t, Config{IntakeSecret: "s", Users: hashed(t, User{Name: "a"}), Refused: refused.add})
	// The wait doubles: on a machine however slow it is longer than an attempt
	// before long.
	eventually(t, "waiting", func() bool {
		keptOut(t, options("tcp://"+b.Addr(), "x", "a", "guess"))
		return refused.count("", "too many wrong passwords") > 0
	})
	if n := refused.count("", "wrong username or password"); n < 5 {
		t.Errorf("%d were checked: %+v", n, refused.all)
	}
}

// MQTT 5 has a code for what is not allowed (0x87, section 3.4.2.1), and the
// ban holds behind a topic alias.
func TestRefusalInVersion5(t *testing.T) {
	b := begin(t, Config{IntakeSecret: "s", Users: hashed(t, User{Name: "a"})})
	conn, err := net.Dial("tcp", b.Addr())
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	if err := conn.SetDeadline(time.Now().Add(60 * time.Second)); err != nil {
		t.Fatal(err)
	}
	send := func(pk packets.Packet, encode func(*packets.Packet, *bytes.Buffer) error) {
		t.Helper()
		pk.ProtocolVersion = 5
		var out bytes.Buffer
		if err := encode(&pk, &out); err != nil {
			t.Fatal(err)
		}
		if _, err := conn.Write(out.Bytes()); err != nil {
			t.Fatal(err)
		}
	}
	answer := func(kind byte) []byte {
		t.Helper()
		head := make([]byte, 2)
		if _, err := io.ReadFull(conn, head); err != nil {
			t.Fatal(err)
		}
		body := make([]byte, head[1])
		if _, err := io.ReadFull(conn, body); err != nil {
			t.Fatal(err)
		}
		if head[0]>>4 != kind {
			t.Fatalf("packet %d, want %d", head[0]>>4, kind)
		}
		return body
	}
	send(packets.Packet{FixedHeader: packets.FixedHeader{Type: packets.Connect}, Connect: packets.ConnectParams{
		ProtocolName: []byte("MQTT"), Clean: true, Keepalive: 60, ClientIdentifier: "five",
		UsernameFlag: true, Username: []byte("a"), PasswordFlag: true, Password: []byte("a"),
	}}, (*packets.Packet).ConnectEncode)
	answer(packets.Connack)
	publish := func(topic string, alias uint16, qos byte, id uint16, want byte) {
		t.Helper()
		send(packets.Packet{FixedHeader: packets.FixedHeader{Type: packets.Publish, Qos: qos}, TopicName: topic, PacketID: id, Payload: []byte("1"),
			Properties: packets.Properties{TopicAlias: alias, TopicAliasFlag: alias > 0}}, (*packets.Packet).PublishEncode)
		kind := packets.Puback
		if qos == 2 {
			kind = packets.Pubrec
		}
		body := answer(kind)
		code := byte(0)
		if len(body) > 2 {
			code = body[2]
		}
		if id16 := uint16(body[0])<<8 | uint16(body[1]); code != want || id16 != id {
			t.Errorf("%q, alias %d, QoS %d: code %#x for %d, want %#x for %d", topic, alias, qos, code, id16, want, id)
		}
	}
	publish("x/a", 0, 1, 1, 0)
	publish("x/b", 0, 1, 2, 0x87)
	publish("x/b", 0, 2, 3, 0x87)
	publish("x/b", 7, 1, 4, 0x87)
	publish("", 7, 1, 5, 0x87)
	publish("x/a", 8, 1, 6, 0)
	publish("", 8, 1, 7, 0)
}

// The library prints whole packets, with password and payload, when it is told
// to print everything.
func TestLogHasNoPackets(t *testing.T) {
	var log servertest.Buffer
	b := begin(t, Config{Username: "home", Password: "planted", Log: slog.New(slog.NewTextHandler(&log, &slog.HandlerOptions{Level: slog.LevelDebug}))})
	c, err := net.Dial("tcp", b.Addr())
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	connect := packets.Packet{FixedHeader: packets.FixedHeader{Type: packets.Connect}, ProtocolVersion: 4, Connect: packets.ConnectParams{
		ProtocolName: []byte("MQTT"), Clean: true, Keepalive: 60, ClientIdentifier: "four",
		UsernameFlag: true, Username: []byte("home"), PasswordFlag: true, Password: []byte("planted"),
	}}
	var out bytes.Buffer
	for range 2 { // the second is a fault, which the library prints
		if err := connect.ConnectEncode(&out); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := c.Write(out.Bytes()); err != nil {
		t.Fatal(err)
	}
	eventually(t, "the fault in the log", func() bool { return strings.Contains(log.String(), "error processing packet") })
	if text := log.String(); strings.Contains(text, "planted") || strings.Contains(text, "112 108 97 110 116 101 100") {
		t.Errorf("the password is in the log:\n%s", text)
	}
}

// A topic that is opened below a closed one takes what the rights of a user
// allow, and from nobody else.
func TestOpenTopic(t *testing.T) {
	var refused told
	b := begin(t, Config{
		Closed: []string{"dryhold/#"}, Open: []string{"dryhold/alarms/command"}, Refused: refused.add,
		Users: hashed(t, User{Name: "panel", Publish: []string{"dryhold/alarms/+"}}, User{Name: "cellar-1"}),
	})
	as := func(user string) mqtt.Client {
		return enter(t, options("tcp://"+b.Addr(), "client of "+user, user, backwards(user)))
	}
	f := func(c mqtt.Client, topic string, ok bool) {
		t.Helper()
		before := refused.count(topic, "may not publish here")
		await(t, c.Publish(topic, 1, false, "{}"))
		if ok != (refused.count(topic, "may not publish here") == before) {
			t.Errorf("%s: want it taken: %v", topic, ok)
		}
	}
	panel, cellar := as("panel"), as("cellar-1")
	f(panel, "dryhold/alarms/command", true)
	f(panel, "dryhold/alarms/answer", false)
	f(cellar, "dryhold/alarms/command", false)
	f(cellar, "rooms/cellar-1", true)
}
