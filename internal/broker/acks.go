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

	mu  sync.Mutex
	ids []uint16
}

// maxAcks is every packet identifier once.
const maxAcks = 65535

func newAckQueue(cl *mqtt.Client) *ackQueue {
	q := &ackQueue{client: cl, wake: make(chan struct{}, 1), quit: make(chan struct{}), ended: make(chan struct{})}
	go q.run()
	return q
}

// add queues an acknowledgement and never blocks.
func (q *ackQueue) add(id uint16) {
	q.mu.Lock()
	q.ids = append(q.ids, id)
	full := len(q.ids) > maxAcks
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
	var ids []uint16
	for {
		select {
		case <-q.wake:
		case <-q.quit:
			return
		}
		q.mu.Lock()
		ids, q.ids = q.ids, ids[:0]
		q.mu.Unlock()
		for _, id := range ids {
			ack := packets.Packet{FixedHeader: packets.FixedHeader{Type: packets.Puback}, PacketID: id}
			if err := q.client.WritePacket(ack); err != nil {
				q.client.Stop(err)
				break
			}
		}
	}
}
