package broker

import (
	"errors"
	"log/slog"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	mqtt "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/packets"

	"dryhold/internal/secret"
)

// guard is the hook that changes the library's ways, see the package comment.
// Its half about publications is here, its half about sessions and storage in
// sessions.go.
type guard struct {
	mqtt.HookBase
	cfg      Config
	server   *mqtt.Server
	store    *store
	log      *slog.Logger
	stopping chan struct{}
	created  atomic.Int64      // numbers publications, in place of their second
	users    map[string]rights // nil: nobody is asked
	door     *secret.Door

	// sessions is read-locked while a publication is handed to its
	// subscribers and locked while a session changes its connection.
	sessions sync.RWMutex

	mu      sync.Mutex
	conns   map[*mqtt.Client]*conn // by connection and by its inline client
	dropped map[int64]bool         // publications the intake could not take
	// counters holds the packet identifiers of each persistent session.
	counters map[string]*counter
	moving   []moving
}

// conn is what the guard knows of one connection.
type conn struct {
	inline      *mqtt.Client // publishes in the connection's name
	qos         byte         // of the publication being processed
	id          uint16       // its packet identifier
	number      int64        // its number
	subscribeID uint16       // identifier of the subscription being processed
	acks        *ackQueue    // publications on disk, to be acknowledged
}

func newGuard(cfg Config, server *mqtt.Server, st *store) (*guard, error) {
	users, hashes, err := cfg.makeUsers()
	return &guard{
		users: users, door: secret.NewDoor(hashes),
		cfg: cfg, server: server, store: st, log: cfg.Log,
		stopping: make(chan struct{}), conns: map[*mqtt.Client]*conn{}, dropped: map[int64]bool{}, counters: map[string]*counter{},
	}, err
}

// ID names the hook.
func (g *guard) ID() string { return "guard" }

// Provides lists the calls the hook wants.
func (g *guard) Provides(b byte) bool {
	switch b {
	case mqtt.OnConnectAuthenticate, mqtt.OnACLCheck, mqtt.OnPacketRead, mqtt.OnPacketEncode,
		mqtt.OnPublish, mqtt.OnPublishDropped, mqtt.OnSessionEstablish, mqtt.OnSessionEstablished,
		mqtt.OnDisconnect, mqtt.OnSubscribed, mqtt.OnUnsubscribed, mqtt.OnRetainMessage,
		mqtt.OnRetainedExpired, mqtt.OnWillSent, mqtt.OnQosPublish, mqtt.OnQosComplete,
		mqtt.OnQosDropped, mqtt.OnClientExpired, mqtt.StoredClients, mqtt.StoredSubscriptions,
		mqtt.StoredInflightMessages, mqtt.StoredRetainedMessages:
		return true
	}
	return false
}

// conn gives what is known of a connection, from its first packet on.
func (g *guard) conn(cl *mqtt.Client) *conn {
	g.mu.Lock()
	defer g.mu.Unlock()
	c := g.conns[cl]
	if c == nil {
		c = &conn{inline: g.server.NewClient(nil, mqtt.LocalListener, cl.ID, true)}
		c.inline.Properties.ProtocolVersion = cl.Properties.ProtocolVersion
		g.conns[cl], g.conns[c.inline] = c, c
	}
	return c
}

// OnPacketRead hides the packet identifiers of publications at QoS 1 and of
// subscriptions from the library, which would look them up among those of the
// messages on their way to the same client. It runs, like OnPublish and
// OnSubscribe, on the one goroutine that reads the connection.
func (g *guard) OnPacketRead(cl *mqtt.Client, pk packets.Packet) (packets.Packet, error) {
	switch pk.FixedHeader.Type {
	case packets.Publish:
		c := g.conn(cl)
		c.qos, c.id = pk.FixedHeader.Qos, pk.PacketID
		if len(pk.TopicName) >= len(mqtt.SysPrefix) && strings.EqualFold(pk.TopicName[:len(mqtt.SysPrefix)], mqtt.SysPrefix) {
			// The library would drop it without an answer, and the publisher
			// would wait for one for ever. OnPublish refuses it as it stands now.
			pk.TopicName = "$/" + pk.TopicName[1:]
		}
		if c.qos == 1 && c.id != 0 { // without an identifier the library refuses it
			pk.FixedHeader.Qos, pk.FixedHeader.Dup, pk.PacketID = 0, false, 0
		}
	case packets.Subscribe, packets.Unsubscribe:
		if pk.PacketID != 0 {
			g.conn(cl).subscribeID = pk.PacketID
			pk.FixedHeader.Qos, pk.PacketID = 0, 0
		}
	}
	return pk, nil
}

// OnPacketEncode puts the identifier of a subscription back.
func (g *guard) OnPacketEncode(cl *mqtt.Client, pk packets.Packet) packets.Packet {
	if t := pk.FixedHeader.Type; (t == packets.Suback || t == packets.Unsuback) && pk.PacketID == 0 {
		pk.PacketID = g.conn(cl).subscribeID
	}
	return pk
}

// OnPublish hands a publication to its subscribers and the disk before the
// library can acknowledge it. It does so in the name of an inline client, for
// which the library runs the whole way to the subscribers at once, and then
// tells the library to do nothing more. The acknowledgement at QoS 1 follows
// when the disk has it, while the next publication is already being read: so
// one publisher's messages share commits.
func (g *guard) OnPublish(cl *mqtt.Client, pk packets.Packet) (packets.Packet, error) {
	c := g.conn(cl)
	if cl.Net.Inline {
		pk.Created = c.number
		return pk, nil
	}
	if !g.mayPublish(cl, pk.TopicName) {
		return g.refuse(cl, c, pk)
	}
	if c.qos == 0 {
		return pk, nil
	}
	if !g.room(cl, len(pk.Payload)) {
		return pk, packets.ErrRejectPacket
	}
	out := pk
	out.FixedHeader.Qos, out.FixedHeader.Dup, out.PacketID = c.qos, false, c.id
	out.Properties.TopicAlias, out.Properties.TopicAliasFlag = 0, false
	c.number = g.created.Add(1)
	g.sessions.RLock()
	err := g.server.InjectPacket(c.inline, out)
	g.sessions.RUnlock()
	if g.wasDropped(c.number) {
		err = errors.New("the intake reads too slowly")
	}
	if err == nil && c.qos == 2 {
		err = g.store.barrier()
	}
	if err != nil {
		// Not acknowledged: the publisher will come back and send it again.
		g.log.Warn("the broker could not take a publication and closes its connection", "client", cl.ID, "error", err)
		cl.Stop(err)
		return pk, packets.ErrRejectPacket
	}
	if c.qos == 1 {
		g.acknowledge(cl, c, ack{id: c.id})
	}
	return pk, packets.CodeSuccessIgnore
}

// undelivered bounds the bytes that wait for the intake, about: a publication
// of n bytes waits until fewer than undelivered/n others do.
const undelivered = 64 << 20

// room waits until the intake has caught up. It reports false when the
// publisher has gone or the broker stops.
func (g *guard) room(cl *mqtt.Client, size int) bool {
	// The intake itself must not wait: its acknowledgements come over the
	// same connection.
	if cl.ID == g.cfg.IntakeClientID {
		return true
	}
	limit := min(g.cfg.IntakeWindow, undelivered/(size+1))
	for {
		in, known := g.server.Clients.Get(g.cfg.IntakeClientID)
		if !known || in.State.Inflight.Len() < limit {
			return true
		}
		select {
		case <-g.stopping:
			return false
		case <-time.After(2 * time.Millisecond):
		}
		if cl.Closed() {
			return false
		}
	}
}

// acknowledge queues the acknowledgement behind the publication in the store.
func (g *guard) acknowledge(cl *mqtt.Client, c *conn, a ack) {
	if c.acks == nil {
		c.acks = newAckQueue(cl)
	}
	acks := c.acks
	g.store.submit(op{done: func(err error) {
		if err == nil { // else the broker stops, and the publisher sends it again
			acks.add(a)
		}
	}})
}

// forget ends what belongs to a connection.
func (g *guard) forget(cl *mqtt.Client) {
	g.mu.Lock()
	c := g.conns[cl]
	delete(g.conns, cl)
	if c != nil {
		delete(g.conns, c.inline)
	}
	g.mu.Unlock()
	if c != nil && c.acks != nil {
		c.acks.stop()
	}
}

// OnPublishDropped comes when a client's write queue is full and the library
// takes the message out of its session. Other clients must bear that; for the
// intake it must not pass for success, so the publisher gets no
// acknowledgement and will send again.
func (g *guard) OnPublishDropped(cl *mqtt.Client, pk packets.Packet) {
	g.log.Debug("a client reads too slowly, a message to it is dropped", "client", cl.ID, "topic", pk.TopicName)
	if pk.FixedHeader.Qos == 0 {
		return
	}
	for _, m := range cl.State.Inflight.GetAll(false) {
		if m.Created == pk.Created {
			g.OnQosComplete(cl, m) // and from the disk
		}
	}
	if cl.ID == g.cfg.IntakeClientID {
		g.mu.Lock()
		g.dropped[pk.Created] = true
		g.mu.Unlock()
	}
}

func (g *guard) wasDropped(number int64) bool {
	g.mu.Lock()
	defer g.mu.Unlock()
	was := g.dropped[number]
	delete(g.dropped, number)
	return was
}
