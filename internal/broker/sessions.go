package broker

import (
	"fmt"
	"sync"
	"time"

	mqtt "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/hooks/storage"
	"github.com/mochi-mqtt/server/v2/packets"
)

// persistent reports whether a client's session outlives its connection.
func persistent(cl *mqtt.Client) bool {
	if cl.Properties.ProtocolVersion == 5 {
		return cl.Properties.Props.SessionExpiryInterval > 0
	}
	return !cl.Properties.Clean
}

func inflightKey(client string, id uint16) string {
	return client + "\x00" + string([]byte{byte(id >> 8), byte(id)})
}

// OnSessionEstablish comes before the library moves a session from its old
// connection to a new one. Publications wait until the new one has everything
// that was undelivered, so that none goes to the old connection and none
// overtakes its own repetition.
func (g *guard) OnSessionEstablish(cl *mqtt.Client, _ packets.Packet) {
	old, known := g.server.Clients.Get(cl.ID)
	if !known || !persistent(old) || !persistent(cl) {
		return // nothing moves
	}
	old.Stop(packets.ErrSessionTakenOver) // so that no write to it can block
	g.sessions.Lock()
	g.goOn(cl)
	release := sync.OnceFunc(g.sessions.Unlock)
	g.mu.Lock()
	g.moving = append(g.moving, moving{cl, release})
	g.mu.Unlock()
	// A connection that fails half-way brings no further call.
	go func() {
		for {
			time.Sleep(5 * time.Millisecond)
			if now, _ := g.server.Clients.Get(cl.ID); now == cl && cl.Closed() {
				g.moved(cl)
			}
			if !g.isMoving(cl) {
				return
			}
		}
	}()
}

// moving is a session on its way to a new connection.
type moving struct {
	to      *mqtt.Client
	release func()
}

func (g *guard) isMoving(cl *mqtt.Client) bool {
	g.mu.Lock()
	defer g.mu.Unlock()
	for _, m := range g.moving {
		if m.to == cl {
			return true
		}
	}
	return false
}

// moved lets publications go on.
func (g *guard) moved(cl *mqtt.Client) {
	g.mu.Lock()
	defer g.mu.Unlock()
	for i, m := range g.moving {
		if m.to == cl {
			g.moving = append(g.moving[:i], g.moving[i+1:]...)
			m.release()
			return
		}
	}
}

// OnSessionEstablished keeps a persistent session's client, and clears away
// what a client left that no longer wants one.
func (g *guard) OnSessionEstablished(cl *mqtt.Client, _ packets.Packet) {
	g.moved(cl)
	if persistent(cl) {
		g.keepClient(cl)
	} else {
		g.dropClient(cl.ID)
	}
}

// OnWillSent updates the client, whose will is spent.
func (g *guard) OnWillSent(cl *mqtt.Client, _ packets.Packet) {
	if persistent(cl) {
		g.keepClient(cl)
	}
}

func (g *guard) keepClient(cl *mqtt.Client) {
	p := cl.Properties.Props.Copy(false)
	g.store.put(bucketClients, cl.ID, storage.Client{
		ID: cl.ID, T: storage.ClientKey, Remote: cl.Net.Remote, Listener: cl.Net.Listener,
		Username: cl.Properties.Username, Clean: cl.Properties.Clean, ProtocolVersion: cl.Properties.ProtocolVersion,
		Will: storage.ClientWill(cl.Properties.Will),
		Properties: storage.ClientProperties{
			SessionExpiryInterval: p.SessionExpiryInterval, SessionExpiryIntervalFlag: p.SessionExpiryIntervalFlag,
			AuthenticationMethod: p.AuthenticationMethod, AuthenticationData: p.AuthenticationData,
			RequestProblemInfo: p.RequestProblemInfo, RequestProblemInfoFlag: p.RequestProblemInfoFlag,
			RequestResponseInfo: p.RequestResponseInfo, ReceiveMaximum: p.ReceiveMaximum,
			TopicAliasMaximum: p.TopicAliasMaximum, User: p.User, MaximumPacketSize: p.MaximumPacketSize,
		},
	})
}

func (g *guard) dropClient(id string) {
	g.mu.Lock()
	delete(g.counters, id)
	g.mu.Unlock()
	g.store.submit(op{bucket: bucketClients, key: id, lazy: true})
	g.store.submit(op{bucket: bucketIdentifiers, key: id, lazy: true})
	g.store.submit(op{bucket: bucketSubscriptions, key: id + "\x00", prefix: true, lazy: true})
	g.store.submit(op{bucket: bucketInflight, key: id + "\x00", prefix: true, lazy: true})
}

// OnDisconnect ends what belongs to the connection, and the session if it was
// not to last.
func (g *guard) OnDisconnect(cl *mqtt.Client, _ error, expire bool) {
	g.forget(cl)
	now, known := g.server.Clients.Get(cl.ID)
	if expire && cl.StopCause() != packets.ErrSessionTakenOver && (!known || now == cl) {
		g.dropClient(cl.ID)
	}
}

// OnClientExpired drops a session whose time is over.
func (g *guard) OnClientExpired(cl *mqtt.Client) { g.dropClient(cl.ID) }

// OnSubscribed keeps the subscriptions of a persistent session; they are on
// disk before the client learns of them.
func (g *guard) OnSubscribed(cl *mqtt.Client, pk packets.Packet, codes []byte) {
	for _, f := range pk.Filters {
		if !g.maySubscribe(cl, f.Filter) {
			g.tell(f.Filter, fmt.Sprintf("%s may not subscribe to this", g.describe(cl)))
		}
	}
	if !persistent(cl) {
		return
	}
	for i, f := range pk.Filters {
		if codes[i] > packets.CodeGrantedQos2.Code {
			continue
		}
		g.store.put(bucketSubscriptions, cl.ID+"\x00"+f.Filter, storage.Subscription{
			T: storage.SubscriptionKey, Client: cl.ID, Filter: f.Filter, Qos: codes[i], Identifier: f.Identifier,
			NoLocal: f.NoLocal, RetainHandling: f.RetainHandling, RetainAsPublished: f.RetainAsPublished,
		})
	}
	if err := g.store.barrier(); err != nil {
		cl.Stop(err)
	}
}

// OnUnsubscribed drops subscriptions.
func (g *guard) OnUnsubscribed(cl *mqtt.Client, pk packets.Packet) {
	if !persistent(cl) {
		return
	}
	for _, f := range pk.Filters {
		g.store.submit(op{bucket: bucketSubscriptions, key: cl.ID + "\x00" + f.Filter, lazy: true})
	}
}

// OnRetainMessage keeps the last message of a topic, or drops it when r is -1.
func (g *guard) OnRetainMessage(cl *mqtt.Client, pk packets.Packet, r int64) {
	if r == -1 {
		g.store.submit(op{bucket: bucketRetained, key: pk.TopicName})
		return
	}
	g.store.put(bucketRetained, pk.TopicName, message(cl, pk, storage.RetainedKey))
}

// OnRetainedExpired drops the last message of a topic.
func (g *guard) OnRetainedExpired(topic string) {
	g.store.submit(op{bucket: bucketRetained, key: topic, lazy: true})
}

// OnQosPublish keeps a message on its way to a persistent session. A repeated
// one is there already.
func (g *guard) OnQosPublish(cl *mqtt.Client, pk packets.Packet, _ int64, _ int) {
	if !persistent(cl) || pk.FixedHeader.Dup {
		return
	}
	g.note(cl.ID, pk.PacketID)
	g.store.put(bucketInflight, inflightKey(cl.ID, pk.PacketID), message(cl, pk, storage.InflightKey))
}

// OnQosComplete drops a delivered message. Should a crash undo this, the
// message is delivered again under the same identifier and marked as such.
func (g *guard) OnQosComplete(cl *mqtt.Client, pk packets.Packet) {
	if persistent(cl) {
		g.store.submit(op{bucket: bucketInflight, key: inflightKey(cl.ID, pk.PacketID), lazy: true})
	}
}

// OnQosDropped drops a message that will not be delivered; unless it has only
// moved with its session to another connection.
func (g *guard) OnQosDropped(cl *mqtt.Client, pk packets.Packet) {
	if !cl.IsTakenOver() {
		g.OnQosComplete(cl, pk)
	}
}

func message(cl *mqtt.Client, pk packets.Packet, kind string) storage.Message {
	p := pk.Properties.Copy(false)
	return storage.Message{
		T: kind, Client: cl.ID, Origin: pk.Origin, FixedHeader: pk.FixedHeader, PacketID: pk.PacketID,
		TopicName: pk.TopicName, Payload: pk.Payload, Created: pk.Created,
		Properties: storage.MessageProperties{
			PayloadFormat: p.PayloadFormat, PayloadFormatFlag: p.PayloadFormatFlag,
			MessageExpiryInterval: p.MessageExpiryInterval, ContentType: p.ContentType,
			ResponseTopic: p.ResponseTopic, CorrelationData: p.CorrelationData,
			SubscriptionIdentifier: p.SubscriptionIdentifier, User: p.User,
		},
	}
}

// StoredClients gives the sessions back at the start, but for those of users
// that are gone: nobody else shall come into their messages.
func (g *guard) StoredClients() ([]storage.Client, error) {
	if err := g.loadCounters(); err != nil {
		return nil, err
	}
	all, err := load[storage.Client](g.store, bucketClients)
	if err != nil {
		return nil, err
	}
	kept := all[:0]
	for _, c := range all {
		if g.mine(c.ID, string(c.Username)) {
			kept = append(kept, c)
			continue
		}
		g.log.Warn("the broker drops the session of a user that is no longer in the configuration", "client", shortened(c.ID))
		g.dropClient(c.ID)
	}
	if len(kept) < len(all) {
		err = g.store.barrier() // before its subscriptions and messages are read
	}
	return kept, err
}

// StoredSubscriptions gives the subscriptions back at the start.
func (g *guard) StoredSubscriptions() ([]storage.Subscription, error) {
	return load[storage.Subscription](g.store, bucketSubscriptions)
}

// StoredInflightMessages gives the undelivered messages back at the start and
// goes on numbering after them. The sessions are there by then: each goes on
// with its identifiers before the first publication comes, which may be before
// its client does.
func (g *guard) StoredInflightMessages() ([]storage.Message, error) {
	for _, cl := range g.server.Clients.GetAll() {
		g.goOn(cl)
	}
	all, err := load[storage.Message](g.store, bucketInflight)
	for _, m := range all {
		if m.Created > g.created.Load() {
			g.created.Store(m.Created)
		}
	}
	return all, err
}

// StoredRetainedMessages gives the retained messages back at the start.
func (g *guard) StoredRetainedMessages() ([]storage.Message, error) {
	return load[storage.Message](g.store, bucketRetained)
}
