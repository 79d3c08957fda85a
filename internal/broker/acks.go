package broker

import (
	"errors"
	"sync"

	mqtt "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/packets"
)

// ackQueue sends the acknowledgements of one publisher on a goroutine of its
// own, so that a publisher that does not read cannot hold up the store.
type ackQueue struct {
	client *mqtt.Client
	wake   chan struct{}
	quit   chan struct{}
	ended  chan struct{}

	mu   sync.Mutex
	list []ack
}

// ack acknowledges one publication; the code says how it went, where the
// protocol has a place for it (MQTT 5).
type ack struct {
	id   uint16
	code byte
}

// maxAcks is every packet identifier once.
const maxAcks = 65535

func newAckQueue(cl *mqtt.Client) *ackQueue {
	q := &ackQueue{client: cl, wake: make(chan struct{}, 1), quit: make(chan struct{}), ended: make(chan struct{})}
	go q.run()
	return q
}

// add queues an acknowledgement and never blocks.
func (q *ackQueue) add(a ack) {
	q.mu.Lock()
	q.list = append(q.list, a)
	full := len(q.list) > maxAcks
	q.mu.Unlock()
	if full {
		q.client.Stop(errors.New("the publisher does not read its acknowledgements"))
		return
	}
	select {
	case q.wake <- struct{}{}:
	default:
	}
}

// stop ends the queue; the connection must be closed.
func (q *ackQueue) stop() {
	close(q.quit)
	<-q.ended
}

func (q *ackQueue) run() {
	defer close(q.ended)
	var list []ack
	for {
		select {
		case <-q.wake:
		case <-q.quit:
			return
		}
		q.mu.Lock()
		list, q.list = q.list, list[:0]
		q.mu.Unlock()
		for _, a := range list {
			out := packets.Packet{FixedHeader: packets.FixedHeader{Type: packets.Puback}, PacketID: a.id, ReasonCode: a.code}
			if err := q.client.WritePacket(out); err != nil {
				q.client.Stop(err)
				break
			}
		}
	}
}
